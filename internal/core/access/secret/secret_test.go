package secret

import (
	"bytes"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// From memory: values of the tests of Argon2's reference implementation, version
// 0x13, argon2id, password "password", salt "somesalt".
func TestMatches_ReferenceValues(t *testing.T) {
	for _, stored := range []string{
		"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc",
	} {
		if !Matches(stored, "password") {
			t.Errorf("password does not match %s", stored)
		}
		if Matches(stored, "passwore") {
			t.Errorf("another password matches %s", stored)
		}
	}
}

func TestHash_OpensToItsPasswordOnly(t *testing.T) {
	salt := bytes.Repeat([]byte{7}, SaltBytes)
	stored, err := Hash("four unrelated words", salt)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(stored, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Errorf("hash %q", stored)
	}
	if !Matches(stored, "four unrelated words") || Matches(stored, "four unrelated word") || Matches(stored, "") {
		t.Error("the hash does not open to its password alone")
	}
	if other, err := Hash("four unrelated words", bytes.Repeat([]byte{8}, SaltBytes)); err != nil || other == stored {
		t.Errorf("salts make no difference: %v", err)
	}
	if _, err := Hash("x", nil); err == nil {
		t.Error("a hash without salt")
	}
	if Matches(Nobody(), "") || Matches(Nobody(), "four unrelated words") {
		t.Error("a password of nobody")
	}
}

// A damaged row of the store opens to nothing, and costs neither memory nor time.
func TestMatches_DamagedHashes(t *testing.T) {
	for _, stored := range []string{
		"", "$", "four unrelated words", "$2b$10$abc", "$argon2i$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=16$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=4294967295,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=0,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=0$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$", "$argon2id$v=19$m=256,t=2,p=1$$nf65", "$argon2id$v=19$m=256,t=2,p=1$!$!", "$argon2id$v=19$m,t,p$x$x",
	} {
		if Matches(stored, "password") {
			t.Errorf("password matches %q", stored)
		}
	}
}

func TestCheckPassword(t *testing.T) {
	for _, good := range []string{"four unrelated words", "ökologische röhre"} {
		if err := CheckPassword(good); err != nil {
			t.Error(err)
		}
	}
	for _, bad := range []string{"", "elevenchars", "öööööööööö", "two lines of\nwords", "\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff", strings.Repeat("x", 513)} {
		if CheckPassword(bad) == nil {
			t.Errorf("%q is taken as a password", bad)
		}
	}
}

func TestToken_DiffersWithItsBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bits := rapid.SliceOfN(rapid.Byte(), TokenBytes, TokenBytes).Draw(t, "bits")
		token, err := Token(bits)
		if err != nil {
			t.Fatal(err)
		}
		other := bytes.Clone(bits)
		other[rapid.IntRange(0, TokenBytes-1).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		second, err := Token(other)
		if err != nil || second == token || bytes.Equal(Digest(second), Digest(token)) {
			t.Fatalf("one bit makes no difference: %v", err)
		}
		if strings.ContainsAny(token, "+/=&? ") {
			t.Fatalf("token %q cannot stand in an address as it is", token)
		}
	})
	if _, err := Token([]byte("short")); err == nil {
		t.Error("a token of five bytes")
	}
}

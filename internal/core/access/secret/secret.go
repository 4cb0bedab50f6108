// Package secret turns passwords and tokens into what may be stored, and compares.
// A password is hashed with Argon2id and a salt of its own, because people choose
// passwords that can be guessed; a token is 256 random bits, which nobody can
// guess, so one round of SHA-256 is enough and costs no request anything.
//
// A stored password carries its parameters, so that they can be raised later and
// old ones still open. Nothing here draws randomness: salts and tokens are made of
// bytes that the caller gives.
package secret

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Parameters of new hashes: 19 MiB of memory, two passes, one lane; one hash takes
// some tens of milliseconds on a small machine.
// Source: OWASP password storage cheat sheet, least configuration of Argon2id; RFC
// 9106, section 4, explains the parameters.
const (
	memory = 19456 // KiB
	passes = 2
	lanes  = 1
	length = 32 // bytes of the hash

	// SaltBytes is the length of a salt.
	SaltBytes = 16
	// TokenBytes is the length of what a token is made of: 256 bits.
	TokenBytes = 32
)

// Bounds of a password.
const (
	minPassword = 12  // characters
	maxPassword = 512 // bytes
)

// Bounds of what a stored hash may ask for, so that a row of the store cannot take
// the machine down.
const (
	maxMemory = 1 << 20 // KiB
	maxPasses = 64
	maxLanes  = 64
)

// CheckPassword is nil for a password that a person may choose.
func CheckPassword(password string) error {
	switch {
	case !utf8.ValidString(password) || strings.ContainsAny(password, "\x00\r\n"):
		return errors.New("password: expected one line of text")
	case utf8.RuneCountInString(password) < minPassword:
		return fmt.Errorf("password: expected at least %d characters; four or five unrelated words are easy to keep in mind", minPassword)
	case len(password) > maxPassword:
		return fmt.Errorf("password: expected at most %d bytes", maxPassword)
	}
	return nil
}

// Hash gives what is stored of a password, in the PHC string format. The salt is
// SaltBytes random bytes.
func Hash(password string, salt []byte) (string, error) {
	if len(salt) != SaltBytes {
		return "", fmt.Errorf("salt of %d bytes: expected %d", len(salt), SaltBytes)
	}
	key := argon2.IDKey([]byte(password), salt, passes, memory, lanes, length)
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, lanes, b64.EncodeToString(salt), b64.EncodeToString(key)), nil
}

// Matches says whether a password is the one of a stored hash. It takes as long for
// a wrong one as for a right one. A stored text that is no hash matches nothing.
func Matches(stored, password string) bool {
	h, ok := parse(stored)
	if !ok || len(password) > maxPassword {
		return false
	}
	key := argon2.IDKey([]byte(password), h.salt, h.passes, h.memory, h.lanes, uint32(len(h.key))) //nolint:gosec // bounded by parse
	return subtle.ConstantTimeCompare(key, h.key) == 1
}

// Nobody is a hash that no password is known of. Comparing with it takes the time
// of a real comparison, so that an unknown name is answered as late as a wrong
// password.
func Nobody() string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, lanes,
		b64.EncodeToString(make([]byte, SaltBytes)), b64.EncodeToString(make([]byte, length)))
}

type parsed struct {
	memory, passes uint32
	lanes          uint8
	salt, key      []byte
}

func parse(stored string) (parsed, bool) {
	var p parsed
	parts := strings.Split(stored, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return p, false
	}
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &p.memory, &p.passes, &p.lanes); n != 3 || err != nil {
		return p, false
	}
	var err error
	if p.salt, err = base64.RawStdEncoding.DecodeString(parts[4]); err != nil {
		return p, false
	}
	if p.key, err = base64.RawStdEncoding.DecodeString(parts[5]); err != nil {
		return p, false
	}
	sound := p.memory >= 8 && p.memory <= maxMemory && p.passes >= 1 && p.passes <= maxPasses && p.lanes >= 1 && p.lanes <= maxLanes &&
		len(p.salt) >= 8 && len(p.salt) <= 64 && len(p.key) >= 16 && len(p.key) <= 64
	return p, sound
}

// prefix stands before each token, so that people and scanners for leaked secrets
// know what it is.
const prefix = "curetally_"

// Token writes a token of TokenBytes random bytes as people see it, once.
func Token(random []byte) (string, error) {
	if len(random) != TokenBytes {
		return "", fmt.Errorf("token of %d bytes: expected %d", len(random), TokenBytes)
	}
	return prefix + base64.RawURLEncoding.EncodeToString(random), nil
}

// Digest is what is stored of a token or of the name of a session. Stores look it
// up: what the time of a look-up tells of a digest tells nothing of the token.
func Digest(token string) []byte {
	sum := sha256.Sum256([]byte(token))
	return sum[:]
}

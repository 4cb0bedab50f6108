package certificate

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// issue writes a self-signed pair for press.example with a serial and gives its
// files.
func issue(t *testing.T, f Files, serial int64) *x509.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "press.example"}, DNSNames: []string{"press.example"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	write(t, f.Certificate, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	write(t, f.Key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}))
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func write(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// served gives the serial that a client sees in a handshake.
func served(t *testing.T, k *Keeper) int64 {
	t.Helper()
	a, b := net.Pipe()
	defer a.Close()
	ended := make(chan error, 1)
	go func() {
		server := tls.Server(b, k.Config())
		ended <- server.HandshakeContext(t.Context())
	}()
	client := tls.Client(a, &tls.Config{InsecureSkipVerify: true, ServerName: "press.example"}) //nolint:gosec // the serial is what is looked at
	if err := client.HandshakeContext(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	return client.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
}

func TestRenewedWhileServing(t *testing.T) {
	dir := t.TempDir()
	f := Files{filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")}
	issue(t, f, 1)
	now := time.Date(2026, 3, 9, 14, 30, 0, 0, time.UTC)
	var log bytes.Buffer
	k, err := New(f, func() time.Time { return now }, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	expect := func(what string, want int64) {
		t.Helper()
		now = now.Add(lookEvery)
		if got := served(t, k); got != want {
			t.Errorf("%s: certificate %d, want %d", what, got, want)
		}
	}
	expect("first", 1)
	issue(t, f, 2)
	if got := served(t, k); got != 1 {
		t.Errorf("looked at the files again at once")
	}
	expect("renewed", 2)

	good := issue(t, Files{filepath.Join(dir, "other.pem"), filepath.Join(dir, "other.key")}, 3)
	half, err := os.ReadFile(filepath.Join(dir, "other.pem"))
	if err != nil || good.SerialNumber.Int64() != 3 {
		t.Fatal(err)
	}
	write(t, f.Certificate, half) // its key is not yet there
	expect("half renewed", 2)
	expect("still half renewed", 2)
	key, err := os.ReadFile(filepath.Join(dir, "other.key"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, f.Key, append(key, '\n')) // another size, whatever the grain of the file system's clock
	expect("wholly renewed", 3)
	if err := os.Remove(f.Key); err != nil {
		t.Fatal(err)
	}
	expect("key gone", 3)
	if n := strings.Count(log.String(), "cannot be used"); n != 2 {
		t.Errorf("%d lines of trouble in the log, want 2 (half, gone):\n%s", n, &log)
	}
}

func TestUnusableFilesAreToldAtTheStart(t *testing.T) {
	dir := t.TempDir()
	f := Files{filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")}
	for what, want := range map[string]string{"missing": "web.tls", "garbage": "in PEM"} {
		if what == "garbage" {
			write(t, f.Certificate, []byte("x"))
			write(t, f.Key, []byte("x"))
		} else {
			_ = os.Remove(f.Key) // may not be there
		}
		if _, err := New(f, time.Now, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v, want one with %q", what, err, want)
		}
	}
}

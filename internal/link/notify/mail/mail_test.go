package mail

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/link/notify"
)

// receiver is a mail server that is not our library: Debian's aiosmtpd. It prints
// its port, then each message that it takes as a line of JSON.
const receiver = `
import asyncio, email, email.policy, json, ssl, sys
from aiosmtpd.smtp import SMTP
class Keep:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("gone@"):
            return "550 no such mailbox"
        if address.startswith("busy@"):
            return "451 try later"
        envelope.rcpt_tos.append(address)
        return "250 OK"
    async def handle_DATA(self, server, session, envelope):
        m = email.message_from_bytes(envelope.content, policy=email.policy.default)
        parts = {p.get_content_type(): p.get_content() for p in m.walk() if not p.is_multipart()}
        print(json.dumps({"to": envelope.rcpt_tos, "subject": m["Subject"], "id": m["Message-ID"], "auto": m["Auto-Submitted"],
            "encrypted": session.ssl is not None, "text": parts.get("text/plain"), "html": parts.get("text/html")}), flush=True)
        return "250 OK"
async def main():
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(sys.argv[1], sys.argv[2])
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: SMTP(Keep(), tls_context=context, require_starttls=True), "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()
asyncio.run(main())
`

type taken struct {
	To                            []string
	Subject, ID, Auto, Text, HTML string
	Encrypted                     bool
}

// serve starts the server and gives its port, the authority of its certificate and
// what it prints.
func serve(t *testing.T) (port int, roots *x509.CertPool, lines *bufio.Scanner) {
	t.Helper()
	dir := t.TempDir()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	about := &x509.Certificate{
		SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
	}
	der, err := x509.CreateCertificate(rand.Reader, about, about, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	for name, data := range map[string][]byte{"cert.pem": certificate, "key.pem": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	roots = x509.NewCertPool()
	roots.AppendCertsFromPEM(certificate)
	// Debian's packages belong to Debian's interpreter.
	cmd := exec.CommandContext(t.Context(), "/usr/bin/python3", "-c", receiver, filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem"))
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("%v: apt-get install python3-aiosmtpd", err)
	}
	t.Cleanup(func() { _ = cmd.Wait() }) // killed by the end of the test's context
	lines = bufio.NewScanner(out)
	if !lines.Scan() || json.Unmarshal(lines.Bytes(), &port) != nil {
		t.Fatal("the mail server does not start: apt-get install python3-aiosmtpd")
	}
	return port, roots, lines
}

func message() notice.Message {
	return notice.Message{
		Key: strings.Repeat("0af1", 8), Site: "Alder Lane Labels", Zone: time.UTC,
		Notices: []notice.Notice{{
			ID: 7, Kind: notice.TaskOverdue, Press: "heron", At: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), Due: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC),
			Title: "Clean the lens at heron-1\r\nBcc: all@example.net", Text: "61 of 60 h <script>alert(1)</script>.", Remedy: "Plan it.",
		}},
	}
}

func options(port int, roots *x509.CertPool, to ...string) Options {
	return Options{
		Host: "127.0.0.1", Port: port, Encryption: StartTLS, TLS: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
		From: "curetally <curetally@example.net>", To: to,
	}
}

func TestMailArrivesEncryptedAsTextAndPage(t *testing.T) {
	port, roots, lines := serve(t)
	s, err := New(options(port, roots, "ann@example.net", "Ben <ben@example.net>"))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(t.Context(), message()); err != nil {
		t.Fatal(err)
	}
	if !lines.Scan() {
		t.Fatal("nothing arrived")
	}
	var got taken
	if err := json.Unmarshal(lines.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if strings.Join(got.To, " ") != "ann@example.net ben@example.net" || !got.Encrypted || got.Auto != "auto-generated" {
		t.Errorf("to %v, encrypted %v, auto %q", got.To, got.Encrypted, got.Auto)
	}
	if want := "Clean the lens at heron-1 Bcc: all@example.net · Alder Lane Labels"; strings.TrimSpace(got.Subject) != want { // the header may be folded
		t.Errorf("subject %q, want %q", got.Subject, want)
	}
	if want := "<" + strings.Repeat("0af1", 8) + "@example.net>"; got.ID != want {
		t.Errorf("id %q, want %q", got.ID, want)
	}
	if !strings.Contains(got.Text, "Due: Sun 1 Mar 2026") || !strings.Contains(got.Text, "<script>") {
		t.Errorf("text:\n%s", got.Text)
	}
	if !strings.Contains(got.HTML, "<b>Sun 1 Mar 2026</b>") || strings.Contains(got.HTML, "<script>") {
		t.Errorf("page:\n%s", got.HTML)
	}
}

func TestMailFailures(t *testing.T) {
	port, roots, _ := serve(t)
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := free.Addr().(*net.TCPAddr).Port
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		o         Options
		permanent bool
	}{
		"no mailbox":          {options(port, roots, "gone@example.net"), true},
		"mailbox busy":        {options(port, roots, "busy@example.net"), false},
		"unknown certificate": {options(port, x509.NewCertPool(), "ann@example.net"), false},
		"nobody listens":      {options(nobody, roots, "ann@example.net"), false},
	} {
		s, err := New(c.o)
		if err != nil {
			t.Fatal(err)
		}
		err = s.Send(t.Context(), message())
		if _, permanent := errors.AsType[*notify.Refused](err); err == nil || permanent != c.permanent {
			t.Errorf("%s: %v, permanent %v", name, err, permanent)
		}
	}
}

func TestHangingServerIsLeft(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0") // takes connections and says nothing
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	s, err := New(options(l.Addr().(*net.TCPAddr).Port, x509.NewCertPool(), "ann@example.net"))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := s.Send(ctx, message()); err == nil {
		t.Error("a server that says nothing took a mail")
	}
}

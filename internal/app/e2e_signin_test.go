package app_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curetally/internal/app"
	"curetally/internal/core/access"
	"curetally/internal/core/access/secret"
	"curetally/internal/link/config"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/store"
)

// certified writes a certificate for 127.0.0.1 and its key, and gives what trusts it.
func certified(t *testing.T, dir string) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: der}, "key.pem": {Type: "PRIVATE KEY", Bytes: private}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	return pool
}

// A daemon towards a network serves by TLS and asks everybody: pages bring to the
// sign-in and back, programs need a token, no role does more than it may, and no
// record bears another's name.
func TestTowardsANetworkEverybodyIsAsked(t *testing.T) {
	dir, dbURL := openDir(t), pgtest.New(t)
	pool := certified(t, dir)
	c, err := config.Parse(filepath.Join(dir, "plant.yaml"), fmt.Appendf(nil, `
site: {name: Alder Lane Labels, time_zone: Europe/Berlin}
listen: 0.0.0.0:0
data_dir: data
database: {url: %q}
web: {tls: {certificate: cert.pem, key: key.pem}}
presses: [{name: heron, stations: [{name: heron-1, technology: arc}]}]
meters: [{name: heron-meter, url: "tcp://127.0.0.1:1", profile: wh-uint32, max_power: 12 kW, station: heron-1}]
`, dbURL))
	if err != nil {
		t.Fatal(err)
	}
	o := app.Options{Config: c, Log: slog.New(slog.DiscardHandler)}
	if err := app.Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "curetally person add") {
		t.Fatalf("a daemon at which nobody could sign in: %v", err)
	}

	db, end, err := app.OpenStore(t.Context(), c, o.Log)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = end(context.WithoutCancel(t.Context())) }()
	hash, err := secret.Hash("four unrelated words", make([]byte, secret.SaltBytes))
	if err != nil {
		t.Fatal(err)
	}
	if err := db.AddPerson(t.Context(), access.Account{Name: "Ann", Role: access.Planner, Password: hash, AddedBy: "Kim"}); err != nil {
		t.Fatal(err)
	}
	if _, err := db.AddToken(t.Context(), access.Token{Person: "Ann", Title: "screen", Purpose: access.ForAPI, Role: access.Reader}, secret.Digest("screen-token"), "Kim"); err != nil {
		t.Fatal(err)
	}

	ctx, stop := context.WithCancel(t.Context())
	serving, ended := make(chan string, 1), make(chan error, 1)
	o.Serving = func(url string) { serving <- url }
	go func() { ended <- app.Run(ctx, o) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	var base string
	select {
	case at := <-serving:
		u, err := url.Parse(at)
		if err != nil {
			t.Fatal(err)
		}
		base = "https://127.0.0.1:" + u.Port()
	case err := <-ended:
		ended <- nil
		t.Fatal(err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	b := browser{t, base, &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}}
	program := browser{t, base, &http.Client{Transport: b.client.Transport}}
	defer b.client.CloseIdleConnections()
	throughTheDoor(t, b, program, db)
}

// throughTheDoor walks about as a person in a browser and as a program.
func throughTheDoor(t *testing.T, b, program browser, db *store.DB) {
	const done = "/api/v1/tasks/reflector-clean/heron-1/done"
	entered := url.Values{"name": {"Ann"}, "password": {"four unrelated words"}, "next": {"/"}}.Encode()
	form := []string{"Content-Type", "application/x-www-form-urlencoded"}
	asJSON := []string{"Content-Type", "application/json"}
	bearer := append([]string{"Authorization", "Bearer screen-token"}, asJSON...)
	for _, step := range []struct {
		what         string
		who          browser
		method, path string
		body         string
		header       []string
		status       int
		says         string
	}{
		{"a stranger", b, "GET", "/", "", nil, 200, "<h1>Sign in</h1>"},
		{"a stranger's program", program, "GET", "/api/v1/tasks", "", nil, 401, "curetally token make"},
		{"a stranger's act", program, "POST", done, `{"by":"Ann"}`, asJSON, 401, ""},
		{"a scraper without a token", program, "GET", "/metrics", "", nil, 401, ""},
		{"a check of health", program, "GET", "/healthz", "", nil, 200, "alive"},
		{"a wrong password", b, "POST", "/signin", "name=Ann&password=other", form, 401, "name or the password"},
		{"another site's sign-in", b, "POST", "/signin", entered, append([]string{"Sec-Fetch-Site", "cross-site"}, form...), 403, ""},
		{"Ann", b, "POST", "/signin", entered, form, 200, "heron"},
		{"Ann looks", b, "GET", "/api/v1/stations", "", nil, 200, "heron-1"},
		{"another site's act in her name", b, "POST", done, `{}`, append([]string{"Origin", "https://evil.example"}, asJSON...), 403, ""},
		{"an act in another's name", b, "POST", done, `{"by":"Ben"}`, asJSON, 422, "signed in as Ann"},
		{"her act", b, "POST", done, `{}`, asJSON, 200, "Ann"},
		{"beyond her role", b, "POST", "/api/v1/registers/heron-meter/import/exchange", `{"final":1,"first":0}`, asJSON, 403, "takes the role engineer"},
		{"her token of a lower role looks", program, "GET", "/api/v1/stations", "", bearer, 200, "heron-1"},
		{"and scrapes", program, "GET", "/metrics", "", bearer, 200, "curetally_"},
		{"and does nothing", program, "POST", done, `{}`, bearer, 403, "Ann with the token screen"},
		{"oversized", b, "POST", done, `{"note":"` + strings.Repeat("x", 70_000) + `"}`, asJSON, 413, ""},
		{"Ann leaves", b, "POST", "/signout", "", form, 200, "<h1>Sign in</h1>"},
		{"and is away", b, "GET", "/api/v1/stations", "", nil, 401, ""},
	} {
		status, header, body := step.who.ask(step.method, step.path, step.body, step.header...)
		if status != step.status || !strings.Contains(body, step.says) {
			t.Errorf("%s: %d: %s; want %d with %q", step.what, status, body, step.status, step.says)
		}
		if got := header.Get("Strict-Transport-Security"); got == "" {
			t.Errorf("%s: no Strict-Transport-Security", step.what)
		}
	}
	rows, err := db.AuditLog(t.Context(), 20)
	if err != nil {
		t.Fatal(err)
	}
	var acts []string
	for _, r := range rows {
		acts = append([]string{r.Action + " by " + r.By}, acts...)
	}
	want := "add person by Kim, make token by Kim, refuse sign-in by Ann, sign in by Ann, done by Ann, sign out by Ann"
	if got := strings.Join(acts, ", "); got != want {
		t.Errorf("audit log: %s, want %s", got, want)
	}
}

// browser asks a base address.
type browser struct {
	t      *testing.T
	base   string
	client *http.Client
}

func (b browser) ask(method, path, body string, header ...string) (int, http.Header, string) {
	b.t.Helper()
	r, err := http.NewRequestWithContext(b.t.Context(), method, b.base+path, strings.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	res, err := b.client.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return res.StatusCode, res.Header, string(text)
}

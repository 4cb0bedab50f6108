package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/plant"
)

var update = flag.Bool("update", false, "write the golden files anew")

func get(t *testing.T, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
	return w
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; look at the change, then run the test with -update. Got:\n%s", path, got)
	}
}

func TestOverviewJSONIsTheGoldenDocument(t *testing.T) {
	w := get(t, site(t, fixed{overview: alderLane(t)}).Handler(), "/api/v1/overview")
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "application/json" {
		t.Fatalf("status %d, type %q", w.Code, w.Header().Get("Content-Type"))
	}
	golden(t, "overview.json", w.Body.Bytes())
}

func TestJSONHasListsAndNullsForWhatIsNotThere(t *testing.T) {
	o := Overview{
		Presses: []PressView{{Stations: []StationView{{State: plant.StateUnknown}}}, {}},
		Tasks:   []TaskView{{}},
		Savings: []SavingsView{{Fraction: math.NaN(), HalfWidth: math.Inf(1)}},
	}
	body, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`"findings":[]`, `"meters":[]`, `"stations":[]`, `"parts":[]`, `"cautions":[]`, `"months":[]`,
		`"power_watts":null`, `"saved_fraction":null`, `"half_width_kwh":null`, `"state":"unknown"`, `"zone":"UTC"`, `"lamp":null`,
	} {
		if !bytes.Contains(body, []byte(want)) {
			t.Errorf("%s is missing in %s", want, body)
		}
	}
}

func TestNamesFromOutsideStayText(t *testing.T) {
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>`
	o := alderLane(t)
	o.SiteName = evil
	o.Presses[0].Title, o.Presses[0].Stations[0].Title = evil, evil
	o.Presses[0].Stations[1].Lamp.Serial = evil
	o.Findings[1].Text, o.Findings[1].Subject = evil, evil
	o.Tasks[0].Title, o.Tasks[0].Status, o.Tasks[0].Parts[0] = evil, evil, evil
	o.Savings[0].Approver, o.Savings[1].Missing = evil, evil
	o.Meters[0].Title = evil
	h := site(t, fixed{overview: o}).Handler()
	for _, path := range []string{"/api/v1/overview"} {
		body := get(t, h, path).Body.String()
		if strings.Contains(body, "<script") || strings.Contains(body, "<img") {
			t.Errorf("%s: a name became an element", path)
		}
	}
}

func TestEveryAnswerCarriesTheGuardsHeaders(t *testing.T) {
	h := site(t, fixed{overview: alderLane(t)}).Handler()
	for _, path := range []string{"/", "/api/v1/overview", "/metrics", "/healthz", "/readyz", "/nowhere"} {
		head := get(t, h, path).Header()
		for name, want := range map[string]string{
			"Content-Security-Policy":      "default-src 'none'; style-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
			"X-Content-Type-Options":       "nosniff",
			"Referrer-Policy":              "same-origin",
			"Cross-Origin-Opener-Policy":   "same-origin",
			"Cross-Origin-Resource-Policy": "same-origin",
		} {
			if got := head.Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", path, name, got, want)
			}
		}
	}
}

func TestRoutes(t *testing.T) {
	h := site(t, fixed{overview: alderLane(t)}).Handler()
	for _, c := range []struct {
		method, path string
		status       int
		body         string
	}{
		{"GET", "/healthz", 200, "alive\n"},
		{"GET", "/readyz", 200, "ready\n"},
		{"GET", "/metrics", 200, "curetally_up 1\n"},
		{"HEAD", "/", 200, ""},
		{"GET", "/overview", 200, "GET /overview as engineer"},
		{"POST", "/work/done", 200, "POST /work/done as engineer"},
		{"DELETE", "/api/v1/overview", 405, "Method Not Allowed"},
		{"PUT", "/metrics", 405, "Method Not Allowed"},
	} {
		w := httptest.NewRecorder()
		r := httptest.NewRequestWithContext(t.Context(), c.method, c.path, nil)
		r.Host = "127.0.0.1:8460"
		h.ServeHTTP(w, r)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.body) {
			t.Errorf("%s %s: %d %q, want %d with %q", c.method, c.path, w.Code, w.Body, c.status, c.body)
		}
	}
}

func TestAnotherSiteCannotPost(t *testing.T) {
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/", strings.NewReader("x"))
	r.Host = "127.0.0.1:8460"
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	w := httptest.NewRecorder()
	site(t, fixed{}).Handler().ServeHTTP(w, r)
	if w.Code != http.StatusForbidden {
		t.Errorf("status %d, want 403", w.Code)
	}
}

// A foreign name that was pointed at this machine makes a page of its own origin, which
// no header tells from ours.
func TestPostsAreTakenUnderNamesOfThisMachineOnly(t *testing.T) {
	h := site(t, fixed{}).Handler()
	for host, allowed := range map[string]bool{
		"127.0.0.1:8460": true, "127.0.0.2": true, "[::1]:8460": true, "[::1]": true, "localhost:8460": true, "localhost": true,
		"evil.example:8460": false, "192.0.2.7:8460": false, "localhost.evil.example": false, "": false,
	} {
		for _, method := range []string{http.MethodPost, http.MethodGet} {
			r := httptest.NewRequestWithContext(t.Context(), method, "/", nil)
			r.Host = host
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if refused := w.Code == http.StatusForbidden; refused != (method == http.MethodPost && !allowed) {
				t.Errorf("%s to %q: status %d", method, host, w.Code)
			}
		}
	}
}

// switching is a Source whose answer the test changes between requests.
type switching struct{ err error }

func (s *switching) Overview(context.Context) (Overview, error) { return Overview{}, s.err }

func TestFailuresAreLoggedOnceAndNeverTold(t *testing.T) {
	var log bytes.Buffer
	src := &switching{err: errors.New("dial unix /srv/secret/.s.PGSQL.5432: password=hunter2")}
	s, err := New(Options{
		Source: src, API: http.NotFoundHandler(), Pages: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Ready: func(context.Context) error { return nil },
		Log: slog.New(slog.NewTextHandler(&log, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		for _, path := range []string{"/api/v1/overview"} {
			w := get(t, s.Handler(), path)
			if w.Code != http.StatusInternalServerError || !strings.Contains(w.Body.String(), internalText) {
				t.Errorf("%s: %d %q", path, w.Code, w.Body)
			}
			for _, leak := range []string{"secret", "hunter2", "PGSQL", "dial"} {
				if strings.Contains(w.Body.String(), leak) {
					t.Errorf("%s tells %q", path, leak)
				}
			}
		}
	}
	if n := strings.Count(log.String(), "could not answer"); n != 1 {
		t.Errorf("%d lines for a failing route, want one:\n%s", n, &log)
	}
	if !strings.Contains(log.String(), "hunter2") {
		t.Error("the log does not name the reason")
	}
	src.err = nil
	get(t, s.Handler(), "/api/v1/overview")
	get(t, s.Handler(), "/api/v1/overview")
	if n := strings.Count(log.String(), "answered again"); n != 1 {
		t.Errorf("%d lines for one recovery:\n%s", n, &log)
	}
}

func TestReadinessStatesItsReason(t *testing.T) {
	s, err := New(Options{
		Source: fixed{}, API: http.NotFoundHandler(), Pages: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Log: slog.New(slog.DiscardHandler),
		Ready: func(context.Context) error { return errors.New("first round of polling is not finished") },
	})
	if err != nil {
		t.Fatal(err)
	}
	w := get(t, s.Handler(), "/readyz")
	if w.Code != http.StatusServiceUnavailable || w.Body.String() != "not ready: first round of polling is not finished\n" {
		t.Errorf("%d %q", w.Code, w.Body)
	}
	if w := get(t, s.Handler(), "/healthz"); w.Code != http.StatusOK {
		t.Errorf("healthz %d: liveness must not ask for readiness", w.Code)
	}
}

func TestNewNamesWhatIsMissing(t *testing.T) {
	full := Options{Source: fixed{}, API: http.NotFoundHandler(), Pages: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Ready: func(context.Context) error { return nil }, Log: slog.New(slog.DiscardHandler)}
	for want, change := range map[string]func(*Options){
		"Source": func(o *Options) { o.Source = nil }, "API": func(o *Options) { o.API = nil }, "Pages": func(o *Options) { o.Pages = nil }, "Metrics": func(o *Options) { o.Metrics = nil },
		"Ready": func(o *Options) { o.Ready = nil }, "Log": func(o *Options) { o.Log = nil },
	} {
		o := full
		change(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("without %s: error %v", want, err)
		}
	}
}

func TestOnLoopback(t *testing.T) {
	for addr, want := range map[string]bool{
		"127.0.0.1:8460": true, "127.9.9.9:0": true, "[::1]:80": true, "localhost:8460": true, "[::ffff:127.0.0.1]:80": true,
		":8460": false, "0.0.0.0:80": false, "[::]:80": false, "192.0.2.7:80": false, "press.example:80": false, "localhost.example:80": false,
	} {
		if got, err := OnLoopback(addr); got != want || err != nil {
			t.Errorf("%s: %v, %v; want %v", addr, got, err, want)
		}
	}
	for _, addr := range []string{"8460", ""} {
		if on, err := OnLoopback(addr); on || err == nil || !strings.Contains(err.Error(), "127.0.0.1") {
			t.Errorf("%q: %v, error %v; want one that names the remedy", addr, on, err)
		}
	}
}

// What is behind the door sees who asks; without a door it is anyone.
func TestDoorStandsBeforeEverything(t *testing.T) {
	seen := make(chan access.Person, 1)
	o := options(fixed{})
	o.Metrics = http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		p, _ := access.Of(r.Context())
		seen <- p
	})
	for _, c := range []struct {
		door func(http.Handler) http.Handler
		want access.Person
	}{
		{nil, access.Anyone()},
		{func(next http.Handler) http.Handler {
			return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				next.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Person{Name: "Ann"})))
			})
		}, access.Person{Name: "Ann"}},
	} {
		o.Door = c.door
		s, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		get(t, s.Handler(), "/metrics")
		if got := <-seen; got != c.want {
			t.Errorf("person %+v, want %+v", got, c.want)
		}
	}
}

func TestNamesAndTransportSecurityByConfiguration(t *testing.T) {
	o := options(fixed{})
	o.Secure, o.Named = true, func(host string) bool { return host == "press.example:8460" }
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	for host, refused := range map[string]bool{"press.example:8460": false, "127.0.0.1:8460": false, "evil.example:8460": true} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if (w.Code == http.StatusForbidden) != refused {
			t.Errorf("post to %s: status %d", host, w.Code)
		}
		if got := w.Header().Get("Strict-Transport-Security"); got != "max-age=31536000" {
			t.Errorf("Strict-Transport-Security is %q", got)
		}
	}
	if got := get(t, site(t, fixed{}).Handler(), "/").Header().Get("Strict-Transport-Security"); got != "" {
		t.Errorf("without TLS, Strict-Transport-Security is %q", got)
	}
}

// waiting is a Source that says when it was asked and answers when released or
// when its context ends.
type waiting struct{ asked, release chan struct{} }

func (s waiting) Overview(ctx context.Context) (Overview, error) {
	s.asked <- struct{}{}
	select {
	case <-s.release:
		return Overview{SiteName: "Alder Lane Labels"}, nil
	case <-ctx.Done():
		return Overview{}, ctx.Err()
	}
}

func TestOverviewsWaitTheirTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := waiting{asked: make(chan struct{}, 100), release: make(chan struct{})}
		h := site(t, src).Handler()
		codes := make(chan int, maxOverviews)
		for range maxOverviews {
			go func() { codes <- get(t, h, "/api/v1/overview").Code }()
		}
		synctest.Wait()
		began := time.Now()
		if w := get(t, h, "/api/v1/overview"); w.Code != http.StatusServiceUnavailable {
			t.Errorf("one too many: status %d, want 503", w.Code)
		}
		if took := time.Since(began); took != turnTimeout {
			t.Errorf("one too many waited %v, want %v", took, turnTimeout)
		}
		for range maxOverviews {
			if code := <-codes; code != http.StatusInternalServerError {
				t.Errorf("an overview without an end: status %d, want 500", code)
			}
		}
		close(src.release)
		if w := get(t, h, "/api/v1/overview"); w.Code != http.StatusOK {
			t.Errorf("afterwards: status %d, want 200", w.Code)
		}
	})
}

// pipes is a listener and dialler in memory, so that a server can be run under
// fake time.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
}

func newPipes() pipes { return pipes{make(chan net.Conn), make(chan struct{})} }

func (p pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p pipes) Close() error {
	select {
	case <-p.closed:
	default:
		close(p.closed)
	}
	return nil
}

func (p pipes) Addr() net.Addr { return &net.UnixAddr{Name: "memory", Net: "pipe"} }

func (p pipes) client() *http.Client {
	return &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		near, far := net.Pipe()
		select {
		case p.conns <- far:
			return near, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}}}
}

// fetch asks for the page and reports status or error.
func fetch(ctx context.Context, c *http.Client) (int, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://memory/api/v1/overview", nil)
	if err != nil {
		return 0, err
	}
	res, err := c.Do(req)
	if err != nil {
		return 0, err
	}
	_, err = io.Copy(io.Discard, res.Body)
	return res.StatusCode, errors.Join(err, res.Body.Close())
}

func TestServeFinishesWhatItBegan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := waiting{asked: make(chan struct{}), release: make(chan struct{})}
		p, s := newPipes(), site(t, src)
		ctx, cancel := context.WithCancel(t.Context())
		ended, code := make(chan error, 1), make(chan int, 1)
		client := p.client()
		defer client.CloseIdleConnections()
		go func() { ended <- s.Serve(ctx, p) }()
		go func() {
			status, err := fetch(t.Context(), client)
			if err != nil {
				t.Error(err)
			}
			code <- status
		}()
		<-src.asked
		cancel()
		synctest.Wait()
		close(src.release)
		if got := <-code; got != http.StatusOK {
			t.Errorf("request in flight: status %d, want 200", got)
		}
		if err := <-ended; err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
}

func TestServeEndsWithinItsBound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := waiting{asked: make(chan struct{}), release: make(chan struct{})}
		p, s := newPipes(), site(t, src)
		ctx, cancel := context.WithCancel(t.Context())
		ended, failed := make(chan error, 1), make(chan error, 1)
		client := p.client()
		defer client.CloseIdleConnections()
		go func() { ended <- s.Serve(ctx, p) }()
		go func() {
			_, err := fetch(t.Context(), client)
			failed <- err
		}()
		<-src.asked
		began := time.Now()
		cancel()
		if err := <-ended; !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("Serve: %v, want a deadline", err)
		}
		if took := time.Since(began); took != shutdownTimeout {
			t.Errorf("Serve ended after %v, want %v", took, shutdownTimeout)
		}
		if err := <-failed; err == nil {
			t.Error("the request that hung was answered")
		}
	})
}

// A browser opens connections ahead of need; they hold up no end.
func TestServeDoesNotWaitForConnectionsOverWhichNothingWasAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, s := newPipes(), site(t, fixed{})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- s.Serve(ctx, p) }()
		near, far := net.Pipe()
		defer near.Close()
		p.conns <- far
		synctest.Wait()
		began := time.Now()
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Serve: %v", err)
		}
		if took := time.Since(began); took >= shutdownTimeout {
			t.Errorf("Serve ended after %v", took)
		}
	})
}

func TestServeReportsABrokenListener(t *testing.T) {
	p := newPipes()
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	if err := site(t, fixed{}).Serve(t.Context(), p); !errors.Is(err, net.ErrClosed) {
		t.Errorf("Serve: %v, want the listener's error", err)
	}
}

package signin

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/link/identity"
	"curetally/internal/link/identity/identitytest"
	"curetally/internal/link/store"
)

// outsideSite is a site that is reached over HTTP and whose people may sign in at an
// issuer.
func outsideSite(t *testing.T, issuerURL string) (*site, string) {
	t.Helper()
	s := newSite(t)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { s.h.ServeHTTP(w, r) }))
	t.Cleanup(server.Close)
	p, err := identity.New(identity.Options{
		Issuer: issuerURL, ClientID: identitytest.Client, Secret: identitytest.Secret, Return: server.URL + returnPath, Label: "Alder Lane",
		NameClaim: "preferred_username", RoleClaim: "roles", Roles: map[string]access.Role{"planners": access.Planner, "all": access.Reader}, Now: time.Now,
	})
	s.must(err)
	s.opt.Always, s.opt.Outside, s.opt.Admission = true, p, s.db
	s.opt.Taken = func(err error) bool { return errors.Is(err, store.ErrConflict) }
	s.build()
	return s, server.URL
}

// visit asks with a jar of its own, as a browser that was opened anew, and follows
// where it is brought.
func visit(t *testing.T, client *http.Client, at string) (status int, body string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, at, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(text)
}

func browser(t *testing.T) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &http.Client{Jar: jar}
}

func TestSignInElsewhere(t *testing.T) {
	issuer := identitytest.Start(t)
	s, base := outsideSite(t, issuer.URL())
	s.add("Kim", access.Engineer)
	person := func(subject, name string, roles ...string) {
		issuer.Set(map[string]any{"sub": subject, "preferred_username": name, "roles": roles})
	}
	b := browser(t)
	if _, page := visit(t, b, base+"/work?press=heron"); !strings.Contains(page, `<a href="/signin/outside?next=%2fwork%3fpress%3dheron">Sign in at Alder Lane instead</a>`) {
		t.Errorf("page:\n%s", page)
	}
	person("1", "Ann", "planners")
	if status, body := visit(t, b, base+"/signin/outside?next=%2Fwork"); status != http.StatusOK || body != `GET "Ann" planner "" true` {
		t.Errorf("Ann: %d %s", status, body)
	}
	person("1", "Ann", "all") // less from the next time on
	if _, body := visit(t, browser(t), base+"/signin/outside"); body != `GET "Ann" reader "" true` {
		t.Errorf("Ann with another role: %s", body)
	}
	for _, c := range []struct {
		what   string
		set    func()
		status int
		says   string
	}{
		{"no role here", func() { person("2", "Ben", "sales") }, http.StatusForbidden, "You are not let in: your account at Alder Lane has no usable name, or none of the roles"},
		{"somebody else's name", func() { person("3", "Kim", "planners") }, http.StatusForbidden, "belongs to somebody else"},
		{"disabled here", func() {
			person("1", "Ann", "planners")
			s.must(s.db.SetDisabled(t.Context(), "Ann", true, "Kim"))
		}, http.StatusForbidden, "disabled"},
		{"a token of another issuer", func() { issuer.Set(map[string]any{"iss": "https://evil.example"}) }, http.StatusBadGateway, "could not be asked"},
	} {
		t.Run(c.what, func(t *testing.T) {
			c.set()
			b := browser(t)
			if status, body := visit(t, b, base+"/signin/outside"); status != c.status || !strings.Contains(body, c.says) {
				t.Errorf("%d: %s", status, body)
			}
			if _, page := visit(t, b, base+"/work"); !strings.Contains(page, "<h1>Sign in</h1>") {
				t.Errorf("let in all the same: %s", page)
			}
		})
	}
}

// What comes back without the trip of this very browser signs nobody in.
func TestAnswersThatNobodyAskedFor(t *testing.T) {
	issuer := identitytest.Start(t)
	s, base := outsideSite(t, issuer.URL())
	issuer.Set(map[string]any{"preferred_username": "Ann", "roles": "all"})

	stopped := browser(t) // it is sent back and does not go
	var back string
	stopped.CheckRedirect = func(r *http.Request, _ []*http.Request) error {
		if r.URL.Path == returnPath {
			back = r.URL.String()
			return http.ErrUseLastResponse
		}
		return nil
	}
	visit(t, stopped, base+"/signin/outside")
	u, err := url.Parse(back)
	if err != nil || u.Query().Get("code") == "" {
		t.Fatalf("sent back to %q: %v", back, err)
	}
	q := u.Query()
	if status, _ := visit(t, browser(t), back); status != http.StatusBadRequest {
		t.Errorf("another browser with the answer: %d", status)
	}
	with := func(change func(url.Values)) string {
		c := url.Values{"code": q["code"], "state": q["state"]}
		change(c)
		return base + returnPath + "?" + c.Encode()
	}
	for what, c := range map[string]struct {
		at     string
		status int
	}{
		"forged state": {with(func(v url.Values) { v.Set("state", "x") }), http.StatusBadRequest},
		"refused":      {with(func(v url.Values) { v.Del("code"); v.Set("error", "access_denied") }), http.StatusUnauthorized},
	} {
		b := browser(t)
		b.CheckRedirect = stopped.CheckRedirect
		visit(t, b, base+"/signin/outside")
		b.CheckRedirect = nil
		at := c.at
		if what == "refused" { // by the trip of this browser
			now, err := url.Parse(back)
			s.must(err)
			at = strings.Replace(at, url.QueryEscape(q.Get("state")), url.QueryEscape(now.Query().Get("state")), 1)
		}
		if status, _ := visit(t, b, at); status != c.status {
			t.Errorf("%s: %d, want %d", what, status, c.status)
		}
		if status, _ := visit(t, b, at); status != http.StatusBadRequest {
			t.Errorf("%s, once more: %d", what, status)
		}
	}
	s.now = s.now.Add(tripLife)
	if status, _ := visit(t, stopped, back); status != http.StatusBadRequest {
		t.Errorf("too long ago: %d", status)
	}
	if people, err := s.db.People(t.Context()); err != nil || len(people) > 0 {
		t.Errorf("%v were added, %v", people, err)
	}
}

func TestProviderAway(t *testing.T) {
	s, base := outsideSite(t, "http://127.0.0.1:1")
	s.add("Ann", access.Planner)
	if status, body := visit(t, browser(t), base+"/signin/outside"); status != http.StatusBadGateway || strings.Contains(body, "127.0.0.1") {
		t.Errorf("%d: %s", status, body)
	}
	if w := s.enter("Ann", password, "/"); w.Code != http.StatusSeeOther {
		t.Errorf("by password meanwhile: %d", w.Code)
	}
	s.opt.Admission = nil
	if _, err := New(s.opt); err == nil {
		t.Error("a door to elsewhere without admission")
	}
}

func TestTrips_AreBounded(t *testing.T) {
	ts := trips{out: map[string]access.Trip{}}
	now := time.Date(2026, 3, 9, 14, 30, 0, 0, time.UTC)
	for i := range 2 * maxTrips {
		ts.begin(fmt.Sprint(i), access.Trip{Begun: now.Add(time.Duration(i))})
	}
	if len(ts.out) != maxTrips {
		t.Errorf("%d trips kept, want %d", len(ts.out), maxTrips)
	}
	last := fmt.Sprint(2*maxTrips - 1)
	if _, ok := ts.end(last, now); !ok {
		t.Error("the newest trip is forgotten")
	}
	if _, ok := ts.end(last, now); ok {
		t.Error("a trip is good twice")
	}
	if _, ok := ts.end("0", now); ok {
		t.Error("the oldest trip is kept")
	}
}

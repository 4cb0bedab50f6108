package signin

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/access/secret"
	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/report/words"
	"curetally/internal/link/store"
)

const password = "four unrelated words"

// site is a door with a store of its own before a handler that says who asks.
type site struct {
	t    *testing.T
	db   *store.DB
	now  time.Time
	opt  Options
	door *Door
	h    http.Handler
}

func newSite(t *testing.T) *site {
	t.Helper()
	db, err := store.Open(t.Context(), pgtest.New(t), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	if err := db.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := db.Sync(t.Context(), &plant.Plant{Name: "Alder Lane Labels", TimeZone: time.UTC, Interval: 15 * time.Minute}); err != nil {
		t.Fatal(err)
	}
	s := &site{t: t, db: db, now: time.Now()}
	s.opt = Options{
		People: db, Sessions: db, Tokens: db, Unknown: func(err error) bool { return errors.Is(err, store.ErrNotFound) },
		Words: func(r *http.Request) (string, func(string, ...any) string) {
			lang := cmp.Or(r.Header.Get("Accept-Language"), "en")
			w, err := words.New(lang)
			s.must(err)
			return lang, w.Text
		},
		Now: func() time.Time { return s.now }, Log: slog.New(slog.DiscardHandler),
	}
	s.build()
	return s
}

// build makes the door anew, as a restart does.
func (s *site) build() {
	s.t.Helper()
	var err error
	if s.door, err = New(s.opt); err != nil {
		s.t.Fatal(err)
	}
	s.h = s.door.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p, ok := access.Of(r.Context())
		_, _ = fmt.Fprintf(w, "%s %q %s %q %v", r.Method, p.Name, p.Role, p.Token, ok)
	}))
}

func (s *site) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s *site) add(name string, role access.Role) {
	s.t.Helper()
	hash, err := secret.Hash(password, make([]byte, secret.SaltBytes))
	s.must(err)
	s.must(s.db.AddPerson(s.t.Context(), access.Account{Name: name, Role: role, Password: hash, AddedBy: "Kim"}))
}

func (s *site) token(title, person string, purpose access.Purpose) (text string, id int64) {
	s.t.Helper()
	text = "curetally_" + title
	id, err := s.db.AddToken(s.t.Context(), access.Token{Person: person, Title: title, Purpose: purpose, Role: access.Planner}, secret.Digest(text), "Kim")
	s.must(err)
	return text, id
}

func (s *site) do(r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	s.h.ServeHTTP(w, r)
	return w
}

// get asks with headers given as name and value in turns.
func (s *site) get(path string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequestWithContext(s.t.Context(), http.MethodGet, path, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	return s.do(r)
}

func (s *site) enter(name, password, next string) *httptest.ResponseRecorder {
	form := url.Values{"name": {name}, "password": {password}, "next": {next}}
	r := httptest.NewRequestWithContext(s.t.Context(), http.MethodPost, "/signin", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return s.do(r)
}

// session signs in and gives the cookie.
func (s *site) session(name string) string {
	s.t.Helper()
	w := s.enter(name, password, "/")
	if w.Code != http.StatusSeeOther {
		s.t.Fatalf("sign in as %s: %d: %s", name, w.Code, w.Body)
	}
	return w.Result().Cookies()[0].String()
}

func (s *site) audits(action string) int {
	s.t.Helper()
	rows, err := s.db.AuditLog(s.t.Context(), 1000)
	s.must(err)
	n := 0
	for _, r := range rows {
		if r.Action == action {
			n++
		}
	}
	return n
}

func TestOpenUntilSomebodyIsAdded(t *testing.T) {
	s := newSite(t)
	if got := s.get("/").Body.String(); got != `GET "" engineer "" true` {
		t.Errorf("nobody on record: %s", got)
	}
	if w := s.get("/signin"); w.Header().Get("Location") != "/" {
		t.Errorf("the page to sign in stands where nobody can: %d", w.Code)
	}
	s.add("Ann", access.Reader)
	s.now = s.now.Add(askEvery)
	if w := s.get("/"); w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), "/signin") {
		t.Errorf("after the first person: %d %s", w.Code, w.Header().Get("Location"))
	}
	s.opt.Always = true
	s.db.Close() // the store is away
	s.build()
	if w := s.get("/"); w.Code != http.StatusSeeOther {
		t.Errorf("a door that always asks: %d", w.Code)
	}
	s.opt.Always = false
	s.build()
	if w := s.get("/"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("it is not known whether anybody is on record: %d", w.Code)
	}
}

func TestSignInAndOut(t *testing.T) {
	s := newSite(t)
	s.opt.Secure = true
	s.build()
	s.add("Ann", access.Planner)
	if w := s.get("/work?press=heron"); w.Header().Get("Location") != "/signin?next=%2Fwork%3Fpress%3Dheron" {
		t.Fatalf("brought to %q", w.Header().Get("Location"))
	}
	page := s.get("/signin?next=%2Fwork%3Fpress%3Dheron").Body.String()
	if !strings.Contains(page, `name="next" value="/work?press=heron"`) || strings.Contains(page, "<script") || strings.Contains(page, "style=") {
		t.Errorf("page:\n%s", page)
	}
	if page := s.get("/signin", "Accept-Language", "de").Body.String(); !strings.Contains(page, `<html lang="de">`) || !strings.Contains(page, "<h1>Anmelden</h1>") {
		t.Errorf("page in German:\n%s", page)
	}
	w := s.enter(" Ann ", password, "/work?press=heron")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/work?press=heron" {
		t.Fatalf("signed in: %d %q: %s", w.Code, w.Header().Get("Location"), w.Body)
	}
	c := w.Result().Cookies()[0]
	if !c.HttpOnly || !c.Secure || c.SameSite != http.SameSiteLaxMode || c.Name != "__Host-curetally" || c.Path != "/" || c.Domain != "" {
		t.Errorf("cookie %s", c)
	}
	cookie := c.Name + "=" + c.Value
	if got := s.get("/work", "Cookie", cookie).Body.String(); got != `GET "Ann" planner "" true` {
		t.Errorf("behind the door: %s", got)
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/signout", nil)
	r.Header.Set("Cookie", cookie)
	if w := s.do(r); w.Code != http.StatusSeeOther || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("signed out: %d, cookie %v", w.Code, w.Result().Cookies())
	}
	if w := s.get("/work", "Cookie", cookie); w.Code != http.StatusSeeOther {
		t.Errorf("the session lives after signing out: %d", w.Code)
	}
	if in, out := s.audits("sign in"), s.audits("sign out"); in != 1 || out != 1 {
		t.Errorf("%d sign-ins and %d sign-outs in the audit log, want 1 and 1", in, out)
	}
}

func TestWrongNameAndPasswordAreToldAlike(t *testing.T) {
	s := newSite(t)
	s.add("Ann", access.Planner)
	s.add("Ben", access.Planner)
	s.must(s.db.SetDisabled(t.Context(), "Ben", true, "Kim"))
	s.must(s.db.AddPerson(t.Context(), access.Account{Name: "Cleo", Role: access.Reader, AddedBy: "Kim"})) // tokens only
	var first string
	for i, c := range [][2]string{{"Ann", password + "x"}, {"Nobody", password}, {"Ben", password}, {"Cleo", ""}, {"Ann", ""}, {"", ""}, {"Ann", strings.Repeat("x", 600)}} {
		w := s.enter(c[0], c[1], "/")
		text := strings.ReplaceAll(w.Body.String(), `value="`+c[0]+`"`, `value="…"`)
		if c[0] == "" {
			continue
		}
		if i == 0 {
			first = text
		}
		if w.Code != http.StatusUnauthorized || text != first || len(w.Result().Cookies()) > 0 || !strings.Contains(text, "The name or the password is wrong.") {
			t.Errorf("%q: %d: %s", c, w.Code, w.Body)
		}
	}
	if n := s.audits("refuse sign-in"); n != 7 {
		t.Errorf("%d refusals in the audit log, want 7", n)
	}
}

func TestGuessingIsLimited(t *testing.T) {
	s := newSite(t)
	s.add("Ann", access.Planner)
	for range nameBurst {
		if w := s.enter("Ann", "a wrong password", "/"); w.Code != http.StatusUnauthorized {
			t.Fatalf("a wrong password: %d", w.Code)
		}
	}
	if w := s.enter("Ann", password, "/"); w.Code != http.StatusTooManyRequests || w.Header().Get("Retry-After") == "" {
		t.Errorf("after %d wrong ones: %d", nameBurst, w.Code)
	}
	if n := s.audits("refuse sign-in"); n != nameBurst {
		t.Errorf("%d refusals in the audit log, want %d", n, nameBurst)
	}
	s.now = s.now.Add(nameEvery)
	for range 3 * nameBurst { // who is right is not limited
		if w := s.enter("Ann", password, "/"); w.Code != http.StatusSeeOther {
			t.Fatalf("the right password after a while: %d", w.Code)
		}
	}
}

func TestForeignFormsAndAddresses(t *testing.T) {
	s := newSite(t)
	s.add("Ann", access.Planner)
	for _, next := range []string{
		"https://evil.example/", "//evil.example/", `/\evil.example`, "javascript:alert(1)", "evil", "", "/signin?next=/", "/signout",
		"/\tx", "http:/x", "/signin/outside", "///evil.example",
	} {
		if w := s.enter("Ann", password, next); w.Header().Get("Location") != "/" {
			t.Errorf("next %q brings to %q", next, w.Header().Get("Location"))
		}
	}
	for _, next := range []string{"/", "/work?done=1", "/lamps#heron-1"} {
		if got := local(next); got != next {
			t.Errorf("next %q brings to %q", next, got)
		}
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/signin", strings.NewReader("name="+strings.Repeat("x", maxForm)))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if w := s.do(r); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("oversized: %d", w.Code)
	}
	r = httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/signin", strings.NewReader("name=%zz"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if w := s.do(r); w.Code != http.StatusBadRequest {
		t.Errorf("no form: %d", w.Code)
	}
}

func TestSessionsThatAreOver(t *testing.T) {
	s := newSite(t)
	s.add("Ann", access.Planner)
	begun := s.now
	for name, end := range map[string]func(){
		"idle for a shift":   func() { s.now = s.now.Add(access.SessionIdle) },
		"person disabled":    func() { s.must(s.db.SetDisabled(t.Context(), "Ann", true, "Kim")) },
		"password changed":   func() { s.must(s.db.SetPassword(t.Context(), "Ann", "", "Ann")) },
		"older than a week":  func() { s.now = s.now.Add(access.SessionLife) },
		"never was":          func() { s.now = begun },
		"cookie of no value": func() { s.now = begun },
	} {
		t.Run(name, func(t *testing.T) {
			s.now = begun
			hash, err := secret.Hash(password, make([]byte, secret.SaltBytes))
			s.must(err)
			s.must(s.db.SetPassword(t.Context(), "Ann", hash, "Kim"))
			s.must(s.db.SetDisabled(t.Context(), "Ann", false, "Kim"))
			cookie := s.session("Ann")
			if w := s.get("/work", "Cookie", cookie); w.Code != http.StatusOK {
				t.Fatalf("session at first: %d", w.Code)
			}
			end()
			switch name {
			case "never was":
				cookie = "curetally=AAAA"
			case "cookie of no value":
				cookie = "curetally="
			}
			if w := s.get("/work", "Cookie", cookie); w.Header().Get("Location") != "/signin?next=%2Fwork" {
				t.Errorf("page: %d %q", w.Code, w.Header().Get("Location"))
			}
			if w := s.get("/api/v1/tasks", "Cookie", cookie); w.Code != http.StatusUnauthorized || w.Header().Get("Content-Type") != "application/problem+json" {
				t.Errorf("interface: %d %s", w.Code, w.Body)
			}
			r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/work/done", nil)
			r.Header.Set("Cookie", cookie)
			w := s.do(r)
			if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/signin?lost=1" {
				t.Fatalf("form: %d %q", w.Code, w.Header().Get("Location"))
			}
			if page := s.get(w.Header().Get("Location")).Body.String(); !strings.Contains(page, "not put on record") {
				t.Errorf("page does not say that the form is lost:\n%s", page)
			}
		})
	}
	// A role that was changed holds for the session that is open.
	s.now = begun
	s.must(s.db.SetDisabled(t.Context(), "Ann", false, "Kim"))
	hash, err := secret.Hash(password, make([]byte, secret.SaltBytes))
	s.must(err)
	s.must(s.db.SetPassword(t.Context(), "Ann", hash, "Kim"))
	cookie := s.session("Ann")
	s.must(s.db.SetRole(t.Context(), "Ann", access.Reader, "Kim"))
	if got := s.get("/work", "Cookie", cookie).Body.String(); got != `GET "Ann" reader "" true` {
		t.Errorf("after the change of the role: %s", got)
	}
}

func TestTokensOpenWhatTheyAreFor(t *testing.T) {
	s := newSite(t)
	s.add("Ann", access.Engineer)
	api, _ := s.token("screen", "Ann", access.ForAPI)
	metrics, _ := s.token("scraper", "Ann", access.ForMetrics)
	calendar, calendarID := s.token("phone", "Ann", access.ForCalendar)
	cookie := s.session("Ann")
	const in, out, page, feeds = http.StatusOK, http.StatusUnauthorized, http.StatusSeeOther, "GET \"\"  \"\" false"
	for _, c := range []struct {
		path, header string
		want         int
	}{
		{"/api/v1/tasks", "Bearer " + api, in}, {"/metrics", "bearer  " + api, in}, {"/", "Bearer " + api, page},
		{"/api/v1/tasks", "Bearer " + metrics, out}, {"/metrics", "Bearer " + metrics, in},
		{"/api/v1/tasks", "Bearer " + calendar, out}, {"/metrics", "Bearer " + calendar, out},
		{"/api/v1/tasks", "Bearer x", out}, {"/api/v1/tasks", "Basic " + api, out}, {"/api/v1/tasks", "", out}, {"/metrics", "", out},
		{"/api/v1/tasks?token=" + api, "", out}, {"/healthz", "", in}, {"/readyz", "", in}, {"/static/page.css", "", in}, {"/signin/style.css", "", in},
	} {
		header := []string{"Authorization", c.header}
		if c.header == "" {
			header = nil
		}
		w := s.get(c.path, header...)
		if w.Code != c.want {
			t.Errorf("%s with %q: %d, want %d", c.path, c.header, w.Code, c.want)
		}
		if w.Code == out && !strings.HasPrefix(w.Header().Get("WWW-Authenticate"), "Bearer") {
			t.Errorf("%s: no WWW-Authenticate", c.path)
		}
	}
	if got := s.get("/api/v1/tasks", "Authorization", "Bearer "+api).Body.String(); got != `GET "Ann" planner "screen" true` {
		t.Errorf("token of a lower role: %s", got)
	}
	if w := s.get("/api/v1/tasks", "Authorization", "Bearer x", "Cookie", cookie); w.Code != out {
		t.Errorf("a session helps a wrong token: %d", w.Code)
	}
	feed := "/calendar.ics?token=" + calendar
	if got := s.get(feed).Body.String(); got != `GET "Ann" planner "phone" true` {
		t.Errorf("calendar: %s", got)
	}
	for _, path := range []string{"/calendar.ics", "/calendar.ics?token=x", "/calendar.ics?token=" + api} {
		if got := s.get(path).Body.String(); got != feeds {
			t.Errorf("%s: %s; the feed is to look at tokens of its own", path, got)
		}
	}
	s.must(s.db.RevokeToken(t.Context(), calendarID, "Kim"))
	if got := s.get(feed).Body.String(); got != feeds {
		t.Errorf("revoked calendar token: %s", got)
	}
	s.must(s.db.SetDisabled(t.Context(), "Ann", true, "Kim"))
	if w := s.get("/api/v1/tasks", "Authorization", "Bearer "+api); w.Code != out {
		t.Errorf("token of a disabled person: %d", w.Code)
	}
}

// away is a store that does not answer.
type away struct{ *store.DB }

var errAway = errors.New("no route to 192.0.2.9")

func (away) UseSession(context.Context, []byte, time.Time) (access.Session, error) {
	return access.Session{}, errAway
}

func (away) Person(context.Context, string) (access.Account, error) {
	return access.Account{}, errAway
}

func TestStoreAway(t *testing.T) {
	s := newSite(t)
	s.add("Ann", access.Planner)
	cookie := s.session("Ann")
	var log strings.Builder
	s.opt.Log = slog.New(slog.NewTextHandler(&log, nil))
	s.opt.Sessions, s.opt.People = away{s.db}, away{s.db}
	s.build()
	for range 2 {
		for _, w := range []*httptest.ResponseRecorder{s.get("/", "Cookie", cookie), s.get("/api/v1/tasks", "Cookie", cookie), s.enter("Ann", password, "/")} {
			if w.Code != http.StatusServiceUnavailable || strings.Contains(w.Body.String(), "192.0.2.9") || w.Header().Get("Retry-After") == "" {
				t.Errorf("%d: %s", w.Code, w.Body)
			}
		}
	}
	if n := strings.Count(log.String(), "192.0.2.9"); n != 1 {
		t.Errorf("%d lines of log, want 1:\n%s", n, &log)
	}
}

// A browser's own handling of cookies: one that is set over HTTP comes back, and
// nothing is left after signing out.
func TestCookieThroughAJar(t *testing.T) {
	s := newSite(t)
	s.add("Ann", access.Planner)
	server := httptest.NewServer(s.h)
	defer server.Close()
	jar, err := cookiejar.New(nil)
	s.must(err)
	client := &http.Client{Jar: jar}
	ask := func(method, path string, form url.Values) string {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, server.URL+path, strings.NewReader(form.Encode()))
		s.must(err)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		res, err := client.Do(r)
		s.must(err)
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		s.must(err)
		return string(body)
	}
	if got := ask(http.MethodGet, "/work", nil); !strings.Contains(got, "<h1>Sign in</h1>") {
		t.Errorf("not signed in: %s", got)
	}
	if got := ask(http.MethodPost, "/signin", url.Values{"name": {"Ann"}, "password": {password}, "next": {"/work"}}); got != `GET "Ann" planner "" true` {
		t.Errorf("signed in: %s", got)
	}
	ask(http.MethodPost, "/signout", nil)
	if got := ask(http.MethodGet, "/work", nil); !strings.Contains(got, "<h1>Sign in</h1>") {
		t.Errorf("signed out: %s", got)
	}
}

func TestAddress(t *testing.T) {
	for _, c := range []struct {
		proxied                 bool
		remote, forwarded, want string
	}{
		{false, "192.0.2.7:4711", "203.0.113.9", "192.0.2.7"},
		{true, "127.0.0.1:4711", "198.51.100.1, 203.0.113.9", "203.0.113.9"},
		{true, "127.0.0.1:4711", "", "127.0.0.1"},
		{true, "127.0.0.1:4711", "unknown", "127.0.0.1"},
		{false, "[2001:db8::7]:4711", "", "2001:db8::7"},
	} {
		d := &Door{o: Options{Proxied: c.proxied}}
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
		r.RemoteAddr = c.remote
		if c.forwarded != "" {
			r.Header.Set("X-Forwarded-For", c.forwarded)
		}
		if got := d.address(r); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
	if network("2001:db8::7") != network("2001:db8::8") || network("192.0.2.7") == network("192.0.2.8") {
		t.Error("networks are not told apart as they should")
	}
}

func TestLimits_AreBoundedAndForgetTheHarmlessFirst(t *testing.T) {
	l := newLimits(time.Minute, 2)
	now := time.Date(2026, 3, 9, 14, 30, 0, 0, time.UTC)
	for range 2 {
		l.take("guesser", now)
	}
	for i := range 3 * maxKept {
		back, ok := l.take(fmt.Sprint(i), now)
		if !ok {
			t.Fatal("a first attempt is refused")
		}
		back()
		if len(l.kept) > maxKept {
			t.Fatalf("%d kept, want at most %d", len(l.kept), maxKept)
		}
	}
	if _, ok := l.take("guesser", now); ok {
		t.Error("the guesser was forgotten by a flood of others")
	}
	for i := range 2 * maxKept { // all of them guess
		l.take("g"+fmt.Sprint(i), now.Add(time.Duration(i)))
	}
	if len(l.kept) > maxKept {
		t.Errorf("%d kept, want at most %d", len(l.kept), maxKept)
	}
}

package pages

import (
	"bytes"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/access"
)

// html is a drawing of a test.
func html(format, name string) template.HTML {
	return template.HTML(fmt.Sprintf(format, name)) //nolint:gosec // written above
}

var everyPage = []string{"/", "/work", "/lamps", "/energy", "/savings", "/meters", "/audit"}

func ask(t *testing.T, h http.Handler, path string, head ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil)
	for i := 0; i < len(head); i += 2 {
		r.Header.Add(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func post(t *testing.T, h http.Handler, path string, form ...string) *httptest.ResponseRecorder {
	t.Helper()
	v := url.Values{}
	for i := 0; i < len(form); i += 2 {
		v.Add(form[i], form[i+1])
	}
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, path, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// Every page can be said in every language: a text that is not in the catalogue would
// panic. What a page must say is there.
func TestEveryPageInEveryLanguage(t *testing.T) {
	h := site(t, &alder{}, access.Anyone())
	for lang, says := range map[string][]string{
		"en": {"What is wrong", "Planned stop", "nothing to order", "Could have been avoided", "34,310", "waiting for a ruling", "Nothing here is ever changed"},
		"de": {"Was nicht stimmt", "Geplanter Halt", "nichts zu bestellen", "Vermeidbar gewesen", "34.310", "auf eine Entscheidung", "wird nie etwas geändert"},
	} {
		for i, path := range everyPage {
			w := ask(t, h, path, "Accept-Language", lang+"-XX,fr;q=0.5")
			if body := w.Body.String(); w.Code != http.StatusOK || !strings.Contains(body, says[i]) || !strings.Contains(body, `<html lang="`+lang+`"`) {
				t.Errorf("%s in %s: %d, %q is not there", path, lang, w.Code, says[i])
			}
			if w.Header().Get("Content-Language") != lang || w.Header().Get("Cache-Control") != "no-store" {
				t.Errorf("%s in %s: headers %v", path, lang, w.Header())
			}
		}
	}
	// A day of the plant begins by the clock of the site.
	if body := ask(t, h, "/").Body.String(); !strings.Contains(body, "today, 14:05") {
		t.Error("instants are not in the site's zone")
	}
}

func TestLanguageIsChosenAndKept(t *testing.T) {
	// Source: RFC 9110, section 12.5.4: the greatest weight wins, q=0 is not wanted.
	for header, want := range map[string]string{
		"": "en", "de": "de", "de-AT,en;q=0.8": "de", "en;q=0.3, de;q=0.9": "de", "fr, de;q=0": "en", "de;q=x": "en", "fr": "en",
	} {
		if got := preferred(header, []string{"en", "de"}); got != want {
			t.Errorf("%q: %s, want %s", header, got, want)
		}
	}
	h := site(t, &alder{}, access.Anyone())
	w := ask(t, h, "/?language=de")
	cookie := w.Header().Get("Set-Cookie")
	if !strings.HasPrefix(cookie, "language=de;") || w.Header().Get("Content-Language") != "de" {
		t.Fatalf("chosen: cookie %q, language %s", cookie, w.Header().Get("Content-Language"))
	}
	if w := ask(t, h, "/work", "Cookie", "language=de", "Accept-Language", "en"); w.Header().Get("Content-Language") != "de" {
		t.Error("the choice was not kept")
	}
	if w := ask(t, h, "/?language=xx", "Cookie", "language=yy"); w.Header().Get("Content-Language") != "en" || w.Header().Get("Set-Cookie") != "" {
		t.Error("a language that there is not was taken")
	}
}

// Each form ends in a record and a redirect to its page, which says once what is on
// record.
func TestFormsAreRecordedOnceAndSaid(t *testing.T) {
	a := &alder{}
	h := site(t, a, access.Anyone())
	seen := noon.AddDate(0, -1, 0).Format(time.RFC3339Nano)
	for _, c := range []struct {
		path string
		form []string
		want []string
	}{
		{"/work/done", []string{"rule", "window-clean", "subject", "heron-2", "by", " Ann ", "reading", "2.1 W", seenField, seen}, []string{"done window-clean heron-2 Ann 2.1 W"}},
		{"/work/skip", []string{"rule", "r", "subject", "s", "by", "Ann", "reason", "no time"}, []string{"skip r s Ann no time"}},
		{"/work/postpone", []string{"rule", "r", "subject", "s", "by", "Ann", "reason", "no part", "until", "2026-08-01"}, []string{"postpone r s Ann no part 2026-08-01"}},
		{"/work/undo", []string{"rule", "r", "subject", "s", "by", "Ann", "reason", "mistake"}, []string{"undo r s Ann mistake"}},
		{"/work/change", []string{"lamp", "HG-1", "station", "heron-7", "serial", "HG-2", "reason", "failed", "by", "Ann"}, []string{"remove HG-1 failed Ann", "fit HG-2 heron-7 Ann"}},
		{"/savings/freeze", []string{"project", "otter-led", "by", "Ann"}, []string{"freeze otter-led Ann "}},
		{"/savings/adjust", []string{"project", "heron-led", "by", "Ann", "from", "2026-05-01", "to", "2026-06-01", "energy", "-12,5", "event", "e", "evidence", "v"}, []string{"adjust heron-led -12.5 Ann"}},
		{"/savings/publish", []string{"project", "heron-led", "by", "Ann", "period", "2026-06"}, []string{"publish heron-led 2026-06 Ann"}},
		{"/meters/rule", []string{"register", "m/import", "at", "2026-07-13T06:05:00Z", "verdict", "discard", "reason", "spike", "by", "Ann"}, []string{"rule m/import discard Ann spike 2026-07-13 06:05:00"}},
	} {
		a.acts = nil
		w := post(t, h, c.path, c.form...)
		back := c.path[:strings.LastIndex(c.path, "/")]
		if got := strings.Join(a.acts, "|"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != back || spaceless(got) != spaceless(strings.Join(c.want, "|")) {
			t.Errorf("%s: %d to %q, recorded %q, want %q; %s", c.path, w.Code, w.Header().Get("Location"), got, c.want, w.Body)
			continue
		}
		cookie, _, _ := strings.Cut(w.Header().Get("Set-Cookie"), ";")
		next := ask(t, h, back, "Cookie", cookie)
		if !strings.Contains(next.Body.String(), `role="status">recorded: `) || !strings.Contains(next.Header().Get("Set-Cookie"), "said=; Path=/; Max-Age=0") {
			t.Errorf("%s: the page does not say it once: %q", c.path, next.Header().Get("Set-Cookie"))
		}
	}
}

// spaceless is a record without the blanks that depend on how it was printed.
func spaceless(s string) string { return strings.ReplaceAll(s, " ", "") }

// What cannot be recorded is said on the page of the form, with what was entered, and
// nothing is recorded.
func TestBadFormsAreAnsweredWithWhatWasEntered(t *testing.T) {
	a := &alder{}
	h := site(t, a, access.Anyone())
	long := strings.Repeat("x", maxForm)
	for _, c := range []struct {
		path   string
		form   []string
		status int
		says   []string
	}{
		{"/work/done", []string{"rule", "window-clean", "subject", "heron-2", "by", "Cid", "note", "all clear", seenField, "2026-01-01T00:00:00Z"}, 409, []string{"done by Ben", `value="all clear"`, "<details class=\"act\" open>"}},
		{"/work/done", []string{"rule", "nowhere", "subject", "heron-2", "by", "Cid"}, 404, []string{"not among the tasks"}},
		{"/work/done", []string{"rule", "window-clean", "subject", "heron-2"}, 422, []string{"name of the person"}},
		{"/work/done", []string{"rule", "r", "subject", "s", "by", "Cid", seenField, "yesterday"}, 422, []string{"load the page again"}},
		{"/work/done", []string{"by", "Cid", "note", long}, 413, []string{"too long"}},
		{"/work/skip", []string{"rule", "r", "subject", "s", "by", "Cid", "reason", " "}, 422, []string{"expected a reason"}},
		{"/work/postpone", []string{"rule", "window-clean", "subject", "heron-2", "by", "Cid", "reason", "no part", "until", "soon"}, 422, []string{"2026-03-09", `value="no part"`}},
		{"/work/change", []string{"lamp", "HG-1", "by", "Cid"}, 422, []string{"serial of the new lamp"}},
		{"/work/change", []string{"lamp", "nowhere", "serial", "x", "by", "Cid"}, 404, []string{"not among"}},
		{"/savings/adjust", []string{"project", "heron-led", "by", "Cid", "from", "2026-05-01", "to", "2026-06-01", "energy", "much"}, 422, []string{"expected kWh"}},
		{"/savings/freeze", []string{"project", "nowhere", "by", "Cid"}, 404, []string{"not among"}},
		{"/meters/rule", []string{"register", "m/import", "verdict", "maybe", "reason", "r", "by", "Cid"}, 422, []string{"accept, discard or restart"}},
	} {
		w := post(t, h, c.path, c.form...)
		if w.Code != c.status || w.Header().Get("Location") != "" || !strings.Contains(w.Body.String(), "</html>") {
			t.Errorf("%s %.80q: status %d, want %d", c.path, c.form, w.Code, c.status)
		}
		for _, want := range c.says {
			if !strings.Contains(w.Body.String(), want) {
				t.Errorf("%s %.80q: %q is not on the page", c.path, c.form, want)
			}
		}
	}
	if len(a.acts) > 0 {
		t.Errorf("recorded %q", a.acts)
	}
}

// A half-done change of a lamp says which half is on record.
func TestAHalfDoneChangeSaysSo(t *testing.T) {
	a := &alder{}
	w := post(t, site(t, a, access.Anyone()), "/work/change", "lamp", "HG-1", "serial", "HG-2", "station", "nowhere", "by", "Ann")
	if w.Code != http.StatusNotFound || !strings.Contains(w.Body.String(), "the new one is not fitted") || len(a.acts) != 1 {
		t.Errorf("%d, recorded %q", w.Code, a.acts)
	}
}

// Forms that a role may not use are neither shown nor taken, and a record bears the
// name of who is signed in.
func TestRolesSeeAndDoWhatTheyMay(t *testing.T) {
	for role, forms := range map[access.Role][]string{
		access.Reader:   nil,
		access.Planner:  {"/work/done", "/work/undo", "/work/change"},
		access.Engineer: {"/work/done", "/work/undo", "/work/change", "/savings/freeze", "/savings/publish", "/meters/rule"},
	} {
		a := &alder{}
		h := site(t, a, access.Person{Name: "Dee", Role: role})
		shown := ""
		for _, path := range everyPage {
			shown += ask(t, h, path).Body.String()
		}
		for _, f := range []string{"/work/done", "/work/undo", "/work/change", "/savings/freeze", "/savings/publish", "/meters/rule"} {
			if got := strings.Contains(shown, `action="`+f+`"`); got != slices.Contains(forms, f) {
				t.Errorf("%s: form %s shown: %v", role, f, got)
			}
		}
		if strings.Contains(shown, `name="by"`) {
			t.Errorf("%s is asked for the name that is known", role)
		}
		w := post(t, h, "/work/done", "rule", "r", "subject", "s")
		if allowed := role.May(access.MarkDone); allowed != (w.Code == http.StatusSeeOther) || !allowed && w.Code != http.StatusForbidden {
			t.Errorf("%s marks done: %d", role, w.Code)
		}
		if role.May(access.MarkDone) {
			if len(a.acts) != 1 || !strings.Contains(a.acts[0], "Dee") {
				t.Errorf("%s: recorded %q", role, a.acts)
			}
			if w := post(t, h, "/work/done", "rule", "r", "subject", "s", "by", "Ann"); w.Code != http.StatusUnprocessableEntity {
				t.Errorf("%s records as somebody else: %d", role, w.Code)
			}
		}
		if got := strings.Contains(shown, "Nothing here is ever changed"); got != role.May(access.ReadAudit) {
			t.Errorf("%s sees the log: %v", role, got)
		}
	}
	pages, err := New(options(&alder{}, slog.New(slog.DiscardHandler)))
	if err != nil {
		t.Fatal(err)
	}
	if w := post(t, pages, "/work/done", "rule", "r", "subject", "s", "by", "Ann"); w.Code != http.StatusForbidden {
		t.Errorf("nobody marks done: %d", w.Code)
	}
}

// A page is there whole or not at all, and what went wrong inside is in the log, once.
func TestFailuresAreWholePagesAndLoggedOnce(t *testing.T) {
	var log bytes.Buffer
	a := &alder{err: errSecret}
	pages, err := New(options(a, slog.New(slog.NewTextHandler(&log, nil))))
	if err != nil {
		t.Fatal(err)
	}
	h := as(access.Anyone(), pages)
	for range 3 {
		w := ask(t, h, "/")
		if w.Code != http.StatusInternalServerError || !strings.Contains(w.Body.String(), "</html>") || strings.Contains(w.Body.String(), "hunter2") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
	a.err = nil
	ask(t, h, "/")
	if said := log.String(); strings.Count(said, "could not answer") != 1 || !strings.Contains(said, "hunter2") || strings.Count(said, "answered again") != 1 {
		t.Errorf("log:\n%s", said)
	}
	pages.page = template.Must(template.New("page.html").Option("missingkey=error").Parse(`<html>{{.Nothing}}`))
	if w := ask(t, h, "/"); w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "<html>") {
		t.Errorf("a broken template: %d %q", w.Code, w.Body)
	}
}

func TestNamesFromOutsideStayText(t *testing.T) {
	a := &alder{}
	w := post(t, site(t, a, access.Anyone()), "/work/done", "rule", "window-clean", "subject", "heron-2", seenField, "2026-01-01T00:00:00Z", "by", `"><script>alert(1)</script>`, "note", `"><img src=x>`)
	if body := w.Body.String(); strings.Contains(body, "<script") || strings.Contains(body, "<img") || !strings.Contains(body, "&lt;img") {
		t.Error("what was entered became an element")
	}
}

func TestDownloads(t *testing.T) {
	h := site(t, &alder{}, access.Anyone())
	w := ask(t, h, "/savings/heron-led/xlsx", "Accept-Language", "de")
	if w.Code != http.StatusOK || w.Body.String() != "xlsx in de" || w.Header().Get("Content-Disposition") != `attachment; filename="heron-led.xlsx"` {
		t.Errorf("%d %q %v", w.Code, w.Body, w.Header())
	}
	for path, status := range map[string]int{"/savings/heron-led/exe": 404, "/savings/none/xlsx": 404, "/static/none.css": 404, "/templates/page.html": 404, "/nowhere": 404} {
		if w := ask(t, h, path); w.Code != status || !strings.Contains(w.Body.String(), "</html>") {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	if older := ask(t, h, "/audit?before=950"); !strings.Contains(older.Body.String(), "before 950") || !strings.Contains(older.Body.String(), `href="/audit?before=951"`) {
		t.Error("the log has no older page")
	}
}

func TestStyleSheetIsKeptByItsTag(t *testing.T) {
	h := site(t, &alder{}, access.Anyone())
	w := ask(t, h, "/static/page.css")
	tag := strings.Trim(w.Header().Get("ETag"), `"`)
	if w.Header().Get("Cache-Control") != "no-cache" || tag == "" {
		t.Fatalf("without its tag: %v", w.Header())
	}
	if got := ask(t, h, "/static/page.css?v="+tag).Header().Get("Cache-Control"); !strings.Contains(got, "immutable") {
		t.Errorf("by its tag: Cache-Control %q", got)
	}
	if w := ask(t, h, "/static/page.css", "If-None-Match", `"`+tag+`"`); w.Code != http.StatusNotModified {
		t.Errorf("known tag: status %d, want 304", w.Code)
	}
}

func TestNewNeedsEverything(t *testing.T) {
	full := options(&alder{}, slog.New(slog.DiscardHandler))
	for name, change := range map[string]func(*Options){
		"Live": func(o *Options) { o.Live = nil }, "Languages": func(o *Options) { o.Languages = nil }, "Log": func(o *Options) { o.Log = nil },
		"a language that there is not": func(o *Options) { o.Languages = []string{"xx"} },
	} {
		o := full
		change(&o)
		if _, err := New(o); err == nil {
			t.Errorf("without %s: no error", name)
		}
	}
}

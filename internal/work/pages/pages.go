package pages

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"curetally/internal/core/access"
)

//go:embed templates static
var files embed.FS

// Limits of one request.
const (
	pageTimeout  = 30 * time.Second
	maxForm      = 16 << 10 // bytes
	flashSeconds = 60
)

// Words writes texts, figures and dates in one language.
type Words interface {
	Text(name string, filled ...any) string
	// Phrase gives a finished English sentence of the core in the language.
	Phrase(english string) string
	Number(v float64, decimals int) string
	Date(t time.Time) string
}

// Options are what Pages are built from. All fields are required.
type Options struct {
	Live    Live
	Upkeep  Upkeep
	Figures Figures

	TaskActs   TaskActs
	LampActs   LampActs
	FigureActs FigureActs
	// Acted is called after each act that is on record, so that what is shown
	// follows.
	Acted func(ctx context.Context)

	// Languages are those that Speak knows, the default one first.
	Languages []string
	Speak     func(language string) (Words, error)
	// Fault gives the HTTP status of an error from behind the interfaces; the text of
	// one with http.StatusInternalServerError is never shown.
	Fault func(error) int
	Log   *slog.Logger
}

// Pages answer requests of browsers. Build them with New; they are safe for
// concurrent use.
type Pages struct {
	o        Options
	words    map[string]Words
	page     *template.Template
	style    []byte
	styleTag string // changes with the content
	mux      *http.ServeMux

	mu      sync.Mutex
	failing map[string]string // last error by path, so that a failure is logged once
}

// New builds the pages; it parses the templates and opens all languages, so that what
// is broken stops the start and not a reader.
func New(o Options) (*Pages, error) {
	reads := o.Live != nil && o.Upkeep != nil && o.Figures != nil
	acts := o.TaskActs != nil && o.LampActs != nil && o.FigureActs != nil && o.Acted != nil
	if !reads || !acts || len(o.Languages) == 0 || o.Speak == nil || o.Fault == nil || o.Log == nil {
		return nil, errors.New("pages: a field of Options is missing")
	}
	o.Log = o.Log.With("component", "pages")
	p := &Pages{o: o, words: map[string]Words{}, mux: http.NewServeMux(), failing: map[string]string{}}
	for _, l := range o.Languages {
		w, err := o.Speak(l)
		if err != nil {
			return nil, fmt.Errorf("pages: %w", err)
		}
		p.words[l] = w
	}
	var err error
	if p.page, err = template.New("page.html").Option("missingkey=error").ParseFS(files, "templates/*.html"); err != nil {
		return nil, fmt.Errorf("page template: %w", err)
	}
	if p.style, err = files.ReadFile("static/page.css"); err != nil {
		return nil, fmt.Errorf("style sheet: %w", err)
	}
	sum := sha256.Sum256(p.style)
	p.styleTag = hex.EncodeToString(sum[:6])
	p.routes()
	return p, nil
}

// routes is the table of all pages. Patterns name their method, so the mux answers
// others with 405 itself.
func (p *Pages) routes() {
	for _, r := range []struct {
		pattern string
		compose func(*request) error
	}{
		{"GET /{$}", p.today},
		{"GET /work", p.work},
		{"GET /lamps", p.lamps},
		{"GET /energy", p.energy},
		{"GET /savings", p.savings},
		{"GET /meters", p.meters},
		{"GET /audit", p.audit},
	} {
		p.mux.Handle(r.pattern, p.show(r.compose))
	}
	for _, a := range p.acts() {
		p.mux.Handle("POST "+a.path, p.take(a))
	}
	p.mux.HandleFunc("GET /savings/{project}/{form}", p.download)
	p.mux.HandleFunc("GET /static/page.css", p.serveStyle)
	p.mux.Handle("/", p.show(func(*request) error { return errNoPage }))
}

// ServeHTTP answers a request.
func (p *Pages) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), pageTimeout)
	defer cancel()
	p.mux.ServeHTTP(w, r.WithContext(ctx))
}

var errNoPage = errors.New("no such page")

// request is one page in the making.
type request struct {
	*http.Request
	words Words
	now   Now
	view  view
	// failed is the form that could not be put on record, with what was entered; nil
	// for none.
	failed *failure
}

// failure is a form that could not be put on record.
type failure struct {
	action  string
	entered map[string][]string
	text    string
	status  int
}

// text gives a text of the catalogue.
func (r *request) text(name string, filled ...any) string {
	return r.words.Text("web-"+name, filled...)
}

// may says whether who asks may do an action.
func (r *request) may(a access.Action) bool { return access.Allow(r.Context(), a) == nil }

// show answers with a page.
func (p *Pages) show(compose func(*request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, hr *http.Request) {
		p.write(w, p.begin(w, hr), compose)
	})
}

// begin starts a page in the reader's language.
func (p *Pages) begin(w http.ResponseWriter, hr *http.Request) *request {
	lang := p.language(w, hr)
	r := &request{Request: hr, words: p.words[lang]}
	r.view = view{Lang: lang, Style: "/static/page.css?v=" + p.styleTag, words: r.words}
	if person, ok := access.Of(hr.Context()); ok {
		r.view.Person = person.Name
	}
	for _, n := range []struct{ href, name string }{
		{"/", "today"}, {"/work", "work"}, {"/lamps", "lamps"}, {"/energy", "energy"}, {"/savings", "savings"}, {"/meters", "meters"}, {"/audit", "audit"},
	} {
		if n.name == "audit" && !r.may(access.ReadAudit) {
			continue
		}
		item := link{Href: n.href, Text: r.text("page-" + n.name), Current: hr.URL.Path == n.href}
		if item.Current {
			r.view.Title = item.Text
		}
		r.view.Nav = append(r.view.Nav, item)
	}
	for _, l := range p.o.Languages {
		r.view.Languages = append(r.view.Languages, link{Href: "?language=" + l, Text: p.words[l].Text("language"), Current: l == lang, Lang: l})
	}
	return r
}

// write composes and sends a page; one that cannot be made is answered by a page that
// says why.
func (p *Pages) write(w http.ResponseWriter, r *request, compose func(*request) error) {
	status := http.StatusOK
	var err error
	if r.now, err = p.o.Live.Now(r.Context()); err == nil {
		r.view.Site = r.now.Site
		r.view.Dateline = r.text("page-as-of", r.moment(r.now.At))
		if !r.now.Until.IsZero() {
			r.view.Dateline += " " + r.text("page-counted-until", r.moment(r.now.Until))
		}
		err = compose(r)
	}
	if r.Context().Err() != nil && errors.Is(err, context.Canceled) {
		return // the reader has left
	}
	switch {
	case errors.Is(err, errNoPage):
		status = http.StatusNotFound
		r.problem(r.text("page-none"), r.text("page-none-says"))
	case err != nil:
		status = p.o.Fault(err)
		text := err.Error()
		if status == http.StatusInternalServerError {
			text = r.text("page-failed-says")
		}
		r.problem(r.text("page-failed"), text)
	case r.failed != nil:
		status = r.failed.status
		r.view.Problem = r.failed.text
	default:
		r.view.Said = flash(w, r.Request)
	}
	p.note(r.URL.Path, err, status)
	var page bytes.Buffer
	if err := p.page.Execute(&page, r.view); err != nil {
		p.note(r.URL.Path, fmt.Errorf("render: %w", err), http.StatusInternalServerError)
		http.Error(w, r.text("page-failed-says"), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Language", r.view.Lang)
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(page.Bytes()) // a reader who has left is told nothing
}

// problem leaves nothing on the page but what is wrong.
func (r *request) problem(title, text string) {
	r.view.Title, r.view.Sections, r.view.Problem = title, nil, text
}

// note logs when a page begins to fail, when the reason changes, and when it works
// again.
func (p *Pages) note(path string, err error, status int) {
	text := ""
	if err != nil && status == http.StatusInternalServerError {
		text = err.Error()
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	switch was := p.failing[path]; {
	case was == text || text == "" && err != nil:
	case text == "":
		p.o.Log.Info("answered again", "path", path)
		delete(p.failing, path)
	default:
		p.o.Log.Error("could not answer", "path", path, "err", err)
		p.failing[path] = text
	}
}

// language is the one that was asked for, that was chosen before, or that the
// browser prefers.
func (p *Pages) language(w http.ResponseWriter, r *http.Request) string {
	if asked := r.URL.Query().Get("language"); p.words[asked] != nil {
		http.SetCookie(w, &http.Cookie{Name: "language", Value: asked, Path: "/", MaxAge: 365 * 24 * 3600, HttpOnly: true, SameSite: http.SameSiteLaxMode})
		return asked
	}
	return p.chosen(r)
}

// chosen is the language that the reader has chosen, else the one that the browser
// asks for.
func (p *Pages) chosen(r *http.Request) string {
	if c, err := r.Cookie("language"); err == nil && p.words[c.Value] != nil {
		return c.Value
	}
	return preferred(strings.Join(r.Header.Values("Accept-Language"), ","), p.o.Languages)
}

// Words gives the language of a request's reader and its texts, for pages beside
// these.
func (p *Pages) Words(r *http.Request) (language string, text func(name string, filled ...any) string) {
	l := p.chosen(r)
	return l, p.words[l].Text
}

// preferred picks the language of an Accept-Language header that is weighed most (RFC
// 9110, 12.5.4), the first of known where none fits.
func preferred(header string, known []string) string {
	best, weight := known[0], 0.0
	for part := range strings.SplitSeq(header, ",") {
		tag, params, _ := strings.Cut(strings.TrimSpace(part), ";")
		q := 1.0
		if text, ok := strings.CutPrefix(strings.ReplaceAll(params, " ", ""), "q="); ok {
			if _, err := fmt.Sscanf(text, "%g", &q); err != nil {
				continue
			}
		}
		base, _, _ := strings.Cut(strings.ToLower(tag), "-")
		if slices.Contains(known, base) && q > weight {
			best, weight = base, q
		}
	}
	return best
}

const flashCookie = "said"

// say keeps a sentence for the next page of the reader.
func say(w http.ResponseWriter, text string) {
	http.SetCookie(w, &http.Cookie{
		Name: flashCookie, Value: base64.RawURLEncoding.EncodeToString([]byte(text)), Path: "/", MaxAge: flashSeconds,
		HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
}

// flash takes the sentence that was kept.
func flash(w http.ResponseWriter, r *http.Request) string {
	c, err := r.Cookie(flashCookie)
	if err != nil {
		return ""
	}
	http.SetCookie(w, &http.Cookie{Name: flashCookie, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	text, err := base64.RawURLEncoding.DecodeString(c.Value)
	if err != nil {
		return ""
	}
	return string(text)
}

// serveStyle may be kept by the browser for ever when asked for by its tag: new
// content has a new tag.
func (p *Pages) serveStyle(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	w.Header().Set("ETag", `"`+p.styleTag+`"`)
	w.Header().Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == p.styleTag {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	http.ServeContent(w, r, "page.css", time.Time{}, bytes.NewReader(p.style))
}

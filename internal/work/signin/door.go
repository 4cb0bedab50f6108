package signin

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/access/secret"
)

// People knows who may sign in.
type People interface {
	HasPeople(ctx context.Context) (bool, error)
	Person(ctx context.Context, name string) (access.Account, error)
	// RefusedSignIn audits an attempt that failed.
	RefusedSignIn(ctx context.Context, name, from string) error
}

// Sessions keeps sessions by the digests of their names, and audits their begin and
// end.
type Sessions interface {
	BeginSession(ctx context.Context, name string, digest []byte, now time.Time) error
	UseSession(ctx context.Context, digest []byte, now time.Time) (access.Session, error)
	EndSession(ctx context.Context, digest []byte, by string) error
}

// Tokens knows tokens by their digests. The role of the one it gives is that which
// token and person have both.
type Tokens interface {
	UseToken(ctx context.Context, digest []byte, now time.Time) (access.Token, error)
}

// Options are what a door is built from.
type Options struct {
	People   People
	Sessions Sessions
	Tokens   Tokens
	// Unknown says of an error of the above that something is not there, and not
	// that it could not be asked for.
	Unknown func(error) bool
	// Always asks also while nobody is on record.
	Always bool
	// Secure says that browsers reach the pages by TLS, here or at a proxy.
	Secure bool
	// Proxied says that a reverse proxy stands before the pages and names the address
	// of who asks as the last in X-Forwarded-For.
	Proxied bool
	// Words gives the language of the page for a request, and its texts by name.
	Words func(r *http.Request) (language string, text func(name string, filled ...any) string)
	Now   func() time.Time
	Log   *slog.Logger

	// Outside lets people sign in elsewhere, as whom Admission says; nil for none.
	Outside   Outside
	Admission Admission
	// Taken says of an error of Admission that the name is somebody else's.
	Taken func(error) bool
}

// askEvery is how often a door that stands open looks whether anybody is on record.
const askEvery = 5 * time.Second

// Door lets people in. Build it with New; it is safe for concurrent use.
type Door struct {
	o         Options
	byAddress *limits
	byName    *limits
	hashing   chan struct{} // a token per password that is being hashed
	page      *page
	trips     trips

	mu      sync.Mutex
	shut    bool      // asks everybody, and does so for ever
	asked   time.Time // when it was last asked whether anybody is on record
	failing string    // what failed last; empty while all is well
}

// New builds a door. All of Options before Outside must be given, and what is beside Outside with it.
func New(o Options) (*Door, error) {
	if o.Outside != nil && (o.Admission == nil || o.Taken == nil) {
		return nil, errors.New("signin: Options.Outside needs Admission and Taken")
	}
	if o.People == nil || o.Sessions == nil || o.Tokens == nil || o.Unknown == nil || o.Words == nil || o.Now == nil || o.Log == nil {
		return nil, errors.New("signin: a field of Options is missing")
	}
	p, err := newPage()
	if err != nil {
		return nil, err
	}
	o.Log = o.Log.With("component", "signin")
	return &Door{
		o: o, page: p, shut: o.Always, hashing: make(chan struct{}, atOnce),
		trips: trips{out: map[string]access.Trip{}}, byAddress: newLimits(addressEvery, addressBurst), byName: newLimits(nameEvery, nameBurst),
	}, nil
}

// Paths of the door's own.
const (
	signInPath  = "/signin"
	signOutPath = "/signout"
	stylePath   = "/signin/style.css"
)

// Handler puts the door before what is served.
func (d *Door) Handler(next http.Handler) http.Handler {
	own := http.NewServeMux()
	own.HandleFunc("GET "+signInPath, d.showForm)
	own.HandleFunc("GET "+stylePath, serveStyle)
	own.HandleFunc("POST "+signInPath, d.signIn)
	own.HandleFunc("POST "+signOutPath, d.signOut)
	if d.o.Outside != nil {
		own.HandleFunc("GET "+outsidePath, d.leave)
		own.HandleFunc("GET "+returnPath, d.comeBack)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if free(r.URL.Path) {
			next.ServeHTTP(w, r)
			return
		}
		asks, err := d.asks(r.Context())
		switch _, pattern := own.Handler(r); {
		case err != nil:
			d.unavailable(w, r, err)
		case !asks && pattern != "":
			http.Redirect(w, r, "/", http.StatusSeeOther)
		case !asks:
			next.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Anyone())))
		case pattern != "":
			own.ServeHTTP(w, r)
		default:
			d.let(w, r, next)
		}
	})
}

// free says whether a path tells nothing of the plant: whether the program lives,
// and how its pages look.
func free(path string) bool {
	return path == "/healthz" || path == "/readyz" || strings.HasPrefix(path, "/static/")
}

// asks says whether people must sign in. While nobody is on record the store is
// asked every few seconds; once somebody is, never again.
func (d *Door) asks(ctx context.Context) (bool, error) {
	now := d.o.Now()
	d.mu.Lock()
	shut, due := d.shut, d.asked.IsZero() || now.Sub(d.asked) >= askEvery
	first := d.asked.IsZero()
	d.mu.Unlock()
	if shut || !due {
		return shut, nil
	}
	has, err := d.o.People.HasPeople(ctx)
	if err != nil && first {
		return false, err // it is not known whether the door may stand open
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked = now
	d.shut = d.shut || err == nil && has
	return d.shut, nil
}

// let finds out who asks.
func (d *Door) let(w http.ResponseWriter, r *http.Request, next http.Handler) {
	p, known, err := d.who(r)
	switch {
	case err != nil:
		d.unavailable(w, r, err)
	case known:
		d.note(nil)
		next.ServeHTTP(w, r.WithContext(access.With(r.Context(), p)))
	case r.URL.Path == calendarPath:
		next.ServeHTTP(w, r) // the feed knows tokens of its own
	default:
		d.refuse(w, r)
	}
}

const (
	calendarPath = "/calendar.ics"
	metricsPath  = "/metrics"
	apiPrefix    = "/api/"
)

// opens says whether tokens of a purpose open a path.
func opens(p access.Purpose, path string) bool {
	switch p {
	case access.ForAPI:
		return strings.HasPrefix(path, apiPrefix) || path == metricsPath
	case access.ForMetrics:
		return path == metricsPath
	case access.ForCalendar:
		return path == calendarPath
	default:
		return false
	}
}

// who finds the person by token or session. A token that opens nothing is not
// helped by a session beside it.
func (d *Door) who(r *http.Request) (access.Person, bool, error) {
	token, given := bearer(r)
	if !given && r.URL.Path == calendarPath {
		token = r.URL.Query().Get("token")
		given = token != ""
	}
	if given {
		return d.byToken(r, token)
	}
	name, ok := d.sessionName(r)
	if !ok {
		return access.Person{}, false, nil
	}
	s, err := d.o.Sessions.UseSession(r.Context(), secret.Digest(name), d.o.Now())
	if err != nil {
		return access.Person{}, false, d.unlessUnknown(err)
	}
	return access.Person{Name: s.Person, Role: s.Role}, true, nil
}

func (d *Door) byToken(r *http.Request, token string) (access.Person, bool, error) {
	t, err := d.o.Tokens.UseToken(r.Context(), secret.Digest(token), d.o.Now())
	if err != nil || !opens(t.Purpose, r.URL.Path) {
		return access.Person{}, false, d.unlessUnknown(err)
	}
	return access.Person{Name: t.Person, Role: t.Role, Token: t.Title}, true, nil
}

func (d *Door) unlessUnknown(err error) error {
	if d.o.Unknown(err) {
		return nil
	}
	return err
}

// bearer gives the token of the Authorization header (RFC 6750). Any other scheme
// is one that opens nothing.
func bearer(r *http.Request) (string, bool) {
	header := r.Header.Get("Authorization")
	if header == "" {
		return "", false
	}
	scheme, token, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return "", true
	}
	return strings.TrimSpace(token), true
}

// refuse says to a program that it needs a token, and brings a person to the page
// to sign in, and from there back.
func (d *Door) refuse(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	switch {
	case strings.HasPrefix(r.URL.Path, apiPrefix):
		w.Header().Set("WWW-Authenticate", `Bearer realm="curetally"`)
		problem(w, http.StatusUnauthorized, "Sign in, or give a valid token as Authorization: Bearer TOKEN; an engineer of the plant makes one with curetally token make.")
	case r.URL.Path == metricsPath:
		w.Header().Set("WWW-Authenticate", `Bearer realm="curetally"`)
		http.Error(w, "give a valid token as Authorization: Bearer TOKEN; curetally token make PERSON --for metrics makes one", http.StatusUnauthorized)
	case r.Method == http.MethodGet || r.Method == http.MethodHead:
		http.Redirect(w, r, signInPath+"?next="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
	default:
		http.Redirect(w, r, signInPath+"?lost=1", http.StatusSeeOther)
	}
}

// unavailable says that nobody can be let in now.
func (d *Door) unavailable(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the reader has left
	}
	d.note(err)
	v := d.view(r, "")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Retry-After", "10")
	if strings.HasPrefix(r.URL.Path, apiPrefix) {
		problem(w, http.StatusServiceUnavailable, v.T("away"))
		return
	}
	d.tell(w, http.StatusServiceUnavailable, v, "away")
}

// note logs when the door begins to fail and when it works again.
func (d *Door) note(err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case text == d.failing:
	case err == nil:
		d.o.Log.Info("people can sign in again")
	default:
		d.o.Log.Error("nobody can be let in", "err", err)
	}
	d.failing = text
}

// cookieName of sessions. With the prefix browsers take it by TLS, for all paths
// and for this host alone.
func (d *Door) cookieName() string {
	if d.o.Secure {
		return "__Host-curetally"
	}
	return "curetally"
}

func (d *Door) sessionName(r *http.Request) (string, bool) {
	c, err := r.Cookie(d.cookieName())
	if err != nil || c.Value == "" {
		return "", false
	}
	return c.Value, true
}

func (d *Door) setCookie(w http.ResponseWriter, value string, life time.Duration) {
	c := &http.Cookie{Name: d.cookieName(), Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: d.o.Secure, MaxAge: int(life.Seconds())}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// random gives a name that nobody can guess.
func random() string {
	b := make([]byte, secret.TokenBytes)
	_, _ = rand.Read(b) // never fails
	return base64.RawURLEncoding.EncodeToString(b)
}

// begin begins a session and brings the person back to where they were.
func (d *Door) begin(w http.ResponseWriter, r *http.Request, name, next string) error {
	session := random()
	if err := d.o.Sessions.BeginSession(r.Context(), name, secret.Digest(session), d.o.Now()); err != nil {
		return err
	}
	d.setCookie(w, session, access.SessionLife)
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, local(next), http.StatusSeeOther)
	return nil
}

// local gives a path of these pages to go to, and the first page for anything
// else: an address from outside must not choose where people end up.
func local(next string) string {
	u, err := url.Parse(next)
	bad := func(r rune) bool { return r < ' ' || r == 0x7f || r == '\\' }
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") ||
		strings.ContainsFunc(next, bad) || u.Path == signInPath || u.Path == signOutPath || strings.HasPrefix(u.Path, signInPath+"/") {
		return "/"
	}
	return next
}

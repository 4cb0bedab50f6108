package signin

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"curetally/internal/core/access/secret"
)

// Limits of signing in. A person who mistypes is not stopped; who guesses is. An
// attempt that succeeds does not count.
const (
	addressEvery = 6 * time.Second  // one attempt more per address
	addressBurst = 20               // attempts of an address at once: a shift behind one address
	nameEvery    = 20 * time.Second // one attempt more per name
	nameBurst    = 6                // attempts for a name at once
	atOnce       = 2                // passwords hashed at once: each takes 19 MiB
	hashWait     = 5 * time.Second  // for one's turn
	maxForm      = 4 << 10          // bytes
)

//go:embed templates
var templates embed.FS

// page is the page to sign in.
type page struct{ t *template.Template }

// view is what the page shows, in words of its language.
type view struct {
	Lang string
	text func(name string, filled ...any) string

	Name, Next string
	Error      string
	Notice     string
	// Outside is what people call the place where they can sign in elsewhere; empty
	// for none.
	Outside string
}

// T gives a text of the page.
func (v view) T(name string, filled ...any) string { return v.text("web-signin-"+name, filled...) }

func newPage() (*page, error) {
	t, err := template.New("signin.html").Option("missingkey=error").ParseFS(templates, "templates/signin.html")
	if err != nil {
		return nil, fmt.Errorf("page to sign in: %w", err)
	}
	return &page{t}, nil
}

func (p *page) show(w http.ResponseWriter, status int, v view) {
	var out bytes.Buffer
	if err := p.t.Execute(&out, v); err != nil {
		panic("signin: page: " + err.Error()) // the template uses fields of view only; a test renders it
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(out.Bytes()) // a reader who has left is told nothing
}

// problem writes a problem document (RFC 9457).
func problem(w http.ResponseWriter, status int, detail string) {
	body, err := json.Marshal(struct {
		Title  string `json:"title"`
		Status int    `json:"status"`
		Detail string `json:"detail"`
	}{http.StatusText(status), status, detail})
	if err != nil {
		panic("signin: a string could not be encoded: " + err.Error()) // encoding/json encodes every string
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(append(body, '\n')) // a reader who has left is told nothing
}

func serveStyle(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeFileFS(w, r, templates, "templates/style.css")
}

// view is the page for a request, with nothing said yet.
func (d *Door) view(r *http.Request, next string) view {
	v := view{Next: local(next), Outside: d.outsideLabel()}
	v.Lang, v.text = d.o.Words(r)
	return v
}

// tell shows the page with what went wrong.
func (d *Door) tell(w http.ResponseWriter, status int, v view, name string, filled ...any) {
	v.Error = v.T(name, filled...)
	d.page.show(w, status, v)
}

func (d *Door) showForm(w http.ResponseWriter, r *http.Request) {
	v := d.view(r, r.URL.Query().Get("next"))
	if r.URL.Query().Has("lost") {
		v.Notice = v.T("lost")
	}
	d.page.show(w, http.StatusOK, v)
}

func (d *Door) signIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		status := http.StatusBadRequest
		if _, large := errors.AsType[*http.MaxBytesError](err); large {
			status = http.StatusRequestEntityTooLarge
		}
		d.tell(w, status, d.view(r, ""), "unread")
		return
	}
	name, next := strings.TrimSpace(r.PostForm.Get("name")), r.PostForm.Get("next")
	again := d.view(r, next)
	again.Name = name
	from, now := d.address(r), d.o.Now()
	addressBack, ok := d.byAddress.take(network(from), now)
	nameBack := func() {}
	if ok {
		nameBack, ok = d.byName.take(name, now)
	}
	if !ok {
		w.Header().Set("Retry-After", "60")
		d.tell(w, http.StatusTooManyRequests, again, "many")
		return
	}
	right, err := d.check(r.Context(), name, r.PostForm.Get("password"), from)
	if err == nil && right {
		addressBack()
		nameBack()
		err = d.begin(w, r, name, next)
		right = !d.o.Unknown(err) // disabled a moment ago
	}
	switch {
	case err != nil && !d.o.Unknown(err):
		d.unavailable(w, r, err)
	case !right:
		d.tell(w, http.StatusUnauthorized, again, "wrong") // the name and the password alike
	}
}

// check says whether the password is the person's. An attempt that fails is in the
// audit log; a name that nobody has is not written down, since people type their
// password into the wrong field.
func (d *Door) check(ctx context.Context, name, password, from string) (bool, error) {
	turn, cancel := context.WithTimeout(ctx, hashWait)
	defer cancel()
	select {
	case d.hashing <- struct{}{}:
		defer func() { <-d.hashing }()
	case <-turn.Done():
		return false, fmt.Errorf("wait for a turn to compare a password: %w", context.Cause(turn))
	}
	a, err := d.o.People.Person(ctx, name)
	unknown := d.o.Unknown(err)
	if err != nil && !unknown {
		return false, err
	}
	stored, may := a.Password, !unknown && !a.Disabled && a.Password != ""
	if !may {
		stored = secret.Nobody()
	}
	if secret.Matches(stored, password) && may {
		return true, nil
	}
	who := a.Name
	if unknown {
		who = "unknown"
	}
	return false, d.o.People.RefusedSignIn(ctx, who, from)
}

func (d *Door) signOut(w http.ResponseWriter, r *http.Request) {
	if name, ok := d.sessionName(r); ok {
		digest := secret.Digest(name)
		s, err := d.o.Sessions.UseSession(r.Context(), digest, d.o.Now())
		if err == nil {
			err = d.o.Sessions.EndSession(r.Context(), digest, s.Person)
		}
		if err != nil && !d.o.Unknown(err) {
			d.unavailable(w, r, err)
			return
		}
	}
	d.setCookie(w, "", 0)
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, signInPath, http.StatusSeeOther)
}

// address is who asks: the other end of the connection, or what the proxy says of
// it. What stands before the last in X-Forwarded-For anybody can write.
func (d *Door) address(r *http.Request) string {
	if d.o.Proxied {
		values := strings.Join(r.Header.Values("X-Forwarded-For"), ",")
		last := strings.TrimSpace(values[strings.LastIndex(values, ",")+1:])
		if ip, err := netip.ParseAddr(last); err == nil {
			return ip.Unmap().String()
		}
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// network is what an address is limited with: an IPv6 host has a whole /64 to ask
// from.
func network(address string) string {
	ip, err := netip.ParseAddr(address)
	if err != nil || !ip.Is6() {
		return address
	}
	p, err := ip.WithZone("").Prefix(64)
	if err != nil {
		return address
	}
	return p.String()
}

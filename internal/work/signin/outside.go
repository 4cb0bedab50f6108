package signin

import (
	"context"
	"crypto/subtle"
	"errors"
	"net/http"
	"sync"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/access/secret"
)

// Outside is an identity provider at which people sign in.
type Outside interface {
	// Label is what people call it.
	Label() string
	// Ask gives the address at which the person of a trip signs in.
	Ask(ctx context.Context, t access.Trip) (string, error)
	// Answer gives who somebody is by the code that came back. The error is
	// access.ErrNotAdmitted where that person is not let in.
	Answer(ctx context.Context, code string, t access.Trip) (access.Identity, error)
}

// Admission gives the person of an identity, added where it is new. The error is one
// of Options.Unknown where the person is disabled, of Options.Taken where the name
// is somebody else's here.
type Admission interface {
	AdmitOutside(ctx context.Context, outside, name string, role access.Role) (access.Account, error)
}

const (
	outsidePath = "/signin/outside"
	returnPath  = "/signin/back"

	tripLife = 10 * time.Minute // to sign in elsewhere
	maxTrips = 1000
)

// trips are under way. They are kept in memory: after a restart one begins again.
type trips struct {
	mu  sync.Mutex
	out map[string]access.Trip // by the digest of the name in the browser's cookie
}

// begin keeps a trip. Of too many the oldest is forgotten.
func (ts *trips) begin(name string, t access.Trip) {
	ts.mu.Lock()
	defer ts.mu.Unlock()
	oldest := ""
	for key, other := range ts.out {
		if t.Begun.Sub(other.Begun) >= tripLife {
			delete(ts.out, key)
		} else if oldest == "" || other.Begun.Before(ts.out[oldest].Begun) {
			oldest = key
		}
	}
	if len(ts.out) >= maxTrips {
		delete(ts.out, oldest)
	}
	ts.out[string(secret.Digest(name))] = t
}

// end gives a trip, once, if it is not too old.
func (ts *trips) end(name string, now time.Time) (access.Trip, bool) {
	ts.mu.Lock()
	defer ts.mu.Unlock()
	key := string(secret.Digest(name))
	t, ok := ts.out[key]
	delete(ts.out, key)
	return t, ok && now.Sub(t.Begun) < tripLife
}

func (d *Door) tripCookie() string { return d.cookieName() + "-trip" }

func (d *Door) outsideLabel() string {
	if d.o.Outside == nil {
		return ""
	}
	return d.o.Outside.Label()
}

// leave sends the person to the provider.
func (d *Door) leave(w http.ResponseWriter, r *http.Request) {
	t := access.Trip{State: random(), Nonce: random(), Verifier: random(), Next: local(r.URL.Query().Get("next")), Begun: d.o.Now()}
	at, err := d.o.Outside.Ask(r.Context(), t)
	if err != nil {
		d.outsideAway(w, r, err)
		return
	}
	name := random()
	d.trips.begin(name, t)
	http.SetCookie(w, &http.Cookie{
		Name: d.tripCookie(), Value: name, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: d.o.Secure, MaxAge: int(tripLife.Seconds()),
	})
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, at, http.StatusSeeOther)
}

// comeBack takes what the provider says. An answer without the browser's own trip is
// one that somebody else began, and is not taken.
func (d *Door) comeBack(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	cookie, err := r.Cookie(d.tripCookie())
	http.SetCookie(w, &http.Cookie{Name: d.tripCookie(), Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: d.o.Secure, MaxAge: -1})
	var t access.Trip
	known := false
	if err == nil {
		t, known = d.trips.end(cookie.Value, d.o.Now())
	}
	again := d.view(r, t.Next)
	if !known || subtle.ConstantTimeCompare([]byte(q.Get("state")), []byte(t.State)) != 1 {
		d.tell(w, http.StatusBadRequest, again, "stray")
		return
	}
	if q.Get("error") != "" || q.Get("code") == "" {
		d.tell(w, http.StatusUnauthorized, again, "refused", again.Outside)
		return
	}
	who, err := d.o.Outside.Answer(r.Context(), q.Get("code"), t)
	if err != nil && !errors.Is(err, access.ErrNotAdmitted) {
		d.outsideAway(w, r, err)
		return
	}
	if err == nil {
		var a access.Account
		if a, err = d.o.Admission.AdmitOutside(r.Context(), who.Outside, who.Name, who.Role); err == nil {
			err = d.begin(w, r, a.Name, t.Next)
		}
	}
	if err != nil {
		d.turnAway(w, r, again, err)
	}
}

// turnAway says to somebody who is known elsewhere why they do not come in.
func (d *Door) turnAway(w http.ResponseWriter, r *http.Request, again view, err error) {
	switch {
	case errors.Is(err, access.ErrNotAdmitted):
		d.o.Log.Info("somebody from elsewhere is not let in", "err", err)
		d.tell(w, http.StatusForbidden, again, "outsider", again.Outside)
	case d.o.Unknown(err):
		d.tell(w, http.StatusForbidden, again, "disabled")
	case d.o.Taken(err):
		d.tell(w, http.StatusForbidden, again, "taken")
	default:
		d.unavailable(w, r, err)
	}
}

// outsideAway says that the provider could not be asked; passwords go on.
func (d *Door) outsideAway(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the reader has left
	}
	d.note(err)
	v := d.view(r, "")
	d.tell(w, http.StatusBadGateway, v, "mute", v.Outside)
}

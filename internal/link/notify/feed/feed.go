// Package feed serves upkeep tasks as a calendar that phones and calendars
// subscribe to (RFC 5545): one event on the day on which each task is due. When a
// forecast moves, the event moves: it keeps its name and gets a higher sequence.
//
// The address holds a secret token, because calendars cannot sign in. A token that
// is taken out of the configuration, or revoked by those who let people in before
// this handler is asked, opens nothing any more; whoever asks with a
// wrong one learns no more than that nothing is there.
//
// The feed is made from what is on record in memory; reading it costs no query.
package feed

import (
	"bytes"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"

	"curetally/internal/core/access"
	"curetally/internal/core/notice"
)

// Options are the parts of a feed; all are required.
type Options struct {
	Site string
	Zone *time.Location
	// Tokens that open the feed.
	Tokens []string
	// Records gives what is on record of all conditions; the feed does not change it.
	Records func() []notice.Record
}

// Handler serves the feed. Build it with New.
type Handler struct {
	o      Options
	hashes [][sha256.Size]byte
}

// New takes the tokens; an empty one is refused, because it would open to all.
func New(o Options) (*Handler, error) {
	h := &Handler{o: o}
	for _, t := range o.Tokens {
		if t == "" {
			return nil, errors.New("calendar feed: a token is empty")
		}
		h.hashes = append(h.hashes, sha256.Sum256([]byte(t)))
	}
	return h, nil
}

// ServeHTTP answers GET /calendar.ics?token=….
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	given := sha256.Sum256([]byte(r.URL.Query().Get("token")))
	open := 0
	for _, t := range h.hashes { // all of them, so that the time tells nothing
		open |= subtle.ConstantTimeCompare(given[:], t[:])
	}
	w.Header().Set("Cache-Control", "private, no-store")
	w.Header().Set("Referrer-Policy", "no-referrer")
	if p, let := access.Of(r.Context()); let && p.SignedIn() && p.Role.May(access.Look) {
		open = 1 // somebody else has found out who asks
	}
	if open == 0 {
		http.NotFound(w, r)
		return
	}
	var page bytes.Buffer
	if err := h.calendar().SerializeTo(&page, ics.WithNewLineWindows); err != nil {
		http.Error(w, "the calendar could not be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/calendar; charset=utf-8")
	_, _ = w.Write(page.Bytes()) // a reader that has left needs no answer
}

func (h *Handler) calendar() *ics.Calendar {
	c := ics.NewCalendar()
	c.SetProductId("-//curetally//upkeep tasks//EN")
	c.SetName("Upkeep at " + h.o.Site)
	c.SetXWRCalName("Upkeep at " + h.o.Site)
	c.SetRefreshInterval("PT1H")
	for _, r := range h.o.Records() {
		if r.Form != notice.Task || r.Gone || r.Due.IsZero() {
			continue
		}
		e := c.AddEvent(h.name(r))
		day := r.Due.In(h.o.Zone)
		e.SetDtStampTime(r.Changed)
		e.SetLastModifiedAt(r.Changed)
		e.SetSequence(r.Revision)
		e.SetAllDayStartAt(day)
		e.SetAllDayEndAt(day.AddDate(0, 0, 1))
		e.SetSummary(oneLine(r.Title))
		e.SetDescription(fmt.Sprintf("Status: %s. Press: %s. Site rules and licensed people decide.", r.Status, r.Press))
		e.SetProperty(ics.ComponentPropertyTransp, string(ics.TransparencyTransparent)) // nobody is busy by it
	}
	return c
}

// name is the same for one task as long as it is not done.
func (h *Handler) name(r notice.Record) string {
	sum := sha256.Sum256([]byte(h.o.Site + "\x00" + r.Subject))
	return hex.EncodeToString(sum[:16]) + "@curetally"
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

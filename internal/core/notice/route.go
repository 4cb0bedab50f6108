package notice

import (
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Route says what one channel takes and when.
type Route struct {
	Channel string
	Kinds   []Kind  // empty means all
	Topics  []Topic // empty means all
	// Presses restrict it to these; a notice of the whole plant goes to every
	// channel.
	Presses []plant.PressID
	// Unanswered makes it a channel for tasks that nobody answers. Other channels
	// do not get these, unless Kinds names them.
	Unanswered bool
	Hours      Hours
	// Digest gathers notices until its next instant; nil delivers each at once.
	Digest *Schedule
}

// Takes says whether a notice goes to the channel.
func (r Route) Takes(n Notice) bool {
	if n.Kind == TaskUnanswered {
		return (r.Unanswered || slices.Contains(r.Kinds, n.Kind)) && r.covers(n)
	}
	return (len(r.Kinds) == 0 || slices.Contains(r.Kinds, n.Kind)) &&
		(len(r.Topics) == 0 || slices.Contains(r.Topics, n.Topic)) && r.covers(n)
}

func (r Route) covers(n Notice) bool {
	return n.Press == "" || len(r.Presses) == 0 || slices.Contains(r.Presses, n.Press)
}

// When gives the first instant from at on at which the channel may deliver; false
// when there is none within two years.
func (r Route) When(at time.Time) (time.Time, bool) {
	t := at
	if r.Digest != nil {
		next, ok := r.Digest.Next(at)
		if !ok {
			return time.Time{}, false
		}
		t = next // one that falls into quiet hours waits for their end
	}
	open := r.Hours.Open(t)
	return open, open.Before(t.AddDate(2, 0, 0))
}

// Hours say when a channel may be used. The zero value is always.
type Hours struct {
	Zone *time.Location
	// QuietFrom and QuietTo are minutes of the local day, 0 to 1439, between which
	// nothing is delivered; over midnight when From is later. Equal means none.
	QuietFrom, QuietTo int
	// Works says of a local day whether something may be delivered; nil means
	// every day.
	Works func(day time.Time) bool `json:"-"`
}

// Open gives the first instant from t on that is neither quiet nor on a day off.
// After two years without one it gives up and gives the instant reached.
func (h Hours) Open(t time.Time) time.Time {
	if h.Zone == nil {
		return t
	}
	for limit := t.AddDate(2, 0, 0); t.Before(limit); {
		local := t.In(h.Zone)
		y, m, d := local.Date()
		minute := local.Hour()*60 + local.Minute()
		switch {
		case h.Works != nil && !h.Works(t):
			t = wallClock(y, m, d+1, 0, h.Zone)
		case h.QuietFrom <= minute && minute < h.QuietTo:
			t = after(t, wallClock(y, m, d, h.QuietTo, h.Zone))
		case h.QuietFrom > h.QuietTo && minute >= h.QuietFrom:
			t = wallClock(y, m, d+1, h.QuietTo, h.Zone)
		case h.QuietFrom > h.QuietTo && minute < h.QuietTo:
			t = after(t, wallClock(y, m, d, h.QuietTo, h.Zone))
		default:
			return t
		}
	}
	return t
}

// after keeps the search moving where an hour comes twice: the wall clock of the
// end was reached already and was set back since.
func after(t, end time.Time) time.Time {
	if end.After(t) {
		return end
	}
	return t.Add(time.Minute)
}

// wallClock gives the first instant at which the clocks of a zone show a minute of
// a day, or, where they jump over it, the instant of the jump. Days past the end of
// the month are those of the next.
func wallClock(y int, m time.Month, d, minute int, zone *time.Location) time.Time {
	want := time.Date(y, m, d, 0, minute, 0, 0, time.UTC)
	t := time.Date(want.Year(), want.Month(), want.Day(), want.Hour(), want.Minute(), 0, 0, zone)
	start, end := t.ZoneBounds()
	if shown := wall(t); !shown.Equal(want) { // in a gap
		if shown.After(want) {
			return start
		}
		return end
	}
	if start.IsZero() {
		return t
	}
	_, offset := t.Zone()
	_, before := start.Add(-time.Second).Zone()
	if first := t.Add(-time.Duration(before-offset) * time.Second); before > offset && first.Before(start) {
		return first
	}
	return t
}

// wall writes what a local clock shows as an instant in UTC.
func wall(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
}

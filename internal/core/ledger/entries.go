package ledger

import (
	"cmp"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Cuts says into which entries a curve is cut.
type Cuts struct {
	// Interval is the length of an entry, aligned to UTC. 0 makes one interval
	// of the whole that starts at From.
	Interval time.Duration
	// From and To bound what is cut; they lie on interval borders.
	From, To time.Time
	// Spans is the timeline of the station that owns the register, in order and
	// without overlap. nil together with ByStation false puts every entry in
	// StateNone; else what lies outside the spans is in StateUnknown.
	Spans     []plant.Span
	ByStation bool
	// Fittings are those of the same station, in any order. A fitting ends at
	// the latest when the next one begins. Instants are cut to milliseconds.
	Fittings []plant.Fitting
}

// Entries cuts a curve at interval borders, span borders and fitting instants.
// Entries are sorted by start, state, technology and lamp; there are none of
// amount 0. Their sum is c.Between(cuts.From, cuts.To), exactly.
//
// The quality of an entry is the worst of the curve's segments that contribute
// to it. An unknown state does not make a measured amount unknown: the entry's
// state says what is not known about it.
func Entries(reg plant.RegisterID, c Curve, cuts Cuts) []plant.Entry {
	w := newCutter(reg, cuts)
	for _, s := range c[c.from(cuts.From):] {
		if !s.From.Before(cuts.To) {
			break
		}
		if s.Amount == 0 {
			continue
		}
		t, end := plant.Later(s.From, cuts.From), plant.Earlier(s.To, cuts.To)
		sofar := s.until(t)
		for t.Before(end) {
			e, border := w.at(t)
			t = plant.Earlier(border, end)
			amount := s.until(t)
			e.Amount, e.Quality = amount-sofar, s.Quality
			w.add(e)
			sofar = amount
		}
	}
	w.closeInterval()
	return w.rows
}

// cutter walks once along intervals, spans and fittings together.
type cutter struct {
	cuts       Cuts
	blank      plant.Entry // the entry at the instant, without amount
	start, end time.Time   // current interval
	spans      []plant.Span
	fittings   []plant.Fitting
	rows       []plant.Entry
	open       int // rows from here on belong to the current interval
}

func newCutter(reg plant.RegisterID, cuts Cuts) *cutter {
	w := &cutter{cuts: cuts, spans: cuts.Spans, blank: plant.Entry{Register: reg}}
	w.fittings = slices.SortedStableFunc(slices.Values(cuts.Fittings), func(a, b plant.Fitting) int { return a.From.Compare(b.From) })
	for i := range w.fittings {
		f := &w.fittings[i]
		if f.To.IsZero() {
			f.To = plant.Later(cuts.To, f.From)
		}
		if i+1 < len(w.fittings) {
			f.To = plant.Earlier(f.To, w.fittings[i+1].From)
		}
		f.From, f.To = f.From.Truncate(time.Millisecond), f.To.Truncate(time.Millisecond)
	}
	return w
}

// at gives the entry that an amount at t belongs to, and the first instant
// after t at which this changes. t never goes back from call to call.
func (w *cutter) at(t time.Time) (plant.Entry, time.Time) {
	if !t.Before(w.end) {
		w.closeInterval()
		w.start, w.end = w.cuts.From.UTC(), w.cuts.To
		if w.cuts.Interval > 0 {
			w.start = t.UTC().Truncate(w.cuts.Interval)
			w.end = w.start.Add(w.cuts.Interval)
		}
	}
	e, border := w.blank, w.end
	e.Start = w.start
	if w.cuts.ByStation || w.cuts.Spans != nil {
		e.State = plant.StateUnknown
	}
	for len(w.spans) > 0 && !w.spans[0].To.After(t) {
		w.spans = w.spans[1:]
	}
	if len(w.spans) > 0 {
		s := w.spans[0]
		if s.From.After(t) {
			border = plant.Earlier(border, s.From)
		} else {
			e.State, e.Technology = s.State, s.Technology
			border = plant.Earlier(border, s.To)
		}
	}
	for len(w.fittings) > 0 && !w.fittings[0].To.After(t) {
		w.fittings = w.fittings[1:]
	}
	if len(w.fittings) > 0 {
		f := w.fittings[0]
		if f.From.After(t) {
			border = plant.Earlier(border, f.From)
		} else {
			e.Lamp = f.Lamp
			border = plant.Earlier(border, f.To)
		}
	}
	return e, border
}

// add puts an amount to the row that it belongs to.
func (w *cutter) add(e plant.Entry) {
	if e.Amount == 0 {
		return
	}
	for i := len(w.rows) - 1; i >= w.open; i-- {
		if row := &w.rows[i]; byKey(*row, e) == 0 {
			row.Amount += e.Amount
			row.Quality = max(row.Quality, e.Quality)
			return
		}
	}
	w.rows = append(w.rows, e)
}

// closeInterval sorts the rows of the current interval; the next one begins
// behind them.
func (w *cutter) closeInterval() {
	slices.SortFunc(w.rows[w.open:], byKey)
	w.open = len(w.rows)
}

// byKey orders entries of one register and interval.
func byKey(a, b plant.Entry) int {
	return cmp.Or(cmp.Compare(a.State, b.State), cmp.Compare(a.Technology, b.Technology), cmp.Compare(a.Lamp, b.Lamp))
}

package ledger

import (
	"cmp"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// inSequence sorts the events of one station by instant, then by sequence. It
// returns its argument when there is nothing to do.
func inSequence(events []plant.StationEvent) []plant.StationEvent {
	order := func(a, b plant.StationEvent) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Sequence, b.Sequence), cmp.Compare(a.Boot, b.Boot))
	}
	if slices.IsSortedFunc(events, order) {
		return events
	}
	return slices.SortedStableFunc(slices.Values(events), order)
}

// Timeline makes the spans of one station of its events, in any order. Spans
// tile the time from the first event to the last; the last event begins none,
// because nobody knows yet how long its state holds. Instants are cut to whole
// milliseconds; of several events in one millisecond the last in sequence
// counts.
//
// A state holds for at most silence after the event that reported it; then it
// is unknown until the next event. A silence of 0 or less is no limit. States that
// were concluded from power count only where the station itself said nothing: those
// within silence after a known state of its own are passed over, also when that
// came late. The rest have inferred quality.
// Technology is what the event says, else what the function gives for the
// event's instant; the function may be nil. Neighbours that agree in everything
// are one span.
func Timeline(events []plant.StationEvent, silence time.Duration, technology func(time.Time) plant.Technology) []plant.Span {
	var spans []plant.Span
	add := func(s plant.Span) {
		if !s.From.Before(s.To) {
			return
		}
		if n := len(spans); n > 0 {
			last := &spans[n-1]
			if last.State == s.State && last.Technology == s.Technology && last.Quality == s.Quality {
				last.To = s.To
				return
			}
		}
		spans = append(spans, s)
	}
	events = spoken(inSequence(events), silence)
	for i := 1; i < len(events); i++ {
		e := events[i-1]
		s := plant.Span{
			From: e.At.Truncate(time.Millisecond), To: events[i].At.Truncate(time.Millisecond),
			State: e.State, Technology: e.Technology,
		}
		if e.Inferred() {
			s.Quality = plant.QualityInferred
		}
		if s.Technology == plant.TechnologyNone && technology != nil {
			s.Technology = technology(e.At)
		}
		quiet := s
		quiet.State, quiet.Quality = plant.StateUnknown, plant.QualityUnknown
		if e.State == plant.StateUnknown {
			add(quiet)
			continue
		}
		if heard := s.From.Add(silence.Truncate(time.Millisecond)); silence > 0 && heard.Before(s.To) {
			s.To, quiet.From = heard, heard
			add(s)
			add(quiet)
			continue
		}
		add(s)
	}
	return spans
}

// spoken leaves out the conclusions from power over which the station itself has
// spoken. Events are in sequence; the result shares its slice when all stay.
func spoken(events []plant.StationEvent, silence time.Duration) []plant.StationEvent {
	if !slices.ContainsFunc(events, plant.StationEvent.Inferred) {
		return events
	}
	var out []plant.StationEvent
	var last *plant.StationEvent // the station's own
	for i, e := range events {
		switch {
		case !e.Inferred():
			last = &events[i]
		case last != nil && last.State != plant.StateUnknown && (silence <= 0 || e.At.Sub(last.At) < silence):
			continue
		}
		out = append(out, e)
	}
	return out
}

// LitPoints gives the lit counter of a station's events, in milliseconds, where
// it is offered.
func LitPoints(events []plant.StationEvent) []Point {
	return counterPoints(events, func(e plant.StationEvent) int64 { return e.LitMillis })
}

// StartPoints gives the start counter of a station's events where it is
// offered.
func StartPoints(events []plant.StationEvent) []Point {
	return counterPoints(events, func(e plant.StationEvent) int64 { return e.Starts })
}

func counterPoints(events []plant.StationEvent, counter func(plant.StationEvent) int64) []Point {
	var points []Point
	for _, e := range inSequence(events) {
		if v := counter(e); v >= 0 {
			points = append(points, Point{At: e.At, Value: v})
		}
	}
	return points
}

// LitCurve is the lit time in milliseconds as seen in the states: all of a span
// in which the lamp burns, nothing of any other. It is inferred, and unknown
// over silence, where it is a lower bound.
func LitCurve(spans []plant.Span) Curve {
	c := make(Curve, len(spans))
	for i, s := range spans {
		c[i] = Segment{From: s.From, To: s.To, Quality: max(s.Quality, plant.QualityInferred)}
		if s.Technology.Lit(s.State) {
			c[i].Amount = s.To.Sub(s.From).Milliseconds()
		}
	}
	return c
}

// StartCurve is the starts as seen in the states: one at each change from dark
// to lit. It holds one segment per start, the first millisecond of the lit
// span: the finest grain of the timeline, so that no cut can fall into it.
//
// Silence is passed over: a lamp that was dark before and burns after it has
// started once at its end, and that start is unknown in quality because there
// may have been more; one that burns before and after has not started. The
// first known state starts nothing.
func StartCurve(spans []plant.Span) Curve {
	var c Curve
	known, lit := false, false
	quality := plant.QualityInferred
	for _, s := range spans {
		if s.State == plant.StateUnknown {
			quality = plant.QualityUnknown
			continue
		}
		burns := s.Technology.Lit(s.State)
		if known && burns && !lit {
			c = append(c, Segment{From: s.From, To: s.From.Add(time.Millisecond), Amount: 1, Quality: max(s.Quality, quality)})
		}
		known, lit, quality = true, burns, plant.QualityInferred
	}
	return c
}

// TimeCurve is time itself in milliseconds, so that its entries tell how long
// the station was in each state. Its quality is that of the spans.
func TimeCurve(spans []plant.Span) Curve {
	c := make(Curve, len(spans))
	for i, s := range spans {
		c[i] = Segment{From: s.From, To: s.To, Amount: s.To.Sub(s.From).Milliseconds(), Quality: s.Quality}
	}
	return c
}

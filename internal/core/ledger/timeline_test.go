package ledger

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// event is a status message without counters some time after t0.
func event(after time.Duration, s plant.State) plant.StationEvent {
	e := plant.StationEvent{Station: "heron-3", At: t0.Add(after), State: s, LitMillis: -1, Starts: -1}
	e.Sequence = e.At.UnixMilli()
	return e
}

func alwaysArc(time.Time) plant.Technology { return plant.TechnologyArc }

func spanOf(from, to time.Duration, s plant.State, tech plant.Technology) plant.Span {
	sp := plant.Span{From: t0.Add(from), To: t0.Add(to), State: s, Technology: tech}
	if s == plant.StateUnknown {
		sp.Quality = plant.QualityUnknown
	}
	return sp
}

func TestTimeline(t *testing.T) {
	const (
		arc, led = plant.TechnologyArc, plant.TechnologyLED
		minute   = time.Minute
	)
	led8 := event(8*minute, plant.StateCuring)
	led8.Technology = led
	will := event(20*minute, plant.StateUnknown)
	will.LastWill = true
	events := []plant.StationEvent{
		event(0, plant.StateOff), event(2*minute, plant.StateStarting), event(3*minute, plant.StateCuring),
		event(4*minute, plant.StateCuring), led8, event(18*minute, plant.StateOff), will, event(30*minute, plant.StateOff),
	}
	want := []plant.Span{
		spanOf(0, 2*minute, plant.StateOff, arc),
		spanOf(2*minute, 3*minute, plant.StateStarting, arc),
		spanOf(3*minute, 8*minute, plant.StateCuring, arc),
		spanOf(8*minute, 13*minute, plant.StateCuring, led),
		spanOf(13*minute, 18*minute, plant.StateUnknown, led),
		spanOf(18*minute, 20*minute, plant.StateOff, arc),
		spanOf(20*minute, 30*minute, plant.StateUnknown, arc),
	}
	if diff := cmp.Diff(want, Timeline(events, 5*minute, alwaysArc)); diff != "" {
		t.Error(diff)
	}
	for name, n := range map[string]int{"no event": 0, "one event": 1} {
		if spans := Timeline(events[:n], 5*minute, alwaysArc); len(spans) != 0 {
			t.Errorf("%s: spans %v", name, spans)
		}
	}
}

func TestTimeline_ExactlyTheSilenceIsHeard(t *testing.T) {
	events := []plant.StationEvent{event(0, plant.StateCuring), event(time.Minute, plant.StateOff)}
	want := []plant.Span{spanOf(0, time.Minute, plant.StateCuring, plant.TechnologyNone)}
	for _, silence := range []time.Duration{time.Minute, 0} {
		if diff := cmp.Diff(want, Timeline(events, silence, nil)); diff != "" {
			t.Errorf("silence %v: %s", silence, diff)
		}
	}
	got := Timeline(events, time.Minute-time.Millisecond, nil)
	if len(got) != 2 || got[1].State != plant.StateUnknown || got[1].To.Sub(got[1].From) != time.Millisecond {
		t.Errorf("one millisecond too long: %v", got)
	}
}

func TestTimeline_TheLastInSequenceOfAnInstantCounts(t *testing.T) {
	first, second := event(0, plant.StateOff), event(0, plant.StateCuring)
	first.Sequence, second.Sequence = 7, 8
	got := Timeline([]plant.StationEvent{second, event(time.Minute, plant.StateOff), first}, 0, alwaysArc)
	want := []plant.Span{spanOf(0, time.Minute, plant.StateCuring, plant.TechnologyArc)}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestTimeline_TechnologyIsThatOfTheEvent(t *testing.T) {
	led := t0.Add(90 * time.Second)
	mounted := func(t time.Time) plant.Technology {
		if t.Before(led) {
			return plant.TechnologyArc
		}
		return plant.TechnologyLED
	}
	got := Timeline([]plant.StationEvent{event(0, plant.StateCuring), event(2*time.Minute, plant.StateCuring), event(3*time.Minute, plant.StateOff)}, 0, mounted)
	want := []plant.Span{
		spanOf(0, 2*time.Minute, plant.StateCuring, plant.TechnologyArc),
		spanOf(2*time.Minute, 3*time.Minute, plant.StateCuring, plant.TechnologyLED),
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestStartCurve(t *testing.T) {
	const (
		off, starting, standby   = plant.StateOff, plant.StateStarting, plant.StateStandby
		curing, fault, unknown   = plant.StateCuring, plant.StateFault, plant.StateUnknown
		cooling, minute          = plant.StateCooling, time.Minute
		arc, led                 = plant.TechnologyArc, plant.TechnologyLED
		inferred, lowerBoundOnly = plant.QualityInferred, plant.QualityUnknown
	)
	for _, c := range []struct {
		name   string
		tech   plant.Technology
		states []plant.State // one a minute
		starts []int         // minutes
		q      plant.Quality
	}{
		{"arc strikes once", arc, []plant.State{off, starting, standby, curing, standby, cooling, off}, []int{1}, inferred},
		{"arc strikes after cooling and after a fault", arc, []plant.State{curing, cooling, starting, fault, standby}, []int{2, 4}, inferred},
		{"LED starts with each curing", led, []plant.State{off, standby, curing, standby, curing, off}, []int{2, 4}, inferred},
		{"the first state starts nothing", arc, []plant.State{curing, curing}, nil, inferred},
		{"silence while burning", arc, []plant.State{off, curing, unknown, curing}, []int{1}, inferred},
		{"silence while dark", arc, []plant.State{off, unknown, unknown, curing}, []int{3}, lowerBoundOnly},
		{"silence long before", arc, []plant.State{off, unknown, off, curing}, []int{3}, inferred},
		{"silence at first", arc, []plant.State{unknown, curing}, nil, inferred},
	} {
		var spans []plant.Span
		for i, s := range c.states {
			spans = append(spans, spanOf(time.Duration(i)*minute, time.Duration(i+1)*minute, s, c.tech))
		}
		var want Curve
		for _, m := range c.starts {
			from := t0.Add(time.Duration(m) * minute)
			want = append(want, Segment{From: from, To: from.Add(time.Millisecond), Amount: 1, Quality: c.q})
		}
		if diff := cmp.Diff(want, StartCurve(spans)); diff != "" {
			t.Errorf("%s: %s", c.name, diff)
		}
	}
}

func TestLitCurveAndTimeCurve(t *testing.T) {
	spans := []plant.Span{
		spanOf(0, time.Second, plant.StateStandby, plant.TechnologyArc),
		spanOf(time.Second, 3*time.Second, plant.StateStandby, plant.TechnologyLED),
		spanOf(3*time.Second, 6*time.Second, plant.StateUnknown, plant.TechnologyArc),
	}
	lit := Curve{
		{From: spans[0].From, To: spans[0].To, Amount: 1000, Quality: plant.QualityInferred},
		{From: spans[1].From, To: spans[1].To, Amount: 0, Quality: plant.QualityInferred},
		{From: spans[2].From, To: spans[2].To, Amount: 0, Quality: plant.QualityUnknown},
	}
	if diff := cmp.Diff(lit, LitCurve(spans)); diff != "" {
		t.Error("lit:", diff)
	}
	span := Curve{
		{From: spans[0].From, To: spans[0].To, Amount: 1000},
		{From: spans[1].From, To: spans[1].To, Amount: 2000},
		{From: spans[2].From, To: spans[2].To, Amount: 3000, Quality: plant.QualityUnknown},
	}
	if diff := cmp.Diff(span, TimeCurve(spans)); diff != "" {
		t.Error("time:", diff)
	}
}

func TestCounterPoints(t *testing.T) {
	events := []plant.StationEvent{event(2*time.Second, plant.StateCuring), event(time.Second, plant.StateOff), event(0, plant.StateOff)}
	events[0].LitMillis, events[0].Starts = 5000, 2
	events[2].LitMillis = 3000
	if diff := cmp.Diff([]Point{at(0, 3000), at(2*time.Second, 5000)}, LitPoints(events)); diff != "" {
		t.Error("lit:", diff)
	}
	if diff := cmp.Diff([]Point{at(2*time.Second, 2)}, StartPoints(events)); diff != "" {
		t.Error("starts:", diff)
	}
}

// TestCounters_ALostMessageCostsResolutionOnly drops any messages but the first
// and last of a counting station: the lit time stays the same.
func TestCounters_ALostMessageCostsResolutionOnly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all, heard []plant.StationEvent
		var lit int64
		n := rapid.IntRange(2, 40).Draw(t, "messages")
		for i := range n {
			e := event(time.Duration(i)*10*time.Second, plant.StateOff)
			e.LitMillis = lit
			if rapid.Bool().Draw(t, "burns") {
				e.State = plant.StateCuring
				lit += 10_000
			}
			all = append(all, e)
			if i == 0 || i == n-1 || rapid.Bool().Draw(t, "heard") {
				heard = append(heard, e)
			}
		}
		r := plant.Rules{MaxPerHour: 3_600_000, Slack: 2000}
		whole, _ := Build("heron-3/lit", r, LitPoints(all), Acts{})
		part, _ := Build("heron-3/lit", r, LitPoints(heard), Acts{})
		if whole.Total() != part.Total() {
			t.Fatalf("all messages give %d ms, those heard %d ms", whole.Total(), part.Total())
		}
	})
}

// drawEvents draws a station's messages in order of time.
func drawEvents(t *rapid.T) []plant.StationEvent {
	var events []plant.StationEvent
	now := time.Duration(0)
	for range rapid.IntRange(0, 30).Draw(t, "events") {
		e := event(now, rapid.SampledFrom(plant.States()).Draw(t, "state"))
		e.Technology = plant.Technology(rapid.Uint8Range(0, 2).Draw(t, "technology"))
		e.Sequence = int64(len(events))
		events = append(events, e)
		now += time.Duration(rapid.Int64Range(0, 1_200_000).Draw(t, "millis")) * time.Millisecond
	}
	return events
}

func TestTimeline_TilesTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := drawEvents(t)
		silence := time.Duration(rapid.Int64Range(0, 900).Draw(t, "silence")) * time.Second
		spans := Timeline(events, silence, alwaysArc)
		if len(events) == 0 {
			if spans != nil {
				t.Fatalf("spans of nothing: %v", spans)
			}
			return
		}
		end := events[0].At
		for i, s := range spans {
			if !s.From.Equal(end) || !s.From.Before(s.To) {
				t.Fatalf("span %d is [%v, %v), the one before ended at %v", i, s.From, s.To, end)
			}
			if (s.State == plant.StateUnknown) != (s.Quality == plant.QualityUnknown) {
				t.Fatalf("span %d: state %v with quality %v", i, s.State, s.Quality)
			}
			end = s.To
		}
		if !end.Equal(events[len(events)-1].At) {
			t.Fatalf("spans end at %v, the last event is at %v", end, events[len(events)-1].At)
		}
		if total := TimeCurve(spans).Total(); total != end.Sub(events[0].At).Milliseconds() {
			t.Fatalf("time curve has %d ms of %v", total, end.Sub(events[0].At))
		}
		shuffled := slices.Clone(events)
		seed := rapid.Uint64().Draw(t, "seed")
		rand.New(rand.NewPCG(seed, 1)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		if diff := cmp.Diff(spans, Timeline(shuffled, silence, alwaysArc)); diff != "" {
			t.Fatalf("another order gives another timeline: %s", diff)
		}
	})
}

// TestTimeline_StateAtEachInstant asks the messages themselves what was known
// at an instant.
func TestTimeline_StateAtEachInstant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := drawEvents(t)
		silence := time.Duration(rapid.Int64Range(1, 900).Draw(t, "silence")) * time.Second
		for _, s := range Timeline(events, silence, alwaysArc) {
			for _, instant := range []time.Time{s.From, s.From.Add(s.To.Sub(s.From) / 2), s.To.Add(-time.Millisecond)} {
				var last plant.StationEvent
				for _, e := range events {
					if !e.At.After(instant) {
						last = e
					}
				}
				want := last.State
				if instant.Sub(last.At) >= silence {
					want = plant.StateUnknown
				}
				if s.State != want {
					t.Fatalf("at %v: %v, want %v", instant, s.State, want)
				}
			}
		}
	})
}

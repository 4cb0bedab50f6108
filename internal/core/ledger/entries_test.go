package ledger

import (
	"cmp"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

func TestEntries(t *testing.T) {
	const minute = time.Minute
	hour := Cuts{Interval: 15 * minute, From: t0, To: t0.Add(time.Hour)}
	curve := Curve{
		{From: t0.Add(5 * minute), To: t0.Add(10 * minute), Amount: 50},
		{From: t0.Add(10 * minute), To: t0.Add(20 * minute), Amount: 200, Quality: plant.QualityInterpolated},
		{From: t0.Add(20 * minute), To: t0.Add(50 * minute), Amount: 0, Quality: plant.QualityUnknown},
	}
	row := func(after time.Duration, s plant.State, tech plant.Technology, lamp plant.LampSerial, amount int64, q plant.Quality) plant.Entry {
		return plant.Entry{Register: meter, Start: t0.Add(after), State: s, Technology: tech, Lamp: lamp, Amount: amount, Quality: q}
	}
	const (
		measured, interpolated = plant.QualityMeasured, plant.QualityInterpolated
		none, arc              = plant.TechnologyNone, plant.TechnologyArc
	)
	spans := []plant.Span{
		spanOf(7*minute, 9*minute, plant.StateStandby, arc),
		spanOf(9*minute, 12*minute, plant.StateCuring, arc),
		spanOf(12*minute, 16*minute, plant.StateStandby, arc),
	}
	for _, c := range []struct {
		name string
		with func(*Cuts)
		want []plant.Entry
	}{
		{"a register of no station", func(*Cuts) {}, []plant.Entry{
			row(0, plant.StateNone, none, "", 150, interpolated),
			row(15*minute, plant.StateNone, none, "", 100, interpolated),
		}},
		{"a station never heard", func(k *Cuts) { k.ByStation = true }, []plant.Entry{
			row(0, plant.StateUnknown, none, "", 150, interpolated),
			row(15*minute, plant.StateUnknown, none, "", 100, interpolated),
		}},
		{"split by state, unknown outside the timeline", func(k *Cuts) { k.Spans, k.ByStation = spans, true }, []plant.Entry{
			row(0, plant.StateUnknown, none, "", 20, measured),
			row(0, plant.StateStandby, arc, "", 80, interpolated),
			row(0, plant.StateCuring, arc, "", 50, interpolated),
			row(15*minute, plant.StateUnknown, none, "", 80, interpolated),
			row(15*minute, plant.StateStandby, arc, "", 20, interpolated),
		}},
		{"split by lamp", func(k *Cuts) {
			k.Fittings = []plant.Fitting{
				{Lamp: "B", From: t0.Add(17*minute + 999*time.Microsecond)},
				{Lamp: "A", From: t0.Add(-minute), To: t0.Add(8 * minute)},
			}
		}, []plant.Entry{
			row(0, plant.StateNone, none, "", 120, interpolated),
			row(0, plant.StateNone, none, "A", 30, measured),
			row(15*minute, plant.StateNone, none, "", 40, interpolated),
			row(15*minute, plant.StateNone, none, "B", 60, interpolated),
		}},
		{"a new fitting ends the one before", func(k *Cuts) {
			k.Fittings = []plant.Fitting{{Lamp: "A", From: t0}, {Lamp: "B", From: t0.Add(15 * minute)}}
		}, []plant.Entry{
			row(0, plant.StateNone, none, "A", 150, interpolated),
			row(15*minute, plant.StateNone, none, "B", 100, interpolated),
		}},
		{"one interval of the whole", func(k *Cuts) { k.Interval = 0 }, []plant.Entry{
			row(0, plant.StateNone, none, "", 250, interpolated),
		}},
		{"bounded", func(k *Cuts) { k.To = t0.Add(15 * minute) }, []plant.Entry{
			row(0, plant.StateNone, none, "", 150, interpolated),
		}},
	} {
		cuts := hour
		c.with(&cuts)
		if diff := gocmp.Diff(c.want, Entries(meter, curve, cuts)); diff != "" {
			t.Errorf("%s: %s", c.name, diff)
		}
	}
}

func TestEntries_AStartLandsWhereTheLampStruck(t *testing.T) {
	edge := 15 * time.Minute
	spans := []plant.Span{
		spanOf(0, edge-time.Millisecond, plant.StateOff, plant.TechnologyArc),
		spanOf(edge-time.Millisecond, edge, plant.StateStarting, plant.TechnologyArc),
		spanOf(edge, edge+time.Minute, plant.StateOff, plant.TechnologyArc),
		spanOf(edge+time.Minute, 2*edge, plant.StateCuring, plant.TechnologyArc),
	}
	got := Entries("heron-3/starts", StartCurve(spans), Cuts{
		Interval: edge, From: t0, To: t0.Add(time.Hour), Spans: spans, ByStation: true,
		Fittings: []plant.Fitting{{Lamp: "A", From: t0, To: t0.Add(edge)}, {Lamp: "B", From: t0.Add(edge + time.Minute)}},
	})
	want := []plant.Entry{
		{Register: "heron-3/starts", Start: t0, State: plant.StateStarting, Technology: plant.TechnologyArc, Lamp: "A", Amount: 1, Quality: plant.QualityInferred},
		{Register: "heron-3/starts", Start: t0.Add(edge), State: plant.StateCuring, Technology: plant.TechnologyArc, Lamp: "B", Amount: 1, Quality: plant.QualityInferred},
	}
	if diff := gocmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestEntries_FittingsCountFromWholeMilliseconds(t *testing.T) {
	curve := Curve{{From: t0, To: t0.Add(time.Second), Amount: 1_000_000}}
	got := Entries(meter, curve, Cuts{From: t0, To: t0.Add(time.Second), Fittings: []plant.Fitting{
		{Lamp: "A", From: t0.Add(300*time.Millisecond + 999*time.Microsecond), To: t0.Add(500*time.Millisecond + time.Microsecond)},
	}})
	want := []plant.Entry{
		{Register: meter, Start: t0, Amount: 800_000},
		{Register: meter, Start: t0, Lamp: "A", Amount: 200_000},
	}
	if diff := gocmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func drawFittings(t *rapid.T) []plant.Fitting {
	var fittings []plant.Fitting
	now := t0.Add(-time.Hour)
	micros := func(what string) time.Duration {
		return time.Duration(rapid.Int64Range(0, 20_000_000_000).Draw(t, what)) * time.Microsecond
	}
	for i := range rapid.IntRange(0, 5).Draw(t, "fittings") {
		f := plant.Fitting{Lamp: plant.LampSerial(rune('A' + i%3)), Station: "heron-3", From: now.Add(micros("wait"))}
		now = f.From.Add(micros("stay"))
		if rapid.Bool().Draw(t, "removed") {
			f.To = now
		}
		fittings = append(fittings, f)
	}
	return fittings
}

func drawCuts(t *rapid.T) Cuts {
	interval := time.Duration(rapid.SampledFrom([]int{5, 10, 15, 30, 60}).Draw(t, "interval")) * time.Minute
	cuts := Cuts{Interval: interval, From: t0.Add(time.Duration(rapid.IntRange(-3, 30).Draw(t, "from")) * interval)}
	cuts.To = cuts.From.Add(time.Duration(rapid.IntRange(0, 120).Draw(t, "length")) * interval)
	if rapid.Bool().Draw(t, "of a station") {
		cuts.ByStation = true
		cuts.Spans = Timeline(drawEvents(t), 10*time.Minute, alwaysArc)
	}
	cuts.Fittings = drawFittings(t)
	return cuts
}

func sumOf(entries []plant.Entry) int64 {
	var sum int64
	for _, e := range entries {
		sum += e.Amount
	}
	return sum
}

// TestEntries_Conserve: whatever the curve and the cuts, entries add up to the
// difference of the curve, over the whole and over each interval.
func TestEntries_Conserve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, points := drawRules(t), drawPoints(t)
		curve, _ := Build(meter, r, points, Acts{Exchanges: drawExchanges(t, points)})
		cuts := drawCuts(t)
		entries := Entries(meter, curve, cuts)
		if want, _ := curve.Between(cuts.From, cuts.To); sumOf(entries) != want {
			t.Fatalf("entries add up to %d, the curve rose by %d", sumOf(entries), want)
		}
		for start := cuts.From; start.Before(cuts.To); start = start.Add(cuts.Interval) {
			rows := slices.DeleteFunc(slices.Clone(entries), func(e plant.Entry) bool { return !e.Start.Equal(start) })
			if want, _ := curve.Between(start, start.Add(cuts.Interval)); sumOf(rows) != want {
				t.Fatalf("interval %v: entries add up to %d, the curve rose by %d", start, sumOf(rows), want)
			}
		}
		order := func(a, b plant.Entry) int { return cmp.Or(a.Start.Compare(b.Start), byKey(a, b)) }
		for i, e := range entries {
			if e.Amount <= 0 || e.Register != meter || i > 0 && order(entries[i-1], e) >= 0 {
				t.Fatalf("entry %d is %+v after %+v", i, e, entries[max(i-1, 0)])
			}
		}
	})
}

// TestEntries_AsByLookingUpEachPiece cuts slowly: it sorts every border, asks
// for state and lamp of each piece from scratch and takes Between of it.
func TestEntries_AsByLookingUpEachPiece(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, points := drawRules(t), drawPoints(t)
		curve, _ := Build(meter, r, points, Acts{Exchanges: drawExchanges(t, points)})
		cuts := drawCuts(t)
		got := Entries(meter, curve, cuts)
		if want := slowEntries(curve, cuts); len(got) != len(want) || len(got) > 0 && !gocmp.Equal(want, got) {
			t.Fatal(gocmp.Diff(want, got))
		}
	})
}

func slowEntries(c Curve, cuts Cuts) []plant.Entry {
	var borders []time.Time
	for t := cuts.From; !t.After(cuts.To); t = t.Add(cuts.Interval) {
		borders = append(borders, t)
	}
	for _, s := range cuts.Spans {
		borders = append(borders, s.From, s.To)
	}
	for _, f := range cuts.Fittings {
		borders = append(borders, f.From.Truncate(time.Millisecond), f.To.Truncate(time.Millisecond))
	}
	for _, s := range c {
		borders = append(borders, s.From, s.To)
	}
	borders = slices.DeleteFunc(borders, func(t time.Time) bool { return t.Before(cuts.From) || t.After(cuts.To) })
	slices.SortFunc(borders, time.Time.Compare)
	type key struct {
		start time.Time
		state plant.State
		tech  plant.Technology
		lamp  plant.LampSerial
	}
	sums := map[key]plant.Entry{}
	for i := 1; i < len(borders); i++ {
		t := borders[i-1]
		k := key{start: t.Truncate(cuts.Interval)}
		if cuts.ByStation {
			k.state = plant.StateUnknown
		}
		for _, s := range cuts.Spans {
			if !t.Before(s.From) && t.Before(s.To) {
				k.state, k.tech = s.State, s.Technology
			}
		}
		for _, f := range cuts.Fittings {
			from, to := f.From.Truncate(time.Millisecond), f.To.Truncate(time.Millisecond)
			if !t.Before(from) {
				k.lamp = ""
				if f.To.IsZero() || t.Before(to) {
					k.lamp = f.Lamp
				}
			}
		}
		amount, q := c.Between(t, borders[i])
		if amount == 0 {
			continue
		}
		e := sums[k]
		sums[k] = plant.Entry{
			Register: meter, Start: k.start, State: k.state, Technology: k.tech, Lamp: k.lamp,
			Amount: e.Amount + amount, Quality: max(e.Quality, q),
		}
	}
	var out []plant.Entry
	for _, e := range sums {
		out = append(out, e)
	}
	slices.SortFunc(out, func(a, b plant.Entry) int { return cmp.Or(a.Start.Compare(b.Start), byKey(a, b)) })
	return out
}

// TestEntries_SettledInPartsAsAsAWhole cuts the time at an interval border and
// settles both sides on their own.
func TestEntries_SettledInPartsAsAsAWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, points := drawRules(t), drawPoints(t)
		curve, _ := Build(meter, r, points, Acts{})
		cuts := drawCuts(t)
		n := int(cuts.To.Sub(cuts.From) / cuts.Interval)
		border := cuts.From.Add(time.Duration(rapid.IntRange(0, n).Draw(t, "border")) * cuts.Interval)
		left, right := cuts, cuts
		left.To, right.From = border, border
		parts := append(Entries(meter, curve, left), Entries(meter, curve, right)...)
		if whole := Entries(meter, curve, cuts); len(parts) != len(whole) || len(whole) > 0 && !gocmp.Equal(whole, parts) {
			t.Fatal(gocmp.Diff(whole, parts))
		}
	})
}

// TestEntries_TimeOfStates: the entries of the time curve hold, per state,
// exactly the length of its spans.
func TestEntries_TimeOfStates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spans := Timeline(drawEvents(t), 10*time.Minute, alwaysArc)
		want := map[plant.State]int64{}
		starts, lit := StartCurve(spans), LitCurve(spans)
		for _, s := range spans {
			want[s.State] += s.To.Sub(s.From).Milliseconds()
		}
		cuts := Cuts{Interval: 5 * time.Minute, From: t0, To: t0.Add(24 * time.Hour), Spans: spans, ByStation: true}
		got := map[plant.State]int64{}
		for _, e := range Entries("heron-3/time", TimeCurve(spans), cuts) {
			got[e.State] += e.Amount
		}
		if diff := gocmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
		for name, c := range map[string]Curve{"starts": starts, "lit": lit} {
			for _, e := range Entries("heron-3/x", c, cuts) {
				if !e.Technology.Lit(e.State) {
					t.Fatalf("%s: %d in state %v of %v", name, e.Amount, e.State, e.Technology)
				}
			}
		}
	})
}

// BenchmarkSettle makes the entries of half a year of one register read every
// five minutes, with a state change every ten minutes and a lamp a week.
func BenchmarkSettle(b *testing.B) {
	const n = 182 * 24 * 12
	r := plant.Rules{Modulus: 1_000_000_000, MaxPerHour: 60 * kwh, Slack: 1000, MaxGap: 30 * time.Minute}
	points := make([]Point, n)
	for i := range points {
		points[i] = at(time.Duration(i)*5*time.Minute+time.Duration(i*7919%1000)*time.Millisecond, int64(i)*416_667%r.Modulus)
	}
	var events []plant.StationEvent
	for i := range n / 2 {
		events = append(events, event(time.Duration(i)*10*time.Minute+time.Duration(i*104729%300_000)*time.Millisecond, plant.States()[i%5]))
	}
	var fittings []plant.Fitting
	for week := range 26 {
		fittings = append(fittings, plant.Fitting{Lamp: plant.LampSerial(rune('A' + week)), From: t0.Add(time.Duration(week) * 7 * 24 * time.Hour)})
	}
	b.ReportAllocs()
	rows := 0
	for b.Loop() {
		curve, _ := Build(meter, r, points, Acts{})
		rows = len(Entries(meter, curve, Cuts{
			Interval: 10 * time.Minute, From: t0, To: t0.Add(183 * 24 * time.Hour),
			Spans: Timeline(events, 15*time.Minute, alwaysArc), ByStation: true, Fittings: fittings,
		}))
	}
	b.ReportMetric(float64(rows), "rows")
}

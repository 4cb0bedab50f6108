package validation_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/validation"
)

const kwh = 1_000_000

// noon is on a Wednesday.
func noon() time.Time { return time.Date(2026, 3, 25, 12, 0, 0, 0, time.UTC) }

func site(t testing.TB, zone string) *plant.Plant {
	t.Helper()
	tz, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	return &plant.Plant{
		TimeZone: tz, Interval: 15 * time.Minute, ClockLimit: 3 * time.Minute, WorkDays: [7]bool{false, true, true, true, true, true, false},
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1", Press: "heron", Silence: 5 * time.Minute}}}},
	}
}

// quarters puts amounts in kWh into intervals from start on.
func quarters(h validation.History, start time.Time, amounts ...float64) {
	for i, v := range amounts {
		h[start.Add(time.Duration(i)*15*time.Minute).Unix()] = int64(math.Round(v * kwh))
	}
}

func amounts(e validation.Estimate) []float64 {
	var out []float64
	for _, p := range e.Parts {
		out = append(out, float64(p.Amount)/kwh)
	}
	return out
}

func sameAmounts(t *testing.T, e validation.Estimate, want ...float64) {
	t.Helper()
	got := amounts(e)
	if len(got) != len(want) {
		t.Fatalf("%s: %v, want %v", e.Method, got, want)
	}
	for i := range want {
		if math.Abs(got[i]-want[i]) > 1.5e-6 { // a unit and a half
			t.Errorf("%s, part %d: %v, want %v", e.Method, i, got[i], want[i])
		}
	}
}

// Source: computed independently with Python; the method is point-to-point linear
// estimation as in Ontario's and California's published rule sets.
func TestLine(t *testing.T) {
	p := site(t, "Europe/Berlin")
	h := validation.History{}
	quarters(h, noon().Add(-30*time.Minute), 6.0, 6.4)
	quarters(h, noon().Add(45*time.Minute), 8.0, 8.2)
	gap := validation.Gap{From: noon(), To: noon().Add(45 * time.Minute)}
	e := validation.Make(p, gap, validation.Sources{History: h, Line: 2 * time.Hour})
	if e.Method != validation.MethodLine || e.Quality != plant.QualityEstimated {
		t.Fatalf("%+v", e)
	}
	sameAmounts(t, e, 6.8, 7.2, 7.6)

	// The register moved by 24.3 instead of 21.6: the same shape, the exact amount.
	gap.Known, gap.Amount = true, 24_300_000
	e = validation.Make(p, gap, validation.Sources{History: h, Line: 2 * time.Hour})
	if e.Method != validation.MethodLine || e.Quality != plant.QualityInterpolated || !strings.Contains(e.Basis, "exact") {
		t.Errorf("%+v", e)
	}
	sameAmounts(t, e, 7.65, 8.1, 8.55)
}

// A line is for short gaps only, and never leads over a shutdown.
func TestLineHasItsLimits(t *testing.T) {
	p := site(t, "Europe/Berlin")
	h := validation.History{}
	quarters(h, noon().Add(-30*time.Minute), 6.0, 6.4)
	quarters(h, noon().Add(45*time.Minute), 8.0, 8.2)
	gap := validation.Gap{From: noon(), To: noon().Add(45 * time.Minute)}
	off := []plant.Span{{From: noon(), To: noon().Add(time.Minute), State: plant.StateOff}}
	for name, s := range map[string]validation.Sources{
		"longer than allowed": {History: h, Line: 44 * time.Minute},
		"shutdown":            {History: h, Line: 2 * time.Hour, Spans: off},
		"no neighbour":        {Line: 2 * time.Hour},
	} {
		if e := validation.Make(p, gap, s); e.Method != validation.MethodNone || e.Parts != nil || e.Quality != plant.QualityUnknown {
			t.Errorf("%s: %+v", name, e)
		}
	}
}

// Source: computed independently with Python; like days scaled to the register as in
// the published rule sets: the registers leave 10482.6 - 10431.2 - 27.46 = 23.94.
func TestLikeDays(t *testing.T) {
	p := site(t, "Europe/Berlin")
	h := validation.History{}
	for i, day := range [][]float64{{5.0, 5.2, 5.6, 6.1}, {4.6, 5.0, 5.4, 5.9}, {5.4, 5.7, 6.1, 6.6}} {
		quarters(h, noon().AddDate(0, 0, -7*(i+1)), day...)
	}
	quarters(h, noon().AddDate(0, 0, -1), 50, 50, 50, 50) // a Tuesday comes after all Wednesdays
	quarters(h, noon().AddDate(0, 0, -4), 90, 90, 90, 90) // no work on Saturday
	gap := validation.Gap{From: noon(), To: noon().Add(time.Hour), Known: true, Amount: 10_482_600_000 - 10_431_200_000 - 27_460_000}
	e := validation.Make(p, gap, validation.Sources{History: h, Line: 30 * time.Minute})
	if e.Method != validation.MethodLikeDays || !strings.HasPrefix(e.Basis, "mean of 3 like days") || e.Quality != plant.QualityInterpolated {
		t.Fatalf("%+v", e)
	}
	sameAmounts(t, e, 5.3918918919, 5.7154054054, 6.1467567568, 6.6859459459)
	if e.Total() != 23_940_000 {
		t.Errorf("parts add up to %d", e.Total())
	}

	gap.Known, gap.Amount = false, 0
	e = validation.Make(p, gap, validation.Sources{History: h, Line: 30 * time.Minute})
	sameAmounts(t, e, 5.0, 5.3, 5.7, 6.2)
	if e.Quality != plant.QualityEstimated {
		t.Errorf("unscaled: %+v", e)
	}
	gap.Amount = 44_400_000 // of a lower bound: twice as much
	e = validation.Make(p, gap, validation.Sources{History: h, Line: 30 * time.Minute})
	sameAmounts(t, e, 10, 10.6, 11.4, 12.4)
}

// The clocks go forward between the like days and the gap: like is the same time on
// the wall. Source: tz database, Europe/Berlin, 2026-03-29.
func TestLikeDaysFollowTheWallClock(t *testing.T) {
	p := site(t, "Europe/Berlin")
	h := validation.History{}
	quarters(h, time.Date(2026, 3, 25, 12, 0, 0, 0, time.UTC), 1) // 13:00 in Berlin
	quarters(h, time.Date(2026, 3, 25, 11, 0, 0, 0, time.UTC), 7) // 12:00
	at := time.Date(2026, 4, 1, 11, 0, 0, 0, time.UTC)            // 13:00
	e := validation.Make(p, validation.Gap{From: at, To: at.Add(15 * time.Minute)}, validation.Sources{History: h})
	if e.Method != validation.MethodLikeDays || !strings.HasPrefix(e.Basis, "one like day") {
		t.Fatalf("%+v", e)
	}
	sameAmounts(t, e, 1)
}

// A holiday is like a day without work, not like its weekday.
func TestHolidayIsNotLikeItsWeekday(t *testing.T) {
	p := site(t, "UTC")
	p.Holidays = []time.Time{p.Day(noon(), 0)}
	h := validation.History{}
	quarters(h, noon().AddDate(0, 0, -7), 20) // a Wednesday
	quarters(h, noon().AddDate(0, 0, -3), 1)  // a Sunday
	e := validation.Make(p, validation.Gap{From: noon(), To: noon().Add(15 * time.Minute)}, validation.Sources{History: h})
	sameAmounts(t, e, 1)
}

// Nothing is estimated across a known shutdown: it takes what it takes at rest.
func TestShutdownIsLeftOut(t *testing.T) {
	p := site(t, "UTC")
	h := validation.History{}
	quarters(h, noon().AddDate(0, 0, -7), 6, 6, 6, 6)
	spans := []plant.Span{
		{From: noon().Add(-time.Hour), To: noon().Add(15 * time.Minute), State: plant.StateCuring},
		{From: noon().Add(15 * time.Minute), To: noon().Add(52*time.Minute + 30*time.Second), State: plant.StateOff},
		{From: noon().Add(52*time.Minute + 30*time.Second), To: noon().Add(2 * time.Hour), State: plant.StateUnknown},
	}
	rates := validation.Rates{{State: plant.StateOff}: 0.4 * kwh}
	gap := validation.Gap{From: noon(), To: noon().Add(time.Hour)}
	sameAmounts(t, validation.Make(p, gap, validation.Sources{History: h, Spans: spans, Rates: rates}), 6, 0.1, 0.1, 3.05)
	gap.Known, gap.Amount = true, 900_000
	sameAmounts(t, validation.Make(p, gap, validation.Sources{History: h, Spans: spans}), 0.6, 0, 0, 0.3)
}

func TestModelOfStates(t *testing.T) {
	p := site(t, "UTC")
	cure, off := plant.StateCuring, plant.StateOff
	entry := func(n int, s plant.State, v int64) plant.Entry {
		return plant.Entry{Start: noon().Add(time.Duration(n-100) * 15 * time.Minute), State: s, Amount: v}
	}
	var entries, times []plant.Entry
	for n := range 4 {
		entries = append(entries, entry(n, cure, 1*kwh), entry(n, off, 0.05*kwh))
		times = append(times, entry(n, cure, 600_000), entry(n, off, 300_000))
	}
	spoilt := entry(4, cure, 99*kwh)
	spoilt.Quality = plant.QualityUnknown
	from := noon().Add(-25 * time.Hour)
	h := validation.NewHistory(p, validation.Record{Entries: append(entries, spoilt), From: from, To: from.Add(75 * time.Minute)})
	rates := validation.NewRates(h, append(entries, spoilt), append(times, entry(4, cure, 900_000)))
	if r := rates[validation.Work{State: cure}]; math.Abs(r-6*kwh) > 1 {
		t.Errorf("curing takes %v an hour, want 6 kWh", r)
	}
	gap := validation.Gap{From: noon().Add(5 * time.Minute), To: noon().Add(25 * time.Minute)}
	spans := []plant.Span{
		{From: noon(), To: noon().Add(10 * time.Minute), State: off},
		{From: noon().Add(10 * time.Minute), To: noon().Add(time.Hour), State: cure},
	}
	e := validation.Make(p, gap, validation.Sources{Spans: spans, Rates: rates})
	if e.Method != validation.MethodModel || e.Quality != plant.QualityEstimated {
		t.Fatalf("%+v", e)
	}
	sameAmounts(t, e, 0.05+0.5, 1)
	spans[1].State = plant.StateUnknown
	if e := validation.Make(p, gap, validation.Sources{Spans: spans, Rates: rates}); e.Method != validation.MethodNone {
		t.Errorf("with an unknown state: %+v", e)
	}
}

// The order of the methods: power samples, check meter, and the counted shape at
// last.
func TestOrderOfMethods(t *testing.T) {
	p := site(t, "UTC")
	gap := validation.Gap{From: noon(), To: noon().Add(30 * time.Minute), Known: true, Amount: 10 * kwh}
	h := validation.History{}
	quarters(h, noon().AddDate(0, 0, -7), 3, 1)
	segment := ledger.Segment{From: gap.From, To: gap.To, Amount: gap.Amount, Quality: plant.QualityInterpolated}
	var samples []plant.Signal
	for m := 0; m <= 30; m += 5 {
		v := 4000.0
		if m > 15 {
			v = 0
		}
		samples = append(samples, plant.Signal{At: noon().Add(time.Duration(m) * time.Minute), Value: v})
	}
	check := ledger.Curve{
		{From: noon().Add(-time.Hour), To: noon().Add(15 * time.Minute), Amount: 20 * kwh},
		{From: noon().Add(15 * time.Minute), To: noon().Add(time.Hour), Amount: 36 * kwh},
	}
	s := validation.Sources{
		Samples: samples, MaxGap: 10 * time.Minute, Check: check, History: h, Line: 0,
		Counted: ledger.Shape(segment, samples, nil, 10*time.Minute),
	}
	e := validation.Make(p, gap, s)
	if e.Method != validation.MethodPower {
		t.Errorf("with everything: %+v", e)
	}
	for i, part := range e.Parts {
		if v, _ := s.Counted.Between(part.From, part.To); v != part.Amount {
			t.Errorf("part %d is %d, the ledger counts %d", i, part.Amount, v)
		}
	}
	free := gap
	free.Known, free.Amount = false, 0
	e = validation.Make(p, free, s) // 15 min at 4 kW, then 2.5 min down to nothing
	sameAmounts(t, e, 1, 4.0/60*2.5)
	s.Samples, s.Counted = nil, ledger.Curve{segment}
	e = validation.Make(p, gap, s)
	if e.Method != validation.MethodCheck {
		t.Errorf("without samples: %+v", e)
	}
	sameAmounts(t, e, 2.5, 7.5) // 4 and 12 of 16
	sameAmounts(t, validation.Make(p, free, s), 4, 12)
	s.Check[1].Quality = plant.QualityInterpolated
	e = validation.Make(p, gap, s)
	if e.Method != validation.MethodLikeDays {
		t.Errorf("check meter with a gap: %+v", e)
	}
	s.History = nil
	e = validation.Make(p, gap, s)
	if e.Method != validation.MethodCounted || e.Quality != plant.QualityInterpolated {
		t.Errorf("with nothing: %+v", e)
	}
	sameAmounts(t, e, 5, 5)
}

// Parts tile the gap and add up to what the register says, whatever the sources.
func TestEstimatesTileAndAddUp(t *testing.T) {
	p := site(t, "Europe/Berlin")
	rapid.Check(t, func(t *rapid.T) {
		minutes := func(name string, least, most int) time.Duration {
			return time.Duration(rapid.IntRange(least, most).Draw(t, name)) * time.Minute
		}
		from := noon().Add(minutes("from", 0, 20_000)).Add(time.Duration(rapid.IntRange(0, 59_999_999).Draw(t, "us")) * time.Microsecond)
		gap := validation.Gap{From: from, To: from.Add(minutes("length", 1, 3000)), Known: true, Amount: rapid.Int64Range(0, 1<<60).Draw(t, "amount")}
		h := validation.History{}
		for _, n := range rapid.SliceOfN(rapid.IntRange(-6000, 6000), 0, 400).Draw(t, "history") {
			h[noon().Add(time.Duration(n)*15*time.Minute).Unix()] = int64(n*n) % 7919
		}
		var spans []plant.Span
		at := noon()
		for range rapid.IntRange(0, 20).Draw(t, "spans") {
			to := at.Add(minutes("span", 1, 2000))
			spans = append(spans, plant.Span{From: at, To: to, State: rapid.SampledFrom(plant.States()).Draw(t, "state")})
			at = to
		}
		s := validation.Sources{
			History: h, Spans: spans, Line: minutes("line", 0, 300), Rates: validation.Rates{{State: plant.StateCuring}: 5, {State: plant.StateOff}: 0},
			Counted: ledger.Curve{{From: gap.From, To: gap.To, Amount: gap.Amount}},
		}
		e := validation.Make(p, gap, s)
		at = gap.From
		for _, part := range e.Parts {
			if !part.From.Equal(at) || !part.To.After(part.From) || part.Amount < 0 || part.To.Sub(part.From) > p.Interval {
				t.Fatalf("%s: part %+v begins not at %v", e.Method, part, at)
			}
			at = part.To
		}
		if !at.Equal(gap.To) || e.Total() != gap.Amount || e.Quality != plant.QualityInterpolated {
			t.Fatalf("%s: parts end at %v and add up to %d, the gap ends at %v with %d", e.Method, at, e.Total(), gap.To, gap.Amount)
		}
		gap.Known = false
		if e := validation.Make(p, gap, s); e.Method != validation.MethodNone && (e.Quality != plant.QualityEstimated || e.Total() < gap.Amount) {
			t.Fatalf("lower bound %d: %s gives %d, %v", gap.Amount, e.Method, e.Total(), e.Quality)
		}
	})
}

func TestApportion(t *testing.T) {
	for _, tt := range []struct {
		amount  int64
		weights []float64
		want    []int64
	}{
		{10, []float64{1, 1, 1}, []int64{4, 3, 3}},
		{-10, []float64{1, 1, 1}, []int64{-4, -3, -3}},
		{7, []float64{0, 3, -5, math.NaN(), 1}, []int64{0, 5, 0, 0, 2}},
		{9, []float64{0, 0}, []int64{5, 4}},
		{math.MinInt64, []float64{1, 1}, []int64{math.MinInt64 / 2, math.MinInt64 / 2}},
		{5, nil, nil},
	} {
		got := validation.Apportion(tt.amount, tt.weights)
		if len(got) != len(tt.want) {
			t.Errorf("%d by %v: %v", tt.amount, tt.weights, got)
			continue
		}
		for i := range got {
			if got[i] != tt.want[i] {
				t.Errorf("%d by %v: %v, want %v", tt.amount, tt.weights, got, tt.want)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		amount := rapid.Int64().Draw(t, "amount")
		weights := rapid.SliceOfN(rapid.Float64(), 1, 200).Draw(t, "weights")
		var sum int64
		for i, v := range validation.Apportion(amount, weights) {
			if sum += v; v != 0 && (v < 0) != (amount < 0) {
				t.Fatalf("part %d of %d is %d", i, amount, v)
			}
		}
		if sum != amount {
			t.Fatalf("parts of %d add up to %d", amount, sum)
		}
	})
}

// A planned stop says that nothing ran where the station said nothing; what it
// said wins.
func TestPlannedStops(t *testing.T) {
	at := func(m int) time.Time { return noon().Add(time.Duration(m) * time.Minute) }
	spans := []plant.Span{
		{From: at(0), To: at(20), State: plant.StateCuring},
		{From: at(20), To: at(40), State: plant.StateUnknown},
		{From: at(40), To: at(50), State: plant.StateStandby},
	}
	got := validation.WithStops(spans, []plant.PlannedStop{{From: at(10), To: at(45)}, {From: at(30), To: at(60)}})
	off := func(from, to int) plant.Span {
		return plant.Span{From: at(from), To: at(to), State: plant.StateOff, Quality: plant.QualityInferred}
	}
	want := []plant.Span{spans[0], off(20, 40), spans[2], off(50, 60)}
	if !slices.Equal(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	p, h := site(t, "UTC"), validation.History{}
	quarters(h, noon().AddDate(0, 0, -7), 6, 6, 6, 6)
	s := validation.Sources{History: h, Spans: validation.WithStops(nil, []plant.PlannedStop{{From: at(15), To: at(45)}})}
	sameAmounts(t, validation.Make(p, validation.Gap{From: at(0), To: at(60), Known: true, Amount: 4 * kwh}, s), 2, 0, 0, 2)
}

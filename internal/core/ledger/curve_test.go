package ledger

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

const meter = plant.RegisterID("heron-3-meter/import")

// hourly gives points an hour apart.
func hourly(values ...int64) []Point {
	var points []Point
	for i, v := range values {
		points = append(points, at(time.Duration(i)*time.Hour, v))
	}
	return points
}

func kinds(events []plant.RegisterEvent) []plant.StepKind {
	var k []plant.StepKind
	for _, e := range events {
		k = append(k, e.Kind)
	}
	return k
}

func TestBuild_Histories(t *testing.T) {
	limited := plant.Rules{Modulus: 100_000, MaxPerHour: 60, Backstep: 2, MaxGap: 3 * time.Hour}
	open := plant.Rules{Modulus: 100_000, Backstep: 2, MaxGap: 3 * time.Hour}
	const (
		measured, interpolated, unknown = plant.QualityMeasured, plant.QualityInterpolated, plant.QualityUnknown
		reset, rollover                 = plant.StepReset, plant.StepRollover
		backstep, implausible           = plant.StepBackstep, plant.StepImplausible
	)
	for _, c := range []struct {
		name      string
		rules     plant.Rules
		values    []int64
		amounts   []int64
		qualities []plant.Quality
		kinds     []plant.StepKind
	}{
		{"plain", limited, []int64{100, 130, 130, 190}, []int64{30, 0, 60}, []plant.Quality{measured, measured, measured}, nil},
		{"rollover", limited, []int64{99_960, 20, 40}, []int64{60, 20}, []plant.Quality{measured, measured}, []plant.StepKind{rollover}},
		{"noise after a rollover", limited, []int64{99_960, 20, 19, 40}, []int64{60, 20}, []plant.Quality{measured, measured}, []plant.StepKind{rollover, backstep}},
		{"reset", limited, []int64{45_210, 12, 30}, []int64{12, 18}, []plant.Quality{unknown, measured}, []plant.StepKind{reset}},
		{"reset at the end", limited, []int64{45_210, 12}, []int64{12}, []plant.Quality{unknown}, []plant.StepKind{reset}},
		{"glitch to zero", limited, []int64{45_210, 0, 45_230}, []int64{20}, []plant.Quality{measured}, []plant.StepKind{implausible}},
		{"glitch of three values", limited, []int64{45_210, 0, 0, 0, 45_230}, []int64{20}, []plant.Quality{interpolated}, []plant.StepKind{implausible, implausible, implausible}},
		{"glitch that looks like a rollover", limited, []int64{99_960, 5, 99_990}, []int64{30}, []plant.Quality{measured}, []plant.StepKind{implausible}},
		{"spike", limited, []int64{1000, 9000, 1040}, []int64{40}, []plant.Quality{measured}, []plant.StepKind{implausible}},
		{"noise", limited, []int64{1000, 999, 1010}, []int64{10}, []plant.Quality{measured}, []plant.StepKind{backstep}},
		{"a jump that stays is believed when power allows it", limited, []int64{45_210, 45_290, 45_295}, []int64{85}, []plant.Quality{measured}, []plant.StepKind{implausible}},
		{"reset after a glitch", limited, []int64{45_210, 45_900, 7, 9}, []int64{7, 2}, []plant.Quality{unknown, measured}, []plant.StepKind{implausible, reset}},
		{"no limit: glitch to zero", open, []int64{45_210, 0, 45_230}, []int64{20}, []plant.Quality{measured}, []plant.StepKind{implausible}},
		{"no limit: spike", open, []int64{1000, 9000, 1040}, []int64{40}, []plant.Quality{measured}, []plant.StepKind{implausible}},
		{"no limit: spike of two decades", open, []int64{1000, 900_000, 1040}, []int64{40}, []plant.Quality{measured}, []plant.StepKind{implausible}},
		{"no limit: reset", open, []int64{45_210, 12, 30, 50}, []int64{12, 18, 20}, []plant.Quality{unknown, measured, measured}, []plant.StepKind{reset}},
		{"no limit: rollover", open, []int64{99_960, 20, 40}, []int64{60, 20}, []plant.Quality{measured, measured}, []plant.StepKind{rollover}},
	} {
		curve, events := Build(meter, c.rules, hourly(c.values...), Acts{})
		var amounts []int64
		var qualities []plant.Quality
		for _, s := range curve {
			amounts, qualities = append(amounts, s.Amount), append(qualities, s.Quality)
		}
		if !slices.Equal(amounts, c.amounts) || !slices.Equal(qualities, c.qualities) || !slices.Equal(kinds(events), c.kinds) {
			t.Errorf("%s: amounts %v, %v, events %v; want %v, %v, %v", c.name, amounts, qualities, kinds(events), c.amounts, c.qualities, c.kinds)
		}
	}
}

func TestBuild_EventNamesBothValues(t *testing.T) {
	_, events := Build(meter, plant.Rules{MaxPerHour: 60}, hourly(48_211, 12, 13), Acts{})
	want := []plant.RegisterEvent{{Register: meter, At: t0.Add(time.Hour), Kind: plant.StepReset, Before: 48_211, After: 12}}
	if diff := cmp.Diff(want, events); diff != "" {
		t.Error(diff)
	}
}

func TestBuild_LongGapIsInterpolated(t *testing.T) {
	r := plant.Rules{MaxPerHour: 60, MaxGap: 30 * time.Minute}
	curve, events := Build(meter, r, []Point{at(0, 0), at(30*time.Minute, 10), at(61*time.Minute, 20)}, Acts{})
	if len(curve) != 2 || curve[0].Quality != plant.QualityMeasured || curve[1].Quality != plant.QualityInterpolated || events != nil {
		t.Errorf("curve %v, events %v; want measured up to the gap, interpolated beyond", curve, events)
	}
}

// Common practice, no source: (98822.7 - 98765.0) + (31.9 - 3.1) = 86.5.
func TestBuild_Exchange(t *testing.T) {
	r := plant.Rules{MaxPerHour: 600}
	swap := plant.Exchange{Register: meter, At: t0.Add(time.Hour), Final: 988_227, First: 31}
	points := []Point{at(0, 987_650), at(2*time.Hour, 319)}
	curve, events := Build(meter, r, points, Acts{Exchanges: []plant.Exchange{swap}})
	want := Curve{{From: t0, To: swap.At, Amount: 577}, {From: swap.At, To: points[1].At, Amount: 288}}
	if diff := cmp.Diff(want, curve); diff != "" {
		t.Error(diff)
	}
	if curve.Total() != 865 {
		t.Errorf("total %d, want 865", curve.Total())
	}
	wantEvents := []plant.RegisterEvent{{Register: meter, At: swap.At, Kind: plant.StepExchange, Before: 988_227, After: 31}}
	if diff := cmp.Diff(wantEvents, events); diff != "" {
		t.Error(diff)
	}
	swap.Final = 998_227
	want[0].Amount, want[0].Quality = 0, plant.QualityUnknown
	curve, _ = Build(meter, r, points, Acts{Exchanges: []plant.Exchange{swap}})
	if diff := cmp.Diff(want, curve); diff != "" {
		t.Error("a final value that cannot be true:", diff)
	}
}

func TestBuild_ExchangeAtTheEdges(t *testing.T) {
	r := plant.Rules{MaxPerHour: 60, Slack: 5}
	swap := plant.Exchange{Register: meter, Final: 120, First: 3}
	for _, c := range []struct {
		name string
		at   time.Duration
	}{
		{"before the first point", -time.Minute},
		{"at the first point", 0},
		{"after the last point", 61 * time.Minute},
	} {
		swap.At = t0.Add(c.at)
		curve, events := Build(meter, r, hourly(100, 140), Acts{Exchanges: []plant.Exchange{swap}})
		if len(curve) != 1 || curve.Total() != 40 || len(events) != 0 {
			t.Errorf("%s: %v, %v", c.name, curve, events)
		}
	}
	swap.At = t0.Add(time.Hour)
	curve, events := Build(meter, r, hourly(100, 7, 30), Acts{Exchanges: []plant.Exchange{swap}})
	want := Curve{{From: t0, To: swap.At, Amount: 20 + 4}, {From: swap.At, To: t0.Add(2 * time.Hour), Amount: 23}}
	if diff := cmp.Diff(want, curve); diff != "" || len(events) != 1 {
		t.Errorf("at a point: %s, events %v", diff, events)
	}
	curve, events = Build(meter, r, hourly(100, 90_000, 30), Acts{Exchanges: []plant.Exchange{swap}})
	want = Curve{{From: t0, To: swap.At, Amount: 20}, {From: swap.At, To: t0.Add(2 * time.Hour), Amount: 27}}
	if diff := cmp.Diff(want, curve); diff != "" || !slices.Equal(kinds(events), []plant.StepKind{plant.StepExchange, plant.StepImplausible}) {
		t.Errorf("before a value of the new register that cannot be true: %s, events %v", diff, events)
	}
}

// TestBuild_ANewRegisterProvesNothingAboutTheOld: the value after the exchange
// happens to go on from the value before a true reset.
func TestBuild_ANewRegisterProvesNothingAboutTheOld(t *testing.T) {
	swap := plant.Exchange{Register: meter, At: t0.Add(90 * time.Minute), Final: 20, First: 45_220}
	curve, events := Build(meter, plant.Rules{MaxPerHour: 60}, hourly(45_210, 12, 45_230), Acts{Exchanges: []plant.Exchange{swap}})
	if want := []plant.StepKind{plant.StepReset, plant.StepExchange}; curve.Total() != 12+8+10 || !slices.Equal(kinds(events), want) {
		t.Errorf("total %d, events %v; want 30, %v", curve.Total(), kinds(events), want)
	}
}

func TestBuild_OrderDoesNotMatterAndTheLastOfAnInstantCounts(t *testing.T) {
	r := plant.Rules{MaxPerHour: 60}
	mixed := []Point{at(2*time.Hour, 50), at(0, 10), at(time.Hour, 29), at(time.Hour, 30)}
	given := slices.Clone(mixed)
	curve, _ := Build(meter, r, mixed, Acts{})
	want, _ := Build(meter, r, hourly(10, 30, 50), Acts{})
	if diff := cmp.Diff(want, curve); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(given, mixed); diff != "" {
		t.Error("the argument was changed:", diff)
	}
	if curve, events := Build(meter, r, nil, Acts{}); curve != nil || events != nil {
		t.Errorf("no points: %v, %v", curve, events)
	}
	if curve, events := Build(meter, r, mixed[:1], Acts{}); len(curve) != 0 || events != nil {
		t.Errorf("one point: %v, %v", curve, events)
	}
}

func TestBetween(t *testing.T) {
	c := Curve{
		{From: t0, To: t0.Add(3 * time.Second), Amount: 10},
		{From: t0.Add(3 * time.Second), To: t0.Add(5 * time.Second), Amount: 7, Quality: plant.QualityInterpolated},
		{From: t0.Add(9 * time.Second), To: t0.Add(10 * time.Second), Amount: 1, Quality: plant.QualityInferred},
	}
	for _, k := range []struct {
		from, to time.Duration
		amount   int64
		quality  plant.Quality
	}{
		{0, time.Second, 3, plant.QualityMeasured},
		{time.Second, 2 * time.Second, 3, plant.QualityMeasured},
		{2 * time.Second, 3 * time.Second, 4, plant.QualityMeasured},
		{2 * time.Second, 4 * time.Second, 7, plant.QualityInterpolated},
		{4 * time.Second, 20 * time.Second, 5, plant.QualityInferred},
		{6 * time.Second, 8 * time.Second, 0, plant.QualityUnknown},
		{-time.Hour, time.Hour, 18, plant.QualityInferred},
		{time.Hour, 2 * time.Hour, 0, plant.QualityUnknown},
		{2 * time.Second, time.Second, 0, plant.QualityUnknown},
	} {
		if a, q := c.Between(t0.Add(k.from), t0.Add(k.to)); a != k.amount || q != k.quality {
			t.Errorf("[%v, %v): %d %v, want %d %v", k.from, k.to, a, q, k.amount, k.quality)
		}
	}
}

func TestBetween_BigAmounts(t *testing.T) {
	year := 365 * 24 * time.Hour
	c, _ := Build(meter, plant.Rules{}, []Point{at(0, 0), at(200*year, math.MaxInt64)}, Acts{})
	var sum int64
	for i := range 200 {
		a, _ := c.Between(t0.Add(time.Duration(i)*year), t0.Add(time.Duration(i+1)*year))
		if want := int64(math.MaxInt64 / 200); a != want && a != want+1 {
			t.Fatalf("year %d: %d, want %d or one more", i, a, want)
		}
		sum += a
	}
	if sum != math.MaxInt64 {
		t.Errorf("200 years add up to %d, want %d", sum, int64(math.MaxInt64))
	}
}

// drawRules draws the rules of a small register, so that all kinds of step
// happen often.
func drawRules(t *rapid.T) plant.Rules {
	return plant.Rules{
		Modulus:    rapid.SampledFrom([]int64{0, 1000, 10_000}).Draw(t, "modulus"),
		MaxPerHour: rapid.SampledFrom([]int64{0, 60, 600}).Draw(t, "limit"),
		Slack:      rapid.Int64Range(0, 3).Draw(t, "slack"),
		Backstep:   rapid.Int64Range(0, 3).Draw(t, "backstep"),
		MaxGap:     rapid.SampledFrom([]time.Duration{0, time.Hour}).Draw(t, "gap"),
	}
}

// drawPoints draws a register's values with noise, glitches, resets, rollovers
// and long gaps among them.
func drawPoints(t *rapid.T) []Point {
	n := rapid.IntRange(0, 30).Draw(t, "points")
	points := make([]Point, n)
	now, value := time.Duration(0), rapid.Int64Range(0, 999).Draw(t, "first")
	for i := range points {
		var seen int64
		switch rapid.IntRange(0, 9).Draw(t, "what") {
		case 0:
			value = rapid.Int64Range(0, 9).Draw(t, "reset")
			seen = value
		case 1:
			seen = rapid.Int64Range(0, 99_999).Draw(t, "glitch")
		case 2:
			seen = max(0, value-rapid.Int64Range(0, 5).Draw(t, "noise"))
		case 3:
			value = (value + 40) % 1000
			seen = value
		default:
			value += rapid.Int64Range(0, 60).Draw(t, "rise")
			seen = value
		}
		points[i] = at(now, seen)
		now += time.Duration(rapid.Int64Range(1, 7_200_000_000).Draw(t, "micros")) * time.Microsecond
	}
	return points
}

func drawExchanges(t *rapid.T, points []Point) []plant.Exchange {
	if len(points) == 0 {
		return nil
	}
	xs := make([]plant.Exchange, rapid.IntRange(0, 3).Draw(t, "exchanges"))
	for i := range xs {
		p := rapid.SampledFrom(points).Draw(t, "near")
		xs[i] = plant.Exchange{
			Register: meter,
			At:       p.At.Add(time.Duration(rapid.SampledFrom([]int64{0, 0, -1, 1, 900_000}).Draw(t, "off")) * time.Millisecond),
			Final:    p.Value + rapid.Int64Range(-5, 30).Draw(t, "final"), First: rapid.Int64Range(0, 50).Draw(t, "new"),
		}
	}
	return xs
}

// soundCurve fails when a curve made of points is not monotone and contiguous.
func soundCurve(t interface{ Fatalf(string, ...any) }, c Curve) {
	for i, s := range c {
		if s.Amount < 0 {
			t.Fatalf("segment %d falls by %d", i, s.Amount)
		}
		if !s.From.Before(s.To) {
			t.Fatalf("segment %d is [%v, %v)", i, s.From, s.To)
		}
		if i > 0 && !s.From.Equal(c[i-1].To) {
			t.Fatalf("segment %d begins at %v, the one before ended at %v", i, s.From, c[i-1].To)
		}
	}
}

func TestBuild_IsSoundAndRepeatable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, points := drawRules(t), drawPoints(t)
		xs := drawExchanges(t, points)
		curve, events := Build(meter, r, points, Acts{Exchanges: xs})
		soundCurve(t, curve)
		if !slices.IsSortedFunc(events, func(a, b plant.RegisterEvent) int { return a.At.Compare(b.At) }) {
			t.Fatalf("events are out of order: %v", events)
		}
		shuffled := slices.Clone(points)
		seed := rapid.Uint64().Draw(t, "seed")
		rand.New(rand.NewPCG(seed, 1)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		again, events2 := Build(meter, r, shuffled, Acts{Exchanges: xs})
		if diff := cmp.Diff(curve, again) + cmp.Diff(events, events2); diff != "" {
			t.Fatalf("another order gives another curve: %s", diff)
		}
	})
}

// TestBuild_FromAnyAcceptedPoint is what makes settling of parts possible: a
// build from any accepted point on gives what the build from the start gives.
func TestBuild_FromAnyAcceptedPoint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, points := drawRules(t), drawPoints(t)
		xs := drawExchanges(t, points)
		full, events := Build(meter, r, points, Acts{Exchanges: xs})
		held := map[time.Time]bool{}
		for _, e := range events {
			if e.Kind == plant.StepBackstep || e.Kind == plant.StepImplausible {
				held[e.At] = true
			}
		}
		for j, p := range points {
			if held[p.At] {
				continue
			}
			part, partEvents := Build(meter, r, points[j:], Acts{Exchanges: xs})
			if diff := cmp.Diff(full[full.from(p.At):], part); len(part) != len(full[full.from(p.At):]) || len(part) > 0 && diff != "" {
				t.Fatalf("from point %d on: %s", j, diff)
			}
			rest := slices.DeleteFunc(slices.Clone(events), func(e plant.RegisterEvent) bool { return !e.At.After(p.At) })
			if len(rest) != len(partEvents) || len(rest) > 0 && !slices.Equal(rest, partEvents) {
				t.Fatalf("events from point %d on: %v, want %v", j, partEvents, rest)
			}
		}
	})
}

// TestBuild_IsFinalBeforeLookAhead: more points at the end change nothing that
// lies LookAhead points back.
func TestBuild_IsFinalBeforeLookAhead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, points := drawRules(t), drawPoints(t)
		xs := drawExchanges(t, points)
		full, _ := Build(meter, r, points, Acts{Exchanges: xs})
		for n := LookAhead + 1; n < len(points); n++ {
			final := points[n-1-LookAhead].At
			part, _ := Build(meter, r, points[:n], Acts{Exchanges: xs})
			for i, s := range part {
				if s.To.After(final) {
					break
				}
				if s != full[i] {
					t.Fatalf("of %d points, segment %d was %v and became %v", n, i, s, full[i])
				}
			}
		}
	})
}

// TestBuild_CountsWhatAccrued lets a register with a modulus count a known
// amount; the curve has to find all of it.
func TestBuild_CountsWhatAccrued(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := plant.Rules{Modulus: 1000, MaxPerHour: 400, MaxGap: 2 * time.Hour}
		truly := rapid.Int64Range(0, 999).Draw(t, "first")
		first := truly
		points := []Point{at(0, truly)}
		for i := range rapid.IntRange(1, 60).Draw(t, "hours") {
			truly += rapid.Int64Range(0, 440).Draw(t, "rise")
			points = append(points, at(time.Duration(i+1)*time.Hour, truly%r.Modulus))
		}
		curve, _ := Build(meter, r, points, Acts{})
		if curve.Total() != truly-first {
			t.Fatalf("total %d, accrued %d", curve.Total(), truly-first)
		}
	})
}

func FuzzBuild(f *testing.F) {
	f.Add([]byte{1, 0, 0, 2, 3, 255, 255, 4}, int64(256), int64(60), int64(1), int64(0), int64(90), int64(5))
	f.Add([]byte{9, 9, 9, 0, 0, 9}, int64(0), int64(0), int64(0), int64(0), int64(0), int64(0))
	f.Add([]byte{0, 128, 3, 7, 127}, int64(math.MaxInt64), int64(math.MaxInt64), int64(math.MaxInt64), int64(3), int64(math.MinInt64), int64(math.MaxInt64))
	f.Fuzz(func(t *testing.T, raw []byte, modulus, limit, slack, backstep, final, first int64) {
		r := plant.Rules{Modulus: modulus, MaxPerHour: limit, Slack: slack, Backstep: backstep, MaxGap: time.Hour}
		var points []Point
		var after time.Duration
		for i := 0; i+1 < len(raw); i += 2 {
			after += time.Duration(raw[i]) * 5 * time.Minute
			// The top bits reach the ends of int64, the low ones near zero.
			points = append(points, at(after, int64(int8(raw[i+1]))<<(raw[i]%57)))
		}
		xs := []plant.Exchange{{Register: meter, At: t0.Add(after / 2), Final: final, First: first}}
		curve, _ := Build(meter, r, points, Acts{Exchanges: xs})
		soundCurve(t, curve)
		mid := t0.Add(after / 3)
		a, _ := curve.Between(t0, mid)
		b, _ := curve.Between(mid, t0.Add(after))
		if a+b != curve.Total() {
			t.Fatalf("halves %d + %d, whole %d", a, b, curve.Total())
		}
	})
}

package ledger

import (
	"math"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// Common practice, no source: a junction at 85 instead of 65 °C ages 2.2, 2.6 and
// 3.8 times as fast with 0.4, 0.5 and 0.7 eV; life halves with 10 K more.
func TestTemperatureWeight(t *testing.T) {
	for _, c := range []struct {
		law  plant.WearLaw
		at   float64
		want float64
	}{
		{plant.WearLaw{ReferenceCelsius: 65, ActivationEnergy: 0.4}, 85, 2.2},
		{plant.WearLaw{ReferenceCelsius: 65, ActivationEnergy: 0.5}, 85, 2.6},
		{plant.WearLaw{ReferenceCelsius: 65, ActivationEnergy: 0.7}, 85, 3.8},
		{plant.WearLaw{ReferenceCelsius: 65, ActivationEnergy: 0.7}, 65, 1},
		{plant.WearLaw{ReferenceCelsius: 65, HalvesPerKelvin: 10}, 65, 1},
		{plant.WearLaw{ReferenceCelsius: 65, HalvesPerKelvin: 10}, 75, 2},
		{plant.WearLaw{ReferenceCelsius: 65, HalvesPerKelvin: 10}, 45, 0.25},
	} {
		if got := TemperatureWeight(c.law, c.at); math.Abs(got-c.want) > 0.05 {
			t.Errorf("%+v at %v °C: %.3f, want %v", c.law, c.at, got, c.want)
		}
	}
}

func series(name string, pairs ...float64) []plant.Signal {
	var out []plant.Signal
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, plant.Signal{Subject: "s", Name: name, At: t0.Add(time.Duration(pairs[i] * float64(time.Hour))), Value: pairs[i+1]})
	}
	return out
}

func TestWeigh(t *testing.T) {
	ten := func(tech plant.Technology) ([]plant.Span, Curve) {
		spans := []plant.Span{spanOf(0, 10*time.Hour, plant.StateCuring, tech)}
		return spans, Curve{{From: t0, To: t0.Add(10 * time.Hour), Amount: 36_000_000}}
	}
	both := plant.WearLaw{DriveExponent: 1.3, ReferenceCelsius: 65, HalvesPerKelvin: 10}
	drive := plant.WearLaw{DriveExponent: 1.3}
	for name, c := range map[string]struct {
		law     plant.WearLaw
		tech    plant.Technology
		hold    time.Duration
		samples WearSamples
		hours   float64
		quality plant.Quality
	}{
		// Source: own computation: 10 h × 0.5^1.3 = 4.061 h.
		"half the drive at the reference": {both, plant.TechnologyLED, 24 * time.Hour, WearSamples{series("d", 0, 50), series("t", 0, 65)}, 4.0613, plant.QualityMeasured},
		"hot":                             {both, plant.TechnologyLED, 24 * time.Hour, WearSamples{series("d", 0, 50), series("t", 0, 75)}, 8.1225, plant.QualityMeasured},
		"full for five hours, then half":  {drive, plant.TechnologyLED, 24 * time.Hour, WearSamples{Drive: series("d", 0, 100, 5, 50)}, 5 + 2.0306, plant.QualityMeasured},
		"nothing known":                   {both, plant.TechnologyLED, time.Hour, WearSamples{}, 10, plant.QualityEstimated},
		"known until it is too old":       {drive, plant.TechnologyLED, 4 * time.Hour, WearSamples{Drive: series("d", 0, 50)}, 4*0.40613 + 6, plant.QualityEstimated},
		"no drive is no drive of a lit lamp": {
			drive, plant.TechnologyLED, 24 * time.Hour, WearSamples{Drive: series("d", 0, 0)}, 10, plant.QualityEstimated,
		},
		"a broken sensor":      {plant.WearLaw{ReferenceCelsius: 65, HalvesPerKelvin: 10}, plant.TechnologyLED, 24 * time.Hour, WearSamples{Temperature: series("t", 0, 850)}, 10, plant.QualityEstimated},
		"another kind of lamp": {both, plant.TechnologyArc, time.Hour, WearSamples{}, 10, plant.QualityMeasured},
	} {
		t.Run(name, func(t *testing.T) {
			spans, lit := ten(c.tech)
			cuts := Cuts{Interval: 15 * time.Minute, From: t0, To: t0.Add(10 * time.Hour), Spans: spans, ByStation: true}
			got := Weigh(lit, cuts, plant.Wear{Law: c.law, Technology: plant.TechnologyLED, Hold: c.hold}, c.samples)
			worst := plant.QualityMeasured
			for _, s := range got {
				worst = max(worst, s.Quality)
			}
			if hours := float64(got.Total()) / 3_600_000; math.Abs(hours-c.hours) > 0.0005 || worst != c.quality {
				t.Errorf("%.4f h, %s; want %.4f, %s", hours, worst, c.hours, c.quality)
			}
		})
	}
}

// However a curve is bounded, its weighed pieces are the same; they adjoin, cover
// what they weigh, and the entries cut from them add up to them. With weights of 1
// the entries are those of the curve.
func TestWeigh_PartsAreTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := drawEvents(t)
		spans := Timeline(events, 20*time.Minute, nil)
		if len(spans) == 0 {
			return
		}
		first, last := spans[0].From.Truncate(15*time.Minute), spans[len(spans)-1].To.Truncate(15*time.Minute).Add(15*time.Minute)
		var lit Curve
		for from := spans[0].From; from.Before(last); {
			to := from.Add(time.Duration(rapid.IntRange(1, 5000).Draw(t, "segment")) * time.Second)
			lit = append(lit, Segment{From: from, To: to, Amount: rapid.Int64Range(0, to.Sub(from).Milliseconds()).Draw(t, "lit")})
			from = to
		}
		signal := func(name string) (out []plant.Signal) {
			at := first
			for range rapid.IntRange(0, 20).Draw(t, name) {
				at = at.Add(time.Duration(rapid.IntRange(1, 5000).Draw(t, "step")) * time.Second)
				out = append(out, plant.Signal{At: at, Value: rapid.Float64Range(-50, 300).Draw(t, "value")})
			}
			return out
		}
		samples := WearSamples{signal("drive"), signal("temperature")}
		wear := plant.Wear{Law: plant.WearLaw{DriveExponent: 1.3, ReferenceCelsius: 65, HalvesPerKelvin: 10}, Technology: plant.TechnologyArc, Hold: 30 * time.Minute}
		whole := Cuts{Interval: 15 * time.Minute, From: first, To: last, Spans: spans, ByStation: true}
		all := Weigh(lit, whole, wear, samples)
		for i, s := range all[1:] {
			if !s.From.Equal(all[i].To) || s.Amount < 0 {
				t.Fatalf("pieces %v and %v", all[i], s)
			}
		}
		border := first.Add(time.Duration(rapid.IntRange(0, int(last.Sub(first)/(15*time.Minute))).Draw(t, "border")) * 15 * time.Minute)
		left, right := whole, whole
		left.To, right.From = border, border
		if d := gocmp.Diff(all, append(Weigh(lit, left, wear, samples), Weigh(lit, right, wear, samples)...), cmpopts.EquateEmpty()); d != "" {
			t.Fatalf("parts differ from the whole (-whole +parts):\n%s", d)
		}
		var sum int64
		for _, e := range Entries("r", all, whole) {
			sum += e.Amount
		}
		if sum != all.Total() {
			t.Fatalf("entries add up to %d, pieces to %d", sum, all.Total())
		}
		wear.Law = plant.WearLaw{}
		if d := gocmp.Diff(Entries("r", lit, whole), Entries("r", Weigh(lit, whole, wear, samples), whole)); d != "" {
			t.Fatalf("weights of 1 change entries (-lit +weighed):\n%s", d)
		}
	})
}

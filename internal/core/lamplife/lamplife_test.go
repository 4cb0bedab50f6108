package lamplife_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
)

const hour = 3_600_000

func near(t *testing.T, what string, got, want, abs float64) {
	t.Helper()
	if !(math.Abs(got-want) <= abs) {
		t.Errorf("%s = %.6f, want %v", what, got, want)
	}
}

func burnt(hours, starts int64) plant.LampTotal {
	return plant.LampTotal{LitMillis: hours * hour, WornMillis: hours * hour, Starts: starts}
}

// An LED that was dimmed lives longer than it was lit.
func TestDimmedModule(t *testing.T) {
	l := lamplife.Of(plant.LampKind{RatedHours: 20_000}, plant.LampTotal{LitMillis: 10_000 * hour, WornMillis: 4_060 * hour, Starts: 9})
	near(t, "equivalent hours", l.Equivalent, 4060, 0)
	near(t, "used", l.UsedFraction, 0.203, 1e-12)
}

// Source: own computation: 1,200 h + 180 starts × 1 h = 1,380 h of 1,500 h.
func TestArcLamp(t *testing.T) {
	kind := plant.LampKind{Technology: plant.TechnologyArc, RatedHours: 1500, HoursPerStart: 1}
	l := lamplife.Of(kind, burnt(1200, 180))
	near(t, "equivalent hours", l.Equivalent, 1380, 0)
	near(t, "used", l.UsedFraction, 0.92, 1e-12)
	near(t, "remaining", l.RemainingHours, 120, 0)

	over := lamplife.Of(kind, burnt(1600, 20))
	near(t, "used past the rated life", over.UsedFraction, 1.08, 1e-12)
	near(t, "remaining past the rated life", over.RemainingHours, -120, 0)
}

func TestKindWithoutRatedHours(t *testing.T) {
	l := lamplife.Of(plant.LampKind{HoursPerStart: 0.5}, burnt(10, 4))
	near(t, "equivalent hours", l.Equivalent, 12, 0)
	if l.UsedFraction != 0 || l.RemainingHours != 0 {
		t.Errorf("used %v, remaining %v; want 0 without rated hours", l.UsedFraction, l.RemainingHours)
	}
}

// Six lamps burning 24 h × 5 d × 52 weeks, changed at about 1,040 h, are 36
// lamps a year: each station about every two months.
// Common practice, no source.
func TestSixLampPress(t *testing.T) {
	const scheduled = 24 * 5 * 52
	changes := lamplife.ChangesPerYear(6*scheduled, 1040)
	near(t, "lamps a year", changes, 36, 0.5)
	near(t, "months between changes at a station", 12/(changes/6), 2, 0.05)
}

// Source: own computation: 6 lit × 5,299 h and 2,880 starts at 1 h over 1,500 h;
// 0.5 and 2 h per start give the ends of the range.
func TestLampsOfThePlant(t *testing.T) {
	const lit = 31_795 * hour
	for _, c := range []struct{ perStart, want float64 }{{0.5, 22.2}, {1, 23.1}, {2, 25.0}} {
		near(t, "lamps a year", lamplife.ChangesPerYear(lamplife.EquivalentHours(lit, 2880, c.perStart), 1500), c.want, 0.05)
	}
	near(t, "without a life", lamplife.ChangesPerYear(31_795, 0), 0, 0)
}

// Counts of a lamp's fittings may be added before or after.
func TestEquivalentHoursAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		count := rapid.Int64Range(0, 1_000_000_000)
		a, b := count.Draw(t, "lit a"), count.Draw(t, "lit b")
		n, m := count.Draw(t, "starts a"), count.Draw(t, "starts b")
		per := rapid.Float64Range(0, 4).Draw(t, "hours per start")
		whole := lamplife.EquivalentHours(a+b, n+m, per)
		parts := lamplife.EquivalentHours(a, n, per) + lamplife.EquivalentHours(b, m, per)
		if math.Abs(whole-parts) > 1e-12*whole {
			t.Fatalf("%v, but parts %v", whole, parts)
		}
	})
}

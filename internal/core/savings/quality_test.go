package savings_test

import (
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
)

// The plan decides how much of a day may be estimated, nothing else does.
func TestPlanSaysHowMuchMayBeEstimated(t *testing.T) {
	for _, tt := range []struct {
		limit     float64
		estimated int64 // of 100 kWh, in mWh
		want      string
	}{
		{0.05, 5_000_000, ""},
		{0.05, 5_100_000, "5.1 % of the energy is neither measured nor interpolated (limit 5 %)"},
		{0.07, 6_900_000, ""},
		{0.07, 7_100_000, "7.1 % of the energy is neither measured nor interpolated (limit 7 %)"},
		{0, 0, ""},
		{0, 100_000, "0.1 % of the energy is neither measured nor interpolated (limit 0 %)"},
	} {
		b := newBench(t, "Europe/Berlin", monday())
		b.project.EstimatedLimit = tt.limit
		for n := range 3 {
			b.work(n, plant.TechnologyArc)
		}
		b.amounts[len(b.amounts)-1].Quality = plant.ByQuality{plant.QualityMeasured: 50_000_000 - tt.estimated, plant.QualityUnknown: tt.estimated}
		if days := b.days(3); days[2].Excluded != tt.want {
			t.Errorf("limit %v, %d mWh estimated: %q, want %q", tt.limit, tt.estimated, days[2].Excluded, tt.want)
		}
	}
}

// A statement says how much of what it counts has which quality; what is not
// counted has no part in it.
func TestStatementTellsQualities(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	kwh := func(v int64) int64 { return v * 1_000_000 }
	for i := range days {
		days[i].Quality = plant.ByQuality{plant.QualityEstimated: kwh(1000)} // of the baseline
		if i >= 12 {
			days[i].Quality = plant.ByQuality{plant.QualityMeasured: kwh(90), plant.QualityInterpolated: kwh(8), plant.QualityEstimated: kwh(2)}
		}
	}
	days[12].Excluded, days[12].Quality = "left out", plant.ByQuality{plant.QualityUnknown: kwh(500)}
	s, err := savings.State(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	want := []savings.QualityShare{{Quality: "measured", KWh: 990, Fraction: 0.9}, {Quality: "interpolated", KWh: 88, Fraction: 0.08}, {Quality: "estimated", KWh: 22, Fraction: 0.02}}
	if len(s.Quality) != len(want) || s.Days != 11 {
		t.Fatalf("%d days, %+v, want %+v", s.Days, s.Quality, want)
	}
	for i, q := range s.Quality {
		if q.Quality != want[i].Quality {
			t.Errorf("%d: %+v, want %+v", i, q, want[i])
		}
		near(t, q.Quality, q.KWh, want[i].KWh, 1e-12)
		near(t, q.Quality+" share", q.Fraction, want[i].Fraction, 1e-12)
	}
	near(t, "doubtful", s.DoubtfulFraction, 0.02, 1e-12)
	if len(s.Excluded) != 1 || s.To.Before(s.From.Add(24*time.Hour)) {
		t.Errorf("excluded %+v, %v to %v", s.Excluded, s.From, s.To)
	}
}

package savings

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

func plain(g plant.Granularity) plant.Project {
	return plant.Project{
		ID: "heron-led", Boundary: []plant.RegisterID{"m/import"}, Drivers: []plant.Driver{}, Granularity: g, Confidence: 0.95,
		Reporting: plant.Selection{Technology: plant.TechnologyLED},
	}
}

// used gives days from a date on with so many kWh each.
func usedDays(from time.Time, n int, kwh float64) []Day {
	var out []Day
	for i := range n {
		out = append(out, Day{Day: from.AddDate(0, 0, i), Energy: unit.Energy(kwh * float64(unit.KilowattHour)), Drivers: []float64{}, Technology: plant.TechnologyLED})
	}
	return out
}

func TestFromSurveyOf(t *testing.T) {
	pr := plain(plant.Daily)
	b, err := FromSurveyOf(pr, 267_000, 7300, Given{File: "survey.yaml", FileHash: "ab"})
	if err != nil {
		t.Fatal(err)
	}
	b, err = Seal(pr, b, FreezeInfo{Approver: "Ann"})
	if err != nil || b.Measured() {
		t.Fatalf("sealed: measured %v, %v", b.Measured(), err)
	}
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	s, err := State(b, pr, usedDays(begin, 365, 100), Terms{})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(s.ExpectedKWh-267_000) > 1e-6 || math.Abs(s.SavedKWh-230_500) > 1e-6 || !s.Shown {
		t.Errorf("expected %v, saved %v, shown %v", s.ExpectedKWh, s.SavedKWh, s.Shown)
	}
	// Source: two-sided 95 % of the normal distribution, k = 1.96 (JCGM 100 table G.1).
	if want := 1.95996 * 7300; math.Abs(s.HalfWidthKWh-want) > 0.1 {
		t.Errorf("± %v kWh over a year, want %v", s.HalfWidthKWh, want)
	}
	// The error is common to all days: a fifth of the year has a fifth of it.
	part, err := State(b, pr, usedDays(begin, 73, 100), Terms{})
	if err != nil || math.Abs(part.HalfWidthKWh-s.HalfWidthKWh/5) > 1e-6 {
		t.Errorf("± %v kWh over 73 days, %v", part.HalfWidthKWh, err)
	}
	if words := s.UncertaintyWords(); !strings.HasPrefix(words, "The baseline is from a survey (survey.yaml), not measured: ") || !strings.Contains(words, "not adjusted for production") {
		t.Errorf("it is labelled %q", words)
	}

	given := *b.Given
	given.StandardKWhYear = 1
	altered := b
	altered.Given = &given
	if _, err := State(altered, pr, usedDays(begin, 5, 100), Terms{}); !errors.Is(err, ErrAltered) {
		t.Errorf("another uncertainty: %v", err)
	}
	altered = b
	altered.Model.Coefficients = []float64{1}
	if _, err := State(altered, pr, usedDays(begin, 5, 100), Terms{}); !errors.Is(err, ErrAltered) {
		t.Errorf("another model: %v", err)
	}
}

// bills of the months of a year, from January on.
func bills(kwhPerDay ...float64) []Bill {
	var out []Bill
	for i, v := range kwhPerDay {
		from := time.Date(2025, time.Month(i+1), 1, 0, 0, 0, 0, time.UTC)
		to := from.AddDate(0, 1, 0)
		out = append(out, Bill{from, to, unit.Energy(v * to.Sub(from).Hours() / 24 * float64(unit.KilowattHour))})
	}
	return out
}

func TestFromBillsOf(t *testing.T) {
	pr := plain(plant.Monthly)
	b, err := FromBillsOf(pr, bills(700, 720, 740, 700, 720, 740, 700, 720, 740), Given{File: "bills.csv"})
	if err != nil {
		t.Fatal(err)
	}
	b, err = Seal(pr, b, FreezeInfo{Approver: "Ann"})
	if err != nil || b.Measured() || len(b.Rows) != 9 || math.Abs(b.Model.Coefficients[0]-720) > 1e-9 {
		t.Fatalf("%d rows, mean %v, measured %v, %v", len(b.Rows), b.Model.Coefficients, b.Measured(), err)
	}
	s, err := State(b, pr, usedDays(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), 31, 100), Terms{})
	if err != nil {
		t.Fatal(err)
	}
	// Worked out by hand: s² = 6·20²/8 = 300; the correlation of the residuals is below
	// 0 and counts as 0; t of 8 degrees of freedom at 95 % is 2.306004; of a month's sum
	// 31·s·√(1 + 1/9).
	if want := 2.306004 * 31 * math.Sqrt(300*(1+1.0/9)); math.Abs(s.HalfWidthKWh-want) > 0.01 {
		t.Errorf("± %v kWh, want %v (lag-1 %v)", s.HalfWidthKWh, want, s.Rho)
	}
	if words := s.UncertaintyWords(); !strings.HasPrefix(words, "The baseline is the mean of bills (bills.csv), not measured inside the boundary") {
		t.Errorf("it is labelled %q", words)
	}
}

func TestGiven_IsRefusedWhereItCannotStand(t *testing.T) {
	nine := bills(700, 720, 740, 700, 720, 740, 700, 720, 740)
	driven := plain(plant.Monthly)
	driven.Drivers = []plant.Driver{plant.DriverCuringHours}
	long := append([]Bill{}, nine...)
	long[3].To = long[3].To.AddDate(0, 1, 0)
	double := append([]Bill{nine[0]}, nine...)
	for _, c := range []struct {
		want string
		make func() error
	}{
		{"write drivers: []", func() error { _, err := FromBillsOf(driven, nine, Given{}); return err }},
		{"write drivers: []", func() error { _, err := FromSurveyOf(driven, 1, 1, Given{}); return err }},
		{"write granularity: monthly", func() error { _, err := FromBillsOf(plain(plant.Daily), nine, Given{}); return err }},
		{"is over 61 days", func() error { _, err := FromBillsOf(plain(plant.Monthly), long, Given{}); return err }},
		{"begins before the one from 2025-01-01 ends", func() error { _, err := FromBillsOf(plain(plant.Monthly), double, Given{}); return err }},
		{"8 bills, expected at least 9", func() error { _, err := FromBillsOf(plain(plant.Monthly), nine[1:], Given{}); return err }},
		{"states no error", func() error { _, err := FromSurveyOf(plain(plant.Daily), 267_000, 0, Given{}); return err }},
		{"expected more than 0", func() error { _, err := FromSurveyOf(plain(plant.Daily), 0, 1, Given{}); return err }},
	} {
		if err := c.make(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want …%s…", err, c.want)
		}
	}
}

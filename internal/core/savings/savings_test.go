package savings_test

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

func approved() savings.FreezeInfo {
	return savings.FreezeInfo{
		Approver: "A. Planner", At: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC), Software: "test",
	}
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.14g, want %.14g", what, got, want)
	}
}

func price(t *testing.T, amount string) unit.Money {
	t.Helper()
	m, err := unit.ParseMoney(amount, "EUR")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// rowsFrom makes consecutive usable days of one driver.
func rowsFrom(t *testing.T, first time.Time, tech plant.Technology, x, kwh []float64) (days []savings.Day) {
	t.Helper()
	for i := range x {
		e, err := unit.EnergyFromKWh(kwh[i])
		if err != nil {
			t.Fatal(err)
		}
		days = append(days, savings.Day{
			Day: first.AddDate(0, 0, i), Energy: e, Drivers: []float64{x[i]}, Technology: tech, ScheduledHours: 24,
		})
	}
	return days
}

func sheetsProject(t *testing.T) (plant.Project, []savings.Day) {
	t.Helper()
	before := rowsFrom(t, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), plant.TechnologyArc,
		[]float64{412, 388, 455, 430, 470, 498, 356, 301, 467, 489, 440, 372},
		[]float64{18608, 18032, 19682, 18525, 19465, 20497, 16674, 14002, 19760, 21074, 19580, 16608})
	after := rowsFrom(t, time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC), plant.TechnologyLED,
		[]float64{425, 401, 448, 462, 480, 505, 349, 318, 455, 497, 431, 385},
		[]float64{5512, 5431, 5730, 6065, 6150, 6318, 4730, 4655, 5806, 6350, 5710, 5105})
	return plant.Project{
		ID: "heron-led", Press: "heron",
		Boundary: []plant.RegisterID{"heron-1-meter/import"}, Drivers: []plant.Driver{plant.DriverImpressions},
		Baseline:   plant.Selection{Technology: plant.TechnologyArc},
		Reporting:  plant.Selection{Technology: plant.TechnologyLED},
		Confidence: 0.90, Price: price(t, "0.168"), Carbon: 0.461,
	}, append(before, after...)
}

// The residuals have a lag-1 autocorrelation of 0.2334, with which the half-widths are
// wider than the 2398, 3145, 4154 and 5106 kWh of independent ones (those are held
// in package regression).
// Source: avoided energy computed independently with R 4.2.2 and with Python;
// half-widths with Python: the sum of the correlation matrix, and the quantile by
// integration of the density.
func TestAvoidedEnergyAndHalfWidth(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	levels := []struct{ confidence, want, guideline float64 }{
		{0.68, 3146.4805198081326, 0.01953690289398}, {0.80, 4193.164905732974, 0.02561892134224},
		{0.90, 5691.475056670968, 0.03383898302679}, {0.95, 7212.6377552812055, 0.04159976280028},
	}
	for i, c := range levels {
		pr.Confidence = c.confidence
		s, err := savings.State(b, pr, days, savings.Terms{})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "expected", s.ExpectedKWh, 225038.50543278, 1e-13)
		near(t, "actual", s.ActualKWh, 67562, 0)
		near(t, "saved", s.SavedKWh, 157476.50543278, 1e-13)
		near(t, "fraction", s.SavedFraction, 0.6997758234, 1e-10)
		near(t, "n'", s.NEffective, 7.458238089198739, 1e-12)
		near(t, "half-width", s.HalfWidthKWh, c.want, 1e-10)
		near(t, "level", s.Intervals[i].HalfWidthKWh, c.want, 1e-10)
		near(t, "fractional", s.Intervals[i].Fraction, c.want/157476.50543278, 1e-10)
		near(t, "guideline", s.Intervals[i].Guideline, c.guideline, 1e-8)
		if !s.Shown || s.Days != 12 || s.Rows != 12 || len(s.Series) != 12 || len(s.OutsideRange) != 0 || len(s.Intervals) != len(levels) {
			t.Errorf("shown %v, days %d, series %d, outside %v", s.Shown, s.Days, len(s.Series), s.OutsideRange)
		}
		if got := s.Cost.String(); got != "26\u202f456.05 EUR" { // 157,476.505 kWh × 0.168
			t.Errorf("cost %s", got)
		}
	}
}

// The energy of the adjusted baseline follows production; the plain difference
// of the two periods would be 2,531.505 kWh less.
// Source: computed independently with R 4.2.2 and with Python.
func TestExpectedFollowsProduction(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	s, err := savings.State(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{
		18601.7512, 17822.8264, 19348.2207, 19802.5935, 20386.7871, 21198.1670,
		16135.1562, 15129.0450, 19575.4071, 20938.5254, 18796.4824, 17303.5433,
	}
	for i, p := range s.Series {
		if math.Abs(p.ExpectedKWh-want[i]) > 6e-5 {
			t.Errorf("day %d: expected %.4f, want %.4f", i, p.ExpectedKWh, want[i])
		}
	}
	near(t, "production effect", s.SavedKWh-(222507-67562), 2531.505, 1e-6)
}

// A kept baseline gives the same bytes as the fresh one, and a second statement
// the same as the first.
func TestStatementIsTheSameByteForByte(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	b.Version = 3
	document, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	var kept savings.Baseline
	if err := json.Unmarshal(document, &kept); err != nil {
		t.Fatal(err)
	}
	var texts []string
	for _, base := range []savings.Baseline{b, kept, kept} {
		s, err := savings.State(base, pr, days, savings.Terms{})
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		texts = append(texts, string(text))
	}
	if texts[0] != texts[1] || texts[1] != texts[2] {
		t.Errorf("statements differ:\n%s\n%s\n%s", texts[0], texts[1], texts[2])
	}
}

func TestBaselineText(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	want := "boundary heron-1-meter/import\nday energy_mwh impressions\n2026-01-01 18608000000 412\n2026-01-02 18032000000 388\n"
	if got := b.DataText(); !strings.HasPrefix(got, want) {
		t.Errorf("text begins\n%s\nwant\n%s", got[:len(want)], want)
	}
	// Source: SHA-256 of the whole text, computed with Python's hashlib.
	if b.DataHash != "f4826cc16bfec4725c2f1c725a85624132ccb09bbd70e0a6446a500dcf0a0ef3" {
		t.Errorf("hash %s", b.DataHash)
	}
}

func TestAlteredBaselineIsRefused(t *testing.T) {
	pr, days := sheetsProject(t)
	for name, alter := range map[string]func(*savings.Baseline){
		"energy":      func(b *savings.Baseline) { b.Rows[3].Energy++ },
		"driver":      func(b *savings.Baseline) { b.Rows[3].Drivers[0] *= 1.0001 },
		"row removed": func(b *savings.Baseline) { b.Rows = b.Rows[1:] },
		"coefficient": func(b *savings.Baseline) { b.Model.Coefficients[1] *= 1.001 },
		"precision":   func(b *savings.Baseline) { b.Model.ResidualSD *= 0.9 },
		"covariance":  func(b *savings.Baseline) { b.Model.Cov[1][1] *= 0.9 },
		"range":       func(b *savings.Baseline) { b.Ranges[0].Max = 9999 },
		"no model":    func(b *savings.Baseline) { b.Model.Coefficients = nil },
	} {
		b, err := savings.Freeze(pr, days, approved())
		if err != nil {
			t.Fatal(err)
		}
		alter(&b)
		if _, err := savings.State(b, pr, days, savings.Terms{}); !errors.Is(err, savings.ErrAltered) {
			t.Errorf("%s: error %v, want ErrAltered", name, err)
		}
	}
}

func TestFreezeRefuses(t *testing.T) {
	pr, days := sheetsProject(t)
	for name, tt := range map[string]struct {
		change func(pr *plant.Project, days []savings.Day, info *savings.FreezeInfo)
		want   []string // parts of the message
		is     error
	}{
		"no approver": {
			func(_ *plant.Project, _ []savings.Day, info *savings.FreezeInfo) { info.Approver = " " },
			[]string{"heron-led", "approver"}, nil,
		},
		"nine days": {
			func(_ *plant.Project, days []savings.Day, _ *savings.FreezeInfo) {
				for i := range 3 {
					days[i].Excluded = "no entries"
				}
			},
			[]string{"9 usable baseline days of 12", "at least 10", "was left out: "}, savings.ErrTooFewDays,
		},
		"constant driver": {
			func(_ *plant.Project, days []savings.Day, _ *savings.FreezeInfo) {
				for i := range days {
					days[i].Drivers[0] = 7
				}
			},
			[]string{"impressions", "leave it out"}, nil,
		},
		"driver twice": {
			func(pr *plant.Project, days []savings.Day, _ *savings.FreezeInfo) {
				pr.Drivers = append(pr.Drivers, plant.DriverArea)
				for i := range days {
					days[i].Drivers = append(days[i].Drivers, 2*days[i].Drivers[0])
				}
			},
			[]string{"impressions, area_m2", "leave one of them out"}, nil,
		},
	} {
		t.Run(name, func(t *testing.T) {
			pr, days, info := pr, clone(days), approved()
			tt.change(&pr, days, &info)
			_, err := savings.Freeze(pr, days, info)
			if err == nil {
				t.Fatal("no error")
			}
			for _, part := range tt.want {
				if !strings.Contains(err.Error(), part) {
					t.Errorf("message %q lacks %q", err, part)
				}
			}
			if tt.is != nil && !errors.Is(err, tt.is) {
				t.Errorf("error %v, want %v", err, tt.is)
			}
		})
	}
}

func clone(days []savings.Day) (out []savings.Day) {
	for _, d := range days {
		d.Drivers = append([]float64(nil), d.Drivers...)
		out = append(out, d)
	}
	return out
}

func TestStateRefusesAnotherProject(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		change func(pr *plant.Project)
		want   string
	}{
		"boundary":   {func(pr *plant.Project) { pr.Boundary = append(pr.Boundary, "fan/import") }, "freeze a new version"},
		"drivers":    {func(pr *plant.Project) { pr.Drivers = []plant.Driver{plant.DriverArea} }, "freeze a new version"},
		"confidence": {func(pr *plant.Project) { pr.Confidence = 90 }, "such as 0.90"},
		"project":    {func(pr *plant.Project) { pr.ID = "other" }, "heron-led"},
	} {
		changed := pr
		tt.change(&changed)
		if _, err := savings.State(b, changed, days, savings.Terms{}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want %q in it", name, err, tt.want)
		}
	}
	pr.Reporting.From = time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	if _, err := savings.State(b, pr, days, savings.Terms{}); !errors.Is(err, savings.ErrNoDays) {
		t.Errorf("no days: error %v, want ErrNoDays", err)
	}
}

// Days for which the model would be stretched are listed and stand apart from what
// is stated.
func TestOutsideRangeStandsApart(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	// The baseline went from 301 to 498: allowed are 281.3 to 517.7.
	days[12].Drivers[0], days[13].Drivers[0], days[14].Drivers[0] = 281.4, 281.2, 517.8
	s, err := savings.State(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.OutsideRange) != 2 || !s.OutsideRange[0].Day.Equal(days[13].Day) || !s.OutsideRange[1].Day.Equal(days[14].Day) {
		t.Fatalf("outside %+v, want the days with 281.2 and 517.8", s.OutsideRange)
	}
	near(t, "low", s.OutsideRange[0].Low, 281.3, 1e-12)
	near(t, "high", s.OutsideRange[0].High, 517.7, 1e-12)
	want := b.Model.Predict([]float64{281.2}) - 5431 + b.Model.Predict([]float64{517.8}) - 5730
	near(t, "saved apart", s.Extrapolated.SavedKWh, want, 1e-12)
	near(t, "used", s.ActualKWh+s.Extrapolated.ActualKWh, 67562, 0)
	if s.Days != 10 || s.Extrapolated.Days != 2 {
		t.Errorf("%d days counted and %d apart, want 10 and 2", s.Days, s.Extrapolated.Days)
	}
	for i := range days[12:] {
		days[12+i].Drivers[0] = 900
	}
	if _, err := savings.State(b, pr, days, savings.Terms{}); !errors.Is(err, savings.ErrNoDays) || !strings.Contains(err.Error(), "12 days lie outside the range") {
		t.Errorf("nothing inside: %v", err)
	}
}

// A saving smaller than its uncertainty is not shown.
func TestNotShown(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	for i := range days[12:] {
		e, err := unit.EnergyFromKWh(b.Model.Predict(days[12+i].Drivers) - 300)
		if err != nil {
			t.Fatal(err)
		}
		days[12+i].Energy = e
	}
	s, err := savings.State(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "saved", s.SavedKWh, 12*300, 1e-8)
	if s.Shown {
		t.Errorf("saved %.0f ± %.0f kWh is called shown", s.SavedKWh, s.HalfWidthKWh)
	}
}

// A press on 24 h × 5 d uses 267,000 kWh a year with arc and 41,000 with LED.
// Common practice, no source.
func TestYearOf24By5(t *testing.T) {
	const perDay = 260 // 52 weeks × 5 days
	x, arc, led := make([]float64, perDay), make([]float64, perDay), make([]float64, perDay)
	for i := range x {
		x[i] = 100 + float64(i%5) - 2 // mean 100
		arc[i] = 267000.0 / perDay * x[i] / 100
		led[i] = 41000.0 / perDay * x[i] / 100
	}
	days := append(
		rowsFrom(t, time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC), plant.TechnologyArc, x, arc),
		rowsFrom(t, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), plant.TechnologyLED, x, led)...)
	pr, _ := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	s, err := savings.State(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what             string
		got, want, round float64
	}{
		{"expected kWh", s.ExpectedKWh, 267000, 0.5},
		{"actual kWh", s.ActualKWh, 41000, 0.5},
		{"saved %", 100 * s.SavedFraction, 84.6, 0.05},
		{"scheduled h", s.ScheduledHours, 6240, 0},
		{"mean kW before", s.ExpectedMeanKW, 42.8, 0.05},
		{"t before", s.ExpectedCarbonKg / 1000, 123, 0.5},
		{"t after", s.ActualCarbonKg / 1000, 19, 0.5},
	} {
		if math.Abs(c.got-c.want) > c.round {
			t.Errorf("%s = %.4f, want %v within rounding", c.what, c.got, c.want)
		}
	}
	near(t, "t saved", s.CarbonKg, s.ExpectedCarbonKg-s.ActualCarbonKg, 1e-12)
}

// Common practice, no source.
func TestFigures(t *testing.T) {
	if got := 100 * savings.Fraction(267000, 41000); math.Abs(got-84.6) > 0.05 {
		t.Errorf("saved %.3f %%, want 84.6", got)
	}
	if got := savings.MeanKW(267000, 6240); math.Abs(got-42.8) > 0.05 {
		t.Errorf("mean %.3f kW, want 42.8", got)
	}
	if got := savings.CarbonKg(267000, 0.461) / 1000; math.Abs(got-123) > 0.5 {
		t.Errorf("%.3f t, want 123", got)
	}
	if got := savings.CarbonKg(41000, 0.461) / 1000; math.Abs(got-19) > 0.5 {
		t.Errorf("%.3f t, want 19", got)
	}
	if savings.Fraction(0, 5) != 0 || savings.MeanKW(5, 0) != 0 {
		t.Error("division by zero is not caught")
	}
}

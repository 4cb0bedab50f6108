package savings_test

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// Twelve months of 430 thousand sheets, on the months as rows.
// Source: totals, coefficients and the standard uncertainties of both models
// (1,656.99715478 kWh together) computed independently with R 4.2.2 and Python; the
// correction for the baseline's correlation of 0.2334, Welch-Satterthwaite and the
// quantiles with Python, by integration of the density.
func TestNormalise_WorkedExample(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	pr.Normal = []plant.NormalDay{{Days: 12, Drivers: []float64{430}}}
	n, err := savings.Normalise(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", n.Reporting.Coefficients[0], 1423.93718336553, 1e-11)
	near(t, "slope", n.Reporting.Coefficients[1], 9.78951780442, 1e-11)
	near(t, "s", n.Reporting.ResidualSD, 90.9023031029, 1e-10)
	near(t, "R²", n.Reporting.Diagnosis.R2, 0.9769731547, 1e-9)
	near(t, "baseline", n.BaselineKWh, 225168.32622420, 1e-12)
	near(t, "reporting", n.ReportingKWh, 67601.15807122, 1e-12)
	near(t, "saved", n.SavedKWh, 157567.16815298, 1e-12)
	near(t, "saved fraction", n.SavedFraction, 157567.16815298/225168.32622420, 1e-12)
	near(t, "of the baseline", n.BaselineStandard, 2063.5100141113035, 1e-11)
	near(t, "of the reporting model", n.ReportingStandard, 314.9005534527941, 1e-10)
	near(t, "both, rows independent", math.Hypot(n.BaselineStandard*math.Sqrt(7.458238089198739/12), n.ReportingStandard), 1656.99715478, 1e-10)
	near(t, "degrees of freedom", n.DegreesOfFreedom, 5.713730678773852, 1e-9)
	near(t, "half-width", n.HalfWidthKWh, 4092.8804607999687, 1e-8)
	for i, want := range []float64{2272.8657214954237, 3023.920934508728, 4092.8804607999687, 5170.360269779833} {
		near(t, "level", n.Levels[i].HalfWidthKWh, want, 1e-8)
	}
	if !n.Shown || n.Days != 12 || n.Reporting.Rows != 12 || !n.Reporting.Diagnosis.Accepted || n.Reporting.Form != regression.Linear {
		t.Errorf("shown %v, %v days, %d rows, %+v", n.Shown, n.Days, n.Reporting.Rows, n.Reporting.Diagnosis)
	}
	near(t, "carbon", n.CarbonKg, 0.461*157567.16815298, 1e-12)
	if got := n.Cost.String(); got != "26\u202f471.28 EUR" { // 157,567.168 kWh × 0.168
		t.Errorf("cost %s", got)
	}
	if words := n.Words(); words != "normal year: 12 days of "+string(plant.DriverImpressions)+" 430" {
		t.Error(words)
	}
}

// Kinds of days are as good as their mean for straight lines, and the same inputs
// give the same bytes.
func TestNormalise_KindsOfDaysAndTheirMean(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		share, low, high := rapid.Float64Range(1, 364).Draw(rt, "days"), rapid.Float64Range(320, 400).Draw(rt, "low"), rapid.Float64Range(400, 490).Draw(rt, "high")
		kinds, mean := pr, pr
		kinds.Normal = []plant.NormalDay{{Days: share, Drivers: []float64{low}}, {Days: 365 - share, Drivers: []float64{high}}}
		mean.Normal = []plant.NormalDay{{Days: 365, Drivers: []float64{(share*low + (365-share)*high) / 365}}}
		x, err := savings.Normalise(b, kinds, days, savings.Terms{})
		if err != nil {
			rt.Fatal(err)
		}
		y, err := savings.Normalise(b, mean, days, savings.Terms{})
		if err != nil {
			rt.Fatal(err)
		}
		if math.Abs(x.SavedKWh-y.SavedKWh) > 1e-6*y.SavedKWh || math.Abs(x.HalfWidthKWh-y.HalfWidthKWh) > 1e-6*y.HalfWidthKWh {
			rt.Fatalf("%v ± %v by kinds, %v ± %v by the mean", x.SavedKWh, x.HalfWidthKWh, y.SavedKWh, y.HalfWidthKWh)
		}
		again, err := savings.Normalise(b, kinds, days, savings.Terms{})
		if err != nil {
			rt.Fatal(err)
		}
		one, err := json.Marshal(x)
		if err != nil {
			rt.Fatal(err)
		}
		if two, err := json.Marshal(again); err != nil || string(one) != string(two) {
			rt.Fatalf("other bytes: %v", err)
		}
	})
}

// What a static factor added to reporting days is taken out of them first: with the
// adjustment the year's saving is what it is without the event.
func TestNormalise_AdjustmentsLeaveTheYearAsItWas(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	pr.Normal = []plant.NormalDay{{Days: 12, Drivers: []float64{430}}}
	plain, err := savings.Normalise(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 2, 9, 0, 0, 0, 0, time.UTC)
	more := make([]savings.Day, len(days))
	for i, d := range days {
		if more[i] = d; !d.Day.Before(from) {
			more[i].Energy += unit.Energy(1_150_000_000) // 1,150 kWh
		}
	}
	event := plant.Adjustment{Number: 1, From: from, To: from.AddDate(0, 0, 4), Energy: unit.Energy(4 * 1_150_000_000), Event: "dryer", Evidence: "meter", Approver: "A"}
	got, err := savings.Normalise(b, pr, more, savings.Terms{Adjustments: []plant.Adjustment{event}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "saved", got.SavedKWh, plain.SavedKWh, 1e-9)
	near(t, "half-width", got.HalfWidthKWh, plain.HalfWidthKWh, 1e-6)
	near(t, "taken out", got.AdjustedKWh, 4600, 1e-12)
	bare, err := savings.Normalise(b, pr, more, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	if bare.SavedKWh > plain.SavedKWh-1000 {
		t.Errorf("without its adjustment the event leaves %v kWh of %v", bare.SavedKWh, plain.SavedKWh)
	}
}

// A driver that stood still all through the reporting period is no term of that
// period's model, and holds for a year in which it stands there too.
func TestNormalise_DriverThatStandsStill(t *testing.T) {
	pr, days := sheetsProject(t)
	pr.Drivers = append(pr.Drivers, plant.DriverStandbyHours)
	for i := range days {
		standby := 0.0
		if days[i].Technology == plant.TechnologyArc {
			standby = float64(i * i % 5)
		}
		days[i].Drivers = append(days[i].Drivers[:1:1], standby)
	}
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	pr.Normal = []plant.NormalDay{{Days: 365, Drivers: []float64{430, 0}}}
	n, err := savings.Normalise(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	if len(n.Reporting.Drivers) != 1 || len(n.Reporting.Constant) != 1 || !strings.Contains(n.Words(), "standby_hours was 0 on every reporting day") {
		t.Errorf("%+v: %s", n.Reporting, n.Words())
	}
	pr.Normal[0].Drivers[1] = 2
	if _, err := savings.Normalise(b, pr, days, savings.Terms{}); !errors.Is(err, savings.ErrNoNormal) || !strings.Contains(err.Error(), "standby_hours is 2 a day") {
		t.Errorf("a year with standby: %v", err)
	}
}

func TestNormalise_RefusesWithTheRemedy(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	month, err := savings.ParsePeriod("2026-02-03", &plant.Plant{TimeZone: time.UTC})
	if err != nil {
		t.Fatal(err)
	}
	year := []plant.NormalDay{{Days: 365, Drivers: []float64{430}}}
	for name, c := range map[string]struct {
		normal []plant.NormalDay
		terms  savings.Terms
		says   string
	}{
		"no year":           {nil, savings.Terms{}, "write the mean of each driver per day as mean: under expected_year"},
		"a day only":        {year, savings.Terms{Period: month}, "too few usable days for a model of its own (at least 10 are needed)"},
		"beyond both":       {[]plant.NormalDay{{Days: 365, Drivers: []float64{900}}}, savings.Terms{}, "the baseline went through 281.3 to 517.7 only"},
		"one kind too high": {[]plant.NormalDay{{Days: 300, Drivers: []float64{430}}, {Days: 65, Drivers: []float64{0}}}, savings.Terms{}, "is 0 a day in the normal year"},
	} {
		with := pr
		with.Normal = c.normal
		if _, err := savings.Normalise(b, with, days, c.terms); !errors.Is(err, savings.ErrNoNormal) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	altered := b
	altered.DataHash = strings.Repeat("0", 64)
	with := pr
	with.Normal = year
	if _, err := savings.Normalise(altered, with, days, savings.Terms{}); !errors.Is(err, savings.ErrAltered) {
		t.Errorf("altered: %v", err)
	}
}

// The mean of a bent model is not the model at the mean, so a model with a change
// point takes kinds of days only.
func TestNormalise_ChangePointsTakeKindsOfDays(t *testing.T) {
	pr, days := sheetsProject(t)
	pr.Model = string(regression.Cooling3)
	for i := range days {
		x := days[i].Drivers[0]
		kwh := 5000 + 40*max(0, x-400) + 3*float64(i%3)
		if days[i].Technology == plant.TechnologyLED {
			kwh = 2000 + 10*max(0, x-400) + 3*float64(i%4)
		}
		days[i].Energy = unit.Energy(1_000_000 * kwh)
	}
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	pr.Normal = []plant.NormalDay{{Days: 365, Drivers: []float64{430}}}
	if _, err := savings.Normalise(b, pr, days, savings.Terms{}); !errors.Is(err, savings.ErrNoNormal) || !strings.Contains(err.Error(), "write the kinds of days of the year as expected_days") {
		t.Errorf("at the mean: %v", err)
	}
	pr.Normal = []plant.NormalDay{{Days: 265, Drivers: []float64{470}}, {Days: 100, Drivers: []float64{350}}}
	n, err := savings.Normalise(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	// By hand: 265 days of 5,000 + 40·70 less 2,000 + 10·70, and 100 of 5,000 less 2,000.
	near(t, "saved", n.SavedKWh, 265*(7800-2700)+100*3000, 0.005)
}

// A baseline from a survey knows no drivers; a year of it needs no conditions.
func TestNormalise_OfASurvey(t *testing.T) {
	pr, days := sheetsProject(t)
	pr.Drivers = nil
	for i := range days {
		days[i].Drivers = nil
	}
	draft, err := savings.FromSurveyOf(pr, 267_000, 9_000, savings.Given{File: "survey.yaml"})
	if err != nil {
		t.Fatal(err)
	}
	b, err := savings.Seal(pr, draft, approved())
	if err != nil {
		t.Fatal(err)
	}
	n, err := savings.Normalise(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "baseline", n.BaselineKWh, 267_000, 1e-12)
	near(t, "its standard uncertainty", n.BaselineStandard, 9_000, 1e-12)
	near(t, "reporting", n.ReportingKWh, 365*67_562.0/12, 1e-12)
}

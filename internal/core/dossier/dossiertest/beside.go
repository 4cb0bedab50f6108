package dossiertest

import (
	"testing"
	"time"

	"curetally/internal/core/beforeafter"
	"curetally/internal/core/dossier"
	"curetally/internal/core/hvac"
	"curetally/internal/core/savings"
	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
	"curetally/internal/core/valuation"
)

// Whole makes the dossier of a case with all that stands beside a statement: what the
// saving is worth, effects outside the meters, and what changed beside energy.
func Whole(t *testing.T, c Case) dossier.Dossier {
	t.Helper()
	d := New(t, c)
	st := d.Statement
	money := func(amount string) unit.Money {
		m, err := unit.ParseMoney(amount, "EUR")
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	d.Tariff = "day and night"
	d.Worth = &valuation.Valuation{
		Cost: &valuation.Cost{Expected: money("12345.67"), Actual: money("2345.6"), Saved: money("10000.07")},
		Demand: []valuation.Month{{
			Month: time.Date(2026, 6, 1, 0, 0, 0, 0, d.Zone), Name: "working hours", Days: 30, Saved: money("412.5"),
			Expected: tariff.Peak{Billed: 61 * unit.KilowattHour}, Actual: tariff.Peak{Billed: 12 * unit.KilowattHour},
		}},
		Location: &valuation.Carbon{Table: "grid.csv", ExpectedKg: 33_000, ActualKg: 6_000, SavedKg: 27_000, Sources: []string{"an example, 2026"}},
		Market:   &valuation.Carbon{Table: "contract.csv", ExpectedKg: 3_300, ActualKg: 600, SavedKg: 2_700, Sources: []string{"an example of a contract"}},
	}
	share := func(v float64) hvac.Value { return hvac.Value{Value: v, Standard: 0.05} }
	beside := hvac.Beside{
		Room: &hvac.InRoom{
			Before: share(0.4), After: share(0.7), Cooled: share(0.5), Heated: share(0.3), COP: hvac.Value{Value: 3, Standard: 0.3},
			Heating: hvac.Value{Value: 0.9, Standard: 0.02}, Source: "gas",
		},
		Fans: []hvac.NamedFan{{Name: "roof", HoursPerDay: hvac.Value{Value: 16, Standard: 1}, Fan: hvac.Fan{KW: hvac.Value{Value: 4, Standard: 0.2}, Share: hvac.Value{Value: 0.4, Standard: 0.02}, Exponent: 2.5}}},
	}
	days := hvac.Days{Zone: d.Zone, ExpectedKWh: st.ExpectedKWh + st.AdjustmentKWh, ActualKWh: st.ActualKWh, SavedStandard: st.Intervals[0].HalfWidthKWh, ScheduledHours: st.ScheduledHours}
	for _, s := range st.Series {
		days.Each = append(days.Each, hvac.Stretch{From: s.Day, To: s.Day.AddDate(0, 0, 1)})
	}
	lines, err := beside.Lines(days, nil)
	if err != nil {
		t.Fatal(err)
	}
	d.Effects = lines
	read := func(v float64) *beforeafter.ByHand {
		return &beforeafter.ByHand{Value: v, Date: time.Date(2026, 3, 9, 0, 0, 0, 0, d.Zone), Instrument: "contact probe"}
	}
	d.BeforeAfter = beforeafter.Table([]beforeafter.Entry{
		{Quantity: "mercury_milligrams", Before: read(240), After: read(0)},
		{Quantity: beforeafter.Housing, Before: read(67), After: read(31)},
	}, map[string]beforeafter.Sides{
		beforeafter.LampChanges: {Before: beforeafter.Counted(5, 140, "5 lamps"), After: beforeafter.Counted(0, 84, "0 lamps")},
	})
	return d
}

// Surveyed makes a dossier whose baseline nobody measured: it has no rows and follows no
// driver.
func Surveyed(t *testing.T) dossier.Dossier {
	t.Helper()
	d := New(t, Cases()[5])
	b, err := savings.FromSurveyOf(d.Project, 267_000, 9_000, savings.Given{Source: savings.FromSurvey, File: "survey.yaml", FileHash: "00"})
	if err == nil {
		b, err = savings.Seal(d.Project, b, savings.FreezeInfo{Approver: "Ann Example", At: d.Baseline.Frozen, Software: "test"})
	}
	if err != nil {
		t.Fatal(err)
	}
	b.Version = 1
	d.Baseline = b
	if d.Statement, err = savings.State(b, d.Project, d.Days, savings.Terms{Meters: d.Meters}); err != nil {
		t.Fatal(err)
	}
	p := dossier.NewProfile(d)
	d.Shape = p.Shape()
	return d
}

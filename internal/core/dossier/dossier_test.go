package dossier_test

import (
	"math"
	"testing"
	"time"

	"curetally/internal/core/dossier"
	"curetally/internal/core/dossier/dossiertest"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/stats"
	"curetally/internal/core/unit"
)

// The rows add up to the statement, and what the half-width is made of gives the
// half-width.
func TestRowsAreThoseOfTheStatement(t *testing.T) {
	for _, c := range dossiertest.Cases() {
		t.Run(c.Name, func(t *testing.T) {
			d := dossiertest.New(t, c)
			st, b := d.Statement, d.Baseline
			var expected float64
			var actual unit.Energy
			days := 0
			for _, r := range d.After() {
				expected += float64(r.Days) * r.Expected
				actual += r.Energy
				days += r.Days
			}
			if math.Abs(expected-st.ExpectedKWh) > 1e-9*st.ExpectedKWh || actual.KWh() != st.ActualKWh || days != st.Days || len(d.After()) != st.Rows {
				t.Errorf("rows have %v expected, %v actual, %d days in %d rows; the statement %v, %v, %d in %d",
					expected, actual.KWh(), days, len(d.After()), st.ExpectedKWh, st.ActualKWh, st.Days, st.Rows)
			}
			leverage, disturbances := d.Spread()
			half := stats.Quantile(st.Confidence, stats.EffectiveDF(b.Model.N, b.Parameters(), b.Model.Rho)) * stats.Total{
				Leverage: leverage, ResidualSD: b.Model.ResidualSD, N: b.Model.N, P: b.Parameters(), Rho: b.Model.Rho,
			}.Standard(disturbances)
			if math.Abs(half-st.ModelHalfWidthKWh) > 1e-9*half {
				t.Errorf("half-width from its parts %v, stated %v", half, st.ModelHalfWidthKWh)
			}
			sums := d.CuSum()
			end, last := sums[len(b.Rows)-1], sums[len(sums)-1]
			if c.Granularity == plant.Daily && math.Abs(end.Value) > 1e-6 || end.After {
				t.Errorf("at the end of the baseline the running sum is %v", end.Value)
			}
			if want := end.Value + st.ActualKWh - st.ExpectedKWh; math.Abs(last.Value-want) > 1e-6 || !last.After {
				t.Errorf("at the end the running sum is %v, want %v", last.Value, want)
			}
		})
	}
}

// A day of 23 hours lacks the hour from 2, one of 25 has it twice: a load that is
// the same at all times is the same in every hour.
// Source: IANA time zone database: Berlin changes on 29 March and 25 October 2026.
func TestShapeOverClockChange(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, first := range []time.Time{time.Date(2026, 3, 28, 0, 0, 0, 0, zone), time.Date(2026, 10, 24, 0, 0, 0, 0, zone)} {
		d := dossier.Dossier{Zone: zone}
		for i := range 3 {
			day := savings.Day{Day: first.AddDate(0, 0, i)}
			d.Days = append(d.Days, day)
			d.Statement.Series = append(d.Statement.Series, savings.SeriesPoint{Day: day.Day})
		}
		p := dossier.NewProfile(d)
		for at := first.AddDate(0, 0, -1); at.Before(first.AddDate(0, 0, 4)); at = at.Add(15 * time.Minute) {
			p.Add(plant.Entry{Start: at.UTC(), Amount: int64(2 * unit.KilowattHour)})
		}
		s := p.Shape()
		for hour, kw := range s.After {
			if math.Abs(kw-8) > 1e-9 || s.Before[hour] != 0 {
				t.Errorf("from %s, hour %d: %v kW after, %v before; want 8 and 0", first.Format(time.DateOnly), hour, kw, s.Before[hour])
			}
		}
		if s.AfterDays != 3 || s.BeforeDays != 0 {
			t.Errorf("%d days after, %d before", s.AfterDays, s.BeforeDays)
		}
	}
}

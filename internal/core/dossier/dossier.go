// Package dossier keeps a savings statement together with everything that it was
// made of: project, frozen baseline, the days that were counted with their
// drivers, what is known of the meters, and the adjustments. Whoever has a
// dossier can compute the statement again.
//
// It also derives what a report shows beside the figures: each row with what the
// model gives for it, the running sums, and the mean power by hour of the day.
// Nothing of that enters a statement; it is the statement's own figures, laid out.
// What a saving is worth and what happened beside the meters stand apart, because no
// figure of the statement holds them.
//
// A dossier is plain data. The same dossier gives the same rows in the same order.
package dossier

import (
	"time"

	"curetally/internal/core/beforeafter"
	"curetally/internal/core/hvac"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/stats"
	"curetally/internal/core/unit"
	"curetally/internal/core/valuation"
)

// Dossier is a statement with what it was made of.
type Dossier struct {
	Site      string
	Zone      *time.Location // of all local days
	Project   plant.Project
	Baseline  savings.Baseline
	Statement savings.Statement
	// Days are all days on record, used or not.
	Days        []savings.Day
	Meters      []savings.Metering
	Adjustments []plant.Adjustment
	// Normalised is the saving in a year of normal conditions; nil where none is
	// stated or the reporting period has no model.
	Normalised *savings.Normalised
	// Shape is the mean power by hour of the local day, before and after; empty where
	// no entries are on record for it.
	Shape Shape
	// Worth is what the saving is worth by the tariff of that name and by tables of
	// carbon factors; nil where the project has none beside its price and factor.
	Worth  *valuation.Valuation
	Tariff string
	// Unvalued says why there is no worth although there are terms for it.
	Unvalued string
	// Effects are estimates of what happened outside the meters; BeforeAfter lists what
	// changed beside energy. Neither is in any figure of the statement.
	Effects     []hvac.Line
	BeforeAfter []beforeafter.Row
}

// Row is a row of the model with what the model gives for it. A day of a daily
// model is a row of one day.
type Row struct {
	Day     time.Time // local midnight that begins it
	Days    int       // days in the sums, at least 1
	Energy  unit.Energy
	Drivers []float64 // sums over its days
	// PerDay are the drivers as means per day, Columns what the form of the model
	// makes of them.
	PerDay, Columns []float64
	Actual          float64 // kWh per day
	Expected        float64 // kWh per day, by the model
}

// Residual is what was used beyond what the model gives, kWh per day.
func (r Row) Residual() float64 { return r.Actual - r.Expected }

// Before gives the rows that the baseline was fitted to.
func (d Dossier) Before() []Row {
	out := make([]Row, len(d.Baseline.Rows))
	for i, r := range d.Baseline.Rows {
		out[i] = d.row(r.Day, max(r.Days, 1), r.Energy, r.Drivers)
	}
	return out
}

// Counted gives the days that the statement counts, by time.
func (d Dossier) Counted() []savings.Day {
	counted := make(map[int64]bool, len(d.Statement.Series))
	for _, p := range d.Statement.Series {
		counted[p.Day.Unix()] = true
	}
	var out []savings.Day
	for _, day := range d.Days {
		if counted[day.Day.Unix()] {
			out = append(out, day)
		}
	}
	return out
}

// RowOf gives the local midnight that begins the row of a day.
func (d Dossier) RowOf(day time.Time) time.Time {
	if d.Daily() {
		return day
	}
	from, _ := d.Baseline.Granularity.Period(day)
	return from
}

// Daily says whether a row of the model is a day.
func (d Dossier) Daily() bool {
	return d.Baseline.Granularity != plant.Weekly && d.Baseline.Granularity != plant.Monthly
}

// After gives the rows that the statement counts.
func (d Dossier) After() []Row {
	var out []Row
	days := d.Counted()
	for i := 0; i < len(days); {
		begin, n := d.RowOf(days[i].Day), 0
		var energy unit.Energy
		sums := make([]float64, len(d.Baseline.Drivers))
		for ; i < len(days) && d.RowOf(days[i].Day).Equal(begin); i++ {
			n++
			energy += days[i].Energy
			for j, v := range days[i].Drivers {
				sums[j] += v
			}
		}
		out = append(out, d.row(begin, n, energy, sums))
	}
	return out
}

func (d Dossier) row(day time.Time, days int, energy unit.Energy, sums []float64) Row {
	perDay := make([]float64, len(sums))
	for j, v := range sums {
		perDay[j] = v / float64(days)
	}
	return Row{
		Day: day, Days: days, Energy: energy, Drivers: sums,
		PerDay: perDay, Columns: d.Baseline.Columns(perDay),
		Actual: energy.KWh() / float64(days), Expected: d.Baseline.Predict(perDay),
	}
}

// Sum is the running total of actual less expected energy to the end of a row,
// kWh: level while a plant behaves as its baseline, falling while it saves.
type Sum struct {
	Day   time.Time
	Days  int
	Value float64
	// After tells rows that the statement counts from those of the baseline.
	After bool
}

// CuSum gives the running total over the baseline's rows, at the end of which
// least squares makes it 0, and on over those of the statement.
func (d Dossier) CuSum() []Sum {
	var out []Sum
	var total float64
	for i, rows := range [][]Row{d.Before(), d.After()} {
		for _, r := range rows {
			total += float64(r.Days) * r.Residual()
			out = append(out, Sum{Day: r.Day, Days: r.Days, Value: total, After: i == 1})
		}
	}
	return out
}

// Spread gives what the half-width of the model is made of, in units of the
// variance of one residual: the variance of the sum of predictions from the
// coefficients (v'(X'X)⁻¹v) and that of the disturbances of the rows counted.
func (d Dossier) Spread() (leverage, disturbances float64) {
	sums := make([]float64, d.Baseline.Model.P-1)
	days := 0
	var sum stats.Disturbances
	for _, r := range d.After() {
		days += r.Days
		sum = sum.With(float64(r.Days), d.Baseline.Model.Rho)
		for j, x := range r.Columns {
			sums[j] += float64(r.Days) * x
		}
	}
	return d.Baseline.Model.Leverage(sums, days), sum.Variance()
}

package dossier

import (
	"slices"

	"curetally/internal/core/drift"
)

// Place is a point of a curve.
type Place struct{ X, Y float64 }

// ModelLine gives the model over the range of its only driver, with its change points
// exact: driver per day to kWh per day. It is empty for a model of no or several
// drivers, which no line can show.
func (d Dossier) ModelLine() []Place {
	b := d.Baseline
	if len(b.Drivers) != 1 || len(b.Ranges) != 1 {
		return nil
	}
	at := append([]float64{b.Ranges[0].Min, b.Ranges[0].Max}, b.ChangePoints...)
	slices.Sort(at)
	var out []Place
	for _, x := range slices.Compact(at) {
		out = append(out, Place{x, b.Predict([]float64{x})})
	}
	return out
}

// Lags gives each residual of the baseline (Y) over that of the row before (X), kWh per
// day: what leans along the diagonal is correlated from row to row.
func (d Dossier) Lags() []Place {
	var out []Place
	rows := d.Before()
	for i := 1; i < len(rows); i++ {
		out = append(out, Place{rows[i-1].Residual(), rows[i].Residual()})
	}
	return out
}

// Drift looks for a lasting rise of use on all days on record up to the last one that the
// statement counts.
func (d Dossier) Drift() (drift.Drift, bool) {
	n := d.upTo()
	return drift.Of(d.Project, d.Days[:n])
}

// Watched is the chart by which Drift is judged.
func (d Dossier) Watched() []drift.Point {
	n := d.upTo()
	return drift.Watched(d.Project, d.Days[:n])
}

// upTo is how many days there are to the last one counted, so that a report of a month
// stays the same when later days come in.
func (d Dossier) upTo() int {
	n := 0
	for n < len(d.Days) && !d.Days[n].Day.After(d.Statement.To) {
		n++
	}
	return n
}

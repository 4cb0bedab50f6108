package dossier_test

import (
	"math"
	"testing"

	"curetally/internal/core/dossier/dossiertest"
)

// The line of a model goes through its fitted rows, bends at the change points only, and
// is there for one driver only. Lags are the pairs whose correlation the fit states.
func TestCurvesAreThoseOfTheModel(t *testing.T) {
	for _, c := range dossiertest.Cases() {
		d := dossiertest.New(t, c)
		line := d.ModelLine()
		if one := len(c.Drivers) == 1; (len(line) > 0) != one {
			t.Errorf("%s: %d places of a line with %d drivers", c.Name, len(line), len(c.Drivers))
		}
		for i := 1; i < len(line); i++ {
			from, to := line[i-1], line[i]
			middle := (from.X + to.X) / 2
			if got, want := d.Baseline.Predict([]float64{middle}), (from.Y+to.Y)/2; math.Abs(got-want) > 1e-9*math.Abs(want) {
				t.Errorf("%s: between %v and %v the model gives %v, the line %v", c.Name, from.X, to.X, got, want)
			}
		}
		var products float64
		for _, p := range d.Lags() {
			products += p.X * p.Y
		}
		if got, want := products/d.Baseline.Model.SSE, d.Baseline.Model.Rho; math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: correlation of the lags %v, of the fit %v", c.Name, got, want)
		}
	}
}

// A report up to a day is the same, whatever comes after.
func TestDriftEndsWithTheStatement(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[0])
	all := d.Watched()
	d.Statement.To = all[5].Day
	if got := d.Watched(); len(got) != 6 || got[5] != all[5] {
		t.Errorf("up to the sixth day watched: %d days, want the first 6 of %d", len(got), len(all))
	}
}

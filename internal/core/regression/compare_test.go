package regression_test

import (
	"math"
	"slices"
	"testing"

	"curetally/internal/core/regression"
)

// Source: computed independently with R 4.2.2 and with Python.
func TestCompareSheets(t *testing.T) {
	base, rep := sheets()
	m := fit(t, base, regression.Linear)
	for _, c := range []struct{ confidence, half, fraction, guideline float64 }{
		{0.68, 2398.04385734, 0.0152279469, 0.0147730311},
		{0.80, 3144.57707497, 0.0199685475, 0.0193720122},
		{0.90, 4153.54295542, 0.0263756358, 0.0255876968},
		{0.95, 5106.13459008, 0.0324247390, 0.0314560907},
	} {
		s := m.Compare(rep, regression.Terms{Confidence: c.confidence, Independent: true})
		near(t, "half-width", s.HalfWidth, c.half, 1e-11)
		near(t, "fractional uncertainty", s.Fractional, c.fraction, 1e-8)
		near(t, "fractional uncertainty by the guideline", s.Guideline, c.guideline, 1e-8)
	}
	s := m.Compare(rep, regression.Terms{Confidence: 0.90})
	near(t, "expected", s.Expected, 225038.50543278, 1e-13)
	near(t, "saved", s.Saved, 157476.50543278, 1e-13)
	near(t, "fraction", s.Fraction, 0.6997758234, 1e-10)
	if s.Actual != 67562 || s.Outside != nil || !s.Shown() {
		t.Errorf("actual %v, outside %v, shown %v", s.Actual, s.Outside, s.Shown())
	}
}

// With the correction for a lag-1 correlation of 0.2334.
// Source: computed independently with Python, the sum of the correlation matrix
// and the quantile by integration.
func TestCompareCorrelated(t *testing.T) {
	base, rep := sheets()
	m := fit(t, base, regression.Linear)
	near(t, "n'", m.NEffective, 7.458238089198739, 1e-12)
	near(t, "degrees of freedom", m.DF(), 5.458238089198739, 1e-12)
	near(t, "half-width", m.Compare(rep, regression.Terms{Confidence: 0.90}).HalfWidth, 5691.475056671132, 1e-10)
}

// Source: the limits of a tenth of the range beyond its ends, by hand: 301 and
// 498 sheets allow 281.3 to 517.7.
func TestCompareListsWhatIsOutside(t *testing.T) {
	base, _ := sheets()
	rep := table("sheets", []float64{550, 400, 281, 282, 517}, []float64{5000, 5000, 5000, 5000, 5000})
	m := fit(t, base, regression.Linear)
	s := m.Compare(rep, regression.Terms{Confidence: 0.90})
	if len(s.Outside) != 1 {
		t.Fatalf("outside: %+v", s.Outside)
	}
	o := s.Outside[0]
	if o.Baseline != (regression.Range{Driver: "sheets", Min: 301, Max: 498}) || o.Reporting != (regression.Range{Driver: "sheets", Min: 281, Max: 550}) || !slices.Equal(o.Rows, []int{0, 2}) || s.RowsOutside != 2 {
		t.Errorf("outside %+v in %d rows", o, s.RowsOutside)
	}
	near(t, "low", o.Baseline.Low(), 281.3, 1e-14)
	near(t, "high", o.Baseline.High(), 517.7, 1e-14)
	near(t, "saved there", s.SavedOutside, m.Predict([]float64{550})+m.Predict([]float64{281})-10000, 1e-14)
}

// Nothing saved is not a saving: the interval of the baseline's own rows holds 0.
func TestCompareWithItself(t *testing.T) {
	base, _ := sheets()
	for _, form := range []regression.Form{regression.Mean, regression.Linear, regression.Cooling3} {
		s := fit(t, base, form).Compare(base, regression.Terms{Confidence: 0.90})
		if s.Saved != 0 || !math.IsNaN(s.Fractional) || s.Shown() || !(s.HalfWidth > 0) {
			t.Errorf("%s: saved %v ± %v", form, s.Saved, s.HalfWidth)
		}
	}
}

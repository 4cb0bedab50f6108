package regression

import (
	"math"

	"curetally/internal/core/stats"
)

// Saving is what a reporting period used less than the model expects at its
// drivers, in the unit of energy of the rows.
type Saving struct {
	Expected float64
	Actual   float64
	Saved    float64 // Expected − Actual; below 0 when more was used
	Fraction float64 // Saved ÷ Expected; NaN when nothing is expected
	// HalfWidth is that of the interval of Saved at the confidence.
	HalfWidth float64
	// Fractional is HalfWidth ÷ |Saved|; NaN when nothing was saved.
	Fractional float64
	// Guideline is what ASHRAE Guideline 14 gives for Fractional from summary
	// values, see stats.Fractional.
	Guideline float64
	Outside   []Outside
	// SavedOutside is the part of Saved from rows with a driver outside its range.
	SavedOutside float64
	RowsOutside  int
}

// Shown says whether the interval excludes 0.
func (s Saving) Shown() bool { return math.Abs(s.Saved) > s.HalfWidth }

// Outside is a driver that left the range in which the model may be used.
type Outside struct {
	Baseline  Range // what the model was fitted to
	Reporting Range // what the reporting rows went through
	Rows      []int // reporting rows outside Baseline.Low to Baseline.High, from 0
}

// Terms is how the half-width of a saving is computed.
type Terms struct {
	Confidence float64 // 0.90 for 90 %
	// Independent leaves out the correction for correlated residuals.
	Independent bool
}

// Compare states the saving of reporting rows against the model. The half-width
// is that of stats.Total; the rows need at least one.
func (m Model) Compare(reporting Table, terms Terms) Saving {
	var s Saving
	sums := make([]float64, len(m.linear.Names)-1)
	saved := make([]float64, len(reporting.Rows))
	for i, row := range reporting.Rows {
		columns := m.Form.Columns(m.ChangePoints, row)
		for j, x := range columns {
			sums[j] += x
		}
		expected := m.linear.Predict(columns)
		s.Expected += expected
		s.Actual += reporting.Energy[i]
		saved[i] = expected - reporting.Energy[i]
	}
	if s.Saved = s.Expected - s.Actual; math.Abs(s.Saved) <= 1e-12*math.Abs(s.Actual) {
		s.Saved = 0 // rounding of the sums
	}
	s.Fraction, s.Fractional, s.Guideline = math.NaN(), math.NaN(), math.NaN()
	if s.Expected != 0 {
		s.Fraction = s.Saved / s.Expected
	}
	total := stats.Total{
		Rows: len(reporting.Rows), Leverage: m.linear.Leverage(sums, len(reporting.Rows)),
		ResidualSD: m.ResidualSD, N: m.N, P: m.P, Rho: m.Rho,
	}
	if terms.Independent {
		total.Rho = 0
	}
	s.HalfWidth = total.HalfWidth(terms.Confidence)
	if s.Saved != 0 {
		s.Fractional = s.HalfWidth / math.Abs(s.Saved)
		s.Guideline = stats.Fractional{
			CV: m.CVRMSE, F: s.Fraction, N: m.N, P: m.P, M: total.Rows, Rho: total.Rho, OnDrivers: m.Form != Mean,
		}.Uncertainty(terms.Confidence)
	}
	s.outside(m.Ranges, reporting, saved)
	return s
}

// outside lists the drivers that left their range, and what the rows with one
// add to the saving.
func (s *Saving) outside(baseline []Range, reporting Table, saved []float64) {
	far := make([]bool, len(reporting.Rows))
	for j, r := range baseline {
		o := Outside{Baseline: r, Reporting: ranges(reporting)[j]}
		for i, row := range reporting.Rows {
			if row[j] < r.Low() || row[j] > r.High() {
				o.Rows = append(o.Rows, i)
				far[i] = true
			}
		}
		if o.Rows != nil {
			s.Outside = append(s.Outside, o)
		}
	}
	for i, is := range far {
		if is {
			s.SavedOutside += saved[i]
			s.RowsOutside++
		}
	}
}

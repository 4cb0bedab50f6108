package stats

import (
	"fmt"
	"math"
)

// Intercept is the name of the first coefficient of every Fit.
const Intercept = "intercept"

// Fit is a linear model fitted by least squares, with its statistics. Slices
// over coefficients begin with the intercept and follow the order of the
// columns. A statistic that does not exist (a mean of zero, a constant
// response, residuals that are all zero) is 0, because JSON has no other word.
type Fit struct {
	Names        []string  `json:"names"`
	Coefficients []float64 `json:"coefficients"`
	StdErrors    []float64 `json:"std_errors"`
	TValues      []float64 `json:"t_values"`
	// Cov is (X'X)⁻¹, without the factor s².
	Cov [][]float64 `json:"cov_unscaled"`
	N   int         `json:"n"` // rows
	P   int         `json:"p"` // coefficients
	// ResidualSD is s = √(SSE/(n−p)), in the unit of the response.
	ResidualSD float64 `json:"residual_sd"`
	R2         float64 `json:"r2"`
	AdjR2      float64 `json:"adj_r2"` // 1 − (1−R²)(n−1)/(n−p)
	CVRMSE     float64 `json:"cv_rmse"`
	// NMBE is Σ residuals ÷ ((n−p)·mean); 0 up to rounding on the fitted rows.
	NMBE         float64 `json:"nmbe"`
	DurbinWatson float64 `json:"durbin_watson"`
	// Rho is the lag-1 autocorrelation of the residuals in the order of rows.
	Rho float64 `json:"rho"`
	SSE float64 `json:"sse"`
}

// Predict gives the model's value for one row of the fitted columns, without
// the intercept's 1. It panics when the row has not P−1 values.
func (f Fit) Predict(row []float64) float64 {
	if len(row) != f.P-1 {
		panic(fmt.Sprintf("stats: row of %d values for a model with %d columns", len(row), f.P-1))
	}
	v := f.Coefficients[0]
	for j, x := range row {
		v += f.Coefficients[j+1] * x
	}
	return v
}

// SumHalfWidth gives the half-width of the two-sided interval, at the given
// confidence (0.90 for 90 %), of the difference between the sum of predictions
// for the rows and the sum of values to be observed there. It is
// t·s·√(v'(X'X)⁻¹v + m) with v the sum of the m rows: the parameters' error is
// common to all rows, the disturbances are taken as independent.
// It panics when a row has not P−1 values.
func (f Fit) SumHalfWidth(rows [][]float64, confidence float64) float64 {
	sums := make([]float64, f.P-1)
	for _, row := range rows {
		if len(row) != len(sums) {
			panic(fmt.Sprintf("stats: row of %d values for a model with %d columns", len(row), len(sums)))
		}
		for j, x := range row {
			sums[j] += x
		}
	}
	return f.HalfWidthOfSums(sums, len(rows), confidence)
}

// HalfWidthOfSums is SumHalfWidth for m rows that were already added up, so that
// a running total needs one addition per row.
func (f Fit) HalfWidthOfSums(sums []float64, m int, confidence float64) float64 {
	return TQuantile(confidence, f.N-f.P) * f.ResidualSD * math.Sqrt(f.Leverage(sums, m)+float64(m))
}

// TQuantile gives the two-sided Student quantile: the t that a variate with df
// degrees of freedom exceeds in absolute value with probability 1−confidence.
// It returns NaN unless 0 < confidence < 1 and df ≥ 1.
func TQuantile(confidence float64, df int) float64 {
	if df < 1 {
		return math.NaN()
	}
	return Quantile(confidence, float64(df))
}

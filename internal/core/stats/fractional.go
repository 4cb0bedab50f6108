package stats

import "math"

// Fractional is what ASHRAE Guideline 14 needs for the uncertainty of a saving as
// a fraction of it, where only summary values of a model are known. It stands
// beside the exact half-width of Total, for those who know a saving by it.
type Fractional struct {
	CV   float64 // CV(RMSE) of the baseline model
	F    float64 // saving ÷ expected energy
	N, P int     // rows and parameters of the model
	M    int     // rows of the reporting period
	Rho  float64 // lag-1 autocorrelation of the model's residuals
	// OnDrivers tells a model with drivers from a mean.
	OnDrivers bool
}

// onDrivers is the factor for the spread of drivers in a reporting period.
const onDrivers = 1.26

// Uncertainty gives t·1.26·(CV/|F|)·√((n/n')·(1 + 2/n')/m) with t at n−p, without
// the 1.26 for a mean (Reddy and Claridge 2000; n−p as in Guideline 14; from
// memory). It is NaN or infinite where there is no saving.
func (f Fractional) Uncertainty(confidence float64) float64 {
	k := 1.0
	if f.OnDrivers {
		k = onDrivers
	}
	n := EffectiveN(f.N, f.Rho)
	return TQuantile(confidence, f.N-f.P) * k * math.Abs(f.CV/f.F) * math.Sqrt(float64(f.N)/n*(1+2/n)/float64(f.M))
}

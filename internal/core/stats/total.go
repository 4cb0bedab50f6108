package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// EffectiveN is n' = n(1−ρ)/(1+ρ), the number of independent rows that n rows
// with the lag-1 autocorrelation ρ are worth. A ρ of 0 or below gives n: no more
// information is claimed than there are rows.
func EffectiveN(n int, rho float64) float64 {
	if !(rho > 0) {
		return float64(n)
	}
	return float64(n) * (1 - rho) / (1 + rho)
}

// EffectiveDF is n'−p, the degrees of freedom of an interval from n rows and p
// parameters, but at least 1: a figure below has no quantile to go with.
func EffectiveDF(n, p int, rho float64) float64 {
	return max(EffectiveN(n, rho)-float64(p), 1)
}

// EffectiveM is the variance of a sum of m successive disturbances in units of
// the variance of one: m(1+ρ)/(1−ρ) − 2ρ(1−ρ^m)/(1−ρ)² for a first-order
// autoregression, m where ρ is 0 or below.
func EffectiveM(m int, rho float64) float64 {
	if !(rho > 0) {
		return float64(m)
	}
	return float64(m)*(1+rho)/(1-rho) - 2*rho*(1-math.Pow(rho, float64(m)))/((1-rho)*(1-rho))
}

// Leverage is v'(X'X)⁻¹v with v the sums of the columns over m rows, the
// intercept's among them: the variance of the sum of predictions from the
// coefficients alone, in units of s².
func (f Fit) Leverage(sums []float64, m int) float64 {
	v := append([]float64{float64(m)}, sums...)
	var q float64
	for i := range v {
		for j := range v {
			q += v[i] * f.Cov[i][j] * v[j]
		}
	}
	return max(q, 0)
}

// Total is the difference between the sum of a model's predictions over rows and
// the sum of what is observed there.
type Total struct {
	Rows       int     // m, rows that are summed
	Leverage   float64 // q, see Fit.Leverage
	ResidualSD float64 // s of the model
	N, P       int     // rows and parameters of the model
	Rho        float64 // lag-1 autocorrelation of the model's residuals
}

// HalfWidth gives the half-width of the two-sided interval of the total at the
// confidence: t·s·√(q(1+ρ)/(1−ρ) + m'), m' of EffectiveM and t at EffectiveDF.
// Without autocorrelation that is the exact t·s·√(q + m); with it the factor of q
// is an approximation (n ÷ n').
func (t Total) HalfWidth(confidence float64) float64 {
	q := t.Leverage * float64(t.N) / EffectiveN(t.N, t.Rho)
	return Quantile(confidence, EffectiveDF(t.N, t.P, t.Rho)) * t.ResidualSD * math.Sqrt(q+EffectiveM(t.Rows, t.Rho))
}

// Quantile is TQuantile for degrees of freedom that need not be whole. It returns
// NaN unless 0 < confidence < 1 and df > 0.
func Quantile(confidence, df float64) float64 {
	if !(confidence > 0 && confidence < 1 && df > 0) {
		return math.NaN()
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(1 - (1-confidence)/2)
}

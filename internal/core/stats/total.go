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
	return Quantile(confidence, EffectiveDF(t.N, t.P, t.Rho)) * t.Standard(EffectiveM(t.Rows, t.Rho))
}

// Standard gives the standard uncertainty of the total where the disturbances of
// its rows have a variance of so many times s² together: s·√(q(1+ρ)/(1−ρ) + m').
func (t Total) Standard(disturbances float64) float64 {
	q := t.Leverage * float64(t.N) / EffectiveN(t.N, t.Rho)
	return t.ResidualSD * math.Sqrt(q+disturbances)
}

// Disturbances adds up the variance of a weighted sum of successive disturbances
// of a first-order autoregression, in units of the variance of one:
// Σi Σj wi·wj·ρ^|i−j|, row by row. With weights of 1 it is EffectiveM. The zero
// value has no row yet.
type Disturbances struct {
	variance, echo float64 // echo is Σ wi·ρ^(n−i)
}

// With gives the variance with one more row of that weight; a ρ below 0 counts as
// 0.
func (d Disturbances) With(weight, rho float64) Disturbances {
	rho = max(rho, 0)
	return Disturbances{
		variance: d.variance + weight*weight + 2*weight*rho*d.echo,
		echo:     rho*d.echo + weight,
	}
}

// Variance is that of the rows so far.
func (d Disturbances) Variance() float64 { return d.variance }

// Quantile is TQuantile for degrees of freedom that need not be whole. It returns
// NaN unless 0 < confidence < 1 and df > 0.
func Quantile(confidence, df float64) float64 {
	if !(confidence > 0 && confidence < 1 && df > 0) {
		return math.NaN()
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(1 - (1-confidence)/2)
}

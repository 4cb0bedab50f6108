// Package survival is the life of things that fail: a Weibull distribution fitted
// to lives of which many have not ended, because the thing runs still or was
// taken out in good order.
//
// The fit is by maximum likelihood with likelihood-ratio limits, which hold for
// few failures where limits from standard errors do not. A prior on the shape,
// or a given shape, takes over where failures are too few, and without any there
// is a lower bound. Hours are any unit of use; package lamplife asks with the
// lit hours of lamps.
package survival

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Weibull is a distribution of lives with survival exp(−(t/Scale)^Shape). Scale
// has the unit of the lives, hours where lamps are meant; 63.2 % have failed
// at it. A shape above 1 means that the risk grows with age.
type Weibull struct {
	Shape float64
	Scale float64
}

// cumulative is the cumulative hazard (t/Scale)^Shape.
func (w Weibull) cumulative(t float64) float64 { return math.Pow(t/w.Scale, w.Shape) }

// Survival is the share that lives longer than t.
func (w Weibull) Survival(t float64) float64 { return math.Exp(-w.cumulative(t)) }

// Hazard is the rate of failure per hour at the age t, above 0.
func (w Weibull) Hazard(t float64) float64 {
	return w.Shape / w.Scale * math.Pow(t/w.Scale, w.Shape-1)
}

// Quantile is the age by which the share p has failed: 0.1 gives the B10 life.
func (w Weibull) Quantile(p float64) float64 {
	return w.Scale * math.Pow(-math.Log1p(-p), 1/w.Shape)
}

// Mean is the mean life.
func (w Weibull) Mean() float64 { return w.Scale * math.Gamma(1+1/w.Shape) }

// SD is the standard deviation of the life.
func (w Weibull) SD() float64 {
	g := math.Gamma(1 + 1/w.Shape)
	return w.Scale * math.Sqrt(max(math.Gamma(1+2/w.Shape)-g*g, 0))
}

// Lived is the mean time that a unit lives up to the age t: the integral of the
// survival from 0 to t.
func (w Weibull) Lived(t float64) float64 {
	return w.Mean() * mathext.GammaIncReg(1/w.Shape, w.cumulative(t))
}

// RemainingQuantile is the further time within which the share p of those that
// have reached the age fails; 0.5 gives the median of the remaining life.
func (w Weibull) RemainingQuantile(age, p float64) float64 {
	k, h := -math.Log1p(-p), w.cumulative(age)
	if h < 1 {
		return w.Scale*math.Pow(h+k, 1/w.Shape) - age
	}
	return age * math.Expm1(math.Log1p(k/h)/w.Shape) // no difference of two large numbers
}

// farGone is the cumulative hazard beyond which the mean remaining life is
// taken as one over the hazard: there its next term is below a part in 500 and
// the survival itself is soon too small for a float64.
const farGone = 500

// RemainingMean is the mean remaining life of those that have reached the age.
func (w Weibull) RemainingMean(age float64) float64 {
	h := w.cumulative(age)
	if h > farGone {
		return 1 / w.Hazard(age)
	}
	return w.Mean() * mathext.GammaIncRegComp(1/w.Shape, h) * math.Exp(h)
}

// FailsWithin is the probability that a unit that has reached the age fails
// within the further time.
func (w Weibull) FailsWithin(age, further float64) float64 {
	return -math.Expm1(w.cumulative(age) - w.cumulative(age+further))
}

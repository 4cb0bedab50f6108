package survival

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"curetally/internal/core/stats"
)

// Life is how long one unit was watched.
type Life struct {
	Hours float64
	// Failed is true when the unit failed at Hours. Otherwise it lived longer
	// than that: it runs still, or was taken out in good order.
	Failed bool
}

// ErrNoShape says that the lives leave the shape open: nothing failed, or all
// that failed did so at the greatest age of all, so that the likelihood has no
// maximum.
var ErrNoShape = errors.New("the failures do not give a shape")

// ShapePrior is what is held of the shape before the lives are seen: its
// logarithm is normal around that of Shape with standard deviation Spread. The
// zero value is no prior. A spread of 0.35 says that the shape is within a
// factor of two of Shape with a probability of 95 %.
type ShapePrior struct {
	Shape  float64
	Spread float64
}

func (p ShapePrior) none() bool { return p.Spread == 0 }

// penalty is minus the logarithm of the prior, without its constant, and its
// slope over ln shape.
func (p ShapePrior) penalty(lnShape float64) (value, slope float64) {
	if p.none() {
		return 0, 0
	}
	d := (lnShape - math.Log(p.Shape)) / p.Spread
	return d * d / 2, d / p.Spread
}

// Fit is a Weibull distribution fitted to lives by maximum likelihood, or by
// maximum likelihood times prior.
type Fit struct {
	Weibull
	N        int
	Failures int
	// LogLikelihood is that of the lives at the fit, without the prior.
	LogLikelihood float64
	// Cov is the inverse of the observed information of the lives about
	// (ln Scale, ln Shape) at the fit. The prior takes no part in it.
	Cov [2][2]float64
	// PriorWeight is the share of the prior in the information about ln Shape,
	// 0 without a prior.
	PriorWeight float64

	lives lives
	prior ShapePrior
}

// lives are the lives over the greatest of them, which keeps powers in range.
type lives struct {
	logs    []float64 // ln(t/longest) of all that lived longer than 0
	failed  []float64 // the same of those that failed
	longest float64
	sum     float64 // of failed
}

func gather(all []Life) (lives, error) {
	var s lives
	for i, l := range all {
		if math.IsNaN(l.Hours) || math.IsInf(l.Hours, 0) || l.Hours < 0 || (l.Failed && l.Hours == 0) {
			return s, fmt.Errorf("life %d is %v h, expected a finite number above 0: %w", i+1, l.Hours, stats.ErrInput)
		}
		s.longest = max(s.longest, l.Hours)
	}
	for _, l := range all {
		if l.Hours == 0 {
			continue // not yet used: says nothing
		}
		v := math.Log(l.Hours / s.longest)
		s.logs = append(s.logs, v)
		if l.Failed {
			s.failed = append(s.failed, v)
			s.sum += v
		}
	}
	return s, nil
}

// moments gives Σu^b, Σu^b·ln u and Σu^b·ln²u over all lives u.
func (s lives) moments(b float64) (m0, m1, m2 float64) {
	for _, v := range s.logs {
		w := math.Exp(b * v)
		m0 += w
		m1 += w * v
		m2 += w * v * v
	}
	return m0, m1, m2
}

// profile is the log-likelihood at a shape, with the best scale for it.
func (s lives) profile(b float64) float64 {
	r := float64(len(s.failed))
	m0, _, _ := s.moments(b)
	return r*math.Log(b) - r*math.Log(m0/r) + (b-1)*s.sum - r - r*math.Log(s.longest)
}

// slope is the derivative of profile over ln b. It falls from the number of
// failures to below 0 with one zero.
func (s lives) slope(b float64) float64 {
	r := float64(len(s.failed))
	m0, m1, _ := s.moments(b)
	return r + b*s.sum - r*b*m1/m0
}

// scale is the best scale for a shape.
func (s lives) scale(b float64) float64 {
	m0, _, _ := s.moments(b)
	return s.longest * math.Pow(m0/float64(len(s.failed)), 1/b)
}

// FitWeibull fits a Weibull distribution to lives, those that did not fail being
// censored on the right. With a prior it takes the mode of likelihood × prior,
// flat in ln scale. It returns ErrNoShape when there is no failure, or no
// maximum without a prior, and stats.ErrInput for lives that are no lives.
func FitWeibull(all []Life, prior ShapePrior) (Fit, error) {
	s, err := gather(all)
	if err != nil {
		return Fit{}, err
	}
	if len(s.failed) == 0 || (prior.none() && s.sum == 0) {
		return Fit{}, ErrNoShape
	}
	if !prior.none() && !(prior.Shape > 0 && prior.Spread > 0) {
		return Fit{}, fmt.Errorf("prior of shape %v with spread %v, expected both above 0: %w", prior.Shape, prior.Spread, stats.ErrInput)
	}
	f := Fit{N: len(all), Failures: len(s.failed), lives: s, prior: prior}
	f.Shape = math.Exp(peak(prior, func(x float64) float64 { return s.slope(math.Exp(x)) }))
	f.Scale = s.scale(f.Shape)
	f.LogLikelihood = s.profile(f.Shape)
	f.inform()
	return f, nil
}

// inform sets the covariance and the weight of the prior.
func (f *Fit) inform() {
	// With z = shape·ln(t/scale) the likelihood is Σ_failed(z + ln shape − ln t) − Σe^z.
	var zf, e0, e1, e2 float64
	at := math.Log(f.Scale / f.lives.longest)
	for _, v := range f.lives.failed {
		zf += f.Shape * (v - at)
	}
	for _, v := range f.lives.logs {
		z := f.Shape * (v - at)
		e := math.Exp(z)
		e0, e1, e2 = e0+e, e1+e*z, e2+e*z*z
	}
	a, c, d := f.Shape*f.Shape*e0, -f.Shape*e1, e1+e2-zf
	det := a*d - c*c
	f.Cov = [2][2]float64{{d / det, -c / det}, {-c / det, a / det}}
	if !f.prior.none() {
		own := 1 / (f.prior.Spread * f.prior.Spread)
		f.PriorWeight = own / (own + max(det/a, 0))
	}
}

// objective is the log-likelihood less the penalty of the prior at the fit.
func (f Fit) objective() float64 {
	p, _ := f.prior.penalty(math.Log(f.Shape))
	return f.LogLikelihood - p
}

// ShapeLimits gives the two-sided likelihood-ratio limits of the shape: where
// twice the log-likelihood, maximised over the scale, has fallen by the
// χ² quantile of one degree of freedom. A prior counts as part of the
// likelihood.
func (f Fit) ShapeLimits(confidence float64) (low, high float64) {
	return f.limits(math.Log(f.Shape), confidence, func(x float64) float64 {
		p, _ := f.prior.penalty(x)
		return f.lives.profile(math.Exp(x)) - p
	})
}

// ScaleLimits gives the likelihood-ratio limits of the scale, see ShapeLimits.
func (f Fit) ScaleLimits(confidence float64) (low, high float64) {
	return f.quantileLimits(f.Scale, 1, confidence)
}

// QuantileLimits gives the likelihood-ratio limits of the age by which the share
// p has failed, see ShapeLimits. A limit that the lives do not give is 0 below
// and +Inf above.
func (f Fit) QuantileLimits(p, confidence float64) (low, high float64) {
	return f.quantileLimits(f.Quantile(p), -math.Log1p(-p), confidence)
}

// quantileLimits works with the age at which the cumulative hazard is k as the
// parameter in place of the scale, which is that age for k = 1.
func (f Fit) quantileLimits(age, k, confidence float64) (low, high float64) {
	return f.limits(math.Log(age), confidence, func(at float64) float64 { return f.profileAge(at, k) })
}

// profileAge is the log-likelihood less penalty, maximised over the shape, under
// the condition that the cumulative hazard is k at the age exp(at).
func (f Fit) profileAge(at, k float64) float64 {
	s, r := f.lives, float64(len(f.lives.failed))
	rel := at - math.Log(s.longest)
	sums := func(b float64) (s0, s1 float64) {
		for _, v := range s.logs {
			e := k * math.Exp(min(b*(v-rel), 700))
			s0, s1 = s0+e, s1+e*b*(v-rel)
		}
		return s0, s1
	}
	failed := s.sum - r*rel
	x := peak(f.prior, func(x float64) float64 {
		b := math.Exp(x)
		_, s1 := sums(b)
		return r + b*failed - s1
	})
	b := math.Exp(x)
	s0, _ := sums(b)
	p, _ := f.prior.penalty(x)
	return r*(x+math.Log(k)) + b*failed - s.sum - r*math.Log(s.longest) - s0 - p
}

// Points of the integral over the shape, and how many spreads of the prior it
// reaches to each side. The integrand is smooth and vanishes at both ends, where
// the trapezoidal rule gains digits with every point.
const (
	shapePoints = 400
	shapeReach  = 8
)

// Predictive is the share of units that live longer than t, with the shape and
// the scale being open: the survival averaged over their posterior from the
// lives, the prior and a flat prior of ln scale. It takes account of what so few
// lives leave unknown, where Survival takes the fit for the truth. Without a
// prior it is NaN.
func (f Fit) Predictive(t float64) float64 {
	if f.prior.none() {
		return math.NaN()
	}
	s, r := f.lives, float64(len(f.lives.failed))
	middle, reach := math.Log(f.prior.Shape), shapeReach*f.prior.Spread
	logs := make([]float64, shapePoints+1)
	survival := make([]float64, shapePoints+1)
	for i := range logs {
		x := middle + reach*(2*float64(i)/shapePoints-1)
		b := math.Exp(x)
		p, _ := f.prior.penalty(x)
		m0, _, _ := s.moments(b)
		logs[i] = (r-1)*x + b*s.sum - r*math.Log(m0) - p
		survival[i] = math.Exp(-r * math.Log1p(math.Pow(t/s.longest, b)/m0))
	}
	top := slices.Max(logs)
	var sum, weights float64
	for i, l := range logs {
		w := math.Exp(l - top)
		sum, weights = sum+w*survival[i], weights+w
	}
	return sum / weights
}

// limits walks from a maximum at the logarithm x to both sides until the
// likelihood has fallen far enough. It gives 0 or +Inf where that does not
// happen within a factor of e^32.
func (f Fit) limits(x, confidence float64, likelihood func(float64) float64) (low, high float64) {
	level := f.objective() - ChiSquareQuantile(confidence, 1)/2
	above := func(x float64) float64 { return likelihood(x) - level }
	edge := func(sign, none float64) float64 {
		near := 0.0
		for step := 0.25; step <= 32; step *= 2 {
			if above(x+sign*step) < 0 {
				return math.Exp(Root(above, x+sign*near, x+sign*step))
			}
			near = step
		}
		return none
	}
	return edge(-1, 0), edge(1, math.Inf(1))
}

// peak finds the ln shape at which a log-likelihood with one maximum, given by
// its slope, less the penalty of the prior is greatest. Without a prior it is
// the zero of the slope; with one it lies between that and the prior's own.
func peak(prior ShapePrior, slope func(x float64) float64) float64 {
	start := 0.0
	if !prior.none() {
		start = math.Log(prior.Shape)
	}
	total := func(x float64) float64 {
		_, d := prior.penalty(x)
		return slope(x) - d
	}
	direction := 1.0
	if total(start) < 0 {
		direction = -1
	}
	near := start
	for step := 0.25; step <= 32; step *= 2 {
		far := start + direction*step
		if direction*total(far) < 0 {
			return Root(total, near, far)
		}
		near = far
	}
	return near
}

// Root finds a zero of f between a and b, where f has different signs, by
// Ridders' method: the bracket is kept, so that it cannot fail.
func Root(f func(float64) float64, a, b float64) float64 {
	fa, fb := f(a), f(b)
	for range 200 {
		if fa == 0 {
			return a
		}
		if fb == 0 {
			return b
		}
		m := (a + b) / 2
		if m == a || m == b || math.Abs(b-a) <= 1e-15*math.Abs(m) {
			return m
		}
		fm := f(m)
		x := m + (m-a)*math.Copysign(fm, fa*fm)/math.Sqrt(fm*fm-fa*fb)
		if math.IsNaN(x) || fm == 0 {
			x = m
		}
		fx := f(x)
		switch { // the shortest bracket of the four points
		case math.Signbit(fm) != math.Signbit(fx):
			a, fa, b, fb = m, fm, x, fx
		case math.Signbit(fa) != math.Signbit(fx):
			b, fb = x, fx
		default:
			a, fa = x, fx
		}
	}
	return (a + b) / 2
}

// ChiSquareQuantile gives the value that a χ² variate with df degrees of freedom
// stays below with probability p. It is 0 for df = 0.
func ChiSquareQuantile(p float64, df int) float64 {
	if df == 0 {
		return 0
	}
	return distuv.ChiSquared{K: float64(df)}.Quantile(p)
}

// ScaleOf gives what lives say of the scale when the shape is known: the
// maximum-likelihood value and two-sided limits from χ², which need no large
// numbers. The limits are exact when all failed, and on the safe side when
// watching ended by time. Without a failure the estimate is +Inf and low is the
// one-sided bound at the confidence, as there is no other side.
func ScaleOf(all []Life, shape, confidence float64) (scale, low, high float64, err error) {
	s, err := gather(all)
	if err != nil {
		return 0, 0, 0, err
	}
	if !(shape > 0) || math.IsInf(shape, 0) {
		return 0, 0, 0, fmt.Errorf("shape %v, expected a finite number above 0: %w", shape, stats.ErrInput)
	}
	m0, _, _ := s.moments(shape)
	at := func(count float64) float64 { return s.longest * math.Pow(m0/count, 1/shape) }
	r := len(s.failed)
	if r == 0 {
		return math.Inf(1), at(-math.Log1p(-confidence)), math.Inf(1), nil
	}
	more := 2
	if r == len(all) {
		more = 0
	}
	tail := (1 - confidence) / 2
	return s.scale(shape), at(ChiSquareQuantile(1-tail, 2*r+more) / 2), at(ChiSquareQuantile(tail, 2*r) / 2), nil
}

// LogLikelihoodAt is the log-likelihood of lives at a shape with the best scale
// for it; NaN without a failure, where it has no maximum.
func LogLikelihoodAt(all []Life, shape float64) (float64, error) {
	s, err := gather(all)
	if err != nil || len(s.failed) == 0 {
		return math.NaN(), err
	}
	return s.profile(shape), nil
}

package lamplife

import (
	"errors"
	"fmt"
	"math"

	"curetally/internal/core/stats"
	"curetally/internal/core/survival"
)

// Basis says where the shape of a life distribution comes from.
type Basis int

// The bases of a shape.
const (
	BasisFitted  Basis = iota // the failures alone give it
	BasisPrior                // too few failures: prior and failures together
	BasisFixed                // it was given
	BasisAssumed              // nothing failed: it is that of the prior
)

// String gives the word for the basis.
func (b Basis) String() string {
	return [...]string{"fitted", "prior", "fixed", "assumed"}[b]
}

// EnoughFailures is the number of failures from which the shape is taken from
// them alone. Fewer give a shape that is absurdly sharp more often than not:
// three lamps that fail near each other by chance are enough.
const EnoughFailures = 5

// ShapePrior gives what is held of the shape of a lamp's life before failures
// are seen: wear-out with a shape near 3, within a factor of two of it. It is an
// assumption without a source, to be replaced by what a plant knows of its lamps.
func ShapePrior() survival.ShapePrior { return survival.ShapePrior{Shape: 3, Spread: 0.35} }

// Question is what is asked of lives.
type Question struct {
	// Shape fixes the shape; 0 leaves it to the lives.
	Shape float64
	// Prior is used when there are too few failures; see ShapePrior.
	Prior survival.ShapePrior
	// Confidence of the two-sided limits, 0.95 for 95 %. The bound without a
	// failure is one-sided, as it has no other side.
	Confidence float64
	// Age is the lit hours of the lamp whose remaining life is asked.
	Age float64
}

// Statistics is what lives say about the next one. Hours are lit hours. A value
// that the lives do not give is NaN: limits of a shape that was not estimated,
// everything but lower bounds when nothing failed.
type Statistics struct {
	N        int
	Failures int
	Basis    Basis

	Shape, ShapeLow, ShapeHigh float64
	Scale, ScaleLow, ScaleHigh float64
	LogLikelihood              float64
	// PriorWeight is the share of the prior in what is known of the shape: 0
	// where it is fitted, 1 where it is given or assumed.
	PriorWeight float64

	B10, B10Low, B10High float64 // age by which a tenth has failed
	B50, B50Low, B50High float64 // the median life
	// Of a lamp that has reached Question.Age:
	RemainingMedian, RemainingMean float64
	RemainingMedianLow             float64 // only when nothing failed

	// survival is the share that lives longer than an age, for FailsWithin.
	survival func(age float64) float64
}

// FailsWithin is the probability that a lamp that has reached the age fails
// within the further lit hours. With few failures it is averaged over what they
// leave open; when nothing failed it is an upper bound.
func (s Statistics) FailsWithin(age, further float64) float64 {
	if s.Basis != BasisPrior {
		return s.Life().FailsWithin(age, further)
	}
	reached := s.survival(age)
	if reached == 0 {
		return 1 // far beyond all that was seen
	}
	return 1 - s.survival(age+further)/reached
}

// Life gives the distribution for the planner: the estimate, or the lower
// bound when nothing failed, which is on the safe side for due dates.
func (s Statistics) Life() survival.Weibull {
	if s.Failures == 0 {
		return survival.Weibull{Shape: s.Shape, Scale: s.ScaleLow}
	}
	return survival.Weibull{Shape: s.Shape, Scale: s.Scale}
}

// Ask answers a question from lives, of which preventive removals and running
// lamps are no failures. With EnoughFailures the shape is fitted, with
// likelihood-ratio limits; with fewer, or when they do not give one, the
// mode of likelihood and prior is taken, with limits from the same two; with
// none the shape is assumed and the scale has a lower bound only. A given shape
// goes before all that, with the limits of survival.ScaleOf.
// It returns stats.ErrInput for lives or a question that cannot be used.
func Ask(lives []survival.Life, q Question) (Statistics, error) {
	s := Statistics{N: len(lives), Basis: BasisFitted}
	for _, l := range lives {
		if l.Failed {
			s.Failures++
		}
	}
	if !(q.Confidence > 0 && q.Confidence < 1) || !(q.Age >= 0) || math.IsInf(q.Age, 0) {
		return s, fmt.Errorf("confidence %v at the age %v h, expected a share between 0 and 1 and hours: %w", q.Confidence, q.Age, stats.ErrInput)
	}
	switch {
	case q.Shape != 0:
		s.Basis = BasisFixed
		return s.fixed(lives, q.Shape, q)
	case s.Failures == 0:
		s.Basis = BasisAssumed
		return s.fixed(lives, q.Prior.Shape, q)
	case s.Failures < EnoughFailures:
		return s.fitted(lives, q.Prior, q)
	}
	answer, err := s.fitted(lives, survival.ShapePrior{}, q)
	if errors.Is(err, survival.ErrNoShape) {
		return s.fitted(lives, q.Prior, q)
	}
	return answer, err
}

// fixed answers with a known shape.
func (s Statistics) fixed(lives []survival.Life, shape float64, q Question) (Statistics, error) {
	scale, low, high, err := survival.ScaleOf(lives, shape, q.Confidence)
	if err != nil {
		return s, err
	}
	if low == 0 {
		return s, fmt.Errorf("no lamp has lit hours: %w", stats.ErrInput)
	}
	if s.LogLikelihood, err = survival.LogLikelihoodAt(lives, shape); err != nil {
		return s, err
	}
	s.Shape, s.ShapeLow, s.ShapeHigh, s.PriorWeight = shape, math.NaN(), math.NaN(), 1
	s.Scale, s.ScaleLow, s.ScaleHigh = known(scale), low, known(high)
	s.ages(survival.Weibull{Shape: shape, Scale: s.Scale}, q.Age)
	least, most := survival.Weibull{Shape: shape, Scale: low}, survival.Weibull{Shape: shape, Scale: s.ScaleHigh}
	s.B10Low, s.B10High = least.Quantile(0.1), most.Quantile(0.1)
	s.B50Low, s.B50High = least.Quantile(0.5), most.Quantile(0.5)
	if s.Failures == 0 {
		s.RemainingMedianLow = least.RemainingQuantile(q.Age, 0.5)
	}
	return s, nil
}

// fitted answers with a shape from the lives, and from the prior if there is one.
func (s Statistics) fitted(lives []survival.Life, prior survival.ShapePrior, q Question) (Statistics, error) {
	f, err := survival.FitWeibull(lives, prior)
	if err != nil {
		return s, err
	}
	if prior != (survival.ShapePrior{}) {
		s.Basis, s.survival = BasisPrior, f.Predictive
	}
	s.Shape, s.Scale, s.LogLikelihood, s.PriorWeight = f.Shape, f.Scale, f.LogLikelihood, f.PriorWeight
	s.ShapeLow, s.ShapeHigh = f.ShapeLimits(q.Confidence)
	s.ScaleLow, s.ScaleHigh = f.ScaleLimits(q.Confidence)
	s.ages(f.Weibull, q.Age)
	s.B10Low, s.B10High = f.QuantileLimits(0.1, q.Confidence)
	s.B50Low, s.B50High = f.QuantileLimits(0.5, q.Confidence)
	for _, v := range []*float64{&s.ShapeHigh, &s.Scale, &s.ScaleHigh, &s.B10High, &s.B50, &s.B50High, &s.RemainingMedian, &s.RemainingMean} {
		*v = known(*v)
	}
	return s, nil
}

// ages sets what follows from the distribution, NaN where its scale is NaN.
func (s *Statistics) ages(w survival.Weibull, age float64) {
	s.B10, s.B50 = w.Quantile(0.1), w.Quantile(0.5)
	s.RemainingMedian, s.RemainingMean = w.RemainingQuantile(age, 0.5), w.RemainingMean(age)
	s.RemainingMedianLow = math.NaN()
}

// known turns what has no end into what is not known.
func known(v float64) float64 {
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

// ChangeCost is what a change of one lamp costs, in one currency.
type ChangeCost struct {
	Lamp   float64 // price of the lamp
	Labour float64 // of the change
	Stop   float64 // what an unplanned stop costs beside these two
}

// oldest is the share of lamps that reach an age which is the same as never.
const oldest = 1e-9

func (c ChangeCost) planned() float64 { return c.Lamp + c.Labour }

// CheapestAge gives the age in lit hours at which changing lamps before they
// fail costs least in the long run, with its cost per lit hour. The age is +Inf
// when waiting for the failure costs least: when the risk does not grow with
// age, or when an unplanned stop costs nothing beyond the change. Lamp and Labour
// together must be above 0.
//
// The cost per hour of changing at T is [planned·R(T) + unplanned·F(T)] over the
// mean time lived up to T; at its minimum hazard(T)·lived(T) − F(T) =
// planned/(unplanned − planned), whose left side grows with T for a shape above
// 1. Source: the age replacement of renewal theory (Barlow and Proschan; from
// memory).
func CheapestAge(w survival.Weibull, c ChangeCost) (age, perHour float64) {
	never := (c.planned() + c.Stop) / w.Mean()
	if w.Shape <= 1 || c.Stop <= 0 {
		return math.Inf(1), never
	}
	excess := func(lnT float64) float64 {
		t := math.Exp(lnT)
		return w.Hazard(t)*w.Lived(t) - (1 - w.Survival(t)) - c.planned()/c.Stop
	}
	high := math.Log(w.Quantile(1 - oldest))
	if !(excess(high) > 0) {
		return math.Inf(1), never
	}
	low := math.Log(w.Scale)
	for excess(low) > 0 {
		low--
	}
	age = math.Exp(survival.Root(excess, low, high))
	return age, (c.planned() + c.Stop*(1-w.Survival(age))) / w.Lived(age)
}

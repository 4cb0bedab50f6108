package lamplife_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/stats"
	"curetally/internal/core/survival"
)

func nearRel(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g within %g", what, got, want, rel)
	}
}

func lives(failed, running []float64) []survival.Life {
	var all []survival.Life
	for _, h := range failed {
		all = append(all, survival.Life{Hours: h, Failed: true})
	}
	for _, h := range running {
		all = append(all, survival.Life{Hours: h})
	}
	return all
}

func few() []survival.Life {
	return lives([]float64{1450, 1720, 2100}, []float64{800, 950, 1300, 1600, 1900})
}

func question() lamplife.Question {
	return lamplife.Question{Prior: lamplife.ShapePrior(), Confidence: 0.95}
}

func ask(t *testing.T, all []survival.Life, q lamplife.Question) lamplife.Statistics {
	t.Helper()
	s, err := lamplife.Ask(all, q)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func unknown(t *testing.T, values map[string]float64) {
	t.Helper()
	for what, v := range values {
		if !math.IsNaN(v) {
			t.Errorf("%s = %v, want it unknown", what, v)
		}
	}
}

// Source: NIST/SEMATECH e-Handbook 8.4.1.3; limits by R 4.2.2 and mpmath.
func TestAsk_EnoughFailures(t *testing.T) {
	all := lives([]float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386}, slices.Repeat([]float64{500}, 10))
	q := question()
	q.Age = 500
	s := ask(t, all, q)
	if s.N != 20 || s.Failures != 10 || s.Basis != lamplife.BasisFitted || s.PriorWeight != 0 {
		t.Errorf("%d lives, %d failures, %v, weight of the prior %v", s.N, s.Failures, s.Basis, s.PriorWeight)
	}
	nearRel(t, "shape", s.Shape, 1.72079726080136, 1e-12)
	nearRel(t, "shape low", s.ShapeLow, 0.9056453588, 1e-9)
	nearRel(t, "shape high", s.ShapeHigh, 2.8857378657, 1e-9)
	nearRel(t, "scale", s.Scale, 606.527558003572, 1e-12)
	nearRel(t, "scale low", s.ScaleLow, 437.55674539, 1e-9)
	nearRel(t, "scale high", s.ScaleHigh, 1118.87762470, 1e-9)
	nearRel(t, "log-likelihood", s.LogLikelihood, -75.1346181644749, 1e-12)
	nearRel(t, "B10", s.B10, 164.0224386600, 1e-11)
	nearRel(t, "B50", s.B50, 490.1737812306, 1e-11)
	nearRel(t, "median remaining", s.RemainingMedian, 240.68439121, 1e-9)
	nearRel(t, "mean remaining", s.RemainingMean, 303.11728756, 1e-9)
	nearRel(t, "fails within 100 h", s.FailsWithin(500, 100), s.Life().FailsWithin(500, 100), 1e-15)
	if !(s.B10Low < s.B10 && s.B10 < s.B10High && s.B50Low < s.B50 && s.B50 < s.B50High) {
		t.Errorf("B10 %v to %v, B50 %v to %v", s.B10Low, s.B10High, s.B50Low, s.B50High)
	}
	unknown(t, map[string]float64{"lower bound of the remaining life": s.RemainingMedianLow})
}

// Three failures do not give a shape: alone they would say 8.6.
// Source: mpmath, 40 digits.
func TestAsk_FewFailuresAndAPrior(t *testing.T) {
	s := ask(t, few(), question())
	if s.Basis != lamplife.BasisPrior || !(s.PriorWeight > 0.5 && s.PriorWeight < 1) {
		t.Errorf("basis %v, weight of the prior %v", s.Basis, s.PriorWeight)
	}
	nearRel(t, "shape", s.Shape, 4.10687003656233, 1e-12)
	nearRel(t, "scale", s.Scale, 2073.27744083249, 1e-12)
	nearRel(t, "B10", s.B10, 1198.62940144239, 1e-12)
	if !(s.ShapeLow < 3 && s.ShapeHigh > s.Shape && s.ShapeHigh < 8.6) {
		t.Errorf("limits of the shape %v to %v", s.ShapeLow, s.ShapeHigh)
	}
	if s.Life() != (survival.Weibull{Shape: s.Shape, Scale: s.Scale}) {
		t.Errorf("for the planner %+v", s.Life())
	}
	// Source: R 4.2.2, quadrature of the posterior.
	nearRel(t, "fails by 2,400 h from 1,900 h on", s.FailsWithin(1900, 500), 1-0.50636751, 1e-8)
	nearRel(t, "fails by 1,500 h", s.FailsWithin(0, 1500), 1-0.76837355, 3e-8)
	if p := s.FailsWithin(1e200, 10); !(p >= 0 && p <= 1) {
		t.Errorf("far out the probability is %v", p)
	}
}

// Source: R 4.2.2.
func TestAsk_FixedShape(t *testing.T) {
	q := question()
	q.Shape = 3
	s := ask(t, few(), q)
	if s.Basis != lamplife.BasisFixed || s.PriorWeight != 1 || s.Shape != 3 {
		t.Errorf("basis %v, weight %v, shape %v", s.Basis, s.PriorWeight, s.Shape)
	}
	nearRel(t, "scale", s.Scale, 2199.43621917, 1e-11)
	nearRel(t, "scale low", s.ScaleLow, 1538.379957, 1e-9)
	nearRel(t, "scale high", s.ScaleHigh, 3722.759166, 1e-9)
	nearRel(t, "B10", s.B10, 1038.81290225, 1e-11)
	nearRel(t, "B10 low", s.B10Low, s.B10*s.ScaleLow/s.Scale, 1e-12)
	unknown(t, map[string]float64{"shape low": s.ShapeLow, "shape high": s.ShapeHigh})
}

// Source: R 4.2.2.
func TestAsk_NothingFailed(t *testing.T) {
	q := question()
	q.Confidence, q.Age = 0.90, 1000
	for _, shape := range []float64{0, 3} {
		q.Shape = shape
		s := ask(t, few()[3:], q)
		if want := map[float64]lamplife.Basis{0: lamplife.BasisAssumed, 3: lamplife.BasisFixed}[shape]; s.Basis != want || s.Shape != 3 {
			t.Errorf("basis %v, shape %v", s.Basis, s.Shape)
		}
		nearRel(t, "lower bound of the scale", s.ScaleLow, 1847.55489319, 1e-11)
		nearRel(t, "lower bound of B10", s.B10Low, 872.61628409, 1e-10)
		nearRel(t, "lower bound of the remaining life", s.RemainingMedianLow, survival.Weibull{Shape: 3, Scale: 1847.55489319}.RemainingQuantile(1000, 0.5), 1e-9)
		unknown(t, map[string]float64{
			"scale": s.Scale, "scale high": s.ScaleHigh, "B10": s.B10, "B50": s.B50, "B10 high": s.B10High,
			"log-likelihood": s.LogLikelihood, "median remaining": s.RemainingMedian, "mean remaining": s.RemainingMean, "shape high": s.ShapeHigh,
		})
		if s.Life().Scale != s.ScaleLow {
			t.Errorf("for the planner %+v, want the safe side", s.Life())
		}
	}
}

func TestAsk_FailuresAllAtTheGreatestAge(t *testing.T) {
	s := ask(t, lives(slices.Repeat([]float64{1200}, 7), []float64{400, 900}), question())
	if s.Basis != lamplife.BasisPrior || !(s.Shape > 3 && s.Shape < 30) {
		t.Errorf("basis %v, shape %v; want the prior to hold a shape that has no maximum", s.Basis, s.Shape)
	}
}

func TestAsk_Refuses(t *testing.T) {
	q := question()
	for name, c := range map[string]struct {
		all    []survival.Life
		change func(*lamplife.Question)
	}{
		"no lives":            {nil, func(*lamplife.Question) {}},
		"lives of nothing":    {lives(nil, []float64{0, 0}), func(*lamplife.Question) {}},
		"negative hours":      {lives([]float64{-4}, nil), func(*lamplife.Question) {}},
		"confidence of 1":     {few(), func(q *lamplife.Question) { q.Confidence = 1 }},
		"negative age":        {few(), func(q *lamplife.Question) { q.Age = -1 }},
		"negative shape":      {few(), func(q *lamplife.Question) { q.Shape = -2 }},
		"age not a number":    {few(), func(q *lamplife.Question) { q.Age = math.NaN() }},
		"prior without shape": {few(), func(q *lamplife.Question) { q.Prior.Shape = 0 }},
	} {
		asked := q
		c.change(&asked)
		if _, err := lamplife.Ask(c.all, asked); !errors.Is(err, stats.ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Whatever the lives are, estimates lie between their limits and nothing is
// infinite.
func TestAsk_AnyLives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all []survival.Life
		for range rapid.IntRange(1, 25).Draw(t, "n") {
			all = append(all, survival.Life{
				Hours:  rapid.OneOf(rapid.Float64Range(900, 1100), rapid.Float64Range(0.01, 1e6), rapid.Just(1500.0)).Draw(t, "hours"),
				Failed: rapid.Bool().Draw(t, "failed"),
			})
		}
		q := question()
		q.Age = rapid.Float64Range(0, 1e5).Draw(t, "age")
		s, err := lamplife.Ask(all, q)
		if err != nil {
			t.Fatal(err)
		}
		for what, v := range map[string][3]float64{"shape": {s.ShapeLow, s.Shape, s.ShapeHigh}, "scale": {s.ScaleLow, s.Scale, s.ScaleHigh}, "B10": {s.B10Low, s.B10, s.B10High}, "B50": {s.B50Low, s.B50, s.B50High}} {
			if v[0] > v[1] || v[1] > v[2] || v[1] <= 0 || math.IsInf(v[0], 0) || math.IsInf(v[1], 0) || math.IsInf(v[2], 0) {
				t.Fatalf("%s %v from %v to %v (%v)", what, v[1], v[0], v[2], s.Basis)
			}
		}
		if s.RemainingMedian < 0 || math.IsInf(s.RemainingMedian, 0) || s.RemainingMean < 0 || math.IsInf(s.RemainingMean, 0) {
			t.Fatalf("remaining %v, %v", s.RemainingMedian, s.RemainingMean)
		}
		if p := s.FailsWithin(q.Age, 100); !(p >= 0 && p <= 1) {
			t.Fatalf("fails with probability %v", p)
		}
	})
}

// Source: R 4.2.2: planned 180, after a failure 650, shape 3.2, scale 2000.
func TestCheapestAge(t *testing.T) {
	w := survival.Weibull{Shape: 3.2, Scale: 2000}
	cost := lamplife.ChangeCost{Lamp: 150, Labour: 30, Stop: 470}
	age, perHour := lamplife.CheapestAge(w, cost)
	nearRel(t, "age", age, 1165.659, 5e-7)
	nearRel(t, "cost per hour", perHour, 0.2293027366, 1e-9)
	for name, c := range map[string]struct {
		w    survival.Weibull
		stop float64
	}{"no wear": {survival.Weibull{Shape: 1, Scale: 2000}, 470}, "nearly none": {survival.Weibull{Shape: 1.0001, Scale: 2000}, 1}, "stops cost nothing": {w, 0}} {
		age, _ := lamplife.CheapestAge(c.w, lamplife.ChangeCost{Lamp: 180, Stop: c.stop})
		if !math.IsInf(age, 1) {
			t.Errorf("%s: change at %v, want to wait for the failure", name, age)
		}
	}
	_, perHour = lamplife.CheapestAge(w, lamplife.ChangeCost{Lamp: 650})
	nearRel(t, "run to failure", perHour, 0.3628634716, 1e-9)
}

// No other age costs less, and dearer stops make it come sooner.
func TestCheapestAge_IsTheMinimum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := survival.Weibull{Shape: rapid.Float64Range(1.2, 8).Draw(t, "shape"), Scale: rapid.Float64Range(200, 20_000).Draw(t, "scale")}
		c := lamplife.ChangeCost{Lamp: rapid.Float64Range(10, 900).Draw(t, "lamp"), Labour: 20, Stop: rapid.Float64Range(100, 5000).Draw(t, "stop")}
		age, perHour := lamplife.CheapestAge(w, c)
		for _, other := range []float64{0.2, 0.5, 0.9, 0.99, 1.01, 1.1, 2, 5} {
			at := w.Scale * other
			if !math.IsInf(age, 1) {
				at = age * other
			}
			if got := (c.Lamp + c.Labour + c.Stop*(1-w.Survival(at))) / w.Lived(at); got < perHour*(1-1e-9) {
				t.Fatalf("changing at %v costs %v an hour, at %v only %v", age, perHour, at, got)
			}
		}
		c.Stop *= 2
		if sooner, _ := lamplife.CheapestAge(w, c); !(sooner < age || math.IsInf(age, 1)) {
			t.Fatalf("twice the cost of a stop moves the age from %v to %v", age, sooner)
		}
	})
}

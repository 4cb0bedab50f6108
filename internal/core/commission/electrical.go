package commission

import (
	"math"
	"regexp"
	"strings"

	"curetally/internal/core/layout"
)

// onePhase finds the phase in a name such as power_1, power_l1 or power-a;
// betweenPhases that of a line voltage such as voltage_12 or voltage_l1_l2.
var (
	onePhase      = regexp.MustCompile(`[_-](?:phase[_-]?|l)?([1-3abc])$`)
	betweenPhases = regexp.MustCompile(`[_-](?:l?[1-3][_-]?l?[1-3]|[abc][_-]?[abc]|line)$`)
)

// phaseOf is 1 to 3, or 0 for a value of the whole meter. Line says that it is of
// two phases.
func phaseOf(name string) (phase int, line bool) {
	if betweenPhases.MatchString(name) {
		return 0, true
	}
	m := onePhase.FindStringSubmatch(name)
	if m == nil {
		return 0, false
	}
	return 1 + strings.Index("123abc", m[1])%3, false
}

// quantities are the momentary values of one phase, or of the whole meter; NaN
// for those that it does not have.
type quantities struct{ power, volts, amperes, factor float64 }

func noQuantities() quantities {
	return quantities{math.NaN(), math.NaN(), math.NaN(), math.NaN()}
}

// electrical sorts values by phase.
type electrical struct {
	whole quantities
	// line is the voltage between phases, where a value is named so.
	line   float64
	phases [3]quantities
	// split is how many phases have values of their own.
	split int
}

func sortOut(values []layout.Value) electrical {
	e := electrical{whole: noQuantities(), line: math.NaN()}
	for i := range e.phases {
		e.phases[i] = noQuantities()
	}
	for _, v := range values {
		if v.Content != layout.Number {
			continue
		}
		phase, line := phaseOf(v.Name)
		q := &e.whole
		if phase > 0 {
			q = &e.phases[phase-1]
		}
		switch {
		case v.Unit == "V" && line:
			setFirst(&e.line, v.Number)
		case v.Unit == "V":
			setFirst(&q.volts, v.Number)
		case v.Unit == "A" && !line:
			setFirst(&q.amperes, v.Number)
		case v.Unit == "W" && !line:
			setFirst(&q.power, v.Number)
		case v.IsPowerFactor() && !line:
			setFirst(&q.factor, v.Number)
		}
	}
	for _, q := range e.phases {
		if !math.IsNaN(q.power) || !math.IsNaN(q.volts) || !math.IsNaN(q.amperes) || !math.IsNaN(q.factor) {
			e.split++
		}
	}
	if math.IsNaN(e.whole.power) {
		e.whole.power = e.sum(func(q quantities) float64 { return q.power })
	}
	return e
}

// sum adds up a quantity over the phases that have it; NaN when none has.
func (e electrical) sum(of func(quantities) float64) float64 {
	total, n := 0.0, 0
	for _, q := range e.phases {
		if v := of(q); !math.IsNaN(v) {
			total, n = total+v, n+1
		}
	}
	if n == 0 {
		return math.NaN()
	}
	return total
}

// mean is the sum over the phases by their number; NaN when no phase has it.
func (e electrical) mean(of func(quantities) float64) float64 {
	n := 0
	for _, q := range e.phases {
		if !math.IsNaN(of(q)) {
			n++
		}
	}
	if n == 0 {
		return math.NaN()
	}
	return e.sum(of) / float64(n)
}

// setFirst sets a number that is not known yet: the first of a kind counts.
func setFirst(at *float64, v float64) {
	if math.IsNaN(*at) {
		*at = v
	}
}

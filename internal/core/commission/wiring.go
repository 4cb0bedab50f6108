package commission

import (
	"fmt"
	"math"
	"strings"
)

// fit is how a meter's volts, amperes and power belong together: by which formula
// its power follows.
type fit int

const (
	fitUnknown fit = iota
	// fitPhases: the sum over phases of volts × amperes × power factor.
	fitPhases
	// fitPhasesLine: the same with volts between phases, divided by √3.
	fitPhasesLine
	// fitSum: volts × amperes × power factor, the amperes of all phases together
	// or of a single phase.
	fitSum
	// fitLine: √3 × volts between phases × amperes of one phase × power factor.
	fitLine
	// fitLineSum: volts between phases × amperes of all phases together × power
	// factor, divided by √3.
	fitLineSum
	// fitMean: 3 × volts to neutral × amperes of one phase × power factor.
	fitMean
)

func (f fit) String() string {
	switch f {
	case fitPhases:
		return "the sum of volts × amperes × power factor over the phases"
	case fitPhasesLine:
		return "the sum of volts between phases × amperes × power factor over the phases, by √3"
	case fitSum:
		return "volts × amperes × power factor"
	case fitLine:
		return "√3 × volts × amperes × power factor"
	case fitLineSum:
		return "volts between phases × amperes of all phases × power factor, by √3,"
	case fitMean:
		return "3 × volts × amperes × power factor"
	default:
		return "volts × amperes"
	}
}

// apparent is a formula with the apparent power that it gives, and the power.
type apparent struct {
	fit          fit
	voltAmperes  float64
	watts        float64
	factorStated bool
}

// formulas gives every formula that the values of a meter allow. The power is NaN
// where no power factor is stated.
func (e electrical) formulas() []apparent {
	factor := math.Abs(e.whole.factor)
	if math.IsNaN(factor) {
		factor = math.Abs(e.mean(func(q quantities) float64 { return math.Abs(q.factor) }))
	}
	var out []apparent
	add := func(f fit, voltAmperes, watts float64) {
		if !math.IsNaN(voltAmperes) {
			out = append(out, apparent{f, voltAmperes, watts, !math.IsNaN(watts)})
		}
	}
	own := func(q quantities) float64 { return math.Abs(q.volts * q.amperes) }
	if voltAmperes := e.sum(own); !math.IsNaN(voltAmperes) {
		// A phase that runs backwards takes from the sum: that is not this check's
		// business, but direction's.
		watts := math.Abs(e.sum(func(q quantities) float64 {
			share := factor
			if !math.IsNaN(q.factor) {
				share = math.Abs(q.factor)
			}
			if q.power < 0 || math.IsNaN(q.power) && q.factor < 0 {
				share = -share
			}
			return own(q) * share
		}))
		add(fitPhases, voltAmperes, watts)
		add(fitPhasesLine, voltAmperes/math.Sqrt(3), watts/math.Sqrt(3))
		return out
	}
	volts, amperes := e.whole.volts, math.Abs(e.whole.amperes)
	setFirst(&volts, e.mean(func(q quantities) float64 { return q.volts }))
	perPhase := math.IsNaN(amperes)
	setFirst(&amperes, e.mean(func(q quantities) float64 { return math.Abs(q.amperes) }))
	if math.IsNaN(volts) {
		add(fitLine, math.Sqrt(3)*e.line*amperes, math.Sqrt(3)*e.line*amperes*factor)
		if !perPhase {
			add(fitLineSum, e.line*amperes/math.Sqrt(3), e.line*amperes*factor/math.Sqrt(3))
		}
		return out
	}
	product := math.Abs(volts * amperes)
	if !perPhase || e.split < 2 {
		add(fitSum, product, product*factor)
	}
	add(fitLine, math.Sqrt(3)*product, math.Sqrt(3)*product*factor)
	add(fitMean, 3*product, 3*product*factor)
	return out
}

// judgePower compares the power with volts × amperes × power factor, by whichever
// formula comes nearest.
func judgePower(e electrical, maxPower float64) (fit, Verdict) {
	v := Verdict{Check: CheckPower, Outcome: Open}
	power := math.Abs(e.whole.power)
	all := e.formulas()
	if math.IsNaN(power) || len(all) == 0 {
		v.Says = "the profile has no power, volts and amperes to compare"
		return fitUnknown, v
	}
	most := 0.0
	for _, a := range all {
		most = max(most, a.voltAmperes)
	}
	if max(power, most) < leastLoad*maxPower {
		v.Says = fmt.Sprintf("too little load to judge: %s of %s rated", kilowatts(power), kilowatts(maxPower))
		v.Remedy = "light the lamp or run the motor, and look again"
		return fitUnknown, v
	}
	if !all[0].factorStated {
		return judgeWithoutFactor(all, power, most)
	}
	best, off := all[0], math.Inf(1)
	for _, a := range all {
		if d := math.Abs(math.Log(max(power, 1e-9) / max(a.watts, 1e-9))); d < off {
			best, off = a, d
		}
	}
	v.Says = fmt.Sprintf("the meter says %s; %s gives %s", kilowatts(power), best.fit, kilowatts(best.watts))
	if math.Abs(power-best.watts) <= powerTolerance*max(power, best.watts) {
		v.Outcome = Good
		return best.fit, v
	}
	v.Outcome = Wrong
	v.Remedy = "check the scales of power, volts, amperes and power factor in the profile and the transformer ratio set in the meter; a missing phase or a transformer turned round makes such a gap too"
	return fitUnknown, v
}

// judgeWithoutFactor checks only that no more power than volts × amperes is there.
func judgeWithoutFactor(all []apparent, power, most float64) (fit, Verdict) {
	v := Verdict{Check: CheckPower, Outcome: Open}
	if power > (1+powerTolerance)*most {
		v.Outcome = Wrong
		v.Says = fmt.Sprintf("the meter says %s, more than the %s that volts × amperes allow", kilowatts(power), kilowatts(most))
		v.Remedy = "check the scales of power, volts and amperes in the profile and the transformer ratio set in the meter"
		return fitUnknown, v
	}
	v.Says = fmt.Sprintf("the meter says %s and no power factor; %s would make it %.2f", kilowatts(power), all[0].fit.withoutFactor(), power/all[0].voltAmperes)
	v.Remedy = "compare with a clamp meter"
	return fitUnknown, v
}

// withoutFactor is the formula of the apparent power.
func (f fit) withoutFactor() string { return strings.ReplaceAll(f.String(), " × power factor", "") }

// phase is one phase on load.
type phase struct {
	number int
	power  float64
	factor float64 // magnitude; NaN when not known
	loaded bool    // enough for the power factor to mean something
}

func (e electrical) onLoad(maxPower float64, f fit) []phase {
	share := maxPower / float64(max(e.split, 1))
	var out []phase
	for i, q := range e.phases {
		voltAmperes := math.Abs(q.volts * q.amperes)
		if f == fitPhasesLine {
			voltAmperes /= math.Sqrt(3)
		}
		p := phase{number: i + 1, power: q.power, factor: math.Abs(q.factor), loaded: voltAmperes >= leastPhaseLoad*share}
		if voltAmperes > 0 {
			setFirst(&p.factor, math.Abs(q.power)/voltAmperes)
		}
		if math.IsNaN(voltAmperes) {
			p.loaded = math.Abs(q.power) >= leastPhaseLoad*share
		}
		if !math.IsNaN(p.power) || !math.IsNaN(p.factor) {
			out = append(out, p)
		}
	}
	return out
}

// judgePhases looks for current transformers that are turned round and for phases
// that are mixed up.
//
// A transformer turned round makes its phase negative and leaves its power factor
// alone. A transformer on another phase's conductor sees a current that is 120°
// off: with a power factor near 1 both swapped phases show -0.5, and with a lower
// one, one of them is negative and the other near 0.
func judgePhases(e electrical, maxPower float64, f fit) []Verdict {
	phases := e.onLoad(maxPower, f)
	if len(phases) == 0 {
		return []Verdict{judgeWhole(e, maxPower)}
	}
	var back, low, checked []string
	far, lowBack := 0, 0
	for _, p := range phases {
		name := fmt.Sprintf("phase %d", p.number)
		negative := p.power < -leastBackwards*maxPower/float64(max(e.split, 1))
		if negative {
			back = append(back, fmt.Sprintf("%s %s", name, kilowatts(p.power)))
		}
		if !p.loaded || math.IsNaN(p.factor) {
			continue
		}
		checked = append(checked, name)
		if p.factor < leastPowerRatio || negative && p.factor < 0.7 {
			low = append(low, fmt.Sprintf("%s %.2f", name, p.factor))
			if negative {
				lowBack++
			}
			if p.factor < leastPowerRatio {
				far++
			}
		}
	}
	direction := Verdict{Check: CheckDirection, Outcome: Good, Says: "no phase is negative"}
	mixed := Verdict{Check: CheckPhases, Outcome: Good, Says: "power factor of at least 0.5 on " + strings.Join(checked, ", ")}
	if len(checked) == 0 {
		mixed.Outcome, mixed.Says, mixed.Remedy = Open, "too little load on the phases to judge", "light the lamp or run the motor, and look again"
	}
	swapped := far > 0 || lowBack > 1
	if len(low) > 0 {
		mixed.Outcome = Wrong
		mixed.Says = "low power factor on load: " + strings.Join(low, ", ")
		mixed.Remedy = "phases swapped: see that each current transformer is on the conductor whose voltage tap has the same number; a supply without capacitors truly has 0.5 to 0.7"
	}
	if len(back) > 0 {
		direction.Outcome, direction.Says = Wrong, "negative power: "+strings.Join(back, ", ")
		switch {
		case swapped:
			direction.Remedy = "with a low power factor beside it, phases swapped rather than a transformer turned round: put the phases right first"
		case len(back) == len(phases) && len(phases) > 1:
			direction.Remedy = "all transformers turned round, or each on the next phase, or the load feeds back: short them at the block, then turn them, or set the direction in the meter"
		default:
			direction.Remedy = "current transformer turned round: short it at the block, then swap its two wires there, or turn it on the conductor"
		}
	}
	return []Verdict{direction, mixed}
}

// judgeWhole does what can be done where the meter gives no values of phases.
func judgeWhole(e electrical, maxPower float64) Verdict {
	power, factor := e.whole.power, math.Abs(e.whole.factor)
	v := Verdict{Check: CheckDirection, Outcome: Open, Says: "the profile has no power of phases: a transformer turned round shows only in the sum"}
	switch {
	case math.IsNaN(power):
		v.Says = "the profile has no power"
	case power < -leastBackwards*maxPower:
		v.Outcome, v.Says = Wrong, "negative power: "+kilowatts(power)
		v.Remedy = "current transformer turned round: short it at the block, then swap its two wires there, or turn it on the conductor"
	case power >= leastLoad*maxPower && factor < leastPowerRatio:
		v.Outcome, v.Says = Wrong, fmt.Sprintf("low power factor on load: %.2f", factor)
		v.Remedy = "one transformer of three turned round (a third of the power is left) or phases swapped: look at each phase on the meter's display"
	case power >= leastLoad*maxPower && !math.IsNaN(factor):
		v.Outcome, v.Says = Good, fmt.Sprintf("power is positive, power factor %.2f", factor)
	case power >= leastLoad*maxPower:
		v.Says = "power is positive; " + v.Says
	}
	return v
}

func kilowatts(watts float64) string {
	return strings.Replace(fmt.Sprintf("%.3f kW", watts/1000), "-", "−", 1)
}

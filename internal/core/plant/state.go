package plant

import "fmt"

// State is what a curing station does. Silence is StateUnknown: neither off nor
// lit. The numbers are stored; never renumber them.
type State uint8

// The states of a curing station.
const (
	// StateNone marks entries of registers that belong to no station, such as
	// a shared exhaust fan.
	StateNone State = 0
	// StateUnknown: nothing was heard for longer than the station's limit.
	StateUnknown State = 1
	// StateOff: lamp dark, supply off.
	StateOff State = 2
	// StateStarting: an arc strikes and warms up. LED stations do not use it.
	StateStarting State = 3
	// StateStandby: ready but not curing. An arc is lit behind its shutter at
	// reduced power; an LED is dark.
	StateStandby State = 4
	// StateCuring: light on the web.
	StateCuring State = 5
	// StateCooling: lamp dark, fan still running.
	StateCooling State = 6
	// StateFault: the controller reports a fault; the lamp is dark.
	StateFault State = 7
)

var stateNames = [...]string{"none", "unknown", "off", "starting", "standby", "curing", "cooling", "fault"}

// States lists the states that a station may report, in order.
func States() []State {
	return []State{StateOff, StateStarting, StateStandby, StateCuring, StateCooling, StateFault, StateUnknown}
}

// String gives the state's word, as used in configuration, metrics and pages.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state(%d)", uint8(s))
}

// ParseState reads a state's word. "none" is not a state that can be reported.
func ParseState(word string) (State, error) {
	for i, n := range stateNames {
		if n == word && i != int(StateNone) {
			return State(i), nil
		}
	}
	return StateNone, fmt.Errorf("state %q: expected one of off, starting, standby, curing, cooling, fault, unknown", word)
}

// Technology is the light source in use. The numbers are stored.
type Technology uint8

// The technologies.
const (
	TechnologyNone   Technology = 0 // not known or not applicable
	TechnologyArc    Technology = 1 // mercury arc, doped or not
	TechnologyLED    Technology = 2
	TechnologyHotAir Technology = 3 // hot-air or infrared drying
)

var technologyNames = [...]string{"", "arc", "led", "hot-air"}

// String gives the technology's word; empty for TechnologyNone.
func (t Technology) String() string {
	if int(t) < len(technologyNames) {
		return technologyNames[t]
	}
	return fmt.Sprintf("technology(%d)", uint8(t))
}

// ParseTechnology reads a technology's word.
func ParseTechnology(word string) (Technology, error) {
	for i, n := range technologyNames {
		if n == word && i > 0 {
			return Technology(i), nil
		}
	}
	return TechnologyNone, fmt.Errorf("technology %q: expected arc, led or hot-air", word)
}

// Lit says whether a lamp of this technology burns in this state. An arc burns
// while starting, in standby and while curing (lamp-lit hours count, not
// shutter-open hours: Common practice, no source.); an LED burns only while
// curing.
func (t Technology) Lit(s State) bool {
	switch s {
	case StateCuring:
		return true
	case StateStarting, StateStandby:
		return t != TechnologyLED
	default:
		return false
	}
}

// Quality says how well an amount is known. Higher is worse, so the quality of
// a sum is the highest of its parts. The numbers are stored.
type Quality uint8

// The qualities of an amount.
const (
	// QualityMeasured: a difference of two readings no farther apart than the
	// allowed gap.
	QualityMeasured Quality = 0
	// QualityInterpolated: the total over the gap is exact, its shape within
	// the gap is a straight line.
	QualityInterpolated Quality = 1
	// QualityInferred: counted from states seen, not from a counter.
	QualityInferred Quality = 2
	// QualityEstimated: made from other values than this register.
	QualityEstimated Quality = 3
	// QualityUnknown: bridges a reset, an ambiguous rollover or silence; the
	// amount is a lower bound.
	QualityUnknown Quality = 4
)

// Qualities is how many qualities there are.
const Qualities = 5

// ByQuality is amounts by their quality, each by its absolute value, in the units
// of what they are amounts of.
type ByQuality [Qualities]int64

// Total is all of it.
func (b ByQuality) Total() int64 {
	var sum int64
	for _, v := range b {
		sum += v
	}
	return sum
}

// Doubtful is what is worse than interpolated.
func (b ByQuality) Doubtful() int64 {
	return b[QualityInferred] + b[QualityEstimated] + b[QualityUnknown]
}

// Share is the share of one quality, 0 to 1; 0 of nothing.
func (b ByQuality) Share(q Quality) float64 {
	total := b.Total()
	if total == 0 {
		return 0
	}
	return float64(b[q]) / float64(total)
}

var qualityNames = [...]string{"measured", "interpolated", "inferred", "estimated", "unknown"}

// String gives the quality's word.
func (q Quality) String() string {
	if int(q) < len(qualityNames) {
		return qualityNames[q]
	}
	return fmt.Sprintf("quality(%d)", uint8(q))
}

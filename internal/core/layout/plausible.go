package layout

import (
	"fmt"
	"math"
	"strings"
)

// The ranges in which a value could be true. Volts span 100 V systems between
// phase and neutral to 690 V systems between phases, each with a margin.
// Common practice, no source.
const (
	// LeastVolts is the least voltage that a live phase shows.
	LeastVolts, mostVolts = 80, 760
	leastHertz, mostHertz = 45, 65
	// overload is how much more than the rated power may be drawn.
	overload = 1.2
	// dust is the size below which a momentary value other than 0 is no
	// measurement: it is what a float read in the wrong order gives.
	dust = 1e-6
	// mostYears bounds an energy register: rated power all the time, for longer
	// than a meter lasts.
	mostYears    = 40
	hoursPerYear = 8766
)

// plausible says whether a value could be true behind a meter of a rated power in
// watts, and else why not. A value that the meter does not have is neither true
// nor doubtful.
func plausible(v Value, maxPower float64) (bool, string) {
	switch v.Content {
	case Nothing:
		return false, ""
	case Unreadable:
		return false, "the meter refuses these registers"
	case Unusable:
		return false, v.Doubt
	case Number:
	}
	n := v.Number
	if n != 0 && math.Abs(n) < dust {
		return false, "too small to be a measurement"
	}
	switch v.Unit {
	case "V":
		return within(n, LeastVolts, mostVolts, "V")
	case "Hz":
		return within(n, leastHertz, mostHertz, "Hz")
	case "W":
		return within(n, -overload*maxPower, overload*maxPower, "W")
	case "A":
		return within(n, -overload*maxPower/LeastVolts, overload*maxPower/LeastVolts, "A")
	case "kWh":
		most, least := maxPower/1000*mostYears*hoursPerYear, 0.0
		if v.Net {
			least = -most
		}
		return within(n, least, most, "kWh")
	default:
		if v.IsPowerFactor() {
			return within(n, -1, 1, "")
		}
		return true, ""
	}
}

func within(n, least, most float64, unit string) (bool, string) {
	if n >= least && n <= most {
		return true, ""
	}
	return false, strings.TrimRight(fmt.Sprintf("expected %.6g to %.6g %s", least, most, unit), " ")
}

// IsPowerFactor says whether the value is a power factor, by its name and unit.
func (v Value) IsPowerFactor() bool {
	return v.Unit == "" && (strings.HasPrefix(v.Name, "power_factor") || strings.HasPrefix(v.Name, "power-factor") || strings.HasPrefix(v.Name, "pf"))
}

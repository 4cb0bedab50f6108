package accuracy

import (
	"math"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// AssumedFactor is the power factor of a load for which neither the meter nor the
// configuration has one. Common practice, no source.
const AssumedFactor = 0.9

// Load is energy that a meter counted at one load.
type Load struct {
	Energy unit.Energy
	Hours  float64 // in which it was counted; 0 when not known
}

// Figures are what a register's accuracy comes to over its loads.
type Figures struct {
	Energy unit.Energy
	// Percent is the current in percent of the rated one, weighted by energy, over
	// the energy whose load is known; 0 when none is.
	Percent float64
	// Relative is the standard uncertainty of the energy, as a fraction of it. The
	// errors at several loads are those of the same instruments, so they add up.
	Relative float64
	// Beyond is the fraction of the energy that was counted at loads for which the
	// classes promise nothing.
	Beyond float64
	// Unknown is the fraction of the energy whose load is not known. It is taken
	// to be as uncertain as the rest.
	Unknown float64
}

// Factor is the power factor that is reckoned with, and whether it is assumed.
func Factor(a plant.Accuracy) (factor float64, assumed bool) {
	if a.PowerFactor > 0 {
		return a.PowerFactor, false
	}
	return AssumedFactor, true
}

// Amperes is the current of a balanced load in each conductor.
func Amperes(a plant.Accuracy, watts, factor float64) float64 {
	volts := a.Volts
	if a.Phases == 3 {
		volts *= math.Sqrt(3)
	}
	return watts / (volts * factor)
}

// Percent is the current of a load in percent of the rated one.
func Percent(a plant.Accuracy, watts, factor float64) float64 {
	return 100 * Amperes(a, watts, factor) / a.Amperes
}

// Over weights what a meter's accuracy is at each load with the energy of the
// load. Amounts below 0, which corrections leave, count for nothing. Without any
// load that is known, the uncertainty is that at the least promised load.
func Over(a plant.Accuracy, loads []Load, factor float64) Figures {
	var f Figures
	var all, known, beyond float64
	for _, l := range loads {
		kwh := l.Energy.KWh()
		if f.Energy += l.Energy; kwh <= 0 {
			continue
		}
		all += kwh
		if l.Hours <= 0 {
			continue
		}
		percent := Percent(a, 1000*kwh/l.Hours, factor)
		u := OfPower(a, percent, factor)
		known += kwh
		f.Percent += kwh * percent
		f.Relative += kwh * u.Standard / 100
		if !u.Promised {
			beyond += kwh
		}
	}
	if known == 0 {
		least := LeastPercent(a.Transformers)
		if _, from, _ := meterLimit(a, 0, factor); from > least {
			least = from
		}
		f.Relative = OfPower(a, least, factor).Standard / 100
	} else {
		f.Percent /= known
		f.Relative /= known
	}
	if all > 0 {
		f.Beyond, f.Unknown = beyond/all, 1-known/all
	}
	return f
}

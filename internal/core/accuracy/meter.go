package accuracy

import (
	"math"

	"curetally/internal/core/plant"
)

// MeterClasses lists the classes of meters that are known.
func MeterClasses() []string { return []string{"0.2S", "0.5S", "1", "2"} }

// step is the limit of a meter's error in percent, from a share of the rated or
// reference current on.
type step struct{ from, limit float64 }

// lowFactor is the power factor from which down the limits for low power factors
// are taken: the highest but 1 for which the standard states any (0.8
// capacitive). Least is the lowest for which it states limits of every meter.
const (
	lowFactor   = 0.8
	leastFactor = 0.5
)

// meterSteps gives the limits of a meter's class, by rising current.
// From memory: IEC 62053-21 (classes 1 and 2) and IEC 62053-22 (0.2S and 0.5S),
// editions of 2003, limits of percentage error due to variation of the current.
func meterSteps(class string, direct, low bool) []step {
	switch {
	case class == "0.2S" && low:
		return []step{{2, 0.5}, {10, 0.3}}
	case class == "0.2S":
		return []step{{1, 0.4}, {5, 0.2}}
	case class == "0.5S" && low:
		return []step{{2, 1.0}, {10, 0.6}}
	case class == "0.5S":
		return []step{{1, 1.0}, {5, 0.5}}
	case class != "1" && class != "2":
		return nil
	}
	full := 1.0
	if class == "2" {
		full = 2.0
	}
	switch {
	case direct && low:
		return []step{{10, full + 0.5}, {20, full}}
	case direct:
		return []step{{5, full + 0.5}, {10, full}}
	case low:
		return []step{{5, full + 0.5}, {10, full}}
	default:
		return []step{{2, full + 0.5}, {5, full}}
	}
}

// meterLimit is the limit of a meter's error in percent at a load. Where the
// class promises nothing it reports false, with the limit of the least load.
func meterLimit(a plant.Accuracy, percent, factor float64) (limit, least float64, promised bool) {
	steps := meterSteps(a.Class, a.Transformers == "", math.Abs(factor) <= lowFactor)
	for _, s := range steps {
		if least == 0 || percent >= s.from {
			limit = s.limit
		}
		if least == 0 {
			least = s.from
		}
	}
	return limit, least, len(steps) > 0 && percent >= least && math.Abs(factor) >= leastFactor
}

// Uncertainty is what is not known of the power at one load. All in percent of
// that power.
type Uncertainty struct {
	// Limits of the error of the meter, of the transformers' ratio, and of what
	// their phase displacement makes of power.
	Meter, Ratio, Phase float64
	// Standard is the combined standard uncertainty; twice it covers about 95 %.
	Standard float64
	// Promised says that the classes hold at this load. Otherwise the errors are
	// supposed to be as many amperes as at the least load for which they do, and at
	// most the whole power.
	Promised bool
}

// OfPower gives the uncertainty of power at a load in percent of the rated current and
// at a power factor above 0. Limits are taken as rectangular, so that the
// standard uncertainty is limit ÷ √3; the terms of independent transformers that
// share a balanced load are divided by the root of their number. Source: JCGM 100,
// 4.3.7 and equation 12.
func OfPower(a plant.Accuracy, percent, factor float64) Uncertainty {
	var u Uncertainty
	limit, least, promised := meterLimit(a, percent, factor)
	u.Meter, u.Promised = beyond(limit, least, percent), promised
	if a.Transformers != "" {
		l, ok := Between(a.Transformers, percent)
		least := LeastPercent(a.Transformers)
		u.Ratio, u.Phase = beyond(l.Ratio, least, percent), beyond(phaseError(l.Minutes, factor), least, percent)
		u.Promised = u.Promised && ok
	}
	share := math.Sqrt(float64(max(a.Independent, 1)))
	u.Standard = min(Propagate([]float64{u.Meter, u.Ratio / share, u.Phase / share}, nil), 100) / math.Sqrt(3)
	return u
}

// beyond keeps the error in amperes below the least load of a class.
func beyond(limit, least, percent float64) float64 {
	if percent >= least {
		return limit
	}
	return min(limit*least/max(percent, math.SmallestNonzeroFloat64), 100)
}

// Propagate gives the standard uncertainty of a result from its contributions
// (sensitivity × standard uncertainty, with its sign) and their correlation, which
// is 0 for independent ones; nil means that all are. Source: JCGM 100, equation 13.
func Propagate(contributions []float64, correlation func(i, j int) float64) float64 {
	var square float64
	for i, c := range contributions {
		square += c * c
		if correlation == nil {
			continue
		}
		for j := range i {
			square += 2 * c * contributions[j] * correlation(i, j)
		}
	}
	return math.Sqrt(max(square, 0))
}

// Package accuracy holds what the accuracy classes of meters and of measuring
// transformers promise at a load, and the uncertainty of energy that follows. A
// class is a promise at some shares of the rated current; a transformer sized for
// arc lamps works below most of them after a change to LED.
//
// Limits are judged by At, which takes the wider limit between two stated loads;
// uncertainties are worked out with Between, which interpolates. Below the lowest
// stated load the standard promises nothing. A verdict says so; an uncertainty
// supposes there the same error in amperes as at that load, and tells the share of
// energy for which it had to.
package accuracy

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Limit is what a class promises at one share of the rated current.
type Limit struct {
	Percent float64 // of the rated current
	Ratio   float64 // error of the current, percent
	Minutes float64 // of phase displacement; 0 when the class has no limit of it
}

// LimitsOf gives the limits of a class, by rising share of the rated current.
// Source: IEC 61869-2, limits of ratio error and phase displacement of measuring
// current transformers (tables 201 and 202), as reproduced by makers of
// transformers.
func LimitsOf(class string) []Limit {
	switch class {
	case "0.1":
		return []Limit{{5, 0.4, 15}, {20, 0.2, 8}, {100, 0.1, 5}}
	case "0.2":
		return []Limit{{5, 0.75, 30}, {20, 0.35, 15}, {100, 0.2, 10}}
	case "0.2S":
		return []Limit{{1, 0.75, 30}, {5, 0.35, 15}, {20, 0.2, 10}, {100, 0.2, 10}}
	case "0.5":
		return []Limit{{5, 1.5, 90}, {20, 0.75, 45}, {100, 0.5, 30}}
	case "0.5S":
		return []Limit{{1, 1.5, 90}, {5, 0.75, 45}, {20, 0.5, 30}, {100, 0.5, 30}}
	case "1":
		return []Limit{{5, 3, 180}, {20, 1.5, 90}, {100, 1, 60}}
	case "3":
		return []Limit{{50, 3, 0}}
	default:
		return nil
	}
}

// Classes lists the classes that are known.
func Classes() []string { return []string{"0.1", "0.2", "0.2S", "0.5", "0.5S", "1", "3"} }

// At is the limit that holds at a load: that of the nearest stated load below
// it, which is the wider one. It reports false below the least of them.
func At(class string, percent float64) (Limit, bool) {
	var at Limit
	ok := false
	for _, l := range LimitsOf(class) {
		if percent >= l.Percent {
			at, ok = l, true
		}
	}
	return at, ok
}

// Between is the limit at a load, linear in the current between stated loads
// (common practice; the standard is silent on it). It reports false outside the
// range of the class, with the limit of the nearest stated load.
func Between(class string, percent float64) (Limit, bool) {
	limits := LimitsOf(class)
	if len(limits) == 0 {
		return Limit{}, false
	}
	first, last := limits[0], limits[len(limits)-1]
	switch {
	case percent < first.Percent:
		return first, false
	case percent >= last.Percent:
		return last, percent <= MostPercent
	}
	i := slices.IndexFunc(limits, func(l Limit) bool { return l.Percent > percent })
	low, high := limits[i-1], limits[i]
	share := (percent - low.Percent) / (high.Percent - low.Percent)
	return Limit{percent, low.Ratio + share*(high.Ratio-low.Ratio), low.Minutes + share*(high.Minutes-low.Minutes)}, true
}

// LeastPercent is the lowest load for which a class promises anything, in percent
// of the rated current; 0 for a class that is not known.
func LeastPercent(class string) float64 {
	if limits := LimitsOf(class); len(limits) > 0 {
		return limits[0].Percent
	}
	return 0
}

// MostPercent is the highest load for which any class promises something. Source:
// IEC 61869-2, limits at 120 % of the rated current.
const MostPercent = 120

// PowerError is the largest error of power that a limit allows at a power factor,
// in percent: the ratio error, and the phase displacement δ by tan φ × δ.
func PowerError(l Limit, factor float64) float64 {
	return l.Ratio + phaseError(l.Minutes, factor)
}

// phaseError is the error of power in percent that a phase displacement makes.
func phaseError(minutes, factor float64) float64 {
	phi := math.Acos(min(math.Abs(factor), 1))
	return 100 * math.Tan(phi) * minutes * math.Pi / 10800
}

// String writes the limits as errors.
func (l Limit) String() string {
	text := strings.TrimSuffix(fmt.Sprintf("±%.2f", l.Ratio), "0") + " %"
	if l.Minutes > 0 {
		text += fmt.Sprintf(" and ±%.0f minutes of angle", l.Minutes)
	}
	return text
}

// Package accuracy holds what the accuracy classes of measuring transformers
// promise at a load. A class is a promise at some shares of the rated current; a
// transformer sized for arc lamps works below most of them after a change to LED.
//
// Between two stated loads the wider limit is taken, that of the lower load. Below
// the lowest the standard promises nothing, and this package says so rather than
// extrapolate.
package accuracy

import (
	"fmt"
	"math"
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

// PowerError is the largest error of power that a limit allows at a power factor,
// in percent: the ratio error, and the phase displacement δ by tan φ × δ.
func PowerError(l Limit, factor float64) float64 {
	phi := math.Acos(min(math.Abs(factor), 1))
	return l.Ratio + 100*math.Tan(phi)*l.Minutes*math.Pi/10800
}

// String writes the limits as errors.
func (l Limit) String() string {
	text := strings.TrimSuffix(fmt.Sprintf("±%.2f", l.Ratio), "0") + " %"
	if l.Minutes > 0 {
		text += fmt.Sprintf(" and ±%.0f minutes of angle", l.Minutes)
	}
	return text
}

// Package condition says when a measured signal reaches the limit of a task: a
// level that sinks, a pressure difference that rises, a decline from what it was
// when the task was last done.
//
// It does not jump on noise. A limit counts as reached when the middle one of the
// last five readings is beyond it; a date is given only where a robust line through
// the readings (Theil-Sen) goes towards the limit at a confidence of 80 %, and not
// farther ahead than three times as long as was watched. The limits of that line
// are the spread of the date.
//
// Readings of a machine that stands are left out by a value below which they do not
// count. Everything follows from the readings alone.
package condition

import (
	"math"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/stats"
)

// Reading is one value of a signal.
type Reading struct {
	At    time.Time
	Value float64
}

const (
	// last is how many readings say what the value is now.
	last = 5
	// least is the number of readings below which nothing is reached, and trendLeast
	// that below which there is no trend; trendSpan is how long they must span.
	least, trendLeast = 3, 8
	trendSpan         = 24 * time.Hour
	// reach is how many times as far as was watched a trend is followed.
	reach = 3
	// confidence of the limits of the slope: P10 and P90.
	confidence = 0.80
)

// Verdict is what readings say.
type Verdict struct {
	Readings int // that count
	Now      float64
	Limit    float64 // in the unit of the signal
	// Used is the share of the way to the limit, 1 at it.
	Used float64
	// Reached is the instant since which it is beyond the limit; zero if it is not.
	Reached time.Time
	// PerDay is the slope; Early, Middle and Late are the instants at which the limit
	// is reached by it and by its limits, zero where that is not in sight.
	PerDay              float64
	Early, Middle, Late time.Time
}

// Judge weighs the readings since the task was last done, at an instant.
func Judge(c plant.Condition, readings []Reading, now time.Time) Verdict {
	var r []Reading
	for _, x := range readings {
		if !math.IsNaN(x.Value) && !math.IsInf(x.Value, 0) && !(c.OffBelow != 0 && x.Value < c.OffBelow) && !x.At.After(now) {
			r = append(r, x)
		}
	}
	slices.SortStableFunc(r, func(a, b Reading) int { return a.At.Compare(b.At) })
	v := Verdict{Readings: len(r), Now: math.NaN(), Limit: math.NaN()}
	if len(r) == 0 {
		return v
	}
	begin := middle(r[:min(last, len(r))])
	v.Now = middle(r[max(0, len(r)-last):])
	v.Limit = limit(c, begin)
	up := rising(c.Kind)
	switch whole := v.Limit - begin; {
	case c.Kind == plant.Above && v.Limit > 0:
		v.Used = max(0, v.Now/v.Limit)
	case whole*up > 0:
		v.Used = max(0, (v.Now-begin)/whole)
	case (v.Now-v.Limit)*up >= 0:
		v.Used = 1
	}
	if len(r) >= least && (v.Now-v.Limit)*up >= 0 {
		v.Used = max(1, v.Used)
		v.Reached = since(r, v.Limit, up)
		return v
	}
	v.trend(r, up, now)
	return v
}

// rising is 1 for limits that are reached from below, else -1.
func rising(k plant.ConditionKind) float64 {
	if k == plant.Below || k == plant.Falls {
		return -1
	}
	return 1
}

// limit gives the limit in the unit of the signal, from what it was at first.
func limit(c plant.Condition, begin float64) float64 {
	switch c.Kind {
	case plant.Falls:
		return begin * (1 - c.Limit)
	case plant.Rises:
		return begin * (1 + c.Limit)
	case plant.RisesBy:
		return begin + c.Limit
	default:
		return c.Limit
	}
}

func middle(r []Reading) float64 {
	values := make([]float64, len(r))
	for i, x := range r {
		values[i] = x.Value
	}
	return stats.Median(values)
}

// since gives the instant from which the middle of five readings stays beyond the
// limit.
func since(r []Reading, limit, up float64) time.Time {
	at := r[len(r)-1].At
	for end := len(r); end >= min(last, len(r)); end-- {
		window := r[max(0, end-last):end]
		if (middle(window)-limit)*up < 0 {
			break
		}
		at = window[len(window)/2].At
	}
	return at
}

// trend fills in when the limit is reached if it goes on so.
func (v *Verdict) trend(r []Reading, up float64, now time.Time) {
	span := r[len(r)-1].At.Sub(r[0].At)
	if len(r) < trendLeast || span < trendSpan {
		return
	}
	x, y := make([]float64, len(r)), make([]float64, len(r))
	for i, p := range r {
		x[i], y[i] = p.At.Sub(now).Hours()/24, p.Value
	}
	line, err := stats.TheilSen(x, y, confidence)
	if err != nil {
		return
	}
	v.PerDay = line.Slope
	slow, fast := line.Low*up, line.High*up
	if up < 0 {
		slow, fast = fast, slow
	}
	gap := max(0, (v.Limit-line.Intercept)*up)
	farthest := reach * span.Hours() / 24
	at := func(slope float64) time.Time {
		if slope <= 0 || gap/slope > farthest {
			return time.Time{}
		}
		return now.Add(time.Duration(gap / slope * 24 * float64(time.Hour)))
	}
	if slow <= 0 {
		return // it may as well stand still
	}
	if v.Middle = at(line.Slope * up); !v.Middle.IsZero() {
		v.Early, v.Late = at(fast), at(slow)
	}
}

// Package thinning decides which facts are given up first when a queue of them
// must not grow any more. It knows an order of grades: the samples between the
// registers' readings go first, since no energy is computed from them where a
// register is; then readings between the ends of intervals, which cost only
// resolution within an interval; and at the last grade what lies between the ends
// of days.
//
// Three things are never given up: what a station reported, the oldest and the
// newest reading of a register, and both sides of a fall of its value, because a
// reset or a rollover between two readings can only be judged by them. So the energy and the
// hours that the facts prove stay the same at every grade, but for their place
// within the interval.
//
// The package is pure: it drops facts from batches and keeps the batches, so that
// their numbers stay.
package thinning

import (
	"time"

	"curetally/internal/core/plant"
)

// Grade says how far facts are thinned out.
type Grade int

// The grades, each giving up more than the one before.
const (
	// Whole gives up nothing.
	Whole Grade = iota
	// Samples keeps one signal and one refusal of each kind per interval.
	Samples
	// Intervals keeps one reading of each register per interval, too.
	Intervals
	// Days keeps one reading of each register per UTC day, and neither signals
	// nor refusals.
	Days
)

// Dropped counts the facts that were given up.
type Dropped struct {
	Signals, Readings, Refusals int
}

// Total is the number of all of them.
func (d Dropped) Total() int { return d.Signals + d.Readings + d.Refusals }

// Thin gives up facts of consecutive batches, oldest first, as far as a grade
// goes. The interval is the length that entries have. The result has as many
// batches as were given, in the same order, and shares no slice with them where
// something was dropped; changed tells where.
func Thin(batches []plant.Facts, g Grade, interval time.Duration) (out []plant.Facts, changed []bool, d Dropped) {
	out, changed = make([]plant.Facts, len(batches)), make([]bool, len(batches))
	signals, refusals, readings := window{}, window{}, interval
	switch g {
	case Whole:
		copy(out, batches)
		return out, changed, d
	case Samples:
		readings = 0
		signals, refusals = every(interval), every(interval)
	case Intervals:
		signals, refusals = every(interval), every(interval)
	case Days:
		readings = 24 * time.Hour
	}
	corners := keepCorners(batches)
	newest := curves{width: readings, seen: map[plant.RegisterID]int64{}}
	// From the newest to the oldest, so that the last of each interval is met first.
	for i := len(batches) - 1; i >= 0; i-- {
		b := batches[i]
		o := plant.Facts{Events: b.Events}
		o.Signals = keep(b.Signals, func(_ int, s plant.Signal) bool { return signals.first(s.Subject+"\x00"+s.Name, s.At) })
		o.Refusals = keep(b.Refusals, func(_ int, r plant.Refusal) bool { return refusals.first(r.Source, r.At) })
		o.Readings = b.Readings
		if g >= Intervals {
			o.Readings = keep(b.Readings, func(j int, r plant.Reading) bool {
				return newest.first(r) || corners[place{i, j}]
			})
		}
		d.Signals += len(b.Signals) - len(o.Signals)
		d.Refusals += len(b.Refusals) - len(o.Refusals)
		d.Readings += len(b.Readings) - len(o.Readings)
		out[i], changed[i] = o, o.Len() != b.Len()
	}
	return out, changed, d
}

// keep filters from the end to the beginning and keeps the order. What is whole is
// given back as it is.
func keep[T any](all []T, wanted func(int, T) bool) []T {
	marks, n := make([]bool, len(all)), 0
	for i := len(all) - 1; i >= 0; i-- {
		if wanted(i, all[i]) {
			marks[i], n = true, n+1
		}
	}
	if n == len(all) {
		return all
	}
	out := make([]T, 0, n)
	for i, v := range all {
		if marks[i] {
			out = append(out, v)
		}
	}
	return out
}

// window tells the first of each key in each stretch of a width. The zero value
// takes nothing.
type window struct {
	width time.Duration
	seen  map[spot]bool
}

type spot struct {
	key   string
	since int64 // Unix seconds
}

func every(width time.Duration) window { return window{width: width, seen: map[spot]bool{}} }

func (w window) first(key string, at time.Time) bool {
	if w.width == 0 {
		return false
	}
	s := spot{key, at.Truncate(w.width).Unix()}
	if w.seen[s] {
		return false
	}
	w.seen[s] = true
	return true
}

// curves tells the newest reading of each register in each stretch of a width.
type curves struct {
	width time.Duration
	seen  map[plant.RegisterID]int64 // the stretch of the last one that was kept
}

func (c curves) first(r plant.Reading) bool {
	since := r.At.Truncate(c.width).Unix()
	if last, ok := c.seen[r.Register]; ok && last == since {
		return false
	}
	c.seen[r.Register] = since
	return true
}

// place is where a reading stands.
type place struct{ batch, index int }

// keepCorners finds the oldest reading of each register, the readings on both
// sides of a fall, and those where the modulus changes.
func keepCorners(batches []plant.Facts) map[place]bool {
	type last struct {
		plant.Reading
		at place
	}
	corners, before := map[place]bool{}, map[plant.RegisterID]last{}
	for i, b := range batches {
		for j, r := range b.Readings {
			here := place{i, j}
			switch l, ok := before[r.Register]; {
			case !ok:
				corners[here] = true
			case r.Value < l.Value || r.Modulus != l.Modulus:
				corners[l.at], corners[here] = true, true
			}
			before[r.Register] = last{r, here}
		}
	}
	return corners
}

package spares

import (
	"fmt"
	"math"
	"time"

	"curetally/internal/core/stats"
)

// Week is how long a week lasts here: 168 hours, whatever the clocks do.
const Week = 7 * 24 * time.Hour

// Position is a place whose lamp is changed from time to time.
type Position struct {
	// First is the chance that the present lamp is changed in week 0, 1, … from
	// now. What is missing to 1 comes later.
	First []float64
	// Next is the chance that a lamp fitted at a change is itself changed 0, 1, …
	// weeks later. Empty: each position is changed once at most. Weeks are whole, so
	// that each change after the first comes half a week early on the mean, which is
	// the safe side.
	Next []float64
}

// Counts is a distribution of a number of lamps: the chance of 0, 1, 2, …
type Counts []float64

// Mean is the number to expect.
func (c Counts) Mean() float64 {
	sum := 0.0
	for n, p := range c {
		sum += float64(n) * p
	}
	return sum
}

// AtMost is the chance that no more than n are needed.
func (c Counts) AtMost(n int) float64 {
	sum := 0.0
	for i := 0; i <= n && i < len(c); i++ {
		sum += c[i]
	}
	return min(sum, 1)
}

// Enough is the least number that is enough with a chance of at least p.
func (c Counts) Enough(p float64) int {
	for n := range c {
		// Sums of many chances fall short of 1 by rounding.
		if c.AtMost(n) >= p-1e-12 {
			return n
		}
	}
	return max(0, len(c)-1)
}

// negligible ends the count of changes in one position: what is left out adds up
// to less than this per change.
const negligible = 1e-12

// Need gives the distribution of the number of changes from now to the end of
// each week. It returns stats.ErrInput for chances that are none.
func Need(positions []Position, weeks int) ([]Counts, error) {
	all := make([]Counts, weeks)
	for w := range all {
		all[w] = Counts{1}
	}
	for i, p := range positions {
		if err := p.check(); err != nil {
			return nil, fmt.Errorf("position %d: %w", i+1, err)
		}
		for w, one := range p.counts(weeks) {
			all[w] = all[w].and(one)
		}
	}
	return all, nil
}

func (p Position) check() error {
	for _, list := range [][]float64{p.First, p.Next} {
		sum := 0.0
		for w, v := range list {
			if math.IsNaN(v) || v < 0 {
				return fmt.Errorf("chance of week %d is %v, expected 0 to 1: %w", w, v, stats.ErrInput)
			}
			sum += v
		}
		if sum > 1+1e-9 {
			return fmt.Errorf("chances of the weeks add up to %v, expected at most 1: %w", sum, stats.ErrInput)
		}
	}
	if len(p.Next) > 0 && p.Next[0] > 0.5 {
		return fmt.Errorf("chance of %v that a lamp does not last a week, expected at most 0.5: %w", p.Next[0], stats.ErrInput)
	}
	return nil
}

// counts gives the distribution of the number of changes in one position to the
// end of each week.
func (p Position) counts(weeks int) []Counts {
	out := make([]Counts, weeks)
	for w := range out {
		out[w] = Counts{1}
	}
	// change is the chance that the nth change is in week w.
	change := make([]float64, weeks)
	copy(change, p.First)
	for {
		sum := 0.0
		for w, v := range change {
			sum += v
			// At least one change more: the chance moves on from n-1 to n.
			last := len(out[w]) - 1
			out[w][last] = max(0, out[w][last]-sum)
			out[w] = append(out[w], sum)
		}
		if sum < negligible || len(p.Next) == 0 {
			return out
		}
		next := make([]float64, weeks)
		for w, v := range change {
			for k := 0; k < len(p.Next) && w+k < weeks; k++ {
				next[w+k] += v * p.Next[k]
			}
		}
		change = next
	}
}

// and is the distribution of the sum of two independent numbers.
func (c Counts) and(o Counts) Counts {
	sum := make(Counts, len(c)+len(o)-1)
	for i, a := range c {
		for j, b := range o {
			sum[i+j] += a * b
		}
	}
	for len(sum) > 1 && sum[len(sum)-1] == 0 {
		sum = sum[:len(sum)-1]
	}
	return sum
}

// ByWeek turns the chance that something has happened by a time after now into
// the chance of each week. What should have happened before now falls in week 0.
// by must rise from 0 to 1.
func ByWeek(by func(after time.Duration) float64, weeks int) []float64 {
	out := make([]float64, weeks)
	before := 0.0
	for w := range out {
		p := by(time.Duration(w+1) * Week)
		out[w] = max(0, p-before)
		before = max(before, p)
	}
	return out
}

// Between is the chance that something has happened by an instant of which the
// days with a chance of 10, 50 and 90 % are known: straight lines between them,
// carried on to 0 and to 1.
func Between(p10, p50, p90 time.Time) func(time.Time) float64 {
	low, high := p50.Sub(p10), p90.Sub(p50)
	return func(t time.Time) float64 {
		d := t.Sub(p50)
		switch {
		case d < 0 && low > 0:
			return max(0, 0.5+0.4*float64(d)/float64(low))
		case d < 0:
			return 0
		case high > 0:
			return min(1, 0.5+0.4*float64(d)/float64(high))
		default:
			return 1
		}
	}
}

// Sooner is the chance by week of the earlier of two independent events, for
// example of a planned change and of a failure before it.
func Sooner(a, b []float64) []float64 {
	out := make([]float64, max(len(a), len(b)))
	leftA, leftB := 1.0, 1.0
	for w := range out {
		before := leftA * leftB
		if w < len(a) {
			leftA = max(0, leftA-a[w])
		}
		if w < len(b) {
			leftB = max(0, leftB-b[w])
		}
		out[w] = before - leftA*leftB
	}
	return out
}

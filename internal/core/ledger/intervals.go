package ledger

import (
	"time"

	"curetally/internal/core/plant"
)

// Interval is the amount of a curve within one interval.
type Interval struct {
	Start   time.Time
	Amount  int64
	Quality plant.Quality
}

// Intervals cuts a curve at interval borders aligned to UTC, from the interval
// that holds its beginning to the one that holds its end. The intervals follow
// each other without a gap, also where nothing accrued, and their amounts add up
// to the curve's total.
func Intervals(c Curve, interval time.Duration) []Interval {
	if len(c) == 0 {
		return nil
	}
	end := c[len(c)-1].To
	var out []Interval
	for start := c[0].From.Truncate(interval); start.Before(end); start = start.Add(interval) {
		amount, quality := c.Between(start, start.Add(interval))
		out = append(out, Interval{Start: start, Amount: amount, Quality: quality})
	}
	return out
}

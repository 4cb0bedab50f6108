package forecast

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// courses is how many courses of use are drawn for the spread.
const courses = 200

// Dates are local days on which a limit is reached. A zero day is beyond ten
// years.
type Dates struct {
	P10, P50, P90 time.Time
}

// Known says whether there is a date at all.
func (d Dates) Known() bool { return !d.P50.IsZero() }

// On gives a day that is certain.
func On(day time.Time) Dates { return Dates{day, day, day} }

// Seed makes a seed of words that name what is asked.
func Seed(words ...string) uint64 {
	h := fnv.New64a()
	for _, w := range words {
		h.Write([]byte(w))
		h.Write([]byte{0})
	}
	return h.Sum64()
}

// Due gives the days on which the amount that is left is used up, counting what is
// left of today first. P50 is the course of the mean rate, P10 and P90 are drawn.
// There are no dates without use.
func (h *Horizon) Due(left float64, r Rate, seed uint64) Dates {
	if !r.Any() {
		return Dates{}
	}
	steady := h.walk(left, func(d calendarDay) float64 { return r.mean[d.kind] * d.size })
	if steady < 0 {
		return Dates{}
	}
	days := h.draw(left, r, seed)
	low, high := days[courses/10-1], days[courses-courses/10]
	return Dates{P10: h.day(min(low, steady)), P50: h.day(steady), P90: h.day(max(high, steady))}
}

// never is the number of a day beyond ten years.
const never = math.MaxInt

// draw gives the numbers of the days on which the drawn courses reach the limit, in
// order.
func (h *Horizon) draw(left float64, r Rate, seed uint64) []int {
	rng := rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))
	order := rng.Perm(courses)
	days := make([]int, courses)
	for i := range days {
		// Each course has its own slice of the normal distribution, so that the
		// levels are spread evenly however few they are.
		z := distuv.UnitNormal.Quantile((float64(order[i]) + 0.5) / courses)
		if days[i] = h.walk(left, r.course(rng, z)); days[i] < 0 {
			days[i] = never
		}
	}
	slices.Sort(days)
	return days
}

// course gives a drawn course of use: blocks of days from the history, times a
// level that lies z standard deviations off the mean.
func (r *Rate) course(rng *rand.Rand, z float64) func(calendarDay) float64 {
	var at, left, worked int
	factor := 1.0
	return func(d calendarDay) float64 {
		if !d.kind.worked() {
			if free := r.free[d.kind]; len(free) > 0 {
				return free[rng.IntN(len(free))]
			}
			return 0
		}
		if len(r.shape) == 0 {
			return 0
		}
		if left == 0 || at == len(r.shape) {
			at, left = rng.IntN(len(r.shape)), blockDays
			s := r.wander(worked)
			factor = math.Exp(z*s - s*s/2)
		}
		left--
		worked++
		at++
		return r.mean[d.kind] * d.size * r.shape[at-1] * factor
	}
}

// wander is the relative standard deviation of the level some workdays ahead.
func (r *Rate) wander(workDays int) float64 {
	return math.Hypot(r.level, driftMost*math.Sqrt(1-math.Exp(-float64(workDays)/driftDays)))
}

// walk gives the number of the day on which the amount is used up, 0 for today,
// and -1 beyond ten years. The tolerance keeps 10 × 0.1 from needing an eleventh
// day.
func (h *Horizon) walk(left float64, amount func(calendarDay) float64) int {
	left -= 1e-9 * math.Max(1, math.Abs(left))
	if left -= amount(h.today) * h.left; left <= 0 {
		return 0
	}
	for n := 1; n <= horizonDays; n++ {
		if left -= amount(h.dayAfter(n)); left <= 0 {
			return n
		}
	}
	return -1
}

// day gives the local day of a number.
func (h *Horizon) day(n int) time.Time {
	switch n {
	case never:
		return time.Time{}
	case 0:
		return h.today.day
	default:
		return h.dayAfter(n).day
	}
}

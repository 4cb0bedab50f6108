package validation

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// History is what was measured in whole intervals around a gap, by the start of
// the interval in Unix seconds.
type History map[int64]int64

// Record is what a History is made of.
type Record struct {
	Entries  []plant.Entry
	From, To time.Time // of the register's first and last value, within what Entries hold
	// Sampled says that the register is estimated from power: then an interval
	// without an entry may be one without samples, and estimates are the best there is.
	Sampled bool
	Gaps    []Gap // intervals that they touch were not measured
}

// NewHistory takes the intervals that were measured whole. One without an entry was
// measured as nothing.
func NewHistory(p *plant.Plant, r Record) History {
	h, best := History{}, plant.QualityMeasured
	if r.Sampled {
		best = plant.QualityEstimated
	} else {
		for start := r.From.Add(p.Interval - 1).Truncate(p.Interval); !start.Add(p.Interval).After(r.To); start = start.Add(p.Interval) {
			h[start.Unix()] = 0
		}
	}
	spoilt := map[int64]bool{}
	for _, e := range r.Entries {
		if e.Start.Before(r.From) || e.Start.Add(p.Interval).After(r.To) {
			continue
		}
		h[e.Start.Unix()] += e.Amount
		if e.Quality > best {
			spoilt[e.Start.Unix()] = true
		}
	}
	for _, g := range r.Gaps {
		for _, part := range pieces(g, p.Interval) {
			spoilt[part.From.Truncate(p.Interval).Unix()] = true
		}
	}
	for key := range spoilt {
		delete(h, key)
	}
	return h
}

func (h History) at(start time.Time) (int64, bool) {
	v, ok := h[start.Unix()]
	return v, ok
}

const (
	// likeDays is how many days an estimate takes the mean of. Source: WA Electricity
	// Industry (Metering) Code 2012, appendix 3, takes like days; the number is From
	// memory: Ontario's rules average the previous 3 weeks.
	likeDays = 3
	// likeReach is how many days back and forth like days are looked for.
	likeReach = 56
)

// LikeReach is how far from a gap History is of use.
const LikeReach = likeReach * 24 * time.Hour

// like lists up to likeDays days like the day of some parts: days on which the plant
// works or not as on that, the same weekday first, then the nearest. Each was
// measured at the local time of every part.
func (h History) like(p *plant.Plant, day time.Time, parts []Part) []time.Time {
	type candidate struct {
		day  time.Time
		rank int
	}
	var all []candidate
	for n := -likeReach; n <= likeReach; n++ {
		other := p.Day(day, n)
		if n == 0 || p.WorkDay(other) != p.WorkDay(day) || !h.covers(p, other, parts) {
			continue
		}
		rank := max(2*n, -2*n-1) // of two as far away the one before
		if other.In(p.TimeZone).Weekday() != day.In(p.TimeZone).Weekday() {
			rank += 4 * likeReach
		}
		all = append(all, candidate{other, rank})
	}
	slices.SortFunc(all, func(a, b candidate) int { return cmp.Compare(a.rank, b.rank) })
	var out []time.Time
	for _, c := range all[:min(len(all), likeDays)] {
		out = append(out, c.day)
	}
	return out
}

// covers says whether a day was measured at the local time of every part.
func (h History) covers(p *plant.Plant, day time.Time, parts []Part) bool {
	for _, part := range parts {
		start := part.From.Truncate(p.Interval)
		same := wall(day, start, p)
		if _, ok := h.at(same); !ok || same.In(p.TimeZone).Format(time.TimeOnly) != start.In(p.TimeZone).Format(time.TimeOnly) {
			return false // not measured, or an hour that a clock change takes away
		}
	}
	return true
}

// wall is the instant of a day at which the clock on the wall shows what it shows
// at t.
func wall(day, t time.Time, p *plant.Plant) time.Time {
	y, m, d := day.In(p.TimeZone).Date()
	hour, minute, second := t.In(p.TimeZone).Clock()
	return time.Date(y, m, d, hour, minute, second, 0, p.TimeZone)
}

// Work is what a station does and with which light source.
type Work struct {
	State      plant.State
	Technology plant.Technology
}

// Rates is a register's mean amount per hour in each work of its station.
type Rates map[Work]float64

// NewRates takes the rates from the entries of a register and of the time of its
// station, over the intervals of a history.
func NewRates(h History, entries, times []plant.Entry) Rates {
	amounts, hours := map[Work]float64{}, map[Work]float64{}
	for _, e := range entries {
		if _, ok := h.at(e.Start); ok {
			amounts[Work{e.State, e.Technology}] += float64(e.Amount)
		}
	}
	for _, e := range times {
		if _, ok := h.at(e.Start); ok {
			hours[Work{e.State, e.Technology}] += float64(e.Amount) / float64(time.Hour.Milliseconds())
		}
	}
	r := Rates{}
	for w, h := range hours {
		if h > 0 && w.State != plant.StateUnknown {
			r[w] = max(amounts[w], 0) / h
		}
	}
	return r
}

// Apportion splits a whole amount in proportion to weights, by the largest
// remainder: the parts add up to it exactly, and none is farther from its share than
// one unit. Weights below zero and NaN count as zero; without any above zero the
// parts are equal. The result is empty for no weights.
func Apportion(amount int64, weights []float64) []int64 {
	if len(weights) == 0 {
		return nil
	}
	scaled, sum := scaledWeights(weights)
	size := uint64(amount)
	if amount < 0 {
		size = -size
	}
	out, rest := make([]int64, len(weights)), make([]uint64, len(weights))
	left := size
	for i, w := range scaled {
		hi, lo := bits.Mul64(size, w)
		q, r := bits.Div64(hi, lo, sum)
		out[i], rest[i] = int64(q), r
		left -= q
	}
	order := make([]int, len(weights))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(rest[b], rest[a]) })
	for _, i := range order[:left] {
		out[i]++
	}
	if amount < 0 {
		for i := range out {
			out[i] = -out[i]
		}
	}
	return out
}

// scaledWeights turns weights into whole numbers of at most 2^40, so that the sum
// of some million of them fits.
func scaledWeights(weights []float64) (scaled []uint64, sum uint64) {
	most := 0.0
	for _, w := range weights {
		if !math.IsNaN(w) && !math.IsInf(w, 0) {
			most = max(most, w)
		}
	}
	scaled = make([]uint64, len(weights))
	for i, w := range weights {
		switch {
		case most == 0:
			scaled[i] = 1
		case w > 0 && !math.IsInf(w, 0):
			scaled[i] = uint64(math.Round(w / most * (1 << 40)))
		}
		sum += scaled[i]
	}
	return scaled, sum
}

// whole rounds an amount to whole units, at most what an int64 holds.
func whole(v float64) int64 { return int64(math.Round(min(v, math.MaxInt64/2))) }

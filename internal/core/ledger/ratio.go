package ledger

import (
	"math"
	"math/bits"
	"time"

	"curetally/internal/core/plant"
)

// ratioAt is the ratio in force at an instant; 1/1 without any.
func ratioAt(ratios []plant.Ratio, t time.Time) plant.Ratio {
	now := plant.Ratio{Num: 1, Den: 1}
	for i, r := range ratios {
		if i == 0 || !r.From.After(t) {
			now = r
		}
	}
	return now
}

// times is v × r rounded towards zero, at most what an int64 holds.
func times(v int64, r plant.Ratio) int64 {
	if r.Num == r.Den {
		return v
	}
	q := int64(math.MaxInt64)
	if hi, lo := bits.Mul64(uint64(magnitude(v)), uint64(r.Num)); hi < uint64(r.Den) {
		if n, _ := bits.Div64(hi, lo, uint64(r.Den)); n < math.MaxInt64 {
			q = int64(n)
		}
	}
	if v < 0 {
		return -q
	}
	return q
}

// cutAtRatios cuts a segment, whose amount is by one ratio, where the ratio
// changes: each part accrues evenly by the register and counts with the
// ratio of its time.
func cutAtRatios(s Segment, ratios []plant.Ratio, by plant.Ratio) []Segment {
	if len(ratios) < 2 {
		return []Segment{s}
	}
	var out []Segment
	from := s.From
	add := func(to time.Time) {
		part := Segment{From: from, To: to, Quality: s.Quality, Amount: s.until(to) - s.until(from)}
		r := ratioAt(ratios, from)
		part.Amount = times(times(part.Amount, plant.Ratio{Num: by.Den, Den: by.Num}), r)
		out, from = append(out, part), to
	}
	for _, r := range ratios[1:] {
		if r.From.After(from) && r.From.Before(s.To) {
			add(r.From)
		}
	}
	if len(out) == 0 && ratioAt(ratios, from) == by {
		return []Segment{s}
	}
	add(s.To)
	return out
}

// Primary is a value that a register shows at an instant as a primary amount,
// behind the transformers of that time.
func Primary(r plant.Rules, value int64, t time.Time) int64 {
	return times(value, ratioAt(r.Ratios, t))
}

package ledger

import (
	"math/bits"
	"slices"
	"sort"
	"time"

	"curetally/internal/core/plant"
)

// Segment is a stretch [From, To) over which an amount accrues evenly.
type Segment struct {
	From, To time.Time
	Amount   int64 // never negative
	Quality  plant.Quality
}

// until is what accrues from the start of the segment to t, rounded down.
func (s Segment) until(t time.Time) int64 {
	if !t.After(s.From) {
		return 0
	}
	if !t.Before(s.To) {
		return s.Amount
	}
	// t - From < To - From, so the quotient is less than Amount.
	hi, lo := bits.Mul64(uint64(s.Amount), uint64(t.Sub(s.From)))
	q, _ := bits.Div64(hi, lo, uint64(s.To.Sub(s.From)))
	return int64(q)
}

// Curve is what a register has counted: segments in time order that do not
// overlap. A curve made of points is contiguous; nothing accrues in a hole.
// Sums above math.MaxInt64 wrap.
type Curve []Segment

// Total is the amount of the whole curve.
func (c Curve) Total() int64 {
	var sum int64
	for _, s := range c {
		sum += s.Amount
	}
	return sum
}

// from gives the index of the first segment that ends after t.
func (c Curve) from(t time.Time) int {
	return sort.Search(len(c), func(i int) bool { return c[i].To.After(t) })
}

// Between is the amount that accrued in [from, to) and the worst quality of the
// segments that it touches. Amounts of adjoining stretches add up exactly.
// Outside the curve nothing accrues; where it is not touched at all the quality
// is unknown.
func (c Curve) Between(from, to time.Time) (int64, plant.Quality) {
	var sum int64
	quality, touched := plant.QualityMeasured, false
	for _, s := range c[c.from(from):] {
		if !s.From.Before(to) {
			break
		}
		sum += s.until(to) - s.until(from)
		quality, touched = max(quality, s.Quality), true
	}
	if !touched || !from.Before(to) {
		return 0, plant.QualityUnknown
	}
	return sum, quality
}

// LookAhead is how many later values are asked before a fall of a register is
// taken for true.
const LookAhead = 3

// Build makes the curve of one register of its points and of the exchanges that
// people declared for it, and lists every step that was not normal. The order
// of the arguments does not matter; of points with the same instant the last
// given counts. The first point is the origin of the curve.
//
// Backsteps and implausible values are held out: the curve goes on from the
// last accepted value. A fall is taken for a reset or rollover unless later
// values prove it a glitch, by going on from the value before it and not from
// the fallen one; then it is implausible. A glitch of more than LookAhead
// values passes for a reset.
//
// At an exchange the old register runs to Final and the new one goes on from
// First, which makes two segments that meet there; a point at that very instant
// belongs to the new register, and its amount to the segment before. An
// exchange outside the points has no effect yet.
//
// A segment longer than MaxGap is interpolated. One that bridges a reset, an
// ambiguous step or an exchange whose Final cannot be true is unknown.
func Build(reg plant.RegisterID, r plant.Rules, points []Point, exchanges []plant.Exchange) (Curve, []plant.RegisterEvent) {
	points = inOrder(points)
	if len(points) == 0 {
		return nil, nil
	}
	exchanges = slices.SortedStableFunc(slices.Values(exchanges), func(a, b plant.Exchange) int { return a.At.Compare(b.At) })
	for len(exchanges) > 0 && !exchanges[0].At.After(points[0].At) {
		exchanges = exchanges[1:]
	}
	b := builder{reg: reg, rules: r, last: points[0], curve: make(Curve, 0, len(points)-1+len(exchanges))}
	for i, p := range points[1:] {
		for len(exchanges) > 0 && !exchanges[0].At.After(p.At) {
			b.exchange(exchanges[0])
			exchanges = exchanges[1:]
		}
		ahead := points[i+2 : min(i+2+LookAhead, len(points))]
		if len(exchanges) > 0 {
			ahead = before(ahead, exchanges[0].At)
		}
		b.take(p, ahead)
	}
	return b.curve, b.events
}

// inOrder sorts points by instant and keeps the last of each. It returns its
// argument when there is nothing to do.
func inOrder(points []Point) []Point {
	rising := true
	for i := 1; i < len(points) && rising; i++ {
		rising = points[i-1].At.Before(points[i].At)
	}
	if rising {
		return points
	}
	sorted := slices.SortedStableFunc(slices.Values(points), func(a, b Point) int { return a.At.Compare(b.At) })
	kept := sorted[:1]
	for _, p := range sorted[1:] {
		if last := &kept[len(kept)-1]; last.At.Equal(p.At) {
			*last = p
		} else {
			kept = append(kept, p)
		}
	}
	return kept
}

// before cuts points off from the instant on.
func before(points []Point, t time.Time) []Point {
	n := slices.IndexFunc(points, func(p Point) bool { return !p.At.Before(t) })
	if n < 0 {
		return points
	}
	return points[:n]
}

// builder walks over the points of one register.
type builder struct {
	reg    plant.RegisterID
	rules  plant.Rules
	last   Point // last accepted value, the end of the curve
	curve  Curve
	events []plant.RegisterEvent
}

// take judges one point and accepts it or holds it out.
func (b *builder) take(p Point, ahead []Point) {
	kind, amount := Step(b.rules, b.last, p)
	if b.glitch(kind, p, ahead) {
		kind, amount = plant.StepImplausible, 0
	}
	if kind != plant.StepNormal {
		b.note(p.At, kind, b.last.Value, p.Value)
	}
	if kind != plant.StepBackstep && kind != plant.StepImplausible {
		b.advance(p, kind, amount)
	}
}

// exchange ends the old register and begins the new one.
func (b *builder) exchange(e plant.Exchange) {
	old := Point{At: e.At, Value: e.Final}
	kind, amount := Step(b.rules, b.last, old)
	b.advance(old, kind, amount)
	b.note(e.At, plant.StepExchange, e.Final, e.First)
	b.last.Value = e.First
}

func (b *builder) note(at time.Time, kind plant.StepKind, before, after int64) {
	b.events = append(b.events, plant.RegisterEvent{Register: b.reg, At: at, Kind: kind, Before: before, After: after})
}

// advance takes the curve to p. A point at the instant of an exchange makes no
// segment of its own: its amount joins the one that ends there.
func (b *builder) advance(p Point, kind plant.StepKind, amount int64) {
	s := Segment{From: b.last.At, To: p.At, Amount: amount}
	switch kind {
	case plant.StepNormal, plant.StepRollover:
		if b.rules.MaxGap > 0 && p.At.Sub(b.last.At) > b.rules.MaxGap {
			s.Quality = plant.QualityInterpolated
		}
	default:
		s.Quality = plant.QualityUnknown
	}
	if n := len(b.curve); n > 0 && !s.To.After(s.From) {
		b.curve[n-1].Amount += s.Amount
		b.curve[n-1].Quality = max(b.curve[n-1].Quality, s.Quality)
	} else {
		b.curve = append(b.curve, s)
	}
	b.last = p
}

// glitch says whether later values prove p wrong: one of them goes on from the
// last accepted value and cannot have come after p and what followed it.
//
// Without a limit nothing is too much for a rise, so there a fall counts as
// undone when one step takes the register back, and a rise is asked as well: it
// is a glitch when the very next value falls back to where it came from.
func (b *builder) glitch(kind plant.StepKind, p Point, ahead []Point) bool {
	limited, fell := b.rules.MaxPerHour > 0, p.Value < b.last.Value
	switch {
	case len(ahead) == 0 || kind == plant.StepBackstep || kind == plant.StepImplausible:
		return false
	case !fell && limited:
		return false
	case !fell:
		ahead = ahead[:1]
	}
	on := p
	for _, q := range ahead {
		switch k, _ := Step(b.rules, on, q); k {
		case plant.StepNormal, plant.StepRollover, plant.StepAmbiguous:
			undone := !limited && fell && q.Value >= b.last.Value && q.Value-on.Value >= b.last.Value/10*9
			if !undone {
				on = q
				continue
			}
		case plant.StepBackstep:
			continue
		}
		if k, _ := Step(b.rules, b.last, q); k == plant.StepNormal || k == plant.StepRollover {
			return true
		}
	}
	return false
}

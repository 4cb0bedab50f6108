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
	Amount   int64 // negative only of a net register
	Quality  plant.Quality
}

// until is what accrues from the start of the segment to t, rounded towards zero.
func (s Segment) until(t time.Time) int64 {
	if !t.After(s.From) {
		return 0
	}
	if !t.Before(s.To) {
		return s.Amount
	}
	return share(s.Amount, uint64(t.Sub(s.From)), uint64(s.To.Sub(s.From)))
}

// share is amount × part / whole, rounded towards zero; part is less than whole.
func share(amount int64, part, whole uint64) int64 {
	// The quotient is less than |amount|.
	hi, lo := bits.Mul64(uint64(magnitude(amount)), part)
	q, _ := bits.Div64(hi, lo, whole)
	if amount < 0 {
		return -int64(q)
	}
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

// Acts are what people declared and ruled about one register, in any order.
type Acts struct {
	Exchanges []plant.Exchange
	// Rulings are about readings by their instant; of several about one reading
	// the last recorded counts.
	Rulings []plant.Ruling
}

// Build makes the curve of one register of its points, as the meter shows them,
// and of what people did about it, and lists every step that was not normal. The
// order of the arguments does not matter; of points with the same instant the
// last given counts. The first point that was not discarded is the origin of the
// curve.
//
// Backsteps and implausible values are held out: the curve goes on from the
// last accepted value. A fall is taken for a reset or rollover unless later
// values prove it a glitch, by going on from the value before it and not from
// the fallen one; then it is implausible. A glitch of more than LookAhead
// values passes for a reset.
//
// A ruling wins over every rule: an accepted value counts with all that it rose,
// a discarded one is as good as absent, and at one that restarts the register
// the curve goes on with an amount of 0 of unknown quality.
//
// At an exchange the old register runs to Final and the new one goes on from
// First, which makes two segments that meet there; a point at that very instant
// belongs to the new register, and its amount to the segment before. An
// exchange outside the points has no effect yet.
//
// Two values are compared with the ratio of the later one. Where the ratio
// changes between them, the register is taken to have run evenly, and what it ran
// before the change counts with the ratio before: the segment is cut there.
//
// A segment longer than MaxGap is interpolated. One that bridges a reset, an
// ambiguous step or an exchange whose Final cannot be true is unknown.
func Build(reg plant.RegisterID, r plant.Rules, points []Point, acts Acts) (Curve, []plant.RegisterEvent) {
	b := builder{reg: reg, rules: r, verdicts: verdicts(acts.Rulings)}
	points = b.discard(inOrder(points))
	if len(points) == 0 {
		return nil, b.events
	}
	exchanges := slices.SortedStableFunc(slices.Values(acts.Exchanges), func(a, b plant.Exchange) int { return a.At.Compare(b.At) })
	for len(exchanges) > 0 && !exchanges[0].At.After(points[0].At) {
		exchanges = exchanges[1:]
	}
	discarded := len(b.events)
	b.last, b.curve = points[0], make(Curve, 0, len(points)-1+len(exchanges))
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
	if discarded > 0 {
		slices.SortStableFunc(b.events, func(x, y plant.RegisterEvent) int { return x.At.Compare(y.At) })
	}
	return b.curve, b.events
}

// verdicts gives the verdict that counts by the instant of its reading, in Unix
// microseconds; nil without rulings.
func verdicts(rulings []plant.Ruling) map[int64]plant.Verdict {
	if len(rulings) == 0 {
		return nil
	}
	newest := map[int64]plant.Ruling{}
	for _, r := range rulings {
		key := r.At.UnixMicro()
		if old, ok := newest[key]; !ok || !r.Recorded.Before(old.Recorded) {
			newest[key] = r
		}
	}
	out := make(map[int64]plant.Verdict, len(newest))
	for key, r := range newest {
		out[key] = r.Verdict
	}
	return out
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
	reg      plant.RegisterID
	rules    plant.Rules
	verdicts map[int64]plant.Verdict // by Unix microseconds
	last     Point                   // last accepted value, the end of the curve
	curve    Curve
	events   []plant.RegisterEvent
}

// discard gives the points that no ruling has discarded and notes the others.
func (b *builder) discard(points []Point) []Point {
	if len(b.verdicts) == 0 {
		return points
	}
	kept := make([]Point, 0, len(points))
	for _, p := range points {
		if b.verdicts[p.At.UnixMicro()] != plant.VerdictDiscard {
			kept = append(kept, p)
			continue
		}
		before := p
		if n := len(kept); n > 0 {
			before = kept[n-1]
		}
		b.note(p.At, plant.StepDiscarded, b.primary(before, p.At), b.primary(p, p.At))
	}
	return kept
}

// step judges two values with the ratio of the later one.
func (b *builder) step(prev, next Point) (plant.StepKind, int64) { return b.judge(prev, next, next.At) }

// judge judges two values with the ratio at t.
func (b *builder) judge(prev, next Point, t time.Time) (plant.StepKind, int64) {
	x, y := b.pair(prev, next, t)
	return Step(b.rules, x, y)
}

// pair gives two points as primary amounts, with the ratio at an instant.
func (b *builder) pair(prev, next Point, t time.Time) (x, y Point) {
	if len(b.rules.Ratios) == 0 {
		return prev, next
	}
	ratio := ratioAt(b.rules.Ratios, t)
	next.Modulus = times(modulus(b.rules, prev, next), ratio)
	prev.Value, next.Value = times(prev.Value, ratio), times(next.Value, ratio)
	return prev, next
}

// primary is the value of a point as a primary amount, with the ratio at t.
func (b *builder) primary(p Point, t time.Time) int64 {
	return times(p.Value, ratioAt(b.rules.Ratios, t))
}

// take judges one point and accepts it or holds it out.
func (b *builder) take(p Point, ahead []Point) {
	kind, amount := b.step(b.last, p)
	switch b.verdicts[p.At.UnixMicro()] {
	case plant.VerdictAccept:
		kind, amount = plant.StepRuled, b.acceptedAmount(p)
	case plant.VerdictRestart:
		b.note(p.At, plant.StepRuled, b.primary(b.last, p.At), b.primary(p, p.At))
		b.advance(p, plant.StepReset, 0, p.At)
		return
	default:
		if b.glitch(kind, p, ahead) {
			kind, amount = plant.StepImplausible, 0
		}
	}
	if kind != plant.StepNormal {
		b.note(p.At, kind, b.primary(b.last, p.At), b.primary(p, p.At))
	}
	if kind != plant.StepBackstep && kind != plant.StepImplausible {
		b.advance(p, kind, amount, p.At)
	}
}

// acceptedAmount is what accrued to a value that a person accepted: the rise, with
// the modulus where the register fell and can have passed it, else what it shows
// now.
func (b *builder) acceptedAmount(p Point) int64 {
	x, y := b.pair(b.last, p, p.At)
	d, mod := y.Value-x.Value, modulus(b.rules, x, y)
	switch {
	case d >= 0 || b.rules.Net:
		return d
	case wraps(mod, x, y):
		return d + mod
	default:
		return max(y.Value, 0)
	}
}

// exchange ends the old register and begins the new one. The old one ends with the
// ratio from before the exchange, in which the transformers may have changed too.
func (b *builder) exchange(e plant.Exchange) {
	old, before := Point{At: e.At, Value: e.Final}, e.At.Add(-time.Microsecond)
	kind, amount := b.judge(b.last, old, before)
	b.advance(old, kind, amount, before)
	b.last.Value = e.First
	b.note(e.At, plant.StepExchange, b.primary(old, before), b.primary(b.last, e.At))
}

func (b *builder) note(at time.Time, kind plant.StepKind, before, after int64) {
	b.events = append(b.events, plant.RegisterEvent{Register: b.reg, At: at, Kind: kind, Before: before, After: after})
}

// advance takes the curve to p, with an amount by the ratio at t. A point at the instant of an exchange makes no
// segment of its own: its amount joins the one that ends there.
func (b *builder) advance(p Point, kind plant.StepKind, amount int64, t time.Time) {
	s := Segment{From: b.last.At, To: p.At, Amount: amount}
	switch kind {
	case plant.StepNormal, plant.StepRollover, plant.StepRuled:
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
		b.curve = append(b.curve, cutAtRatios(s, b.rules.Ratios, ratioAt(b.rules.Ratios, t))...)
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
	case b.rules.Net && kind == plant.StepNormal:
		return false // a fall is as true as a rise
	case !fell && limited:
		return false
	case !fell:
		ahead = ahead[:1]
	}
	on := p
	for _, q := range ahead {
		switch k, _ := b.step(on, q); k {
		case plant.StepNormal, plant.StepRollover, plant.StepAmbiguous:
			undone := !limited && fell && !b.rules.Net && q.Value >= b.last.Value && q.Value-on.Value >= b.last.Value/10*9
			if !undone {
				on = q
				continue
			}
		case plant.StepBackstep:
			continue
		}
		if k, _ := b.step(b.last, q); k == plant.StepNormal || k == plant.StepRollover {
			return true
		}
	}
	return false
}

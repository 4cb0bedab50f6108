package validation

import (
	"fmt"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
)

// Method is how an estimate was made.
type Method string

// The methods, in the order in which they are tried.
const (
	// MethodPower: samples of the meter's own power leave no longer gap.
	MethodPower Method = "power samples"
	// MethodCheck: a second meter of the same load was read all the time.
	MethodCheck Method = "check meter"
	// MethodLine: a straight line between the intervals on both sides.
	MethodLine Method = "straight line"
	// MethodLikeDays: the mean of days of the same type at the same local time.
	MethodLikeDays Method = "like days"
	// MethodModel: mean power in each state, for the states of the station.
	MethodModel Method = "driver model"
	// MethodCounted: nothing is known but the register's difference; as the ledger
	// spreads it.
	MethodCounted Method = "as counted"
	// MethodNone: there is nothing to estimate from.
	MethodNone Method = "none"
)

// Sources are what an estimate may be made from; what there is not is left zero.
type Sources struct {
	// Samples of the meter's own power in watts, in order of time, and the longest
	// distance between them that is bridged.
	Samples []plant.Signal
	MaxGap  time.Duration
	// Check is the curve of a check meter of the same load.
	Check ledger.Curve
	// Line is the longest gap that a straight line may bridge.
	Line    time.Duration
	History History
	// Spans are the states of the station. A planned stop is a span in StateOff.
	Spans []plant.Span
	Rates Rates
	// Counted is the register's curve as counted; for a gap of known amount.
	Counted ledger.Curve
}

// Part is a piece of a gap within one interval.
type Part struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Amount int64     `json:"amount"`
}

// Estimate is a proposal for one gap.
type Estimate struct {
	Gap    Gap
	Method Method
	// Basis says in words what the estimate stands on.
	Basis string
	// Quality is interpolated where the amount of the gap is exact, else estimated;
	// unknown without any method.
	Quality plant.Quality
	// Parts tile the gap. They add up to its amount exactly where that is known, and
	// to no less than the amount otherwise. None without a method.
	Parts []Part
}

// Total is the sum of the parts.
func (e *Estimate) Total() int64 {
	var sum int64
	for _, p := range e.Parts {
		sum += p.Amount
	}
	return sum
}

// maker makes the estimate of one gap.
type maker struct {
	plant *plant.Plant
	gap   Gap
	s     Sources
	parts []Part
}

// Make proposes an estimate for a gap.
func Make(p *plant.Plant, g Gap, s Sources) Estimate {
	m := &maker{plant: p, gap: g, s: s, parts: pieces(g, p.Interval)}
	for _, try := range []struct {
		method Method
		weigh  func() (weights []float64, basis string)
	}{
		{MethodPower, m.byPower}, {MethodCheck, m.byCheck}, {MethodLine, m.byLine}, {MethodLikeDays, m.byLikeDays}, {MethodModel, m.byModel},
	} {
		if w, basis := try.weigh(); w != nil {
			return m.estimate(try.method, basis, w)
		}
	}
	if !g.Known {
		return Estimate{Gap: g, Method: MethodNone, Basis: "nothing to estimate from", Quality: plant.QualityUnknown}
	}
	e := Estimate{Gap: g, Method: MethodCounted, Basis: "over the time in which the station was not known to be off", Quality: plant.QualityInterpolated, Parts: m.parts}
	for i := range e.Parts {
		e.Parts[i].Amount, _ = s.Counted.Between(e.Parts[i].From, e.Parts[i].To)
	}
	return e
}

// estimate turns weights, which are amounts as far as the method tells them, into
// parts.
func (m *maker) estimate(method Method, basis string, weights []float64) Estimate {
	e := Estimate{Gap: m.gap, Method: method, Basis: basis, Quality: plant.QualityEstimated, Parts: m.parts}
	var sum float64
	for _, w := range weights {
		sum += max(w, 0)
	}
	scaled := m.gap.Known
	if m.gap.Known {
		e.Quality = plant.QualityInterpolated
		e.Basis += "; the amount is exact, only its shape is estimated"
	} else if scaled = sum < float64(m.gap.Amount); scaled {
		e.Basis += "; raised to what is known to have accrued at least"
	}
	if !scaled {
		for i, w := range weights {
			e.Parts[i].Amount = whole(max(w, 0))
		}
		return e
	}
	if sum == 0 {
		for i, p := range e.Parts {
			weights[i] = p.To.Sub(p.From).Seconds()
		}
	}
	for i, v := range Apportion(m.gap.Amount, weights) {
		e.Parts[i].Amount = v
	}
	return e
}

// pieces cuts a gap at the borders of intervals.
func pieces(g Gap, interval time.Duration) []Part {
	var out []Part
	for from := g.From; from.Before(g.To); {
		to := g.To
		if interval > 0 {
			to = plant.Earlier(to, from.Truncate(interval).Add(interval))
		}
		out = append(out, Part{From: from, To: to})
		from = to
	}
	return out
}

// byPower weighs by the meter's own samples, where the ledger would.
func (m *maker) byPower() ([]float64, string) {
	if !ledger.Sampled(ledger.Segment{From: m.gap.From, To: m.gap.To}, m.s.Samples, m.s.MaxGap) {
		return nil, ""
	}
	const basis = "samples of the meter's own power"
	if m.gap.Known {
		return m.between(m.s.Counted), basis
	}
	return m.between(ledger.PowerCurve(m.s.Samples, m.s.MaxGap, m.plant.Interval)), basis
}

// byCheck weighs by the check meter, which must have been read all the time.
func (m *maker) byCheck() ([]float64, string) {
	at := m.gap.From
	for _, s := range m.s.Check {
		if !s.To.After(at) {
			continue
		}
		if s.From.After(at) || s.Quality != plant.QualityMeasured {
			return nil, ""
		}
		if at = s.To; !at.Before(m.gap.To) {
			return m.between(m.s.Check), "check meter"
		}
	}
	return nil, ""
}

func (m *maker) between(c ledger.Curve) []float64 {
	w := make([]float64, len(m.parts))
	for i, p := range m.parts {
		v, _ := c.Between(p.From, p.To)
		w[i] = float64(v)
	}
	return w
}

// byLine weighs by a straight line between the mean power of the whole intervals
// on both sides of a short gap. No line leads over a known shutdown.
func (m *maker) byLine() ([]float64, string) {
	iv := m.plant.Interval
	before, after := m.gap.From.Truncate(iv).Add(-iv), m.gap.To.Truncate(iv)
	if after.Before(m.gap.To) {
		after = after.Add(iv)
	}
	a, okA := m.s.History.at(before)
	b, okB := m.s.History.at(after)
	if m.gap.To.Sub(m.gap.From) > m.s.Line || !okA || !okB || m.shut(m.gap.From, m.gap.To) > 0 {
		return nil, ""
	}
	w := make([]float64, len(m.parts))
	run := float64(after.Sub(before))
	for i, p := range m.parts {
		middle := p.From.Add(p.To.Sub(p.From) / 2)
		x := float64(middle.Sub(before.Add(iv/2))) / run
		w[i] = (float64(a) + (float64(b)-float64(a))*x) * float64(p.To.Sub(p.From)) / float64(iv)
	}
	return w, "straight line between the intervals on both sides"
}

// byLikeDays weighs each part by the mean of like days at the same local time, for
// the time in which the station may have run.
func (m *maker) byLikeDays() ([]float64, string) {
	w := make([]float64, len(m.parts))
	fewest := 0
	for i := 0; i < len(m.parts); {
		day := m.plant.Day(m.parts[i].From, 0)
		n := i
		for n < len(m.parts) && m.plant.Day(m.parts[n].From, 0).Equal(day) {
			n++
		}
		days := m.s.History.like(m.plant, day, m.parts[i:n])
		if len(days) == 0 {
			return nil, ""
		}
		if fewest == 0 || len(days) < fewest {
			fewest = len(days)
		}
		for j, p := range m.parts[i:n] {
			var sum float64
			for _, d := range days {
				v, _ := m.s.History.at(wall(d, p.From.Truncate(m.plant.Interval), m.plant))
				sum += float64(v)
			}
			w[i+j] = sum/float64(len(days))*m.runningShare(p) + m.atRest(p)
		}
		i = n
	}
	if fewest == 1 {
		return w, "one like day"
	}
	return w, fmt.Sprintf("mean of %d like days", fewest)
}

// runningShare is the share of a whole interval in which, within the part, the
// station was not known to be shut down.
func (m *maker) runningShare(p Part) float64 {
	return float64(p.To.Sub(p.From)-m.shut(p.From, p.To)) / float64(m.plant.Interval)
}

// shut is how long a station was known to be shut down.
func (m *maker) shut(from, to time.Time) time.Duration {
	return inStates(m.s.Spans, from, to, func(s plant.State) bool { return !ledger.Runs(s) })
}

// atRest is what is taken in the shut-down part of a piece.
func (m *maker) atRest(p Part) float64 {
	var sum float64
	for _, s := range m.s.Spans {
		if a, b := plant.Later(s.From, p.From), plant.Earlier(s.To, p.To); a.Before(b) && !ledger.Runs(s.State) {
			sum += m.s.Rates[Work{s.State, s.Technology}] * b.Sub(a).Hours()
		}
	}
	return sum
}

// byModel weighs by the mean power in the states of the station. It needs every
// state of the gap to be known, with its power.
func (m *maker) byModel() ([]float64, string) {
	w := make([]float64, len(m.parts))
	for i, p := range m.parts {
		var known time.Duration
		for _, s := range m.s.Spans {
			a, b := plant.Later(s.From, p.From), plant.Earlier(s.To, p.To)
			if !a.Before(b) {
				continue
			}
			rate, ok := m.s.Rates[Work{s.State, s.Technology}]
			if !ok || s.State == plant.StateUnknown {
				return nil, ""
			}
			w[i] += rate * b.Sub(a).Hours()
			known += b.Sub(a)
		}
		if known != p.To.Sub(p.From) {
			return nil, ""
		}
	}
	return w, "mean power in each state of the station"
}

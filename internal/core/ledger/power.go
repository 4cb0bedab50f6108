package ledger

import (
	"math"
	"time"

	"curetally/internal/core/plant"
)

// PowerCurve estimates energy in milliwatt-hours from samples of power in watts,
// in order of time, by the trapezoidal rule. Samples farther apart than maxGap
// are bridged with nothing, of unknown quality, a lower bound; everything else is
// estimated, never measured. Power below zero counts as none. Each segment between
// samples is cut at the borders of intervals, with the power there on the straight
// line, so that a ramp falls into its intervals as it ran.
//
// Source: the composite trapezoidal rule.
func PowerCurve(samples []plant.Signal, maxGap, interval time.Duration) Curve {
	var curve Curve
	for i := 1; i < len(samples); i++ {
		a, b := samples[i-1], samples[i]
		switch {
		case maxGap > 0 && b.At.Sub(a.At) > maxGap:
			curve = append(curve, Segment{From: a.At, To: b.At, Quality: plant.QualityUnknown})
		case b.At.After(a.At):
			curve = ramp(curve, a, b, interval)
		}
	}
	return curve
}

// ramp adds the trapezoid between two samples, cut at the borders of intervals.
func ramp(curve Curve, a, b plant.Signal, interval time.Duration) Curve {
	pa, pb, whole := max(a.Value, 0), max(b.Value, 0), b.At.Sub(a.At).Seconds()
	at := func(t time.Time) float64 { return pa + (pb-pa)*t.Sub(a.At).Seconds()/whole }
	for from := a.At; from.Before(b.At); {
		to := b.At
		if interval > 0 {
			to = plant.Earlier(to, from.Truncate(interval).Add(interval))
		}
		mWh := (at(from) + at(to)) / 2 * to.Sub(from).Hours() * 1000
		curve = append(curve, Segment{From: from, To: to, Amount: int64(math.Round(min(mWh, math.MaxInt64/2))), Quality: plant.QualityEstimated})
		from = to
	}
	return curve
}

// SamplingError is the standard error in milliwatt-hours of the energy that
// PowerCurve gives for samples, as far as they are independent of each other and
// of the load: s/√n of their mean power, over their time. NaN for fewer than two
// samples. Source: standard error of a mean; a load that is on for the share q of
// the time at P watts makes it P·√(q(1-q)/n).
func SamplingError(samples []plant.Signal) float64 {
	n := float64(len(samples))
	if n < 2 {
		return math.NaN()
	}
	var sum, squares float64
	for _, s := range samples {
		sum += s.Value
	}
	mean := sum / n
	for _, s := range samples {
		squares += (s.Value - mean) * (s.Value - mean)
	}
	hours := samples[len(samples)-1].At.Sub(samples[0].At).Hours()
	return math.Sqrt(squares/n/n) * hours * 1000
}

// Shape spreads the amount of a segment that bridges a gap over the time in
// between. The amount stays exactly what the register says; only when it accrued
// is estimated, and the quality says so.
//
// In this order: by samples of power in watts where they leave no longer gap than
// maxGap; else over the time in which the station was not known to be off, cooling
// or in fault, because nothing runs across a known shutdown; else evenly. Samples
// and spans are in order of time; those outside the segment do no harm.
func Shape(s Segment, samples []plant.Signal, spans []plant.Span, maxGap time.Duration) []Segment {
	weights := byPower(s, samples, maxGap)
	if weights == nil {
		weights = byState(s, spans)
	}
	var total uint64
	for _, w := range weights {
		total += w.amount
	}
	if total == 0 {
		return []Segment{s}
	}
	out := make([]Segment, 0, len(weights))
	var sofar uint64
	var given int64
	for _, w := range weights {
		sofar += w.amount
		upTo := s.Amount
		if sofar < total {
			upTo = share(s.Amount, sofar, total)
		}
		out = append(out, Segment{From: w.from, To: w.to, Amount: upTo - given, Quality: s.Quality})
		given = upTo
	}
	return out
}

// Sampled says whether Shape spreads a segment by samples of power, because they
// leave no longer gap than maxGap in it.
func Sampled(s Segment, samples []plant.Signal, maxGap time.Duration) bool {
	return byPower(s, samples, maxGap) != nil
}

// weight is how much of a segment's amount belongs to a part of its time, in any
// unit.
type weight struct {
	from, to time.Time
	amount   uint64
}

// byPower weighs by the trapezoids between samples, which hold at the ends of the
// segment what the outermost say; nil where they leave a longer gap than maxGap.
func byPower(s Segment, samples []plant.Signal, maxGap time.Duration) []weight {
	var out []weight
	from, before := s.From, math.NaN()
	add := func(to time.Time, now float64) bool {
		if maxGap > 0 && to.Sub(from) > maxGap {
			return false
		}
		if math.IsNaN(before) {
			before = now
		}
		if to.After(from) {
			watts := min((before+now)/2, 1e9)
			out = append(out, weight{from, to, uint64(watts * to.Sub(from).Seconds())})
		}
		from, before = to, now
		return true
	}
	for _, v := range samples {
		if v.At.Before(s.From) || !v.At.Before(s.To) {
			continue
		}
		if !add(v.At, max(v.Value, 0)) {
			return nil
		}
	}
	if math.IsNaN(before) || !add(s.To, before) {
		return nil
	}
	return out
}

// byState weighs by time, but for what is known to be a standstill.
func byState(s Segment, spans []plant.Span) []weight {
	var out []weight
	from := s.From
	add := func(to time.Time, runs bool) {
		if !to.After(from) {
			return
		}
		w := weight{from: from, to: to}
		if runs {
			w.amount = uint64(to.Sub(from) / time.Microsecond)
		}
		out, from = append(out, w), to
	}
	for _, p := range spans {
		if !p.To.After(from) {
			continue
		}
		if !p.From.Before(s.To) {
			break
		}
		add(plant.Later(p.From, from), true) // nothing is known of the time before
		add(plant.Earlier(p.To, s.To), Runs(p.State))
	}
	add(s.To, true)
	return out
}

// Runs says whether a station in this state may use more than its standby.
func Runs(s plant.State) bool {
	return s != plant.StateOff && s != plant.StateCooling && s != plant.StateFault
}

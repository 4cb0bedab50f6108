package validation

import (
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
)

// Gap is a stretch of time [From, To) without readings.
type Gap struct {
	From, To time.Time
	// Known says that Amount is exact, because the register counted on. Otherwise it
	// is a lower bound.
	Known  bool
	Amount int64
}

// timed says whether the register is told by the states of a station.
func (e *Evidence) timed() bool {
	return e.Register.Curve == plant.FromEvents || e.Register.Curve == plant.FromTimeline
}

// Gaps lists what is missing within the stretch, in order of time. A gap between
// two readings is given whole, also where it reaches out of the stretch.
func (e *Evidence) Gaps() []Gap {
	if e.timed() {
		return e.silences()
	}
	limit := e.Register.Rules.MaxGap
	if limit <= 0 {
		return nil
	}
	if len(e.Curve) == 0 {
		return []Gap{{From: e.From, To: e.To}}
	}
	var out []Gap
	if first := e.Curve[0].From; first.Sub(e.From) > limit {
		out = append(out, Gap{From: e.From, To: plant.Earlier(first, e.To)})
	}
	for _, s := range e.Curve {
		if s.To.Sub(s.From) > limit && s.From.Before(e.To) && s.To.After(e.From) {
			out = append(out, Gap{From: s.From, To: s.To, Known: s.Quality == plant.QualityInterpolated, Amount: s.Amount})
		}
	}
	if last := e.Curve[len(e.Curve)-1].To; e.To.Sub(last) > limit {
		out = append(out, Gap{From: plant.Later(last, e.From), To: e.To})
	}
	return out
}

// silences are stretches in which the state of the station is not known.
func (e *Evidence) silences() []Gap {
	st, _ := e.Plant.FindStation(e.Register.Station)
	var out []Gap
	add := func(from, to time.Time) {
		from, to = plant.Later(from, e.From), plant.Earlier(to, e.To)
		switch n := len(out); {
		case !from.Before(to):
		case n > 0 && out[n-1].To.Equal(from):
			out[n-1].To = to
		default:
			out = append(out, Gap{From: from, To: to})
		}
	}
	at := e.From
	for _, s := range e.Spans {
		if !s.From.Before(e.To) {
			break
		}
		if s.From.After(at) {
			add(at, s.From)
		}
		if s.State == plant.StateUnknown {
			add(s.From, s.To)
		}
		at = plant.Later(at, s.To)
	}
	// The timeline ends with the last message; the next may still come.
	if e.To.Sub(at) > st.Silence {
		add(at, e.To)
	}
	return out
}

// Completeness is the share of the intervals of the stretch that no gap touches.
func (e *Evidence) Completeness() float64 {
	all, whole := 0, 0
	gaps := e.Gaps()
	for start := e.From; start.Before(e.To); start = start.Add(e.Plant.Interval) {
		end := start.Add(e.Plant.Interval)
		for len(gaps) > 0 && !gaps[0].To.After(start) {
			gaps = gaps[1:]
		}
		all++
		if len(gaps) == 0 || !gaps[0].From.Before(end) {
			whole++
		}
	}
	if all == 0 {
		return 0
	}
	return float64(whole) / float64(all)
}

// WithStops fills what a station does not tell with planned stops, in which
// nothing runs: where its state is unknown, or there is no station. Spans and stops
// are in order of time; what the station told wins.
func WithStops(spans []plant.Span, stops []plant.PlannedStop) []plant.Span {
	out := slices.DeleteFunc(slices.Clone(spans), func(s plant.Span) bool { return s.State == plant.StateUnknown })
	told := slices.Clone(out)
	var last time.Time
	for _, stop := range stops {
		at := plant.Later(stop.From, last)
		for _, s := range told {
			if s.To.After(at) && s.From.Before(stop.To) {
				if at.Before(s.From) {
					out = append(out, plant.Span{From: at, To: s.From, State: plant.StateOff, Quality: plant.QualityInferred})
				}
				at = s.To
			}
		}
		if at.Before(stop.To) {
			out = append(out, plant.Span{From: at, To: stop.To, State: plant.StateOff, Quality: plant.QualityInferred})
		}
		last = plant.Later(last, stop.To)
	}
	slices.SortFunc(out, func(a, b plant.Span) int { return a.From.Compare(b.From) })
	return out
}

// Standstill is a stretch in which a register stood while energy flowed.
type Standstill struct {
	From, To time.Time
	Energy   int64 // that the samples of power give, mWh; a lower bound
}

const (
	// leastStandstill is how long a register must have stood: many meters renew
	// their registers only now and then.
	leastStandstill = 10 * time.Minute
	// clearSteps is how many steps of the register the energy must make up.
	clearSteps = 5
	// leastCuring is how long a station must have cured at a register that stands,
	// where there are no samples of power, and leastShare what it then takes of the
	// rated power at the very least. Common practice, no source.
	leastCuring = time.Hour
	leastShare  = 0.01
)

// Standstills lists the stretches of a curve in which nothing accrued though the
// samples of power give many steps of the register. Samples farther apart than
// maxGap count for nothing.
func Standstills(c ledger.Curve, samples []plant.Signal, resolution int64, maxGap time.Duration) []Standstill {
	power := ledger.PowerCurve(samples, maxGap, 0)
	var out []Standstill
	for _, r := range resting(c) {
		energy, _ := power.Between(r.From, r.To)
		if energy > clearSteps*max(resolution, 1) {
			out = append(out, Standstill{r.From, r.To, energy})
		}
	}
	return out
}

// resting lists the stretches of a curve in which nothing accrued for long.
func resting(c ledger.Curve) []ledger.Segment {
	var out []ledger.Segment
	var run ledger.Segment
	for i, s := range c {
		if s.Amount == 0 {
			if run.To.IsZero() {
				run = s
			}
			run.To = s.To
		}
		if (s.Amount != 0 || i == len(c)-1) && !run.To.IsZero() {
			if run.To.Sub(run.From) >= leastStandstill {
				out = append(out, run)
			}
			run = ledger.Segment{}
		}
	}
	return out
}

// standstills tells where the register stood while power flowed or, without
// samples, while its station cured.
func (e *Evidence) standstills() []Finding {
	if e.Register.Quantity != plant.QuantityEnergy || e.Register.Curve != plant.FromReadings || e.Register.Part || e.Register.Rules.Net {
		return nil
	}
	var out []Finding
	add := func(from, to time.Time, why string) {
		if !from.Before(e.To) || !to.After(e.From) {
			return
		}
		f := e.finding(CheckStuck, from, to)
		f.Seen = fmt.Sprintf("the register stood for %s while %s", words(to.Sub(from)), why)
		f.Expected = fmt.Sprintf("a register that moves in steps of %s", e.amount(e.Resolution))
		f.Remedy = StuckRemedy
		out = append(out, f)
	}
	if len(e.Samples) > 0 {
		for _, s := range Standstills(e.Curve, e.Samples, e.Resolution, e.Register.Rules.MaxGap) {
			add(s.From, s.To, "its power samples make "+e.amount(s.Energy))
		}
		return out
	}
	for _, r := range resting(e.Curve) {
		cured := inStates(e.Spans, r.From, r.To, func(s plant.State) bool { return s == plant.StateCuring })
		least := leastShare * float64(e.Register.Rules.MaxPerHour) * cured.Hours()
		if cured >= leastCuring && least > clearSteps*float64(max(e.Resolution, 1)) {
			add(r.From, r.To, fmt.Sprintf("the station cured for %s", words(cured)))
		}
	}
	return out
}

// StuckRemedy is what to do about a register that stands while power flows.
const StuckRemedy = "check the register's address and type with curetally probe, and whether the meter counts this direction; what it should have counted is not in the sums"

// inStates is how long within [from, to) the states pass the filter.
func inStates(spans []plant.Span, from, to time.Time, keep func(plant.State) bool) time.Duration {
	var sum time.Duration
	for _, s := range spans {
		if !s.From.Before(to) {
			break
		}
		if a, b := plant.Later(s.From, from), plant.Earlier(s.To, to); a.Before(b) && keep(s.State) {
			sum += b.Sub(a)
		}
	}
	return sum
}

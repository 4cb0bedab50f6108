package settle

import (
	"context"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
)

// margin is how many firm facts a stretch needs beyond each end: values on
// which the judgement of the outermost ones inside may rest, and one to begin
// from. Facts gives as many.
const margin = ledger.LookAhead + 1

// blind is how many events without a single anchor show that a station does not
// offer what the configuration says, there and then; looking farther would read
// all history in every round.
const blind = 500

// Stretch is one register over [From, To), on interval borders.
type Stretch struct {
	Register plant.Register
	From, To time.Time
}

// view is what the facts around a stretch give.
type view struct {
	curve ledger.Curve
	steps []plant.RegisterEvent
	spans []plant.Span
	last  time.Time // instant of the last fact; zero without any
	// first is the instant of the value that the curve begins from; zero without
	// any, or when no value is judged.
	first time.Time
}

// Settle computes the entries and events of one stretch from facts. Where the
// values after the stretch are judged otherwise than when they were settled, the
// stretch grows to hold them, because their shares change too.
func Settle(ctx context.Context, f Facts, p *plant.Plant, w Stretch) (plant.Settlement, error) {
	s, _, err := settleFrom(ctx, f, p, w)
	return s, err
}

// settleFrom is Settle, and gives also the instant of the value that the curve
// begins from.
func settleFrom(ctx context.Context, f Facts, p *plant.Plant, w Stretch) (s plant.Settlement, began time.Time, err error) {
	for {
		v, err := look(ctx, f, p, w)
		if err != nil {
			return s, began, err
		}
		end := v.last.Truncate(p.Interval).Add(p.Interval)
		if !end.After(w.To) {
			s, err = v.settlement(ctx, f, p, w)
			return s, v.first, err
		}
		seam := v.acceptedBefore(w.To)
		before, err := f.Doubtful(ctx, w.Register.ID, seam, v.last.Add(time.Microsecond))
		if err != nil {
			return s, began, err
		}
		if slices.EqualFunc(before, v.doubtful(seam), sameJudgement) {
			s, err = v.settlement(ctx, f, p, w)
			return s, v.first, err
		}
		w.To = end
	}
}

// acceptedBefore is the instant of the last accepted value before t, where the
// segment begins that reaches over t; t itself without one.
func (v view) acceptedBefore(t time.Time) time.Time {
	for _, s := range slices.Backward(v.curve) {
		if s.To.Before(t) {
			return s.To
		}
		if s.From.Before(t) {
			return s.From
		}
	}
	return t
}

// doubtful lists the judgements from t on that are not normal, in order.
func (v view) doubtful(t time.Time) []plant.RegisterEvent {
	var out []plant.RegisterEvent
	for _, e := range v.steps {
		if e.Kind != plant.StepExchange && e.Kind != plant.StepRuled && !e.At.Before(t) {
			out = append(out, e)
		}
	}
	return out
}

func sameJudgement(a, b plant.RegisterEvent) bool { return a.At.Equal(b.At) && a.Kind == b.Kind }

func (v view) settlement(ctx context.Context, f Facts, p *plant.Plant, w Stretch) (plant.Settlement, error) {
	cuts, err := v.count(ctx, f, p, w)
	if err != nil {
		return plant.Settlement{}, err
	}
	out := plant.Settlement{Register: w.Register.ID, From: w.From, To: w.To}
	out.Entries = ledger.Entries(w.Register.ID, v.curve, cuts)
	for _, e := range v.steps {
		if !e.At.Before(w.From) && e.At.Before(w.To) {
			out.Events = append(out.Events, e)
		}
	}
	return out, nil
}

// count makes of the curve as read the one that is counted, and gives how it is
// cut into entries.
func (v *view) count(ctx context.Context, f Facts, p *plant.Plant, w Stretch) (ledger.Cuts, error) {
	cuts := ledger.Cuts{Interval: p.Interval, From: w.From, To: w.To, Spans: v.spans, ByStation: w.Register.Station != ""}
	if err := v.shape(ctx, f, p, w); err != nil {
		return cuts, err
	}
	var err error
	if w.Register.Station != "" {
		if cuts.Fittings, err = f.Fittings(ctx, w.Register.Station); err != nil {
			return cuts, err
		}
	}
	if w.Register.Wear != nil {
		v.curve, err = weigh(ctx, f, w, v.curve, cuts)
	}
	return cuts, err
}

// weigh weighs lit time by the signals of the station.
func weigh(ctx context.Context, f Facts, w Stretch, lit ledger.Curve, cuts ledger.Cuts) (ledger.Curve, error) {
	wear := *w.Register.Wear
	var samples ledger.WearSamples
	for _, s := range []struct {
		name string
		into *[]plant.Signal
	}{{wear.Drive, &samples.Drive}, {wear.Temperature, &samples.Temperature}} {
		if s.name == "" {
			continue
		}
		var err error
		if *s.into, err = f.Signals(ctx, string(w.Register.Station), s.name, w.From, w.To); err != nil {
			return nil, err
		}
	}
	return ledger.Weigh(lit, cuts, wear, samples), nil
}

// look reads the facts around a stretch and builds curve and timeline.
func look(ctx context.Context, f Facts, p *plant.Plant, w Stretch) (view, error) {
	var v view
	reg := w.Register
	var events []plant.StationEvent
	if reg.Station != "" {
		station, ok := p.FindStation(reg.Station)
		if !ok {
			return v, fmt.Errorf("register %s names station %s, which is not in the plant", reg.ID, reg.Station)
		}
		var err error
		if events, err = eventsAround(ctx, f, p.Interval, w); err != nil {
			return v, err
		}
		v.spans = ledger.Timeline(events, station.Silence, station.TechnologyAt)
	}
	switch points := counterPoints(reg, events); {
	case reg.Curve == plant.FromReadings:
		return v, v.fromReadings(ctx, f, w)
	case reg.Curve == plant.FromPower:
		return v, v.fromPower(ctx, f, p, w)
	case reg.Curve == plant.FromEvents && len(points) > 0:
		v.curve, v.steps = ledger.Build(reg.ID, reg.Rules, points, ledger.Acts{})
		v.first = points[0].At
		v.curve = completed(reg, v.curve, points[0].At, v.spans)
	default:
		v.curve = timelineCurve(reg, v.spans)
	}
	if len(events) > 0 {
		v.last = events[len(events)-1].At
	}
	return v, nil
}

func (v *view) fromReadings(ctx context.Context, f Facts, w Stretch) error {
	exchanges, err := f.Exchanges(ctx, w.Register.ID)
	if err != nil {
		return err
	}
	rulings, err := f.Rulings(ctx, w.Register.ID)
	if err != nil {
		return err
	}
	readings, err := f.Readings(ctx, w.Register.ID, w.From, w.To)
	if err != nil {
		return err
	}
	points := make([]ledger.Point, len(readings))
	for i, r := range readings {
		points[i] = ledger.Point{At: r.At, Value: r.Value, Modulus: r.Modulus}
		v.last = r.At
	}
	if len(readings) > 0 {
		v.first = readings[0].At
	}
	v.curve, v.steps = ledger.Build(w.Register.ID, w.Register.Rules, points, ledger.Acts{Exchanges: exchanges, Rulings: rulings})
	return nil
}

// fromPower estimates the curve of a meter that has no energy register.
func (v *view) fromPower(ctx context.Context, f Facts, p *plant.Plant, w Stretch) error {
	samples, err := samplesAround(ctx, f, w.Register, w.From, w.To)
	if err != nil {
		return err
	}
	v.curve = ledger.PowerCurve(samples, w.Register.Rules.MaxGap, p.Interval)
	if n := len(samples); n > 0 {
		v.last = samples[n-1].At
	}
	return nil
}

// tooMuch is by how much the rated power may be exceeded by a sample that is
// still taken for true, as in package ledger.
const tooMuch = 1.1

// samplesAround reads the samples of the power of the meter that owns a register.
func samplesAround(ctx context.Context, f Facts, reg plant.Register, from, to time.Time) ([]plant.Signal, error) {
	meter, _ := reg.ID.Split()
	rated := float64(reg.Rules.MaxPerHour) / 1000 // mWh per hour to watts
	return f.Samples(ctx, plant.MeterID(meter), tooMuch*rated, from, to)
}

// spansOver is the timeline of a register's station over a whole segment, which may
// reach far out of the stretch that is settled; nil without a station.
func spansOver(ctx context.Context, f Facts, p *plant.Plant, reg plant.Register, s ledger.Segment) ([]plant.Span, error) {
	station, ok := p.FindStation(reg.Station)
	if !ok {
		return nil, nil
	}
	events, err := eventsAround(ctx, f, p.Interval, Stretch{Register: reg, From: s.From, To: s.To})
	if err != nil {
		return nil, err
	}
	return ledger.Timeline(events, station.Silence, station.TechnologyAt), nil
}

// shape spreads over their time what energy accrued over gaps: by samples of the
// meter's power where there are any, else by the states of the station.
func (v *view) shape(ctx context.Context, f Facts, p *plant.Plant, w Stretch) error {
	reg := w.Register
	if reg.Quantity != plant.QuantityEnergy || reg.Rules.MaxGap <= 0 {
		return nil
	}
	var out ledger.Curve
	for i, s := range v.curve {
		gap := s.Quality != plant.QualityMeasured && s.To.Sub(s.From) > reg.Rules.MaxGap
		if !gap || !s.From.Before(w.To) || !s.To.After(w.From) {
			if out != nil {
				out = append(out, s)
			}
			continue
		}
		if out == nil {
			out = slices.Clone(v.curve[:i])
		}
		spans, err := spansOver(ctx, f, p, reg, s)
		if err != nil {
			return err
		}
		var samples []plant.Signal
		if !reg.Rules.Net && !reg.Part { // power tells of what the meter used in all
			if samples, err = samplesAround(ctx, f, reg, s.From, s.To); err != nil {
				return err
			}
		}
		out = append(out, ledger.Shape(s, samples, spans, reg.Rules.MaxGap)...)
	}
	if out != nil {
		v.curve = out
	}
	return nil
}

// eventsAround reads a station's events around a stretch. The window grows
// until there are enough anchors on each side or no more events: a counter
// register is anchored in events that carry the counter and are not doubtful, a
// timeline in known states, because a start after silence is told by the last
// known state before it.
func eventsAround(ctx context.Context, f Facts, interval time.Duration, w Stretch) ([]plant.StationEvent, error) {
	from, to := w.From, w.To
	for grow := interval; ; grow *= 2 {
		events, err := f.Events(ctx, w.Register.Station, from, to)
		if err != nil || len(events) == 0 {
			return events, err
		}
		first, last := events[0].At, events[len(events)-1].At
		var doubtful []plant.RegisterEvent
		if w.Register.Curve == plant.FromEvents {
			if doubtful, err = f.Doubtful(ctx, w.Register.ID, first, last.Add(time.Millisecond)); err != nil {
				return nil, err
			}
		}
		before, after, inside := anchors(w, events, doubtful)
		if before+after+inside == 0 && len(events) > blind {
			return events, nil // a station that never offers the counter
		}
		grown := false
		if before < needed(w.Register) && first.Before(from) {
			from, grown = plant.Earlier(first, from.Add(-grow)), true
		}
		if after < needed(w.Register) && !last.Before(to) {
			to, grown = plant.Later(last.Add(time.Millisecond), to.Add(grow)), true
		}
		if !grown {
			return firmStart(w, events, doubtful), nil
		}
	}
}

func needed(reg plant.Register) int {
	if reg.Curve == plant.FromEvents {
		return margin
	}
	return 1
}

// anchors counts the anchors before, after and inside a stretch.
func anchors(w Stretch, events []plant.StationEvent, doubtful []plant.RegisterEvent) (before, after, inside int) {
	for _, e := range events {
		switch {
		case !anchor(w.Register, e, doubtful):
		case e.At.Before(w.From):
			before++
		case !e.At.Before(w.To):
			after++
		default:
			inside++
		}
	}
	return before, after, inside
}

func anchor(reg plant.Register, e plant.StationEvent, doubtful []plant.RegisterEvent) bool {
	if reg.Curve == plant.FromEvents {
		return counter(reg, e) >= 0 && !slices.ContainsFunc(doubtful, func(d plant.RegisterEvent) bool { return d.At.Equal(e.At) })
	}
	// A conclusion from power is no anchor: whether it counts is told by what the
	// station itself said before it, and what that says late bears on conclusions up to
	// the next own word.
	return e.State != plant.StateUnknown && !e.Inferred()
}

// firmStart leaves out what lies before the first anchor of a counter register:
// no curve may begin at a doubtful value. Without any anchor there is nothing to
// leave out.
func firmStart(w Stretch, events []plant.StationEvent, doubtful []plant.RegisterEvent) []plant.StationEvent {
	if w.Register.Curve != plant.FromEvents {
		return events
	}
	i := slices.IndexFunc(events, func(e plant.StationEvent) bool { return anchor(w.Register, e, doubtful) })
	if i < 0 || !events[i].At.Before(w.From) {
		return events
	}
	return events[i:]
}

func counter(reg plant.Register, e plant.StationEvent) int64 {
	if _, value := reg.ID.Split(); value == plant.ValueStarts {
		return e.Starts
	}
	return e.LitMillis
}

func counterPoints(reg plant.Register, events []plant.StationEvent) []ledger.Point {
	if _, value := reg.ID.Split(); value == plant.ValueStarts {
		return ledger.StartPoints(events)
	}
	return ledger.LitPoints(events)
}

// completed adds to the curve of a counter, which begins at an instant, what the
// timeline tells of the time before and after it: a station may offer its
// counters only since its controller was exchanged, or no longer. A start at the
// very first value of the counter is in neither.
func completed(reg plant.Register, counter ledger.Curve, begin time.Time, spans []plant.Span) ledger.Curve {
	end := begin
	if n := len(counter); n > 0 {
		end = counter[n-1].To
	}
	var before, after []plant.Span
	for _, s := range spans {
		if s.From.Before(begin) {
			early := s
			early.To = plant.Earlier(early.To, begin)
			before = append(before, early)
		}
		if s.To.After(end) {
			s.From = plant.Later(s.From, end)
			after = append(after, s)
		}
	}
	return slices.Concat(timelineCurve(reg, before), counter, timelineCurve(reg, after))
}

func timelineCurve(reg plant.Register, spans []plant.Span) ledger.Curve {
	switch _, value := reg.ID.Split(); value {
	case plant.ValueLit, plant.ValueWear:
		return ledger.LitCurve(spans)
	case plant.ValueStarts:
		return ledger.StartCurve(spans)
	default:
		return ledger.TimeCurve(spans)
	}
}

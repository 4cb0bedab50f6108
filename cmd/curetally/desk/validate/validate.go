// Package validate has the command that looks at what every register has counted
// the way an auditor does. It gathers the evidence of each register from the store,
// lets package validation judge it, and shows completeness, the share of each
// quality, what was found, and how gaps would be estimated.
//
// It only reads, beside a running daemon or alone. It is a finding when a check
// finds something, however small: whether that matters is for a person to say.
package validate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
	"curetally/internal/core/validation"
	"curetally/internal/link/store"
	"curetally/internal/work/settle"
)

// Command checks what the registers have counted.
type Command struct {
	desk.Site
	Registers []string      `arg:"" optional:"" name:"register" help:"Registers such as heron-1-meter/import; all by default."`
	From      string        `help:"First instant, as 2026-03-01 or \"2026-03-01 06:00\" in the site's time or with an offset; seven days before --to by default." placeholder:"TIME"`
	To        string        `help:"End, in the same form; now by default. Both are taken to the borders of intervals." placeholder:"TIME"`
	Line      time.Duration `help:"Longest gap that is bridged by a straight line." default:"2h"`
	JSON      bool          `help:"Print as JSON, with every part of the estimates; amounts in kWh, h, m², m or counts."`
}

// usualDays is how far back a look goes without --from.
const usualDays = 7

// Validate refuses what is no instant in any zone.
func (c Command) Validate() error {
	if c.Line < 0 {
		return errors.New("--line is negative: expected the longest gap for a straight line, for example 2h")
	}
	_, _, err := c.window(time.UTC, time.Now(), time.Minute)
	return err
}

// window is the stretch of time that is looked at, on borders of intervals.
func (c Command) window(zone *time.Location, now time.Time, interval time.Duration) (from, to time.Time, err error) {
	if from, err = instant("--from", c.From, zone); err != nil {
		return from, to, err
	}
	if to, err = instant("--to", c.To, zone); err != nil {
		return from, to, err
	}
	if to.IsZero() || to.After(now) {
		to = now
	}
	to = to.Truncate(interval).UTC()
	if from.IsZero() {
		from = to.AddDate(0, 0, -usualDays)
	}
	if from = from.Truncate(interval).UTC(); !from.Before(to) {
		return from, to, fmt.Errorf("--from %s: expected an instant at least one interval before the end, %s", c.From, to.Format(time.RFC3339))
	}
	return from, to, nil
}

func instant(flag, text string, zone *time.Location) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%s %q: expected an instant such as 2026-03-09T14:30:00Z, or the site's time such as %q", flag, text, "2026-03-09 14:30")
}

// Run looks at the registers; it is a finding when a check finds something.
func (c Command) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		registers, err := c.registers(p)
		if err != nil {
			return err
		}
		l := look{plant: p, db: db, now: time.Now(), line: c.Line}
		if l.from, l.to, err = c.window(p.TimeZone, l.now, p.Interval); err != nil {
			return err
		}
		out := result{From: l.from, To: l.to}
		if out.Unsettled, err = db.UnsettledCount(ctx); err != nil {
			return err
		}
		for _, reg := range registers {
			r, err := l.register(ctx, reg)
			if err != nil {
				return fmt.Errorf("validate %s: %w", reg.ID, err)
			}
			out.Registers = append(out.Registers, r)
			out.Findings += len(r.Findings)
		}
		if c.JSON {
			err = desk.WriteJSON(s.Stdout, out)
		} else {
			err = show(s.Stdout, p, out)
		}
		if err == nil && out.Findings > 0 {
			return desk.ErrFinding
		}
		return err
	})
}

// registers are those that are asked for.
func (c Command) registers(p *plant.Plant) ([]plant.Register, error) {
	if len(c.Registers) == 0 {
		return p.Registers, nil
	}
	var out []plant.Register
	for _, name := range c.Registers {
		r, ok := p.FindRegister(plant.RegisterID(name))
		if !ok {
			return nil, desk.Unknown("register", name, p.Registers, func(r plant.Register) string { return string(r.ID) })
		}
		out = append(out, r)
	}
	return out, nil
}

// look gathers evidence from the store.
type look struct {
	plant    *plant.Plant
	db       *store.DB
	now      time.Time
	from, to time.Time
	line     time.Duration
}

// register looks at one register. Before its first fact nothing can be missing.
func (l look) register(ctx context.Context, reg plant.Register) (row, error) {
	e := validation.Evidence{Plant: l.plant, Register: reg, From: l.from, To: l.to, Now: l.now}
	first, last, ok, err := l.db.Extent(ctx, reg.ID)
	if err != nil {
		return row{}, err
	}
	if start := first.Truncate(l.plant.Interval); ok && start.After(e.From) {
		e.From = start
	}
	if !e.From.Before(e.To) {
		return row{Register: reg.ID, Unit: reg.Quantity.DisplayUnit(), Findings: []validation.Finding{}, Estimates: []estimate{}}, nil
	}
	w := settle.Stretch{Register: reg, From: e.From, To: e.To}
	seen, err := settle.Look(ctx, l.db, l.plant, w)
	if err != nil {
		return row{}, err
	}
	e.Curve, e.Counted, e.Steps, e.Spans = seen.Curve, seen.Counted, seen.Steps, seen.Spans
	if reg.Curve == plant.FromReadings {
		e.Samples = seen.Samples
	}
	if e.Entries, err = l.db.Entries(ctx, reg.ID, e.From, e.To); err != nil {
		return row{}, err
	}
	if e.Resolution, err = l.resolution(ctx, reg); err != nil {
		return row{}, err
	}
	if e.Distrusted, err = l.distrusted(ctx, e); err != nil {
		return row{}, err
	}
	r := rowOf(&e, validation.Examine(e, validation.Usual()))
	if reg.Curve == plant.FromPower && len(seen.Samples) > 1 {
		v := math.Round(ledger.SamplingError(seen.Samples)) / reg.Quantity.PerDisplay()
		r.SamplingError = &v
	}
	return r, l.estimates(ctx, &e, &r, first, last)
}

// resolution is the step of a register at its newest value.
func (l look) resolution(ctx context.Context, reg plant.Register) (int64, error) {
	readings, err := l.db.Readings(ctx, reg.ID, l.to, l.to)
	if err != nil || len(readings) == 0 {
		return ledger.Resolution(reg.Rules, 0), err
	}
	newest := readings[len(readings)-1]
	return ledger.Resolution(reg.Rules, ledger.Primary(reg.Rules, newest.Value, newest.At)), nil
}

// distrusted are the instants at which a station's clock was off; for the register
// of its time, which stands for the station.
func (l look) distrusted(ctx context.Context, e validation.Evidence) ([]time.Time, error) {
	if e.Register.Curve != plant.FromTimeline || e.Register.Quantity != plant.QuantityTime {
		return nil, nil
	}
	events, err := l.db.Events(ctx, e.Register.Station, e.From, e.To)
	var out []time.Time
	for _, ev := range events {
		if ev.ClockDistrusted {
			out = append(out, ev.At)
		}
	}
	return out, err
}

// estimates proposes how the gaps of a meter's register would be filled.
func (l look) estimates(ctx context.Context, e *validation.Evidence, r *row, first, last time.Time) error {
	reg := e.Register
	gaps := e.Gaps()
	if len(gaps) == 0 || reg.Curve != plant.FromReadings && reg.Curve != plant.FromPower {
		return nil
	}
	from, to := e.From.Add(-validation.LikeReach), e.To.Add(validation.LikeReach)
	entries, err := l.db.Entries(ctx, reg.ID, from, to)
	if err != nil {
		return err
	}
	s := validation.Sources{MaxGap: reg.Rules.MaxGap, Line: l.line, Counted: e.Counted}
	s.History = validation.NewHistory(l.plant, validation.Record{
		Entries: entries, From: first, To: last, Sampled: reg.Curve == plant.FromPower, Gaps: gaps,
	})
	if reg.Station != "" {
		times, err := l.db.Entries(ctx, plant.RegisterOf(reg.Station, plant.ValueTime), from, to)
		if err != nil {
			return err
		}
		s.Rates = validation.NewRates(s.History, entries, times)
	}
	for _, g := range gaps {
		if err := l.around(ctx, &s, reg, g); err != nil {
			return err
		}
		r.Estimates = append(r.Estimates, estimateOf(reg, validation.Make(l.plant, g, s)))
	}
	return nil
}

// around reads what is known around one gap: samples, the check meter, the states
// of the station and planned stops.
func (l look) around(ctx context.Context, s *validation.Sources, reg plant.Register, g validation.Gap) error {
	s.Samples, s.Check = nil, nil
	var err error
	if settle.Powered(l.plant, reg) {
		if s.Samples, err = settle.Samples(ctx, l.db, reg, g.From, g.To); err != nil {
			return err
		}
	}
	if check, ok := l.plant.FindRegister(reg.Check); ok {
		seen, err := settle.Look(ctx, l.db, l.plant, settle.Stretch{
			Register: check, From: g.From.Truncate(l.plant.Interval), To: g.To.Add(l.plant.Interval - 1).Truncate(l.plant.Interval),
		})
		if err != nil {
			return err
		}
		s.Check = seen.Curve
	}
	spans, err := settle.States(ctx, l.db, l.plant, reg, g.From, g.To)
	if err != nil {
		return err
	}
	s.Spans = validation.WithStops(spans, presscalendar.Of(l.plant, reg.Press).Stops(g.From, g.To))
	return nil
}

// Package plan looks ahead: from entries, fittings and the log of done tasks it
// works out the life of each fitted lamp and the tasks that fall due. It owns
// no rule of its own; what a task needs is said by package upkeep, what a lamp
// has lived by package lamplife.
//
// An outlook is a verdict: a pure function of entries, configuration and the
// instant it is asked for. It can be thrown away and made again at any time,
// by the daemon and by the command line alike.
//
// The Planner keeps the newest outlook for pages and metrics, so that showing
// it costs no query.
package plan

import (
	"context"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
)

// Store gives what an outlook is made of.
type Store interface {
	Lamps(ctx context.Context) ([]plant.Lamp, error)
	AllFittings(ctx context.Context) ([]plant.Fitting, error)
	LampTotals(ctx context.Context) ([]plant.LampTotal, error)
	// TaskActs gives, of each task, the newest act that it counts from (done or
	// skipped) and the newest postponement.
	TaskActs(ctx context.Context) ([]plant.TaskAct, error)
	DayAmounts(ctx context.Context, regs []plant.RegisterID, from, to time.Time) ([]plant.DayAmount, error)
	// AmountSince sums entries from the interval that holds since.
	AmountSince(ctx context.Context, reg plant.RegisterID, since time.Time) (int64, error)
	LatestEvents(ctx context.Context) (map[plant.StationID]plant.StationEvent, error)
}

// FittedLamp is the lamp in a station and what it has lived.
type FittedLamp struct {
	Lamp  plant.Lamp
	Kind  plant.LampKind
	Since time.Time
	Life  lamplife.Life
}

// Outlook is the state of lamps and tasks at one instant.
type Outlook struct {
	At    time.Time
	Tasks []upkeep.Task
	// Fitted has the lamp of each station that has one.
	Fitted map[plant.StationID]FittedLamp
}

// useWindow is how far back daily use is read: enough for 60 workdays with
// weekends, holidays and a shutdown between them.
const useWindow = 130 * 24 * time.Hour

// Look makes the outlook at an instant.
func Look(ctx context.Context, s Store, p *plant.Plant, now time.Time) (Outlook, error) {
	g := gatherer{store: s, plant: p, now: now, since: map[sinceKey]int64{}}
	if err := g.read(ctx); err != nil {
		return Outlook{}, err
	}
	subjects, err := g.subjects(ctx)
	if err != nil {
		return Outlook{}, err
	}
	return Outlook{At: now, Tasks: upkeep.Tasks(p, subjects, now), Fitted: g.fitted}, nil
}

type anchorKey struct {
	rule    plant.RuleID
	subject string
}

type sinceKey struct {
	register plant.RegisterID
	since    int64
}

// gatherer collects what the rules ask for.
type gatherer struct {
	store  Store
	plant  *plant.Plant
	now    time.Time
	fitted map[plant.StationID]FittedLamp
	done   map[anchorKey]plant.TaskAct // done or skipped
	put    map[anchorKey]plant.TaskAct // postponed
	tech   map[plant.StationID]plant.Technology
	use    map[plant.StationID][]upkeep.Use
	since  map[sinceKey]int64 // sums already asked for
}

func (g *gatherer) read(ctx context.Context) error {
	events, err := g.store.LatestEvents(ctx)
	if err != nil {
		return fmt.Errorf("latest station events: %w", err)
	}
	g.tech = map[plant.StationID]plant.Technology{}
	for _, st := range g.plant.Stations() {
		g.tech[st.ID] = st.TechnologyAt(g.now)
		if e, ok := events[st.ID]; ok && e.Technology != plant.TechnologyNone {
			g.tech[st.ID] = e.Technology
		}
	}
	acts, err := g.store.TaskActs(ctx)
	if err != nil {
		return fmt.Errorf("what was done about tasks: %w", err)
	}
	g.done, g.put = map[anchorKey]plant.TaskAct{}, map[anchorKey]plant.TaskAct{}
	for _, a := range acts {
		m := g.done
		if a.Kind == plant.TaskPostpone {
			m = g.put
		}
		if k := (anchorKey{a.Rule, a.Subject}); a.At.After(m[k].At) {
			m[k] = a
		}
	}
	if err := g.readLamps(ctx); err != nil {
		return err
	}
	return g.readUse(ctx)
}

func (g *gatherer) readLamps(ctx context.Context) error {
	lamps, err := g.store.Lamps(ctx)
	if err != nil {
		return fmt.Errorf("lamps: %w", err)
	}
	fittings, err := g.store.AllFittings(ctx)
	if err != nil {
		return fmt.Errorf("fittings: %w", err)
	}
	totals, err := g.store.LampTotals(ctx)
	if err != nil {
		return fmt.Errorf("totals of lamps: %w", err)
	}
	lamp := map[plant.LampSerial]plant.Lamp{}
	for _, l := range lamps {
		lamp[l.Serial] = l
	}
	total := map[plant.LampSerial]plant.LampTotal{}
	for _, t := range totals {
		total[t.Lamp] = t
	}
	g.fitted = map[plant.StationID]FittedLamp{}
	for _, f := range fittings {
		if f.From.After(g.now) || !f.To.IsZero() && !f.To.After(g.now) {
			continue
		}
		kind, _ := g.plant.FindLampKind(lamp[f.Lamp].Kind)
		t := total[f.Lamp]
		g.fitted[f.Station] = FittedLamp{
			Lamp: lamp[f.Lamp], Kind: kind, Since: f.From,
			Life: lamplife.Of(kind, t.LitMillis, t.Starts),
		}
	}
	return nil
}

// readUse reads what each station did on each day of the window.
func (g *gatherer) readUse(ctx context.Context) error {
	var regs []plant.RegisterID
	for _, st := range g.plant.Stations() {
		regs = append(regs, plant.RegisterOf(st.ID, plant.ValueLit), plant.RegisterOf(st.ID, plant.ValueStarts))
	}
	amounts, err := g.store.DayAmounts(ctx, regs, g.now.Add(-useWindow), g.now)
	if err != nil {
		return fmt.Errorf("use by day: %w", err)
	}
	g.use = map[plant.StationID][]upkeep.Use{}
	for _, a := range amounts {
		owner, value := a.Register.Split()
		days := g.use[plant.StationID(owner)]
		if n := len(days); n == 0 || !days[n-1].Day.Equal(a.Day) {
			days = append(days, upkeep.Use{Day: a.Day})
		}
		u := &days[len(days)-1]
		if value == plant.ValueLit {
			u.LitMillis += a.Amount
		} else {
			u.Starts += a.Amount
		}
		g.use[plant.StationID(owner)] = days
	}
	return nil
}

// subjects lists everything that a rule applies to.
func (g *gatherer) subjects(ctx context.Context) ([]upkeep.Subject, error) {
	var out []upkeep.Subject
	for _, rule := range g.plant.Rules {
		for _, press := range g.plant.Presses {
			if rule.Scope == plant.PerPress {
				if g.applies(rule, press.Stations...) {
					out = append(out, g.told(g.ofPress(rule, press)))
				}
				continue
			}
			for _, st := range press.Stations {
				if !g.applies(rule, st) {
					continue
				}
				s, ok, err := g.ofStation(ctx, rule, st)
				if err != nil {
					return nil, err
				}
				if ok {
					out = append(out, g.told(s))
				}
			}
		}
	}
	return out, nil
}

// applies says whether a rule is for the technology that is mounted in any of
// the stations.
func (g *gatherer) applies(rule plant.TaskRule, stations ...plant.Station) bool {
	for _, st := range stations {
		if upkeep.Applies(rule, g.tech[st.ID]) {
			return true
		}
	}
	return false
}

// anchor is the instant from which a task counts: when it was last done, else
// when the present lamp was fitted, else none, and everything on record counts.
// done is false unless it was done.
func (g *gatherer) anchor(rule plant.RuleID, subject string, st ...plant.Station) (at time.Time, done bool) {
	for _, s := range st {
		if f, ok := g.fitted[s.ID]; ok && (at.IsZero() || f.Since.Before(at)) {
			at = f.Since
		}
	}
	if d := g.done[anchorKey{rule, subject}].At; d.After(at) {
		return d, true
	}
	return at, false
}

// told completes a subject with what people decided about its task since it was
// last done.
func (g *gatherer) told(s upkeep.Subject) upkeep.Subject {
	k := anchorKey{s.Rule.ID, s.Name}
	s.Skipped = s.AnchorKnown && g.done[k].Kind == plant.TaskSkip
	if put := g.put[k]; put.At.After(s.Anchor) {
		s.Put = put
	}
	return s
}

func (g *gatherer) ofPress(rule plant.TaskRule, press plant.Press) upkeep.Subject {
	s := upkeep.Subject{Rule: rule, Name: string(press.ID), Press: press.ID, Technology: rule.Technology}
	s.Anchor, s.AnchorKnown = g.anchor(rule.ID, s.Name, press.Stations...)
	return s
}

// ofStation makes the subject of a rule per station or per lamp; ok is false
// for a lamp rule on a station without a lamp, and for one that follows the life
// of a lamp and was carried out on this one, whose life does not begin anew.
func (g *gatherer) ofStation(ctx context.Context, rule plant.TaskRule, st plant.Station) (upkeep.Subject, bool, error) {
	s := upkeep.Subject{
		Rule: rule, Name: string(st.ID), Station: st.ID, Press: st.Press,
		Technology: g.tech[st.ID], Use: g.use[st.ID],
	}
	if rule.Scope == plant.PerLamp {
		f, ok := g.fitted[st.ID]
		if !ok {
			return s, false, nil
		}
		s.Lamp, s.RatedHours, s.HoursPerStart = f.Lamp.Serial, f.Kind.RatedHours, f.Kind.HoursPerStart
		if carriedOut := g.done[anchorKey{rule.ID, s.Name}].At.After(f.Since); !carriedOut {
			s.Anchor = f.Since
			s.LitSince, s.StartsSince, s.EquivalentSince = f.Life.LitMillis, f.Life.Starts, f.Life.Equivalent
			return s, true, nil
		}
		if rule.LifeFraction > 0 {
			return s, false, nil
		}
	}
	s.Anchor, s.AnchorKnown = g.anchor(rule.ID, s.Name, st)
	var err error
	if rule.LitHours > 0 {
		if s.LitSince, err = g.sum(ctx, plant.RegisterOf(st.ID, plant.ValueLit), s.Anchor); err != nil {
			return s, false, err
		}
	}
	if rule.Starts > 0 {
		if s.StartsSince, err = g.sum(ctx, plant.RegisterOf(st.ID, plant.ValueStarts), s.Anchor); err != nil {
			return s, false, err
		}
	}
	return s, true, nil
}

func (g *gatherer) sum(ctx context.Context, reg plant.RegisterID, since time.Time) (int64, error) {
	k := sinceKey{reg, since.UnixMicro()}
	if v, ok := g.since[k]; ok {
		return v, nil
	}
	v, err := g.store.AmountSince(ctx, reg, since)
	if err != nil {
		return 0, fmt.Errorf("use of %s since %s: %w", reg, since.Format(time.RFC3339), err)
	}
	g.since[k] = v
	return v, nil
}

// Planner keeps the newest outlook.
type Planner struct {
	store  Store
	plant  *plant.Plant
	log    *slog.Logger
	newest atomic.Pointer[Outlook]
}

// pace is how often the outlook is made anew. Tasks move in hours; a minute is
// prompt enough and costs the database little.
const pace = time.Minute

// New builds a Planner; Run makes it work.
func New(s Store, p *plant.Plant, log *slog.Logger) *Planner {
	return &Planner{store: s, plant: p, log: log.With("component", "plan")}
}

// Newest gives the latest outlook, or nil before the first.
func (pl *Planner) Newest() *Outlook { return pl.newest.Load() }

// Refresh makes the outlook now.
func (pl *Planner) Refresh(ctx context.Context) error {
	o, err := Look(ctx, pl.store, pl.plant, time.Now())
	if err != nil {
		return err
	}
	pl.newest.Store(&o)
	return nil
}

// Run makes the outlook anew every minute until ctx ends. It logs one line when
// that begins to fail and one when it works again.
func (pl *Planner) Run(ctx context.Context) error {
	tick := time.NewTicker(pace)
	defer tick.Stop()
	failing := false
	for {
		err := pl.Refresh(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !failing:
			pl.log.Error("tasks are not up to date", "err", err)
		case err == nil && failing:
			pl.log.Info("tasks are up to date again")
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

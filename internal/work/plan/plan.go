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

	"curetally/internal/core/condition"
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
	// LatestSignals gives the newest value of each signal.
	LatestSignals(ctx context.Context) ([]plant.Signal, error)
	SignalSamples(ctx context.Context, span plant.SignalSpan) ([]plant.Signal, error)
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
	g := gatherer{store: s, plant: p, now: now, since: map[sinceKey]int64{}, sampled: map[plant.SignalSpan][]condition.Reading{}}
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
	// area has the register of the area that each press prints, with what it printed
	// by day; heard has the signals that there are, sampled those already asked for.
	area    map[plant.PressID]plant.RegisterID
	printed map[plant.PressID]map[int64]int64
	heard   map[signalKey]bool
	sampled map[plant.SignalSpan][]condition.Reading
}

type signalKey struct{ subject, name string }

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
	signals, err := g.store.LatestSignals(ctx)
	if err != nil {
		return fmt.Errorf("latest signals: %w", err)
	}
	g.heard = map[signalKey]bool{}
	for _, v := range signals {
		g.heard[signalKey{v.Subject, v.Name}] = true
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
			Life: lamplife.Of(kind, t),
		}
	}
	return nil
}

// readUse reads what each station did on each day of the window.
func (g *gatherer) readUse(ctx context.Context) error {
	var regs []plant.RegisterID
	for _, st := range g.plant.Stations() {
		regs = append(regs, plant.RegisterOf(st.ID, plant.ValueLit), plant.RegisterOf(st.ID, plant.ValueStarts), g.plant.WearOf(st.ID))
	}
	g.area, g.printed = map[plant.PressID]plant.RegisterID{}, map[plant.PressID]map[int64]int64{}
	for _, r := range g.plant.Registers {
		if r.Press != "" && r.Station == "" && r.Quantity == plant.QuantityArea {
			g.area[r.Press], g.printed[r.Press] = r.ID, map[int64]int64{}
			regs = append(regs, r.ID)
		}
	}
	amounts, err := g.store.DayAmounts(ctx, regs, g.now.Add(-useWindow), g.now)
	if err != nil {
		return fmt.Errorf("use by day: %w", err)
	}
	g.use = map[plant.StationID][]upkeep.Use{}
	for _, a := range amounts {
		owner, value := a.Register.Split()
		if press := plant.PressID(owner); g.area[press] == a.Register {
			g.printed[press][a.Day.Unix()] += a.Amount
			continue
		}
		days := g.use[plant.StationID(owner)]
		if n := len(days); n == 0 || !days[n-1].Day.Equal(a.Day) {
			days = append(days, upkeep.Use{Day: a.Day})
		}
		u := &days[len(days)-1]
		switch value {
		case plant.ValueLit:
			u.LitMillis += a.Amount
		case plant.ValueStarts:
			u.Starts += a.Amount
		}
		if a.Register == g.plant.WearOf(plant.StationID(owner)) {
			u.WornMillis += a.Amount
		}
		g.use[plant.StationID(owner)] = days
	}
	return nil
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

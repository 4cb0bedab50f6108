// Package publish keeps the figures that the outside sees: totals, the latest
// state of each station, and the savings statement of each project against its
// frozen baseline. Pages, command line and metrics render the same snapshot, so
// they cannot disagree.
//
// A statement is a pure function of a frozen baseline, entries and
// configuration: the same inputs give the same figures. Nothing here writes,
// except that a person may freeze a baseline.
//
// The snapshot is made by one goroutine and swapped whole; readers never wait
// for the database.
package publish

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"curetally/internal/core/drift"
	"curetally/internal/core/plant"
	"curetally/internal/core/readiness"
	"curetally/internal/core/savings"
)

// ProjectState is a project with what can be said of its savings.
type ProjectState struct {
	Project   plant.Project
	Baseline  savings.Baseline  // zero when none is frozen
	Statement savings.Statement // zero unless Stated
	Days      []savings.Day     // all days on record, used or not
	// Adjustments are all on record, those included that others took the place of.
	Adjustments []plant.Adjustment
	// Ready says how far the baseline is; of a project without a frozen one.
	Ready readiness.Readiness
	// Drift is a lasting rise of use after the conversion, while Drifting.
	Drift    drift.Drift
	Drifting bool
	// Changes are static factors that changed without an adjustment.
	Changes []savings.FactorChange
	Frozen  bool
	Stated  bool
	Missing string // why there is no statement yet, with the remedy
}

// Snapshot is everything that is shown, at one instant. Readers must not change
// it.
type Snapshot struct {
	At     time.Time
	Totals []plant.StateTotal
	Events map[plant.StationID]plant.StationEvent
	// Since is when each station's latest state began, as far as it was heard
	// without a change.
	Since    map[plant.StationID]time.Time
	Signals  []plant.Signal
	Projects []ProjectState
	// Loads are of the meters whose accuracy is stated.
	Loads []MeterLoad
	// Deaf says that the connection to the broker is lost: what the stations do
	// now is not known.
	Deaf bool
}

// Take reads a snapshot from the store.
func Take(ctx context.Context, s Store, p *plant.Plant, now time.Time) (Snapshot, error) {
	return take(ctx, s, p, moment{now, readiness.Of})
}

// moment is the instant of a snapshot, with how readiness is judged then.
type moment struct {
	now   time.Time
	ready judge
}

type judge func(p *plant.Plant, pr plant.Project, days []savings.Day, at time.Time) readiness.Readiness

func take(ctx context.Context, s Store, p *plant.Plant, m moment) (Snapshot, error) {
	now := m.now
	snap, err := live(ctx, s, now)
	if err != nil {
		return snap, err
	}
	if snap.Since, err = s.StatesSince(ctx); err != nil {
		return snap, fmt.Errorf("begin of states: %w", err)
	}
	if snap.Totals, err = s.StateTotals(ctx); err != nil {
		return snap, fmt.Errorf("totals: %w", err)
	}
	for _, pr := range p.Projects {
		ps, err := m.project(ctx, s, p, pr)
		if err != nil {
			return snap, err
		}
		snap.Projects = append(snap.Projects, ps)
	}
	if snap.Loads, err = meterLoads(ctx, s, p, snap); err != nil {
		return snap, err
	}
	return snap, nil
}

// live reads the part of a snapshot that changes every few seconds.
func live(ctx context.Context, s Store, now time.Time) (Snapshot, error) {
	snap := Snapshot{At: now}
	var err error
	if snap.Events, err = s.LatestEvents(ctx); err != nil {
		return snap, fmt.Errorf("latest station events: %w", err)
	}
	if snap.Signals, err = s.LatestSignals(ctx); err != nil {
		return snap, fmt.Errorf("latest signals: %w", err)
	}
	return snap, nil
}

func (m moment) project(ctx context.Context, s Store, p *plant.Plant, pr plant.Project) (ProjectState, error) {
	ps := ProjectState{Project: pr}
	var err error
	if ps.Baseline, ps.Frozen, err = Frozen(ctx, s, pr.ID); err != nil {
		return ps, err
	}
	d, err := daysOf(ctx, s, p, pr, m.now)
	if err != nil {
		return ps, err
	}
	ps.Days = d.days
	if !ps.Frozen {
		ps.Ready = m.ready(p, pr, ps.Days, m.now)
		ps.Missing = fmt.Sprintf("no baseline is frozen; %d usable baseline days are on record. %s "+
			"Freeze it before the conversion: curetally baseline freeze %s --by NAME", ps.Ready.Days, ps.Ready.Words(), pr.ID)
		return ps, nil
	}
	terms, err := termsOf(ctx, s, p, ps.Baseline, d)
	if err != nil {
		return ps, err
	}
	ps.Adjustments = terms.Adjustments
	ps.Changes = savings.FactorChanges(ps.Baseline, pr, ps.Adjustments)
	ps.Drift, ps.Drifting = drift.Of(pr, ps.Days)
	ps.Statement, err = savings.State(ps.Baseline, pr, d.days, terms)
	if err != nil {
		ps.Missing = err.Error()
		return ps, nil
	}
	ps.Stated = true
	return ps, nil
}

// Publisher keeps the newest snapshot.
type Publisher struct {
	store  Store
	plant  *plant.Plant
	hears  func() bool
	log    *slog.Logger
	newest atomic.Pointer[Snapshot]
	mu     sync.Mutex // guards judged
	judged map[plant.ProjectID]judged
}

// judged is a readiness with the words that tell the days it was judged from.
type judged struct {
	days string
	is   readiness.Readiness
}

// The pace of the snapshot: states and power every few seconds, totals and
// statements, which read all entries, every minute.
const (
	livePace  = 5 * time.Second
	totalPace = time.Minute
)

// New builds a Publisher; Run makes it work. hears says whether messages of the
// stations can come in.
func New(s Store, p *plant.Plant, hears func() bool, log *slog.Logger) *Publisher {
	return &Publisher{store: s, plant: p, hears: hears, log: log.With("component", "publish"), judged: map[plant.ProjectID]judged{}}
}

// ready judges anew only when the usable days have changed, about once a day: the
// search for change points costs seconds.
func (pb *Publisher) ready(p *plant.Plant, pr plant.Project, days []savings.Day, at time.Time) readiness.Readiness {
	used, others := savings.Select(days, pr.Baseline)
	var energy int64
	var drivers float64
	for _, d := range used {
		energy += int64(d.Energy)
		for _, v := range d.Drivers {
			drivers += v
		}
	}
	from := fmt.Sprint(p.Day(at, 0).Unix(), len(used), len(others), energy, drivers)
	pb.mu.Lock()
	defer pb.mu.Unlock()
	if was := pb.judged[pr.ID]; was.days == from {
		return was.is
	}
	is := readiness.Of(p, pr, days, at)
	pb.judged[pr.ID] = judged{from, is}
	return is
}

// Newest gives the latest snapshot, or nil before the first.
func (pb *Publisher) Newest() *Snapshot { return pb.newest.Load() }

// Refresh takes a whole snapshot now.
func (pb *Publisher) Refresh(ctx context.Context) error {
	snap, err := take(ctx, pb.store, pb.plant, moment{time.Now(), pb.ready})
	if err != nil {
		return err
	}
	snap.Deaf = !pb.hears()
	pb.newest.Store(&snap)
	return nil
}

// refreshLive renews states and signals and keeps totals and statements.
func (pb *Publisher) refreshLive(ctx context.Context) error {
	old := pb.newest.Load()
	snap, err := live(ctx, pb.store, time.Now())
	if err != nil {
		return err
	}
	snap.Deaf = !pb.hears()
	snap.Totals, snap.Projects, snap.Loads, snap.Since = old.Totals, old.Projects, old.Loads, carry(old, snap.Events)
	pb.newest.Store(&snap)
	return nil
}

// carry takes the begin of each state over from the last snapshot, where the
// state is still the same.
func carry(old *Snapshot, events map[plant.StationID]plant.StationEvent) map[plant.StationID]time.Time {
	since := make(map[plant.StationID]time.Time, len(events))
	for id, e := range events {
		since[id] = e.At
		if was, known := old.Since[id]; known && old.Events[id].State == e.State {
			since[id] = was
		}
	}
	return since
}

// Run renews the snapshot until ctx ends. It logs one line when that begins to
// fail and one when it works again.
func (pb *Publisher) Run(ctx context.Context) error {
	tick := time.NewTicker(livePace)
	defer tick.Stop()
	var whole time.Time
	failing := false
	for {
		var err error
		if now := time.Now(); pb.newest.Load() == nil || now.Sub(whole) >= totalPace {
			if err = pb.Refresh(ctx); err == nil {
				whole = now
			}
		} else {
			err = pb.refreshLive(ctx)
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !failing:
			pb.log.Error("figures are not up to date", "err", err)
		case err == nil && failing:
			pb.log.Info("figures are up to date again")
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// StateOf gives the present state of a station: unknown when nothing was heard
// for longer than its limit, or nothing can be heard, and nothing was concluded from
// the power of its own meter.
func (s *Snapshot) StateOf(st plant.Station) plant.State {
	e, ok := s.Events[st.ID]
	if !ok || s.Deaf && !e.Inferred() || s.At.Sub(e.At) > st.Silence && s.At.Sub(e.Arrived) > st.Silence {
		return plant.StateUnknown
	}
	return e.State
}

// Powers gives the present active power of meters in watts, by name. A value
// counts as present for three periods of its meter, and for two minutes at least;
// a meter without one is left out.
func (s *Snapshot) Powers(p *plant.Plant) map[plant.MeterID]float64 {
	present := map[plant.MeterID]float64{}
	for _, v := range s.Signals {
		if v.Name != plant.SignalPower {
			continue
		}
		m, ok := p.FindMeter(plant.MeterID(v.Subject))
		if ok && s.At.Sub(v.At) <= max(2*time.Minute, 3*m.Period) {
			present[m.ID] = v.Value
		}
	}
	return present
}

// Ready says how far a project's baseline is that is not frozen yet.
func Ready(ctx context.Context, s Store, p *plant.Plant, pr plant.Project, now time.Time) (readiness.Readiness, error) {
	d, err := daysOf(ctx, s, p, pr, now)
	if err != nil {
		return readiness.Readiness{}, err
	}
	return readiness.Of(p, pr, d.days, now), nil
}

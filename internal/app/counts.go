package app

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"curetally/internal/core/invariant"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
	"curetally/internal/work/collect"
	"curetally/internal/work/publish"
)

// counts are the figures of the store that metrics and findings need, renewed
// in the background so that a scrape costs no query.
type counts struct{ newest atomic.Pointer[countsNow] }

type countsNow struct {
	marks    int64
	refused  int64
	refusals []plant.Refusal // the newest few
	heldAll  int64
	held     []plant.RegisterEvent // the newest few values that wait for a person, newest first
	stuck    []stuckRegister
	stuckAt  time.Time // when stuck was looked for
	clocks   []plant.StationClock
}

const (
	countsPace  = 10 * time.Second
	shownEvents = 20
)

func (c *counts) now() countsNow {
	if n := c.newest.Load(); n != nil {
		return *n
	}
	return countsNow{}
}

func (c *counts) refresh(ctx context.Context, db *store.DB, p *plant.Plant) error {
	var n countsNow
	var errs [7]error
	n.marks, errs[0] = db.UnsettledCount(ctx)
	n.refused, errs[1] = db.RefusedTotal(ctx)
	n.refusals, errs[2] = db.Refusals(ctx, shownEvents)
	n.held, errs[3] = db.RegisterEvents(ctx, plant.StepImplausible, shownEvents)
	n.heldAll, errs[4] = db.HeldCount(ctx)
	now, old := time.Now(), c.now()
	n.stuck, n.stuckAt = old.stuck, old.stuckAt
	if now.Sub(old.stuckAt) >= stuckPace {
		n.stuck, errs[5] = stuck(ctx, db, p, now)
		n.stuckAt = now
	}
	n.clocks, errs[6] = db.StationClocks(ctx)
	if err := errors.Join(errs[:]...); err != nil {
		return err
	}
	c.newest.Store(&n)
	return nil
}

// run renews the counts until ctx ends. The recorder reports a store that does
// not answer, so a failure is noted at debug level only.
func (c *counts) run(ctx context.Context, db *store.DB, p *plant.Plant, log *slog.Logger) error {
	tick := time.NewTicker(countsPace)
	defer tick.Stop()
	for {
		if err := c.refresh(ctx, db, p); err != nil && ctx.Err() == nil {
			log.Debug("counts are not up to date", "component", "app", "err", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// condition is what the daemon knows of itself, for metrics.
func (d *Daemon) condition() publish.Condition {
	rec, sp, room, n := d.record.Stats(), d.spool.Stats(), d.spool.Room(), d.counts.now()
	c := publish.Condition{
		StoreUp: !rec.StoreDown, FactsReceived: rec.Received, FactsApplied: rec.Applied,
		RefusedFacts: n.refused, UnsettledMarks: n.marks, HeldReadings: n.heldAll, StuckRegisters: len(n.stuck), ClockAhead: d.clock.Ahead(),
		SpoolBatches: sp.Batches, SpoolBytes: sp.Bytes, SpoolOldest: sp.OldestAt,
		SpoolUsed: room.Used, SpoolLimit: room.Limit,
		Thinned: publish.Thinned{Signals: room.Thinned.Signals, Readings: room.Thinned.Readings, Refusals: room.Thinned.Refusals},
		Tasks:   publish.TaskCount{"ok": 0, "upcoming": 0, "due": 0, "overdue": 0},
	}
	c.Broken = map[string]int{}
	for _, name := range invariant.Names() {
		c.Broken[string(name)] = 0
	}
	for _, f := range d.selfcheck.Violations() {
		c.Broken[string(f.Invariant)]++
	}
	for name, at := range d.selfcheck.Checked() {
		c.Checked = append(c.Checked, publish.Checked{Invariant: string(name), At: at})
	}
	if d.stations != nil {
		c.BrokerUsed, c.BrokerUp = true, d.stations.connected()
	}
	for _, t := range collect.Troubles() {
		c.MeterConditions = append(c.MeterConditions, t.String())
	}
	for _, n := range d.tell.Counts() {
		c.Deliveries = append(c.Deliveries, publish.Deliveries(n))
	}
	for _, p := range d.pollers {
		for _, h := range p.Health() {
			c.Meters = append(c.Meters, publish.MeterHealth{
				Meter: h.Meter, LastSuccess: h.LastSuccess, Polls: h.Polls, Failures: h.Failures,
				Up:      h.Up,
				Trouble: h.Trouble.String(), Refused: h.Refused, Missed: h.Missed, Line: h.Line,
			})
		}
	}
	if look := d.plan.Newest(); look != nil {
		for _, t := range look.Tasks {
			c.Tasks[string(t.Status)]++
		}
		for _, st := range d.plant.Stations() {
			if f, ok := look.Fitted[st.ID]; ok {
				c.Lamps = append(c.Lamps, publish.LampLife{Station: st.ID, Used: f.Life.UsedFraction})
			}
		}
	}
	return c
}

// metricsHandler serves the daemon's metrics from a registry of its own.
func (d *Daemon) metricsHandler() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(
		publish.NewCollector(d.plant, d.publish.Newest, d.condition),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{ErrorLog: slog.NewLogLogger(d.log.Handler(), slog.LevelWarn)})
}

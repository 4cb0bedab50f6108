package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"curetally/internal/app/deeds"
	"curetally/internal/app/faces"
	"curetally/internal/app/sights"
	"curetally/internal/core/plant"
	"curetally/internal/link/clock"
	"curetally/internal/link/config"
	"curetally/internal/link/notify/retained"
	"curetally/internal/link/spool"
	"curetally/internal/link/store"
	"curetally/internal/work/api"
	"curetally/internal/work/collect"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/pages"
	"curetally/internal/work/plan"
	"curetally/internal/work/publish"
	"curetally/internal/work/record"
	"curetally/internal/work/selfcheck"
	"curetally/internal/work/settle"
	"curetally/internal/work/tell"
	"curetally/internal/work/web"
)

// Options are what a daemon is made from.
type Options struct {
	Config *config.Config
	// Listen wins over the configuration's address when not empty. Port 0
	// takes a free one.
	Listen  string
	Version string
	Log     *slog.Logger
	// Before runs when facts can be taken in, settled and shown, and before
	// the first meter is polled; the daemon ends when it fails. May be nil.
	Before func(ctx context.Context, d *Daemon) error
	// Serving is called with the base address of the pages once they answer.
	// May be nil.
	Serving func(url string)
}

// inboxSize is at least the largest window of unacknowledged messages that a
// broker keeps, so that receiving never blocks on it.
const inboxSize = 16384

// Daemon is a running daemon, as Before sees it.
type Daemon struct {
	o         Options
	plant     *plant.Plant
	log       *slog.Logger
	store     *store.DB
	clock     *clock.Steady
	spool     *spool.Spool
	inbox     chan record.Delivery
	inferred  *inferred
	record    *record.Recorder
	settle    *settle.Settler
	plan      *plan.Planner
	lamps     *lampbook.Keeper
	publish   *publish.Publisher
	tell      *tell.Teller
	board     *retained.Board // nil when nothing is shown at the broker
	selfcheck *selfcheck.Checker
	pollers   []*collect.Poller
	stations  *stations // nil without a broker
	counts    counts
	web       *web.Server
	listener  net.Listener
	entrance  entrance
	dead      <-chan struct{} // closed when the private database dies; nil without one
}

// Run runs the daemon until ctx ends, and returns when everything that it
// started has ended. It returns nil after an orderly end.
func Run(ctx context.Context, o Options) (err error) {
	var undo cleanups
	defer func() { err = errors.Join(err, undo.run(ctx)) }()
	d, err := build(ctx, o, &undo)
	if errors.Is(err, errInterrupted) {
		return nil
	}
	if err != nil {
		return err
	}
	return d.run(ctx)
}

// build opens what can fail before anything starts to work: the listener, the
// database, the spool, the read plans of all meters.
func build(ctx context.Context, o Options, undo *cleanups) (*Daemon, error) {
	d := &Daemon{o: o, plant: &o.Config.Plant, log: o.Log, inbox: make(chan record.Delivery, inboxSize)}
	addr := o.Listen
	if addr == "" {
		addr = o.Config.Settings.Listen
	}
	var err error
	if d.entrance, err = d.newEntrance(addr); err != nil {
		return nil, err
	}
	if d.listener, err = new(net.ListenConfig).Listen(ctx, "tcp", addr); err != nil {
		return nil, fmt.Errorf("listen on %s: %w — is another daemon running? choose another address with --listen", addr, err)
	}
	undo.add("listener", func(context.Context) error {
		if err := d.listener.Close(); !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	})
	// Others may pass through the data directory, not look into it: the private
	// database runs as another user when the daemon is root. What lies below is
	// private to its owner.
	if err := os.MkdirAll(o.Config.Settings.DataDir, 0o711); err != nil {
		return nil, fmt.Errorf("data directory: %w", err)
	}
	if d.spool, err = spool.Open(filepath.Join(o.Config.Settings.DataDir, "spool"), spoolBounds(o.Config), o.Log); err != nil {
		return nil, err
	}
	undo.add("spool", func(context.Context) error { return d.spool.Close() })
	if d.store, d.dead, err = openDaemonStore(ctx, o.Config, o.Log, undo); err != nil {
		return nil, err
	}
	if d.clock, err = newClock(ctx, d.plant, d.store, o.Log); err != nil {
		return nil, err
	}
	if err := d.assemble(ctx); err != nil {
		return nil, err
	}
	return d, nil
}

// spoolBounds gives what the configuration says of the spool.
func spoolBounds(c *config.Config) spool.Bounds {
	return spool.Bounds{Bytes: c.Settings.Spool.MaxBytes, Age: c.Settings.Spool.MaxAge, Interval: c.Plant.Interval}
}

// assemble joins the parts; nothing runs yet.
func (d *Daemon) assemble(ctx context.Context) error {
	wake := make(chan struct{}, 1)
	d.record = record.New(record.Options{
		Inbox: d.inbox, Spool: d.spool, Store: d.store, Log: d.log, Rand: seeded(),
		Applied: func() {
			select {
			case wake <- struct{}{}:
			default: // a wake-up is already waiting
			}
		},
	})
	d.settle = settle.New(settle.Options{
		Plant: d.plant, Store: d.store, Log: d.log, Wake: wake, Rand: seeded(),
	})
	d.plan = plan.New(d.store, d.plant, d.log)
	d.selfcheck = d.newSelfcheck()
	d.lamps = lampbook.New(d.store, d.plant, d.log)
	var err error
	d.inferred = newInferred(d.plant, d.clock.Now())
	if d.stations, err = newStations(d.o.Config, d.inbox, d.inferred.heard, d.clock.Now, d.log); err != nil {
		return err
	}
	d.publish = publish.New(d.store, d.plant, func() bool { return d.stations == nil || d.stations.connected() }, d.log)
	for _, b := range d.plant.Buses {
		p, err := newPoller(b, d.clock.Now, d.deliverMeters, d.log)
		if err != nil {
			return err
		}
		d.pollers = append(d.pollers, p)
	}
	face := faces.Face{Plant: d.plant, Store: d.store, Pages: d, Outlook: d.plan.Newest, Book: d.lamps.Newest}
	acts := faces.Acts{Book: deeds.Book{
		Plant: d.plant, Store: d.store, Software: d.o.Version,
		Settle: func(ctx context.Context) error { return Settle(ctx, d.plant, d.store, d.log) },
	}}
	interfaces, err := api.New(api.Options{
		Live: face, Lamps: face, Savings: face, Records: face, Fault: faces.Fault, Log: d.log,
		TaskActs: acts, LampActs: acts, FigureActs: acts, Acted: d.acted,
	})
	if err != nil {
		return err
	}
	if d.tell, err = d.newTeller(); err != nil {
		return err
	}
	if d.board, err = d.newBoard(); err != nil {
		return err
	}
	calendar, err := d.newCalendar()
	if err != nil {
		return err
	}
	sight := sights.New(sights.Parts{Config: d.o.Config, Store: d.store, Overview: d, Outlook: d.plan.Newest, Book: d.lamps.Newest, Snapshot: d.publish.Newest})
	looks, err := pages.New(pages.Options{
		Live: sight, Upkeep: sight, Figures: sight, TaskActs: acts, LampActs: acts, FigureActs: acts, Acted: d.acted,
		Languages: []string{"en", "de"}, Speak: sights.Speak, Fault: sights.Fault, Log: d.log,
	})
	if err != nil {
		return err
	}
	door, err := d.newDoor(ctx, looks)
	if err != nil {
		return err
	}
	d.web, err = web.New(web.Options{
		Source: d, API: interfaces, Pages: looks, Calendar: calendar, Metrics: d.metricsHandler(), Ready: d.ready, Log: d.log,
		Door: door.Handler, Named: d.entrance.named(d.o.Config.Settings.Web), TLS: d.entrance.tls, Secure: d.entrance.secure,
	})
	return err
}

// acted makes what is shown follow an act. An act is on record in any case, so a
// failure is only logged: the next round shows it.
func (d *Daemon) acted(ctx context.Context) {
	if err := d.Refresh(ctx); err != nil && ctx.Err() == nil {
		d.log.Warn("what is shown follows an act later", "component", "app", "err", err)
	}
}

// seeded gives a generator for jitter; nothing that is counted depends on it.
func seeded() *rand.Rand { return rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64())) }

// run starts the back, then the front, and ends them in the opposite order.
func (d *Daemon) run(ctx context.Context) error {
	// The back outlives ctx, so that what the front delivered is written.
	backCtx, endBack := context.WithCancel(context.WithoutCancel(ctx))
	defer endBack()
	recordCtx, endRecord := context.WithCancel(backCtx)
	defer endRecord()
	settleCtx, endSettle := context.WithCancel(backCtx)
	defer endSettle()
	front, frontCtx := errgroup.WithContext(ctx)

	var back errgroup.Group
	back.Go(func() error { return d.plan.Run(backCtx) })
	back.Go(func() error { return d.lamps.Run(backCtx) })
	back.Go(func() error { return d.publish.Run(backCtx) })
	back.Go(func() error { return d.tell.Run(backCtx) })
	back.Go(func() error { return d.selfcheck.Run(backCtx) })
	if d.board != nil {
		back.Go(func() error { return d.board.Run(backCtx) })
		back.Go(func() error { return d.showBoard(backCtx) })
	}
	back.Go(func() error { return d.counts.run(backCtx, d.store, d.plant, d.log) })
	back.Go(func() error { return d.web.Serve(backCtx, d.listener) })
	recorded := make(chan error, 1)
	go func() { recorded <- d.record.Run(recordCtx) }()
	settled := make(chan error, 1)
	go func() { settled <- d.settle.Run(settleCtx) }()

	if d.o.Serving != nil {
		d.o.Serving(d.entrance.scheme() + d.listener.Addr().String())
	}
	front.Go(func() error { return d.watchDatabase(frontCtx) })
	front.Go(func() error { return d.takeIn(frontCtx) })
	err := front.Wait()

	endRecord()
	err = errors.Join(err, <-recorded)
	endSettle()
	err = errors.Join(err, <-settled, d.settleRest(ctx))
	endBack()
	return errors.Join(err, back.Wait())
}

// takeIn runs Before, then polls and listens until ctx ends.
func (d *Daemon) takeIn(ctx context.Context) error {
	if d.o.Before != nil {
		if err := d.o.Before(ctx, d); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
	}
	front, ctx := errgroup.WithContext(ctx)
	for _, p := range d.pollers {
		front.Go(func() error { return p.Run(ctx) })
	}
	if d.stations != nil {
		front.Go(func() error { return d.stations.run(ctx) })
	}
	<-ctx.Done()
	return front.Wait()
}

// watchDatabase ends the daemon when its private database server dies: the next
// start recovers both, and the spool keeps what was not written.
func (d *Daemon) watchDatabase(ctx context.Context) error {
	if d.dead == nil {
		return nil
	}
	select {
	case <-ctx.Done():
		return nil
	case <-d.dead:
		return errors.New("the private database server ended — see its lines in the log; start the daemon again, nothing that was received is lost")
	}
}

// settleRest settles what was written last, so that an orderly end leaves
// nothing unsettled. It gives up after some seconds: what is left is settled at
// the next start.
func (d *Daemon) settleRest(ctx context.Context) error {
	bound, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	if err := d.settle.Rest(bound); err != nil {
		d.log.Warn("the last facts are settled at the next start", "component", "settle", "err", err)
	}
	return nil
}

// Deliver hands facts to the inbox. It blocks while the inbox is full and fails
// only when ctx ends.
func (d *Daemon) Deliver(ctx context.Context, f plant.Facts) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case d.inbox <- record.Delivery{Facts: f}:
		return nil
	}
}

// Store is the daemon's store, for what people do.
func (d *Daemon) Store() *store.DB { return d.store }

// Settled waits until everything delivered so far is written and settled.
func (d *Daemon) Settled(ctx context.Context) error {
	written := make(chan struct{})
	select {
	case <-ctx.Done():
		return ctx.Err()
	case d.inbox <- record.Delivery{Done: func() { close(written) }}:
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-written: // in the spool; now follow it to the entries
	}
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		if d.spool.Stats().Batches == 0 {
			n, err := d.store.UnsettledCount(ctx)
			if err != nil {
				return err
			}
			if n == 0 {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

// Refresh makes the outlook and the snapshot anew, so that pages show what was
// settled just now.
func (d *Daemon) Refresh(ctx context.Context) error {
	return errors.Join(d.plan.Refresh(ctx), d.lamps.Refresh(ctx), d.publish.Refresh(ctx), d.counts.refresh(ctx, d.store, d.plant))
}

// ready says what is missing until the daemon does its whole job. Whoever asks
// may read it, so it says nothing of addresses and accounts.
func (d *Daemon) ready(ctx context.Context) error {
	if err := d.store.Ping(ctx); err != nil {
		d.log.Debug("not ready", "component", "app", "err", err)
		return errors.New("the database does not answer")
	}
	if d.publish.Newest() == nil || d.plan.Newest() == nil {
		return errors.New("the first figures are being worked out")
	}
	return nil
}

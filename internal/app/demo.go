package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
	"curetally/internal/sim"
	"curetally/internal/sim/broker"
	"curetally/internal/sim/controllers"
	"curetally/internal/sim/meters"
	"curetally/internal/sim/plantfile"
	"curetally/internal/work/publish"
)

// demoZone is where the plant of the demo stands.
const demoZone = "Europe/London"

// DemoOptions choose how the demo runs.
type DemoOptions struct {
	// Dir keeps the demo's configuration, database and spool from one run to
	// the next.
	Dir    string
	Listen string // address of the pages; a free port on loopback when empty
	// For ends the demo so long after it is ready; 0 runs until ctx ends.
	For     time.Duration
	Version string
	Log     *slog.Logger
	// Progress says in words how a long step gets on. May be nil.
	Progress func(text string)
	// Ready is called once the first page is ready, with the summary of that
	// moment. May be nil.
	Ready func(Summary)
}

// Addresses are where the parts of the demo are found while it runs.
type Addresses struct {
	Pages    string `json:"pages"`
	API      string `json:"api"`
	Metrics  string `json:"metrics"`
	Broker   string `json:"broker"`
	MeterTCP string `json:"meters_modbus_tcp"`
	MeterRTU string `json:"meters_modbus_rtu_over_tcp"`
	Config   string `json:"config"` // file for the commands
}

// Demo runs the virtual plant with its meters, its broker and the daemon, until
// ctx ends or the time is over, and returns the summary of the last moment.
// Everything that it started has ended when it returns.
func Demo(ctx context.Context, o DemoOptions) (Summary, error) {
	if o.Progress == nil {
		o.Progress = func(string) {}
	}
	d := demo{o: o}
	w, err := d.lay()
	if err != nil {
		return Summary{}, err
	}
	d.world = w
	servers, err := meters.Listen(w, meters.Options{})
	if err != nil {
		return Summary{}, fmt.Errorf("virtual meters: %w", err)
	}
	mqtt, err := broker.Listen()
	if err != nil {
		return Summary{}, errors.Join(fmt.Errorf("broker of the demo: %w", err), ended(ctx, servers.Run))
	}
	d.addresses = Addresses{Broker: mqtt.URL(), MeterTCP: servers.TCP(), MeterRTU: servers.RTU()}
	conf, err := d.configure()
	if err != nil {
		return Summary{}, errors.Join(err, ended(ctx, servers.Run), ended(ctx, mqtt.Run))
	}

	// The plant outlives the daemon, so that the end is not seen as a fault.
	plantCtx, endPlant := context.WithCancel(context.WithoutCancel(ctx))
	defer endPlant()
	var outside errgroup.Group
	outside.Go(func() error { return servers.Run(plantCtx) })
	outside.Go(func() error { return mqtt.Run(plantCtx) })

	daemonCtx, endDaemon := context.WithCancel(ctx)
	defer endDaemon()
	err = Run(daemonCtx, Options{
		Config: conf, Listen: d.listen(), Version: o.Version, Log: o.Log,
		Serving: func(url string) { d.addresses.serve(url) },
		Before: func(ctx context.Context, daemon *Daemon) error {
			return d.begin(ctx, daemon, func(run func(context.Context) error) {
				outside.Go(func() error { return run(plantCtx) })
			}, endDaemon)
		},
	})
	endPlant()
	err = errors.Join(err, outside.Wait()) // which may still set the last summary
	return d.last, err
}

// ended runs what must be run to be closed.
func ended(ctx context.Context, run func(context.Context) error) error {
	over, cancel := context.WithCancel(ctx)
	cancel()
	return run(over)
}

func (a *Addresses) serve(url string) {
	a.Pages, a.API, a.Metrics = url+"/", url+"/api/v1/overview", url+"/metrics"
}

// demo is one run of the demo.
type demo struct {
	o         DemoOptions
	world     *sim.World
	addresses Addresses
	last      Summary
}

func (d *demo) listen() string {
	if d.o.Listen != "" {
		return d.o.Listen
	}
	return "127.0.0.1:0"
}

// demoState is what is kept so that the next run goes on with the same plant.
type demoState struct {
	Seed       uint64    `json:"seed"`
	Start      time.Time `json:"start"`
	Changeover time.Time `json:"changeover"`
}

// lay lays the plant out: the one of the last run, or a new one.
func (d *demo) lay() (*sim.World, error) {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		return nil, err
	}
	// The servers of the private cluster run as another user, who must be able
	// to pass through.
	if err := os.MkdirAll(d.o.Dir, 0o755); err != nil {
		return nil, fmt.Errorf("directory of the demo: %w", err)
	}
	now := time.Now().UTC().Truncate(time.Second)
	opts := sim.Defaults(now, zone)
	path := filepath.Join(d.o.Dir, "plant.json")
	raw, err := os.ReadFile(path)
	switch {
	case err == nil:
		var s demoState
		if err := json.Unmarshal(raw, &s); err != nil {
			return nil, fmt.Errorf("%s: %w — remove the directory %s to begin a new demo", path, err, d.o.Dir)
		}
		opts.Seed, opts.Start, opts.Changeover = s.Seed, s.Start, s.Changeover
	case errors.Is(err, fs.ErrNotExist):
		raw, err := json.Marshal(demoState{opts.Seed, opts.Start, opts.Changeover})
		if err != nil {
			return nil, err
		}
		if err := os.WriteFile(path, raw, 0o644); err != nil {
			return nil, fmt.Errorf("keep the plant of the demo: %w", err)
		}
	default:
		return nil, fmt.Errorf("plant of the last demo: %w", err)
	}
	return sim.New(opts)
}

// configure writes the configuration and reads it back, as for any plant.
func (d *demo) configure() (*config.Config, error) {
	text, err := plantfile.Text(d.world, plantfile.Addresses{
		MeterTCP: d.addresses.MeterTCP, MeterRTU: d.addresses.MeterRTU, Broker: d.addresses.Broker, DataDir: d.o.Dir,
	})
	if err != nil {
		return nil, err
	}
	d.addresses.Config = filepath.Join(d.o.Dir, "demo.yaml")
	if err := os.WriteFile(d.addresses.Config, []byte(text), 0o644); err != nil {
		return nil, fmt.Errorf("configuration of the demo: %w", err)
	}
	return config.Load(d.addresses.Config)
}

// begin takes the history in, lets the controllers speak and keeps the daemon
// for as long as the demo is to run; end ends it. What is given to alongside runs
// for as long as the plant.
func (d *demo) begin(ctx context.Context, daemon *Daemon, alongside func(run func(context.Context) error), end func()) error {
	begun := time.Now()
	if err := d.past(ctx, daemon); err != nil {
		return err
	}
	if err := d.freeze(ctx, daemon); err != nil {
		return err
	}
	if err := daemon.Refresh(ctx); err != nil {
		return err
	}
	alongside(controllers.New(d.world, controllers.Options{Broker: d.addresses.Broker}).Run)
	var err error
	if d.last, err = d.summary(daemon); err != nil {
		return err
	}
	d.o.Progress(fmt.Sprintf("ready after %.0f s", time.Since(begun).Seconds()))
	if d.o.Ready != nil {
		d.o.Ready(d.last)
	}
	alongside(func(context.Context) error {
		defer end()
		return d.watch(ctx, daemon)
	})
	return nil
}

// watch waits until the demo is over and takes the last summary.
func (d *demo) watch(ctx context.Context, daemon *Daemon) error {
	if d.o.For == 0 {
		<-ctx.Done()
		return nil
	}
	timer := time.NewTimer(d.o.For)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return nil
	case <-timer.C:
	}
	if err := daemon.Settled(ctx); err != nil {
		return err
	}
	if err := daemon.Refresh(ctx); err != nil {
		return err
	}
	s, err := d.summary(daemon)
	if err == nil {
		d.last = s
	}
	return err
}

// past brings in what happened before now: what people did, then what meters
// and stations said, through the same inbox as live facts. A later run goes on
// where the last one ended.
func (d *demo) past(ctx context.Context, daemon *Daemon) error {
	// What the last run left in the spool counts as taken in.
	if err := daemon.Settled(ctx); err != nil {
		return err
	}
	_, since, known, err := daemon.store.FirstLast(ctx, plant.RegisterOf(sim.MeterSupply, sim.ValueImport))
	if err != nil {
		return err
	}
	if !known {
		since = time.Time{}
	}
	if err := d.acts(ctx, daemon.store); err != nil {
		return err
	}
	opts := d.world.Options()
	from := opts.Start
	if since.After(from) {
		from = since
	}
	whole, shown := opts.Now.Sub(from), -1
	err = d.world.History(ctx, sim.HistoryOptions{From: from}, func(f plant.Facts) error {
		if n := len(f.Readings); n > 0 {
			// A line for each tenth.
			if tenth := int(10 * f.Readings[n-1].At.Sub(from) / max(whole, 1)); tenth > shown {
				shown = tenth
				d.o.Progress(fmt.Sprintf("taking in the history: %s, %d %%", f.Readings[n-1].At.In(opts.Zone).Format("2 Jan 2006"), min(100, 10*tenth)))
			}
		}
		return daemon.Deliver(ctx, f)
	})
	if err != nil {
		return err
	}
	d.o.Progress("settling what is left")
	return daemon.Settled(ctx)
}

// acts records what the people of the plant did, as far as it is not recorded:
// the last run may have been ended halfway.
func (d *demo) acts(ctx context.Context, db *store.DB) error {
	if err := d.lampActs(ctx, db); err != nil {
		return err
	}
	for _, x := range d.world.Exchanges() {
		known, err := db.Exchanges(ctx, x.Register)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(known, func(k plant.Exchange) bool { return k.At.Equal(x.At) }) {
			continue
		}
		if err := db.DeclareExchange(ctx, x); err != nil {
			return err
		}
	}
	for _, done := range d.world.Dones() {
		if err := db.MarkDone(ctx, done); err != nil { // the same record twice is one
			return err
		}
	}
	return nil
}

// lampActs records fittings and removals of lamps. One that contradicts what is
// recorded yields: whoever tries the lamp commands on the demo is right.
func (d *demo) lampActs(ctx context.Context, db *store.DB) error {
	fittings, err := db.AllFittings(ctx)
	if err != nil {
		return err
	}
	for _, a := range d.world.Lamps() {
		known := slices.ContainsFunc(fittings, func(f plant.Fitting) bool {
			return f.Lamp == a.Lamp.Serial && (a.Removed == "" && f.From.Equal(a.At) || a.Removed != "" && f.To.Equal(a.At))
		})
		switch {
		case known:
			continue
		case a.Removed != "":
			err = db.RemoveLamp(ctx, a.Lamp.Serial, a.At, a.Removed, a.By)
		default:
			err = db.FitLamp(ctx, plant.Fitting{Lamp: a.Lamp.Serial, Station: a.Station, From: a.At, By: a.By}, a.Lamp.Kind)
		}
		if errors.Is(err, store.ErrConflict) || errors.Is(err, store.ErrNotFound) {
			d.o.Progress("left out: " + err.Error())
			continue
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// freeze freezes the baseline of each project that has none, dated at the
// conversion as it would have been on a real plant.
func (d *demo) freeze(ctx context.Context, daemon *Daemon) error {
	for _, pr := range daemon.plant.Projects {
		_, found, err := publish.Frozen(ctx, daemon.store, pr.ID)
		if err != nil {
			return err
		}
		if found {
			continue
		}
		d.o.Progress("freezing the baseline")
		_, err = publish.Freeze(ctx, daemon.store, daemon.plant, pr, savings.FreezeInfo{
			Approver: "retrofit engineer", At: d.world.Options().Changeover.UTC(), Software: d.o.Version,
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (d *demo) summary(daemon *Daemon) (Summary, error) {
	s, err := daemon.Summary()
	s.Addresses = d.addresses
	return s, err
}

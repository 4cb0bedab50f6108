package app_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"

	"curetally/internal/sim"
	"curetally/internal/sim/broker"
	"curetally/internal/sim/controllers"
	"curetally/internal/sim/meters"
	"curetally/internal/sim/plantfile"
	"curetally/internal/sim/presswork"
)

// beat is how often the stations of the test site say something at least.
const beat = 500 * time.Millisecond

// workingWorld is a plant with arc lamps that is at work now, whatever the day
// and hour: its calendar is shifted until it is.
func workingWorld(t *testing.T) *sim.World {
	t.Helper()
	now := time.Now().UTC().Truncate(time.Second)
	for shift := time.Duration(0); shift < 40*24*time.Hour; shift += 3 * time.Hour {
		// Named UTC because the configuration names the zone; nothing that is
		// tested here depends on the local day.
		zone := time.FixedZone("UTC", int(shift.Seconds()))
		w, err := sim.New(sim.Options{
			Seed: 5, Zone: zone, Now: now, Start: now.Add(-48 * time.Hour),
			Changeover: presswork.MondayOf(now, zone).AddDate(0, 0, 12).Add(4 * time.Hour), // Saturday of next week
		})
		if err != nil {
			t.Fatal(err)
		}
		lit := 0
		for _, id := range sim.StationIDs() {
			from, _ := w.Counters(id, now)
			to, _ := w.Counters(id, now.Add(5*time.Minute))
			if time.Duration(to-from)*time.Millisecond > 4*time.Minute {
				lit++
			}
		}
		if lit >= 4 {
			return w
		}
	}
	t.Fatal("no shift of the calendar finds the plant at work")
	return nil
}

// site is a plant with its meters and broker, in the process of the test.
type site struct {
	world   *sim.World
	meters  *meters.Servers
	broker  *broker.Broker
	acks    *acknowledged
	answers atomic.Int64 // of all meters
}

// newSite brings up the meters of a plant, and with talk also its broker and its
// controllers.
func newSite(t *testing.T, w *sim.World, talk bool) *site {
	t.Helper()
	s := &site{world: w, acks: &acknowledged{sent: map[sentKey]packets.Packet{}}}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	var mu sync.Mutex
	var failed error
	run := func(f func(context.Context) error) {
		wg.Go(func() {
			err := f(ctx)
			mu.Lock()
			defer mu.Unlock()
			failed = errors.Join(failed, err)
		})
	}
	t.Cleanup(func() {
		cancel()
		wg.Wait()
		if failed != nil {
			t.Error(failed)
		}
	})
	var err error
	if s.meters, err = meters.Listen(w, meters.Options{Now: func() time.Time {
		s.answers.Add(1)
		return time.Now()
	}}); err != nil {
		t.Fatal(err)
	}
	run(s.meters.Run)
	if talk {
		if s.broker, err = broker.Listen(s.acks); err != nil {
			t.Fatal(err)
		}
		run(s.broker.Run)
		run(controllers.New(w, controllers.Options{Broker: s.broker.URL(), Beat: beat}).Run)
	}
	return s
}

// configure writes the configuration of the site, polled five times a second,
// with its data in dir.
func (s *site) configure(t *testing.T, dir string, a plantfile.Addresses) (path string) {
	t.Helper()
	a.DataDir = dir
	if a.MeterTCP == "" {
		a.MeterTCP = s.meters.TCP()
	}
	if a.MeterRTU == "" {
		a.MeterRTU = s.meters.RTU()
	}
	if a.Broker == "" {
		a.Broker = s.broker.URL()
	}
	text, err := plantfile.Text(s.world, a)
	if err != nil {
		t.Fatal(err)
	}
	quick := strings.NewReplacer("period: 2s", "period: 200ms", "timeout: 1s", "timeout: 200ms").Replace(text)
	if quick == text {
		t.Fatal("the configuration has no period of 2s to shorten")
	}
	path = filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(path, []byte(quick), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// daemon starts curetally run on a configuration.
func daemon(t *testing.T, path string) *process {
	t.Helper()
	return launch(t, program(t), "run", "--config", path, "--listen", "127.0.0.1:0")
}

// polled waits until the meters have answered n times more.
func (s *site) polled(p *process, n int64) {
	p.t.Helper()
	goal := s.answers.Load() + n
	p.until("answers of the meters", func() bool { return s.answers.Load() >= goal })
}

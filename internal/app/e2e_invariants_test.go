package app_test

import (
	"log/slog"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"curetally/internal/core/plant"
	"curetally/internal/link/spool"
	"curetally/internal/link/store"
	"curetally/internal/sim"
	"curetally/internal/work/settle"
)

// The checks of this file compute from facts what entries must be, in simple
// loops of their own that share nothing with package ledger.

// Bounds around every instant that a test can meet.
var (
	farPast   = time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)
	farFuture = time.Date(2098, 1, 1, 0, 0, 0, 0, time.UTC)
)

// archive is a store with the plant that it belongs to.
type archive struct {
	db    *store.DB
	plant *plant.Plant
	world *sim.World
}

func (a archive) entries(t *testing.T, reg plant.RegisterID) []plant.Entry {
	t.Helper()
	all, err := a.db.Entries(t.Context(), reg, farPast, farFuture)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func (a archive) readings(t *testing.T, reg plant.RegisterID) []plant.Reading {
	t.Helper()
	all, err := a.db.Readings(t.Context(), reg, farPast, farFuture)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func (a archive) events(t *testing.T, st plant.StationID) []plant.StationEvent {
	t.Helper()
	all, err := a.db.Events(t.Context(), st, farPast, farFuture)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func sum(entries []plant.Entry) (total int64) {
	for _, e := range entries {
		total += e.Amount
	}
	return total
}

// conserves checks conservation for every register with readings: the entries
// add up to what the register counted, and a meter's to what truly flowed.
func (a archive) conserves(t *testing.T) {
	t.Helper()
	for _, reg := range a.plant.Registers {
		if reg.Curve != plant.FromReadings {
			continue
		}
		readings := a.readings(t, reg.ID)
		if len(readings) < 2 {
			t.Errorf("%s has %d readings", reg.ID, len(readings))
			continue
		}
		exchanges, err := a.db.Exchanges(t.Context(), reg.ID)
		if err != nil {
			t.Fatal(err)
		}
		owner, _ := reg.ID.Split()
		meter, ofMeter := a.plant.FindMeter(plant.MeterID(owner))
		var modulus, step int64
		if ofMeter {
			_, layout, err := a.world.Mounting(meter.ID)
			if err != nil {
				t.Fatal(err)
			}
			step = layout.StepMilliwattHours
			modulus = int64(layout.Modulus) * step
		}
		entries := a.entries(t, reg.ID)
		got, want := sum(entries), counted(t, readings, exchanges, modulus)
		if got != want {
			t.Errorf("%s: entries add up to %d, the register counted %d", reg.ID, got, want)
		}
		if i := slices.IndexFunc(entries, func(e plant.Entry) bool { return e.Amount < 0 }); i >= 0 {
			t.Errorf("%s: an entry of %d at %s", reg.ID, entries[i].Amount, entries[i].Start)
		}
		if !ofMeter {
			continue
		}
		truth := a.world.Energy(meter.ID, readings[len(readings)-1].At) - a.world.Energy(meter.ID, readings[0].At)
		// A register shows whole steps, each exchange cuts twice; and a live value
		// was read somewhere between request and answer.
		slack := step*int64(1+2*len(exchanges)) + int64(sim.Rated(meter.ID)*1000/3600*2)
		if off := got - truth; off < -slack || off > slack {
			t.Errorf("%s: entries add up to %d mWh, %d mWh truly flowed", reg.ID, got, truth)
		}
	}
}

// counted is what a register counted from its first to its last reading.
func counted(t *testing.T, readings []plant.Reading, exchanges []plant.Exchange, modulus int64) (total int64) {
	t.Helper()
	last := readings[0].Value
	for _, r := range readings[1:] {
		for len(exchanges) > 0 && !exchanges[0].At.After(r.At) {
			total += exchanges[0].Final - last
			last, exchanges = exchanges[0].First, exchanges[1:]
		}
		d := r.Value - last
		if d < 0 {
			d += modulus
		}
		if d < 0 {
			t.Errorf("%s fell to %d at %s", r.Register, r.Value, r.At)
		}
		total, last = total+d, r.Value
	}
	return total
}

// tiles checks the registers of every station: time fills every interval from
// the first to the last message exactly, lit time and starts are those of the
// counters, and no lamp burns longer than time goes.
func (a archive) tiles(t *testing.T) {
	t.Helper()
	for _, st := range a.plant.Stations() {
		events := a.events(t, st.ID)
		if len(events) < 2 {
			t.Errorf("%s has %d messages", st.ID, len(events))
			continue
		}
		first, last := events[0].At, events[len(events)-1].At
		inside := map[int64]int64{} // milliseconds between first and last, by interval
		for iv := first.Truncate(a.plant.Interval); iv.Before(last); iv = iv.Add(a.plant.Interval) {
			from, to := iv, iv.Add(a.plant.Interval)
			if from.Before(first) {
				from = first
			}
			if to.After(last) {
				to = last
			}
			inside[iv.Unix()] = to.Sub(from).Milliseconds()
		}
		told := map[int64]int64{}
		for _, e := range a.entries(t, plant.RegisterOf(st.ID, plant.ValueTime)) {
			told[e.Start.Unix()] += e.Amount
		}
		if len(told) != len(inside) {
			t.Errorf("%s: %d intervals have time, expected %d", st.ID, len(told), len(inside))
		}
		for iv, want := range inside {
			if told[iv] != want {
				t.Errorf("%s: the states of the interval %s last %d ms, expected %d", st.ID, time.Unix(iv, 0).UTC(), told[iv], want)
			}
		}
		a.countsStation(t, st.ID, events, inside)
	}
}

func (a archive) countsStation(t *testing.T, id plant.StationID, events []plant.StationEvent, inside map[int64]int64) {
	t.Helper()
	var from, to *plant.StationEvent
	for i := range events {
		if events[i].LitMillis < 0 {
			continue // a last will
		}
		if to != nil && (events[i].LitMillis < to.LitMillis || events[i].Starts < to.Starts) {
			t.Errorf("%s: the counters fell at %s", id, events[i].At)
		}
		if to = &events[i]; from == nil {
			from = to
		}
	}
	entries := a.entries(t, plant.RegisterOf(id, plant.ValueLit))
	if got, want := sum(entries), to.LitMillis-from.LitMillis; got != want {
		t.Errorf("%s: lit for %d ms, the counter says %d", id, got, want)
	}
	if got, want := sum(a.entries(t, plant.RegisterOf(id, plant.ValueStarts))), to.Starts-from.Starts; got != want {
		t.Errorf("%s: %d starts, the counter says %d", id, got, want)
	}
	if lit, wall := sum(entries), to.At.Sub(from.At).Milliseconds(); lit > wall {
		t.Errorf("%s: lit for %d ms within %d ms", id, lit, wall)
	}
	lit := map[int64]int64{}
	for _, e := range entries {
		lit[e.Start.Unix()] += e.Amount
	}
	for iv, amount := range lit {
		// A message whose clock was not believed is dated by its arrival, so the
		// counter before it seems to run a little fast.
		const late = 1000
		if amount > inside[iv]+late {
			t.Errorf("%s: lit for %d ms within the %d ms of the interval %s", id, amount, inside[iv], time.Unix(iv, 0).UTC())
		}
	}
}

// settled checks that nothing waits and that the audit finds every entry as
// facts make it.
func (a archive) settled(t *testing.T) {
	t.Helper()
	marks, err := a.db.UnsettledCount(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if marks != 0 {
		t.Errorf("%d stretches are not settled", marks)
	}
	var audits errgroup.Group
	audits.SetLimit(runtime.NumCPU())
	for _, reg := range a.plant.Registers {
		audits.Go(func() error {
			f, err := settle.Audit(t.Context(), a.db, a.plant, reg)
			if f.Differing != 0 || f.Total != f.Stored {
				t.Errorf("audit of %s: %d of %d entries differ, %d stored and %d by facts: %s", reg.ID, f.Differing, f.Entries, f.Stored, f.Total, f.First)
			}
			return err
		})
	}
	if err := audits.Wait(); err != nil {
		t.Fatal(err)
	}
}

// complete checks that no message of a station is missing between the first and
// the last: each says something at every beat.
func (a archive) complete(t *testing.T) {
	t.Helper()
	for _, st := range a.plant.Stations() {
		events := a.events(t, st.ID)
		for i := 1; i < len(events); i++ {
			if gap := events[i].At.Sub(events[i-1].At); gap > beat {
				t.Errorf("%s: nothing between %s and %v later, expected a message every %v", st.ID, events[i-1].At, gap, beat)
			}
		}
	}
}

// spoolEmpty checks that no facts wait in the spool of a data directory.
func spoolEmpty(t *testing.T, dir string) {
	t.Helper()
	s, err := spool.Open(filepath.Join(dir, "spool"), spool.Bounds{}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if n := s.Stats().Batches; n != 0 {
		t.Errorf("%d batches wait in the spool", n)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

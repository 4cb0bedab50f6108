package settle

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/link/clock"
)

// night is an evening from which clocks, calendars and machines may do odd things.
type night struct{ zone, evening string }

// Source: IANA time zone database: clock changes of 2026 (Lord Howe's by half an
// hour), Kathmandu's offset of 5:45; ISO 8601: 2028 has a 29 February.
var nights = []night{
	{"Europe/Berlin", "2026-03-28T19:00:00Z"},
	{"Europe/Berlin", "2026-10-24T19:00:00Z"},
	{"America/New_York", "2026-03-08T01:00:00Z"},
	{"America/New_York", "2026-11-01T01:00:00Z"},
	{"Australia/Lord_Howe", "2026-04-04T09:00:00Z"},
	{"Australia/Lord_Howe", "2026-10-03T09:00:00Z"},
	{"Asia/Kathmandu", "2026-01-01T12:00:00Z"},
	{"UTC", "2028-02-28T19:00:00Z"},
}

// clockwork is a plant of one station whose daemon runs on a machine with a clock
// that is set, and that sleeps.
type clockwork struct {
	began  time.Time     // in truth
	passed time.Duration // what has passed in truth
	off    time.Duration // of the machine's clock
	lag    time.Duration // of the clock of the station's device, behind the machine's
	clock  *clock.Steady
	curing
}

// curing is the station: ten minutes lit, five minutes dark, for ever.
type curing struct{}

const (
	litPart, darkPart = 10 * time.Minute, 5 * time.Minute
	litWatts          = 6000 // three quarters of what the meter may count
)

func (curing) lit(passed time.Duration) time.Duration {
	cycle := litPart + darkPart
	return passed/cycle*litPart + min(passed%cycle, litPart)
}

func (c curing) starts(passed time.Duration) int64 { return int64(passed/(litPart+darkPart)) + 1 }

func (c curing) state(passed time.Duration) plant.State {
	if passed%(litPart+darkPart) < litPart {
		return plant.StateCuring
	}
	return plant.StateOff
}

// energy is in milliwatt-hours.
func (c curing) energy(passed time.Duration) int64 {
	return c.lit(passed).Milliseconds() * litWatts / 3600
}

func newClockwork(began time.Time, lag time.Duration) *clockwork {
	w := &clockwork{began: began, lag: lag}
	w.clock = clock.New(clock.Source{
		Wall: func() time.Time { return w.began.Add(w.passed + w.off) },
		Ran:  func() time.Duration { return w.passed },
	}, time.Time{}, slog.New(slog.DiscardHandler))
	return w
}

// poll is what the daemon takes in at one instant, as it is stamped at the door.
func (w *clockwork) poll(seq int64) plant.Facts {
	now := w.clock.Now()
	return plant.Facts{
		Readings: []plant.Reading{{Register: "m/import", At: now.Truncate(time.Microsecond), Value: 1_000_000 + w.energy(w.passed)}},
		Events: []plant.StationEvent{{
			Station: "s", At: now.Add(-w.lag).Truncate(time.Millisecond), Arrived: now, State: w.state(w.passed), Boot: "b", Sequence: seq,
			LitMillis: w.lit(w.passed).Milliseconds(), Starts: w.starts(w.passed),
		}},
	}
}

func clockworkPlant(zone *time.Location) *plant.Plant {
	return &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: zone, Interval: 15 * time.Minute,
		Presses: []plant.Press{{ID: "p", Stations: []plant.Station{{
			ID: "s", Press: "p", Silence: 3 * time.Minute, Technology: []plant.TechnologyFrom{{Technology: plant.TechnologyArc}},
		}}}},
		Registers: []plant.Register{
			{ID: "m/import", Quantity: plant.QuantityEnergy, Station: "s", Press: "p", Rules: plant.Rules{Modulus: 1 << 32, MaxPerHour: 8_000_000, Slack: 1000, Backstep: 2000, MaxGap: 30 * time.Minute}},
			{ID: "s/lit", Quantity: plant.QuantityTime, Station: "s", Press: "p", Rules: plant.Rules{MaxPerHour: 3_600_000, Slack: 2000, Backstep: 2000, MaxGap: 30 * time.Minute}, Curve: plant.FromEvents},
			{ID: "s/starts", Quantity: plant.QuantityCount, Station: "s", Press: "p", Rules: plant.Rules{MaxPerHour: 3600, Slack: 1, MaxGap: 30 * time.Minute}, Curve: plant.FromEvents},
			{ID: "s/time", Quantity: plant.QuantityTime, Station: "s", Press: "p", Curve: plant.FromTimeline},
		},
	}
}

// Whatever happens to the clocks, entries tile time, lie in one local day each, and
// add up to what the register and the counters counted; no reading is judged as
// anything but normal, and only a gap is marked as one.
func TestClocks_EntriesStayTiledAndExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.SampledFrom(nights).Draw(t, "night")
		zone, err := time.LoadLocation(n.zone)
		if err != nil {
			t.Fatal(err)
		}
		began, err := time.Parse(time.RFC3339, n.evening)
		if err != nil {
			t.Fatal(err)
		}
		p, m := clockworkPlant(zone), newMemory()
		w := newClockwork(began, time.Duration(rapid.IntRange(0, 600).Draw(t, "device behind"))*time.Second)
		s := New(Options{Plant: p, Store: m, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
		slept := false
		for seq := int64(0); w.passed < 8*time.Hour; seq++ {
			m.take(w.poll(seq))
			w.passed += time.Minute
			switch rapid.IntRange(0, 60).Draw(t, "happens") {
			case 0: // set back, as far as the clock makes up for
				w.off -= min(time.Duration(rapid.IntRange(1, 3600).Draw(t, "back"))*time.Second, clock.MaxAhead-w.clock.Ahead())
			case 1:
				w.off += time.Duration(rapid.IntRange(1, 3600).Draw(t, "forward")) * time.Second
				slept = true // a gap as well
			case 2: // the laptop sleeps
				d := time.Duration(rapid.IntRange(60, 3600).Draw(t, "sleeps")) * time.Second
				w.passed, slept = w.passed+d, true
			case 3:
				if _, err := s.Round(context.Background()); err != nil {
					t.Fatal(err)
				}
			}
		}
		for found := 1; found > 0; {
			if found, err = s.Round(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
		for _, reg := range p.Registers {
			if problem := w.problemOf(m, p, reg, slept); problem != "" {
				t.Fatalf("%s, %s: %s", n.zone, reg.ID, problem)
			}
			checkRegister(t, m, p, reg)
		}
	})
}

// problemOf says what is wrong with the entries of a register, or nothing.
func (w *clockwork) problemOf(m *memory, p *plant.Plant, reg plant.Register, gaps bool) string {
	first, last, _, _ := m.Extent(context.Background(), reg.ID)
	if steps := m.steps[reg.ID]; len(steps) > 0 {
		return fmt.Sprintf("%d steps were not normal, the first %+v", len(steps), steps[0])
	}
	var sum int64
	seen := map[time.Time]bool{}
	for _, e := range m.entries[reg.ID] {
		sum += e.Amount
		seen[e.Start] = true
		if day := p.Day(e.Start, 0); !p.Day(e.Start.Add(p.Interval-time.Microsecond), 0).Equal(day) {
			return fmt.Sprintf("the interval of %v lies in two local days", e.Start)
		}
		if e.Amount < 0 {
			return fmt.Sprintf("negative amount %+v", e)
		}
		if !gaps && reg.ID == "m/import" && e.Quality != plant.QualityMeasured {
			return fmt.Sprintf("quality %v without a gap: %+v", e.Quality, e)
		}
	}
	for at := first.Truncate(p.Interval); at.Before(last); at = at.Add(p.Interval) {
		if reg.ID == "s/time" && !seen[at] {
			return fmt.Sprintf("no entry for %v", at)
		}
	}
	want := last.Sub(first).Milliseconds()
	switch rs, es := m.readings[reg.ID], m.events["s"]; reg.ID {
	case "m/import":
		want = rs[len(rs)-1].Value - rs[0].Value
	case "s/lit":
		want = es[len(es)-1].LitMillis - es[0].LitMillis
	case "s/starts":
		want = es[len(es)-1].Starts - es[0].Starts
	}
	if sum != want {
		return fmt.Sprintf("the entries add up to %d, expected %d", sum, want)
	}
	return ""
}

package collect

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/plant"
)

// fakeBus answers each meter after its latency, or fails after the time-out
// while the meter is dead.
type fakeBus struct {
	latency map[plant.MeterID]time.Duration
	dead    map[plant.MeterID]func(time.Time) bool
	wrong   map[plant.MeterID]func(ask int) []Fault // of the answer to the nth request
	asked   map[plant.MeterID]int                   // attempts
	retries int
	quiet   time.Duration
	rest    bool // the line must rest
	closed  bool
}

// timeout is how long an attempt at a dead meter takes.
const timeout = time.Second

func (f *fakeBus) Read(ctx context.Context, m plant.MeterID, retry bool) Answer {
	wait, attempts, dead := f.latency[m], 1, false
	if d := f.dead[m]; d != nil && d(time.Now()) {
		dead = true
		if retry {
			attempts += f.retries
		}
		// Between two attempts the line rests.
		wait = time.Duration(attempts)*timeout + time.Duration(attempts-1)*f.quiet
	}
	f.asked[m] += attempts
	select {
	case <-ctx.Done():
		return Answer{}
	case <-time.After(wait):
	}
	if dead {
		f.rest = true
		return Answer{Faults: []Fault{{Trouble: NoAnswer, Reason: "no answer", Text: "no answer within 1s"}}}
	}
	a := Answer{Facts: plant.Facts{Readings: []plant.Reading{{Register: plant.RegisterOf(m, "import"), At: time.Now(), Value: 1}}}}
	if w := f.wrong[m]; w != nil {
		a.Faults = w(f.asked[m])
		if len(a.Faults) > 0 && a.Faults[0].Value == "" {
			a.Facts = plant.Facts{}
		}
	}
	return a
}

func (f *fakeBus) Rest(ctx context.Context) {
	if !f.rest {
		return
	}
	f.rest = false
	select {
	case <-ctx.Done():
	case <-time.After(f.quiet):
	}
}

func (f *fakeBus) Close() error { f.closed = true; return nil }

func bus(names ...plant.MeterID) plant.Bus {
	b := plant.Bus{ID: "hall"}
	for _, n := range names {
		b.Meters = append(b.Meters, plant.Meter{ID: n, Bus: "hall", Period: 10 * time.Second})
	}
	return b
}

// run polls for the given time and returns the instants of delivery per meter
// and the log.
func run(t *testing.T, b plant.Bus, f *fakeBus, length time.Duration) (map[plant.RegisterID][]time.Time, string, *Poller) {
	t.Helper()
	got, _, log, p := runAll(t, b, f, length)
	return got, log, p
}

// runAll is run with what was refused.
func runAll(t *testing.T, b plant.Bus, f *fakeBus, length time.Duration) (map[plant.RegisterID][]time.Time, []plant.Refusal, string, *Poller) {
	t.Helper()
	var refused []plant.Refusal
	var log bytes.Buffer
	got := map[plant.RegisterID][]time.Time{}
	p := New(Options{
		Bus: b, Reader: f, Now: time.Now, Log: slog.New(slog.NewTextHandler(&log, nil)),
		Deliver: func(_ context.Context, facts plant.Facts) error {
			refused = append(refused, facts.Refusals...)
			for _, r := range facts.Readings {
				got[r.Register] = append(got[r.Register], r.At)
			}
			return nil
		},
	})
	ctx, cancel := context.WithTimeout(t.Context(), length)
	defer cancel()
	if err := p.Run(ctx); err != nil {
		t.Errorf("Run: %v", err)
	}
	if !f.closed {
		t.Error("the bus was left open")
	}
	return got, refused, log.String(), p
}

func TestPollerKeepsPeriodAndPhase(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeBus{latency: map[plant.MeterID]time.Duration{"a": 20 * time.Millisecond, "b": 30 * time.Millisecond}, asked: map[plant.MeterID]int{}}
		got, _, _ := run(t, bus("a", "b"), f, 10*time.Minute)
		for reg, at := range got {
			if len(at) != 60 {
				t.Errorf("%s was read %d times in 10 minutes at 10 s, want 60", reg, len(at))
			}
			for i := 1; i < len(at); i++ {
				if d := at[i].Sub(at[i-1]); d < 9*time.Second || d > 11*time.Second {
					t.Fatalf("%s: %v between two readings, want about 10 s", reg, d)
				}
			}
		}
		if len(got) != 2 {
			t.Errorf("got readings of %d meters, want 2", len(got))
		}
	})
}

func TestDeadMeterHurtsNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeBus{
			latency: map[plant.MeterID]time.Duration{"good": 20 * time.Millisecond},
			dead:    map[plant.MeterID]func(time.Time) bool{"dead": func(time.Time) bool { return true }},
			asked:   map[plant.MeterID]int{},
		}
		got, log, p := run(t, bus("good", "dead"), f, 30*time.Minute)
		if n := len(got["good/import"]); n < 178 {
			t.Errorf("the good meter was read %d times in 30 minutes, want 180 less a few", n)
		}
		// Pauses grow to a minute: about 30 polls, not 180.
		if n := f.asked["dead"]; n < 20 || n > 36 {
			t.Errorf("the dead meter was asked %d times, want about one a minute", n)
		}
		if n := strings.Count(log, "does not answer"); n != 1 {
			t.Errorf("%d lines about the dead meter, want 1:\n%s", n, log)
		}
		for _, h := range p.Health() {
			if h.Meter == "dead" && (h.LastError == "" || h.Failures != h.Polls || !h.LastSuccess.IsZero()) {
				t.Errorf("health of the dead meter: %+v", h)
			}
		}
	})
}

func TestMeterThatComesBackIsPolledAtItsPeriodAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		back := start.Add(10 * time.Minute)
		f := &fakeBus{
			latency: map[plant.MeterID]time.Duration{"m": 20 * time.Millisecond},
			dead:    map[plant.MeterID]func(time.Time) bool{"m": func(now time.Time) bool { return now.Before(back) }},
			asked:   map[plant.MeterID]int{},
		}
		got, log, p := run(t, bus("m"), f, 20*time.Minute)
		at := got["m/import"]
		if len(at) < 52 { // at most a pause of just over a minute is lost
			t.Errorf("%d readings in the last 10 minutes, want at least 52", len(at))
		}
		if strings.Count(log, "does not answer") != 1 || strings.Count(log, "meter answers") != 1 {
			t.Errorf("want one line down and one line up:\n%s", log)
		}
		if h := p.Health()[0]; h.LastError != "" || h.LastSuccess.IsZero() {
			t.Errorf("health after the return: %+v", h)
		}
	})
}

func TestPhasesAreSpread(t *testing.T) {
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	seen := map[time.Time]bool{}
	for _, m := range bus("heron-1-meter", "heron-2-meter", "heron-3-meter", "heron-4-meter").Meters {
		slot := nextSlot(now, m)
		if !slot.After(now) || slot.Sub(now) > m.Period {
			t.Errorf("%s: next slot %v after now, want within one period", m.ID, slot.Sub(now))
		}
		if again := nextSlot(slot, m); again.Sub(slot) != m.Period {
			t.Errorf("%s: the slot after is %v later, want one period", m.ID, again.Sub(slot))
		}
		seen[slot] = true
	}
	if len(seen) != 4 {
		t.Errorf("4 meters share %d slots", len(seen))
	}
}

// The clock goes back farther than it makes up for: the meter is asked on at its
// period and not when the clock has come there again.
func TestPollerGoesOnWhenItsClockGoesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var off time.Duration
		var at []time.Time
		p := New(Options{
			Bus: bus("m"), Reader: &fakeBus{latency: map[plant.MeterID]time.Duration{}, asked: map[plant.MeterID]int{}},
			Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return time.Now().Add(off) },
			Deliver: func(context.Context, plant.Facts) error {
				at = append(at, time.Now())
				switch len(at) {
				case 10:
					off = -5 * time.Hour
				case 20:
					off = 5 * time.Hour
				}
				return nil
			},
		})
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
		defer cancel()
		if err := p.Run(ctx); err != nil {
			t.Fatal(err)
		}
		if n := len(at); n < 58 || n > 62 {
			t.Errorf("%d polls in 10 minutes at 10 s, want about 60", n)
		}
		for i := 1; i < len(at); i++ {
			if d := at[i].Sub(at[i-1]); d > 21*time.Second {
				t.Errorf("%v between polls %d and %d, want at most two periods", d, i-1, i)
			}
		}
	})
}

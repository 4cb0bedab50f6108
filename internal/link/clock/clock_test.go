package clock

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// machine is a clock that can be set, and the time that passes in truth.
type machine struct {
	wall time.Time
	ran  time.Duration
}

func (m *machine) pass(d time.Duration) { m.wall, m.ran = m.wall.Add(d), m.ran+d }
func (m *machine) set(d time.Duration)  { m.wall = m.wall.Add(d) }

// sleep is what a laptop does: all that counts the time goes on, yet nobody reads it.
func (m *machine) sleep(d time.Duration) { m.pass(d) }

func (m *machine) steady(after time.Time, log *bytes.Buffer) *Steady {
	return New(Source{func() time.Time { return m.wall }, func() time.Duration { return m.ran }}, after, slog.New(slog.NewTextHandler(log, nil)))
}

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func TestSteady_FollowsTheMachine(t *testing.T) {
	m, log := &machine{wall: noon}, &bytes.Buffer{}
	s := m.steady(time.Time{}, log)
	for _, step := range []func(){
		func() { m.pass(10 * time.Second) },
		func() { m.set(7 * time.Minute) }, // set forward
		func() { m.sleep(time.Hour) },
		func() { m.pass(time.Millisecond) },
	} {
		step()
		if got := s.Now(); !got.Equal(m.wall) {
			t.Errorf("the clock shows %v, the machine's %v", got, m.wall)
		}
	}
	if log.Len() > 0 {
		t.Errorf("nothing was set back, yet the log says %s", log)
	}
}

func TestSteady_RunsSlowerUntilInStep(t *testing.T) {
	m, log := &machine{wall: noon}, &bytes.Buffer{}
	s := m.steady(time.Time{}, log)
	m.pass(time.Minute)
	before := s.Now()
	m.set(-10 * time.Minute)
	if got := s.Now(); !got.Equal(before) || s.Ahead() != 10*time.Minute {
		t.Fatalf("right after it was set back by 10 minutes: %v and %v ahead, want %v and 10 minutes", got, s.Ahead(), before)
	}
	m.pass(100 * time.Minute)
	if got, want := s.Now(), before.Add(95*time.Minute); !got.Equal(want) {
		t.Errorf("after 100 minutes: %v, want 95 of them, %v", got, want)
	}
	m.pass(100 * time.Minute)
	if got := s.Now(); !got.Equal(m.wall) || s.Ahead() != 0 {
		t.Errorf("after 200 minutes: %v and %v ahead, want to be in step with %v", got, s.Ahead(), m.wall)
	}
	if n := strings.Count(log.String(), "was set back;"); n != 1 {
		t.Errorf("%d lines about the clock, want 1:\n%s", n, log)
	}
	if n := strings.Count(log.String(), "in step with the machine's again"); n != 1 {
		t.Errorf("%d lines about the end of it, want 1:\n%s", n, log)
	}
}

func TestSteady_AForwardStepEatsWhatItIsAhead(t *testing.T) {
	m := &machine{wall: noon}
	s := m.steady(time.Time{}, &bytes.Buffer{})
	m.set(-time.Hour)
	s.Now()
	m.set(40 * time.Minute)
	if got := s.Ahead(); got != 20*time.Minute {
		t.Errorf("%v ahead after an hour back and 40 minutes forward, want 20 minutes", got)
	}
	m.set(time.Hour)
	if got := s.Now(); !got.Equal(m.wall) {
		t.Errorf("the clock shows %v though the machine's has passed it: %v", got, m.wall)
	}
}

func TestSteady_GoesOnFromWhatIsOnRecord(t *testing.T) {
	m, log := &machine{wall: noon}, &bytes.Buffer{}
	s := m.steady(noon.Add(3*time.Minute), log)
	if got, want := s.Now(), noon.Add(3*time.Minute); !got.Equal(want) {
		t.Errorf("the clock begins at %v, want what is on record, %v", got, want)
	}
	if !strings.Contains(log.String(), "was set back;") {
		t.Error("no line says that the machine's clock is behind the record")
	}
	if got := m.steady(noon.Add(-time.Hour), log).Now(); !got.Equal(noon) {
		t.Errorf("with an old record the clock begins at %v, want %v", got, noon)
	}
}

func TestSteady_GivesUpBeyondTheLimit(t *testing.T) {
	m, log := &machine{wall: noon}, &bytes.Buffer{}
	s := m.steady(time.Time{}, log)
	m.set(-MaxAhead - time.Second)
	if got := s.Now(); !got.Equal(m.wall) {
		t.Errorf("the clock shows %v, want to have gone back to %v", got, m.wall)
	}
	if n := strings.Count(log.String(), "too far to make up for"); n != 1 || strings.Contains(log.String(), "again") {
		t.Errorf("want one line that says so:\n%s", log)
	}
}

// Whatever happens to the machine's clock within the limit, this one never goes
// back, is never behind the machine's, and is in step after twenty times what it was
// ahead.
func TestSteady_NeverGoesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &machine{wall: noon}
		s := m.steady(time.Time{}, &bytes.Buffer{})
		last, lastRan := s.Now(), m.ran
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			d := time.Duration(rapid.Int64Range(0, int64(30*time.Minute)).Draw(t, "by"))
			d = min(d, MaxAhead-s.Ahead())
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				m.set(d)
			case 1:
				m.set(-d)
			case 2:
				m.sleep(d)
			default:
				m.pass(d)
			}
			now := s.Now()
			if now.Before(last.Add((m.ran - lastRan) / 20 * 19)) {
				t.Fatalf("the clock went from %v to %v while %v passed", last, now, m.ran-lastRan)
			}
			if now.Before(m.wall) {
				t.Fatalf("the clock shows %v, behind the machine's %v", now, m.wall)
			}
			last, lastRan = now, m.ran
		}
		m.pass(slowness * s.Ahead())
		if s.Ahead() > 1 || s.Now().Sub(m.wall) > 1 { // a nanosecond of rounding
			t.Fatalf("still %v ahead after twenty times that", s.Ahead())
		}
	})
}

// TestMachine: the machine's clock and what has passed go together, but for the
// corrections of the network.
func TestMachine(t *testing.T) {
	s := New(Machine(), time.Time{}, slog.New(slog.DiscardHandler))
	before := time.Now()
	first, second := s.Now(), s.Now()
	if second.Before(first) || first.Before(before.Round(0)) || second.Sub(before) > time.Minute {
		t.Errorf("the clock shows %v and %v, the machine's %v before", first, second, before)
	}
	if s.Ahead() > notable {
		t.Errorf("%v ahead of a clock that nobody set", s.Ahead())
	}
}

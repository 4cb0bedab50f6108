package clock

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
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

// sleep is what a laptop does: the clock goes on, what counts the time stands.
func (m *machine) sleep(d time.Duration) { m.wall = m.wall.Add(d) }

func (m *machine) steady(after time.Time, log *bytes.Buffer) *Steady {
	return newSteady(after, slog.New(slog.NewTextHandler(log, nil)), func() time.Time { return m.wall }, func() time.Duration { return m.ran })
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

func TestSteady_RunsAtHalfSpeedUntilInStep(t *testing.T) {
	m, log := &machine{wall: noon}, &bytes.Buffer{}
	s := m.steady(time.Time{}, log)
	m.pass(time.Minute)
	before := s.Now()
	m.set(-10 * time.Minute)
	if got := s.Now(); !got.Equal(before) || s.Ahead() != 10*time.Minute {
		t.Fatalf("right after it was set back by 10 minutes: %v and %v ahead, want %v and 10 minutes", got, s.Ahead(), before)
	}
	m.pass(10 * time.Minute)
	if got, want := s.Now(), before.Add(5*time.Minute); !got.Equal(want) {
		t.Errorf("after 10 minutes: %v, want half of that, %v", got, want)
	}
	m.pass(10 * time.Minute)
	if got := s.Now(); !got.Equal(m.wall) || s.Ahead() != 0 {
		t.Errorf("after 20 minutes: %v and %v ahead, want to be in step with %v", got, s.Ahead(), m.wall)
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

func TestSteady_GivesUpBeyondADay(t *testing.T) {
	m, log := &machine{wall: noon}, &bytes.Buffer{}
	s := m.steady(time.Time{}, log)
	m.set(-MaxAhead - time.Second)
	if got := s.Now(); !got.Equal(m.wall) {
		t.Errorf("the clock shows %v, want to have gone back to %v", got, m.wall)
	}
	if n := strings.Count(log.String(), "more than a day"); n != 1 || strings.Contains(log.String(), "again") {
		t.Errorf("want one line that says so:\n%s", log)
	}
}

// Whatever happens to the machine's clock within the limit, this one never goes
// back, is never behind the machine's, and is in step after twice what it was
// ahead.
func TestSteady_NeverGoesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &machine{wall: noon}
		s := m.steady(time.Time{}, &bytes.Buffer{})
		last, lastRan := s.Now(), m.ran
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			d := time.Duration(rapid.Int64Range(0, int64(30*time.Minute)).Draw(t, "by"))
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
			if now.Before(last.Add((m.ran - lastRan) / 2)) {
				t.Fatalf("the clock went from %v to %v while %v passed", last, now, m.ran-lastRan)
			}
			if now.Before(m.wall) {
				t.Fatalf("the clock shows %v, behind the machine's %v", now, m.wall)
			}
			last, lastRan = now, m.ran
		}
		m.pass(2 * s.Ahead())
		if s.Ahead() > 1 || s.Now().Sub(m.wall) > 1 { // a nanosecond of rounding
			t.Fatalf("still %v ahead after twice the time", s.Ahead())
		}
	})
}

func TestNew_IsTheMachinesClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := New(time.Time{}, slog.New(slog.DiscardHandler))
		time.Sleep(time.Minute)
		if got := s.Now(); !got.Equal(time.Now()) || s.Ahead() != 0 {
			t.Errorf("the clock shows %v, the machine's %v", got, time.Now())
		}
	})
}

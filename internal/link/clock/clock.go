// Package clock is the clock by which facts are stamped: the machine's, but one
// that never goes back. A register that is read at 10:05 and, after somebody
// has set the clock back, again at 10:01 would seem to fall, and a fall is
// judged as a reset, a rollover or a glitch; the curve must not pay for the
// clock of the machine.
//
// When the machine's clock is set back, this one runs on at half speed until the
// other has caught up with it. So no instant is stamped twice and none out of
// order, and an amount is at most in a neighbouring stretch of time, never lost
// and never counted twice. When the machine's clock is set forward, or has slept,
// this one follows at once: what lies between is a gap like any other.
//
// The package reads the time and does nothing else. How far the clock is ahead is
// told to whoever asks, because a person should know of it.
package clock

import (
	"log/slog"
	"sync"
	"time"
)

const (
	// MaxAhead is the farthest that the clock may be ahead of the machine's. A clock
	// that was a year ahead would take two years to fall into step; so beyond a day
	// this one goes back with the machine's, and says so.
	MaxAhead = 24 * time.Hour
	// notable is what a person is told of; less is a correction by the network,
	// which does so all the time.
	notable = time.Second
	// slowness is the part of the time that passes by which the clock falls back:
	// at half speed it still moves on, so that two readings never share an instant.
	slowness = 2
)

// Steady is a clock that never goes back by less than MaxAhead. It may be used by
// several goroutines.
type Steady struct {
	wall func() time.Time     // what the machine's clock shows, without a monotonic part
	ran  func() time.Duration // what has passed since some instant, never less than before
	log  *slog.Logger

	mu     sync.Mutex // guards all below
	seen   time.Time  // the machine's clock when it was last read
	at     time.Duration
	ahead  time.Duration // of the machine's clock, not below zero
	behind bool          // whether a line said that the machine's clock is behind
}

// New makes a clock of the machine's. After is the newest instant that is on
// record: when the machine's clock is behind it, because it was set back while
// the program did not run, the clock goes on from there. Zero means nothing is on
// record.
func New(after time.Time, log *slog.Logger) *Steady {
	began := time.Now()
	return newSteady(after, log, func() time.Time { return time.Now().Round(0) }, func() time.Duration { return time.Since(began) })
}

func newSteady(after time.Time, log *slog.Logger, wall func() time.Time, ran func() time.Duration) *Steady {
	s := &Steady{wall: wall, ran: ran, log: log.With("component", "clock")}
	s.seen, s.at = wall(), ran()
	if !after.IsZero() {
		s.ahead = max(0, after.Sub(s.seen))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.report()
	return s
}

// Now is the time, without a monotonic part.
func (s *Steady) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.read().Add(s.ahead)
}

// Ahead is how far the clock is ahead of the machine's: zero unless that was set
// back.
func (s *Steady) Ahead() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.read()
	return s.ahead
}

// read reads the machine's clock and brings ahead up to date. The lock is held.
//
// With w for the machine's clock, e for what has passed and a for ahead, the next
// time is w' + a', where a' ≥ a + (e - (w' - w)) - e/2 as long as that is not
// negative, hence at least w + a + e/2. Where it is negative the machine's clock
// itself has passed the time that was given before.
func (s *Steady) read() time.Time {
	wall, at := s.wall(), s.ran()
	passed := at - s.at
	s.ahead += passed - wall.Sub(s.seen) // not zero when the machine's clock was set
	s.ahead = max(0, s.ahead-passed/slowness)
	s.seen, s.at = wall, at
	s.report()
	return wall
}

// report gives up when the machine's clock is too far behind, and writes a line
// when the condition changes.
func (s *Steady) report() {
	switch {
	case s.ahead > MaxAhead:
		s.log.Error("the machine's clock was set back by more than a day; readings stamped before that stand in the future and are judged when their time has come — "+
			"look at them with curetally ruling list and discard those that are wrong", "by", s.ahead.Round(time.Second))
		s.ahead, s.behind = 0, false
	case s.ahead >= notable && !s.behind:
		s.log.Warn("the machine's clock was set back; facts are stamped by a clock that runs at half speed until it is in step again — check the time service of the machine",
			"ahead", s.ahead.Round(time.Millisecond))
		s.behind = true
	case s.ahead == 0 && s.behind:
		s.log.Info("the clock is in step with the machine's again")
		s.behind = false
	}
}

// Package clock is the clock by which facts are stamped: the machine's, but one
// that never goes back. A register that is read at 10:05 and, after somebody
// has set the clock back, again at 10:01 would seem to fall, and a fall is
// judged as a reset, a rollover or a glitch; the curve must not pay for the
// clock of the machine.
//
// When the machine's clock is set back, this one runs on a twentieth slower until
// the other has caught up with it. So no instant is stamped twice and none out of
// order, an amount is at most in a neighbouring stretch of time, never lost and
// never counted twice, and power seems five percent higher, which the limits of
// plausibility allow. When the machine's clock is set forward, or the machine has
// slept, this one follows at once: what lies between is a gap like any other.
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
	// MaxAhead is the farthest that the clock may be ahead of the machine's: more than
	// an hour, which a person takes for a clock change of the season. Beyond it the
	// instants would be wrong for days, so this clock goes back with the machine's,
	// and says so.
	MaxAhead = 2 * time.Hour
	// notable is what a person is told of; less is a correction by the network,
	// which does so all the time.
	notable = time.Second
	// slowness is the part of the time that passes by which the clock falls back. An
	// apparent power of 20/19 of the true one stays below the 1.1 of the rated power
	// that package ledger allows.
	slowness = 20
)

// Source is where a clock reads the time.
type Source struct {
	// Wall is what the machine's clock shows, without a monotonic part.
	Wall func() time.Time
	// Ran is what has passed since some instant, and never less than before. It
	// counts the sleep of the machine where the system tells it; else a sleep looks
	// as if the machine's clock were set forward.
	Ran func() time.Duration
}

// Machine is the clock of the machine.
func Machine() Source {
	return Source{Wall: func() time.Time { return time.Now().Round(0) }, Ran: elapsed()}
}

// Steady is a clock that does not go back unless by more than MaxAhead. It may be used by
// several goroutines.
type Steady struct {
	from Source
	log  *slog.Logger

	mu     sync.Mutex // guards all below
	seen   time.Time  // the machine's clock when it was last read
	at     time.Duration
	ahead  time.Duration // of the machine's clock, not below zero
	behind bool          // whether a line said that the machine's clock is behind
}

// New makes a clock that follows another. After is the newest instant that is on
// record: when the machine's clock is behind it, because it was set back while
// the program did not run, the clock goes on from there. Zero means nothing is on
// record.
func New(from Source, after time.Time, log *slog.Logger) *Steady {
	s := &Steady{from: from, log: log.With("component", "clock"), seen: from.Wall(), at: from.Ran()}
	if !after.IsZero() {
		s.ahead = max(0, after.Sub(s.seen))
	}
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
// time is w' + a', where a' ≥ a + (e - (w' - w)) - e/20 as long as that is not
// negative, hence at least w + a + 19/20 e. Where it is negative the machine's clock
// itself has passed the time that was given before.
func (s *Steady) read() time.Time {
	wall, at := s.from.Wall(), s.from.Ran()
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
		s.log.Error("the machine's clock was set back too far to make up for; what was stamped before stands in the future, and is held out when its time has come — "+
			"check the time service of the machine; curetally ruling list shows what is held out", "by", s.ahead.Round(time.Second))
		s.ahead, s.behind = 0, false
	case s.ahead >= notable && !s.behind:
		s.log.Warn("the machine's clock was set back; facts are stamped by a clock that runs a little slower until it is in step again — check the time service of the machine",
			"ahead", s.ahead.Round(time.Millisecond))
		s.behind = true
	case s.ahead == 0 && s.behind:
		s.log.Info("the clock is in step with the machine's again")
		s.behind = false
	}
}

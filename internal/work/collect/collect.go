// Package collect polls power meters: one owner goroutine per bus, each meter
// with a period and a phase of its own. What is read goes to the inbox as
// facts; nothing is interpreted here.
//
// A meter that does not answer hurts no other: it is asked again after a pause
// that doubles up to a minute and then gets one attempt, so that on a shared bus
// it costs one time-out and one quiet time per pause and not one per round. One
// line is logged when a meter's condition changes. What a meter sends and what
// cannot be taken goes on record as a refusal, once per condition.
//
// Polls are spread: the phase of a meter is fixed by its name, so the bus sees
// a steady stream instead of a burst, before and after a restart alike. When more
// is due than the line carries, the poll whose next slot comes first goes first;
// slots that passed meanwhile are counted and not made up for. See Poller for what
// that promises.
package collect

import (
	"context"
	"hash/fnv"
	"log/slog"
	"sync"
	"time"

	"curetally/internal/core/plant"
)

// Reader reads all values of one meter. It is called by one goroutine only.
type Reader interface {
	// Read asks a meter once, or as often as its retries allow.
	Read(ctx context.Context, m plant.MeterID, retry bool) Answer
	// Rest waits until the line may be used again after a failure, or ctx ends.
	Rest(ctx context.Context)
	Close() error
}

// Options are the parts of a Poller; all are required.
type Options struct {
	Bus    plant.Bus
	Reader Reader
	// Deliver hands facts to the inbox; it blocks while the inbox is full and
	// fails only when ctx ends.
	Deliver func(ctx context.Context, f plant.Facts) error
	// Now is the clock by which meters are asked and their readings are stamped.
	Now func() time.Time
	Log *slog.Logger
}

// Health is what a poller knows of one meter.
type Health struct {
	Meter       plant.MeterID
	LastSuccess time.Time // of the last poll that did not fail; zero when never
	Up          bool      // the last poll did not fail: it brought what can be used
	Trouble     Trouble   // of the last poll
	LastError   string    // what was wrong with the last poll; empty when it was sound
	Since       time.Time // when the present condition began
	Polls       uint64
	Failures    uint64 // polls that brought nothing
	Refused     uint64 // answers and values that came and were not taken
	// Missed counts the slots of the meter's period at which it was not asked,
	// because the line was busy or in the pause after a failure.
	Missed uint64
	// Line is how long polls of the meter held the line, with the rest of the line
	// after failures.
	Line time.Duration
}

// Poller polls the meters of one bus.
//
// Let C(m) be the longest that one poll of meter m holds the line. From one poll of
// meter m to the next, end to end, pass at most 2 × period(m) + Σ C over all
// meters of the bus, whatever is asked of the line, as long as m answers and the
// inbox takes: a poll's deadline is the slot after its own, and after that each
// other meter is asked at most once more before it, because its own next
// deadline is later.
//
// A meter that fails holds the line for its retries once, then for one attempt per
// pause. Pauses double from twice the period up to a minute and are counted from
// slot to slot, so in any time T after that it is asked at most 2 + T / minute times,
// each for one time-out and one quiet time of the line.
type Poller struct {
	o     Options
	tasks []*task

	mu     sync.Mutex // guards health
	health map[plant.MeterID]*Health
}

type task struct {
	meter    plant.Meter
	next     time.Time // a slot of the meter's period and phase
	failures int       // in a row
	refusals refusals
}

// pauseMax bounds the pause between polls of a meter that does not answer.
const pauseMax = time.Minute

// New builds a Poller; Run makes it work.
func New(o Options) *Poller {
	o.Log = o.Log.With("component", "collect", "bus", o.Bus.ID)
	p := &Poller{o: o, health: map[plant.MeterID]*Health{}}
	for _, m := range o.Bus.Meters {
		p.tasks = append(p.tasks, &task{meter: m})
		p.health[m.ID] = &Health{Meter: m.ID}
	}
	return p
}

// Run polls until ctx ends and closes the bus.
func (p *Poller) Run(ctx context.Context) error {
	defer func() {
		if err := p.o.Reader.Close(); err != nil {
			p.o.Log.Warn("bus did not close cleanly", "err", err)
		}
	}()
	if len(p.tasks) == 0 {
		<-ctx.Done()
		return nil
	}
	now := p.o.Now()
	for _, t := range p.tasks {
		t.next = nextSlot(now, t.meter)
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		t, wait := p.choose(p.o.Now())
		if t == nil {
			timer.Reset(wait)
			select {
			case <-ctx.Done():
				return nil
			case <-timer.C:
			}
			continue
		}
		if err := p.poll(ctx, t); err != nil {
			return nil // only when ctx ended
		}
	}
}

// choose gives the poll that is due with the earliest deadline, its slot and one
// period; nil when none is due, with the time to wait, at most pauseMax, so that a
// clock that is set back does not silence a meter. Among equals the first in the
// configuration goes first.
func (p *Poller) choose(now time.Time) (*task, time.Duration) {
	var first *task
	wait := pauseMax
	for _, t := range p.tasks {
		if t.next.Sub(now) > pauseMax+t.meter.Period {
			t.next = nextSlot(now, t.meter) // the clock was set back
		}
		wait = min(wait, t.next.Sub(now))
		if t.next.After(now) {
			continue
		}
		if first == nil || t.next.Add(t.meter.Period).Before(first.next.Add(first.meter.Period)) {
			first = t
		}
	}
	return first, wait
}

// poll asks one meter once, delivers what it says and sets its next slot.
func (p *Poller) poll(ctx context.Context, t *task) error {
	began := p.o.Now()
	answer := p.o.Reader.Read(ctx, t.meter.ID, t.failures == 0)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	now := p.o.Now()
	facts := answer.Facts
	facts.Refusals = append(facts.Refusals, t.refusals.take(t.meter.ID, answer.Faults, now)...)
	earliest := now
	if answer.failed() {
		// The line's rest belongs to the meter that made it necessary.
		p.o.Reader.Rest(ctx)
		t.failures++
		earliest = t.next.Add(pauseAfter(t.meter.Period, t.failures) - time.Nanosecond)
	} else {
		t.failures = 0
	}
	ended := p.o.Now()
	if earliest.Before(ended) {
		earliest = ended
	}
	next := nextSlot(earliest, t.meter)
	p.note(t, &answer, time.Now(), func(h *Health) {
		h.Line += ended.Sub(began)
		h.Missed += uint64(max(next.Sub(t.next)/t.meter.Period-1, 0))
	})
	t.next = next
	if facts.Len() == 0 {
		return ctx.Err()
	}
	return p.o.Deliver(ctx, facts)
}

// pauseAfter is the least time from the slot of a failed poll to the slot of the
// next one.
func pauseAfter(period time.Duration, failures int) time.Duration {
	return min(pauseMax, period<<min(failures, 10))
}

// note keeps the meter's health and logs changes of condition.
func (p *Poller) note(t *task, a *Answer, now time.Time, count func(h *Health)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	h := p.health[t.meter.ID]
	count(h)
	h.Polls++
	if a.failed() {
		h.Failures++
	} else {
		h.LastSuccess = now
	}
	h.Up = !a.failed()
	trouble, text := Sound, ""
	for i, f := range a.Faults {
		if i == 0 {
			trouble, text = f.Trouble, f.Text
		}
		if f.Trouble != NoAnswer {
			h.Refused++
		}
	}
	if h.Trouble != trouble || h.Polls == 1 {
		h.Since = now
		if trouble == Sound {
			p.o.Log.Info("meter answers", "meter", t.meter.ID)
		} else {
			p.o.Log.Warn(logged[trouble], "meter", t.meter.ID, "err", text)
		}
	}
	h.Trouble, h.LastError = trouble, text
}

// Health gives a copy of what is known of each meter, in the order of the bus.
func (p *Poller) Health() []Health {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := make([]Health, 0, len(p.tasks))
	for _, t := range p.tasks {
		out = append(out, *p.health[t.meter.ID])
	}
	return out
}

// nextSlot is the first instant after now that lies on the meter's period and
// phase. The phase comes from the name alone.
func nextSlot(now time.Time, m plant.Meter) time.Time {
	h := fnv.New64a()
	_, _ = h.Write([]byte(m.ID)) // never fails
	phase := time.Duration(h.Sum64() % uint64(m.Period))
	slot := now.Truncate(m.Period).Add(phase)
	for !slot.After(now) {
		slot = slot.Add(m.Period)
	}
	return slot
}

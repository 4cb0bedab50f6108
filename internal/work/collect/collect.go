// Package collect polls power meters: one owner goroutine per bus, each meter
// with a period and a phase of its own. What is read goes to the inbox as
// facts; nothing is interpreted here.
//
// A meter that does not answer hurts no other: it is asked again after a pause
// that doubles up to a minute, so that on a shared bus it costs one time-out
// per pause and not one per round. One line is logged when a meter falls
// silent and one when it is back.
//
// Polls are spread: the phase of a meter is fixed by its name, so the bus sees
// a steady stream instead of a burst, before and after a restart alike.
package collect

import (
	"context"
	"hash/fnv"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"curetally/internal/core/plant"
)

// Reader reads all values of one meter. It is called by one goroutine only.
type Reader interface {
	Read(ctx context.Context, m plant.MeterID) (plant.Facts, error)
	Close() error
}

// Options are the parts of a Poller; all are required.
type Options struct {
	Bus    plant.Bus
	Reader Reader
	// Deliver hands facts to the inbox; it blocks while the inbox is full and
	// fails only when ctx ends.
	Deliver func(ctx context.Context, f plant.Facts) error
	Log     *slog.Logger
	Rand    *rand.Rand // jitter of pauses
}

// Health is what a poller knows of one meter.
type Health struct {
	Meter       plant.MeterID
	LastSuccess time.Time // zero when never
	LastError   string    // empty when the last poll succeeded
	Since       time.Time // when the present condition began
	Polls       uint64
	Failures    uint64
}

// Poller polls the meters of one bus.
type Poller struct {
	o     Options
	tasks []*task

	mu     sync.Mutex // guards health
	health map[plant.MeterID]*Health
}

type task struct {
	meter    plant.Meter
	next     time.Time
	failures int // in a row
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
	now := time.Now()
	for _, t := range p.tasks {
		t.next = nextSlot(now, t.meter)
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		t := p.earliest()
		timer.Reset(time.Until(t.next))
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		if err := p.poll(ctx, t); err != nil {
			return nil // only when ctx ended
		}
	}
}

func (p *Poller) earliest() *task {
	first := p.tasks[0]
	for _, t := range p.tasks[1:] {
		if t.next.Before(first.next) {
			first = t
		}
	}
	return first
}

// poll asks one meter once, delivers what it says and sets its next slot.
func (p *Poller) poll(ctx context.Context, t *task) error {
	facts, err := p.o.Reader.Read(ctx, t.meter.ID)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	now := time.Now()
	p.note(t, err, now)
	if err != nil {
		t.failures++
		pause := min(pauseMax, t.meter.Period<<min(t.failures, 10))
		t.next = now.Add(max(pause, t.meter.Period) + time.Duration(p.o.Rand.Int64N(int64(t.meter.Period/4)+1)))
		return nil
	}
	t.failures = 0
	t.next = nextSlot(now, t.meter)
	return p.o.Deliver(ctx, facts)
}

// note keeps the meter's health and logs changes of condition.
func (p *Poller) note(t *task, err error, now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	h := p.health[t.meter.ID]
	h.Polls++
	if err != nil {
		h.Failures++
		if h.LastError == "" {
			h.Since = now
			p.o.Log.Warn("meter does not answer; asking again with growing pauses", "meter", t.meter.ID, "err", err)
		}
		h.LastError = err.Error()
		return
	}
	if h.LastError != "" || h.LastSuccess.IsZero() {
		h.Since = now
		p.o.Log.Info("meter answers", "meter", t.meter.ID, "attempt", t.failures+1)
	}
	h.LastError, h.LastSuccess = "", now
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

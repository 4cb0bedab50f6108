package whole

import (
	"context"
	"sync"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/stationlink"
	"curetally/internal/work/record"
)

// messageKey identifies a message at its origin.
type messageKey struct {
	station plant.StationID
	boot    string
	number  int64
}

type message struct {
	station plant.StationID
	payload []byte
	given   bool // to a run of the daemon before
}

// broker keeps messages for the daemon's persistent session until they are
// acknowledged.
type broker struct {
	w *world

	mu      sync.Mutex // guards waiting
	waiting []*message
}

func (b *broker) publish(m *message) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.waiting = append(b.waiting, m)
}

// after gives the first message that waits behind another; the first of all for
// nil.
func (b *broker) after(last *message) *message {
	b.mu.Lock()
	defer b.mu.Unlock()
	found := last == nil
	for _, m := range b.waiting {
		if found {
			return m
		}
		found = m == last
	}
	if !found && len(b.waiting) > 0 { // the last one is acknowledged
		return b.waiting[0]
	}
	return nil
}

func (b *broker) acknowledge(m *message) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, x := range b.waiting {
		if x == m {
			b.waiting = append(b.waiting[:i:i], b.waiting[i+1:]...)
			return
		}
	}
}

// left is how many messages wait.
func (b *broker) left() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.waiting)
}

// device publishes what a station says: every change of state, and a sign of life. Of
// what it says while the broker is away half is lost; the rest comes late, after what
// it says when the broker is back.
func (w *world) device(ctx context.Context, task int, st plant.StationID) {
	number, boot := int64(0), false
	var kept []*message
	for {
		now := time.Now()
		next := w.truth.lines[stationMeter(st)].nextChange(now)
		if limit := now.Add(beat); next.After(limit) {
			next = limit
		}
		nap(task, max(next.Sub(now), time.Second))
		if ctx.Err() != nil {
			return
		}
		now = time.Now()
		if st == "heron-2" && !boot && !now.Before(w.truth.reboot) {
			number, boot = 0, true
		}
		number++
		m := &message{station: st, payload: w.truth.status(st, now, number)}
		if w.plan.away(theBroker, now) {
			if mix(w.seed, uint64(task), uint64(number))%2 == 0 {
				kept = append(kept, m)
			}
			continue
		}
		for _, m := range append([]*message{m}, kept...) {
			w.broker.publish(m)
		}
		kept = nil
	}
}

// listen is the daemon's session at the broker: messages come in order, those that
// were not acknowledged come again when the connection was lost.
func (v *wire) listen(ctx context.Context, inbox chan<- record.Delivery) {
	// A daemon asks for nothing; it is told. The pace only bounds how late.
	const pace = 500 * time.Millisecond
	var last *message
	given := map[*message]bool{} // by this connection
	for ctx.Err() == nil && !v.cut.Load() {
		v.acts++
		if v.w.plan.away(theBroker, time.Now()) || v.chance(1, 2) {
			last, given = nil, map[*message]bool{}
			nap(v.task, 5*time.Second)
			continue
		}
		m := v.w.broker.after(last)
		if m != nil && given[m] { // what waited first was acknowledged meanwhile
			last = m
			continue
		}
		if m == nil {
			nap(v.task, pace)
			continue
		}
		v.pause(2)
		if ctx.Err() != nil || v.cut.Load() {
			return
		}
		age := stationlink.Fresh
		if m.given {
			age = stationlink.Repeated
		}
		m.given, given[m], last = true, true, m
		facts := v.w.mapper.Facts("alder/"+string(m.station)+"/status", m.payload, v.clock.Now(), age)
		select {
		case <-ctx.Done():
			return
		case inbox <- record.Delivery{Facts: facts, Done: func() { v.acknowledge(m, facts) }}:
		}
	}
}

// acknowledge tells the broker that a message is safe; a program that was killed
// tells nobody anything.
func (v *wire) acknowledge(m *message, f plant.Facts) {
	if v.cut.Load() {
		return
	}
	v.w.broker.acknowledge(m)
	v.w.mu.Lock()
	defer v.w.mu.Unlock()
	for _, e := range f.Events {
		v.w.acked[messageKey{e.Station, e.Boot, e.Sequence}] = true
	}
}

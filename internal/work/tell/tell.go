// Package tell brings notices to people. Its Teller looks at what holds once a
// minute, keeps what changed together with the notices of it, and delivers what
// is due through the channels.
//
// What is told, to whom and when is decided by core package notice; what is sent
// and how is a channel's. Here is what lies between: the rhythm, the claims, the
// repetitions. Each channel has a goroutine of its own, so that one that hangs
// holds up no other.
//
// A delivery is claimed, sent and marked. A program that is killed between sending
// and marking sends again when the claim runs out, with the same key: at least
// once, never lost, and a receiver that remembers keys sees it once.
package tell

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
)

// Store keeps notices.
type Store interface {
	// Announce runs decide on what was announced and keeps its answer in one
	// transaction; what is on record already is left out.
	Announce(ctx context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (int, error)
	// Claim gives due deliveries of a channel that nobody else gets before the lease
	// ends.
	Claim(ctx context.Context, channel string, at time.Time, lease time.Duration, limit int) ([]notice.Delivery, error)
	// Settled keeps how attempts ended.
	Settled(ctx context.Context, all []notice.Delivery) error
}

// Sender carries messages of one channel to the outside. An error of which
// errors.As finds a Permanent() bool that is true is not tried again.
type Sender interface {
	Send(ctx context.Context, m notice.Message) error
}

// Channel is a way to people.
type Channel struct {
	Route  notice.Route
	Sender Sender
	// Together is how many notices one message may carry.
	Together int
}

// Options are the parts of a Teller; all are required.
type Options struct {
	Store Store
	Plant *plant.Plant
	// Look gives what holds now; false while it is not known.
	Look     func(ctx context.Context, now time.Time) ([]notice.Condition, bool, error)
	Channels []Channel
	Limits   notice.Limits
	Retries  notice.Retries
	Rand     *rand.Rand // for jitter
	Log      *slog.Logger
}

const (
	// pace is how often conditions are looked at: tasks move in hours, and a
	// finding must last for minutes.
	pace = time.Minute
	// deliverPace is how often a channel asks for what is due.
	deliverPace = 15 * time.Second
	// sendTimeout bounds one message; a receiver that hangs has failed.
	sendTimeout = 30 * time.Second
	// lease is how long a claim holds: longer than all messages of one claim take.
	lease = 10 * time.Minute
	// atOnce is the most deliveries of one claim, so that atOnce × sendTimeout stays
	// within the lease.
	atOnce = 15
)

// Counts is what a channel did since the start.
type Counts struct {
	Channel            string
	Sent, Failed, Dead uint64
}

// Teller tells people.
type Teller struct {
	o       Options
	records atomic.Pointer[[]notice.Record]

	mu     sync.Mutex // guards Rand and counts
	counts map[string]Counts
}

// New builds a Teller; Run makes it work.
func New(o Options) *Teller {
	o.Log = o.Log.With("component", "tell")
	t := &Teller{o: o, counts: map[string]Counts{}}
	for _, c := range o.Channels {
		t.counts[c.Route.Channel] = Counts{Channel: c.Route.Channel}
	}
	return t
}

// Counts gives what each channel did, in the order of the configuration.
func (t *Teller) Counts() []Counts {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := make([]Counts, 0, len(t.o.Channels))
	for _, c := range t.o.Channels {
		out = append(out, t.counts[c.Route.Channel])
	}
	return out
}

// Records gives what was on record at the newest look, changes of that look
// included; nil before the first.
func (t *Teller) Records() []notice.Record {
	if r := t.records.Load(); r != nil {
		return *r
	}
	return nil
}

// Run looks and delivers until ctx ends; it returns nil when all that it started
// has ended.
func (t *Teller) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	wg.Go(func() {
		t.every(ctx, pace, "notices are not up to date", t.Look)
	})
	for _, c := range t.o.Channels {
		wg.Go(func() {
			t.every(ctx, deliverPace, "deliveries of "+c.Route.Channel+" wait", func(ctx context.Context) error { return t.deliver(ctx, c) })
		})
	}
	wg.Wait()
	return nil
}

// every does something at a pace. It logs one line when that begins to fail and
// one when it works again.
func (t *Teller) every(ctx context.Context, pace time.Duration, trouble string, do func(context.Context) error) {
	tick := time.NewTicker(pace)
	defer tick.Stop()
	for failing := false; ; {
		err := do(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil && !failing:
			t.o.Log.Error(trouble, "err", err)
		case err == nil && failing:
			t.o.Log.Info("no longer: " + trouble)
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Look compares what holds with what was announced and keeps what changed.
func (t *Teller) Look(ctx context.Context) error {
	now := time.Now()
	conditions, known, err := t.o.Look(ctx, now)
	if err != nil || !known {
		return err
	}
	var all []notice.Record
	_, err = t.o.Store.Announce(ctx, func(records []notice.Record) ([]notice.Record, []notice.Posted) {
		step := notice.Next(records, conditions, now, t.o.Limits)
		all = merge(records, step.Records)
		routes := make([]notice.Route, len(t.o.Channels))
		for i, c := range t.o.Channels {
			routes[i] = c.Route
		}
		return step.Records, notice.Post(step.Notices, routes)
	})
	if err == nil {
		t.records.Store(&all)
	}
	return err
}

// merge gives records with those that changed in their place.
func merge(records, changed []notice.Record) []notice.Record {
	at := map[string]int{}
	out := slices.Clone(records)
	for i, r := range out {
		at[r.Subject] = i
	}
	for _, r := range changed {
		if i, ok := at[r.Subject]; ok {
			out[i] = r
		} else {
			out = append(out, r)
		}
	}
	return out
}

// deliver sends what is due on a channel.
func (t *Teller) deliver(ctx context.Context, c Channel) error {
	for {
		due, err := t.o.Store.Claim(ctx, c.Route.Channel, time.Now(), lease, atOnce*c.Together)
		if err != nil || len(due) == 0 {
			return err
		}
		for _, part := range parts(due, c.Together) {
			if ctx.Err() != nil {
				return nil // the claim runs out, and they are sent then
			}
			if err := t.send(ctx, c, part); err != nil {
				return err
			}
		}
		if len(due) < atOnce*c.Together {
			return nil
		}
	}
}

// parts gives what goes into one message each: what was first due at the same
// instant, so that a message that is sent again holds the same notices and has
// the same key.
func parts(due []notice.Delivery, together int) [][]notice.Delivery {
	slices.SortStableFunc(due, func(a, b notice.Delivery) int {
		return cmp.Or(a.First.Compare(b.First), cmp.Compare(a.Attempt, b.Attempt), cmp.Compare(a.Notice.ID, b.Notice.ID))
	})
	var out [][]notice.Delivery
	for i, d := range due {
		if last := len(out) - 1; i > 0 && len(out[last]) < together && out[last][0].First.Equal(d.First) && out[last][0].Attempt == d.Attempt {
			out[last] = append(out[last], d)
			continue
		}
		out = append(out, []notice.Delivery{d})
	}
	return out
}

// send sends one message and keeps how it ended; the error is of keeping.
func (t *Teller) send(ctx context.Context, c Channel, part []notice.Delivery) error {
	notices := make([]notice.Notice, len(part))
	for i, d := range part {
		notices[i] = d.Notice
	}
	bound, cancel := context.WithTimeout(ctx, sendTimeout)
	err := c.Sender.Send(bound, notice.Message{
		Key:  notice.Key(t.o.Plant.Name, c.Route.Channel, notices),
		Site: t.o.Plant.Name, Zone: t.o.Plant.TimeZone, Notices: notices,
	})
	cancel()
	if err != nil && ctx.Err() != nil {
		return nil
	}
	now := time.Now()
	t.mu.Lock()
	jitter := t.o.Rand.Float64() // one for all, so that they stay together
	t.mu.Unlock()
	for i := range part {
		part[i] = t.ended(part[i], err, now, jitter)
	}
	t.report(part, err)
	t.count(c.Route.Channel, part)
	if err := t.o.Store.Settled(context.WithoutCancel(ctx), part); err != nil {
		return fmt.Errorf("sent or not, it could not be kept, and is sent again with the same key: %w", err)
	}
	return nil
}

// ended gives a delivery after an attempt.
func (t *Teller) ended(d notice.Delivery, err error, now time.Time, jitter float64) notice.Delivery {
	if err == nil {
		d.State, d.Sent, d.Error = notice.Sent, now, ""
		return d
	}
	permanent, is := errors.AsType[interface {
		error
		Permanent() bool
	}](err)
	d = t.o.Retries.Failed(d, now, jitter, is && permanent.Permanent())
	d.Error = err.Error()
	return d
}

// report writes a line when a message fails for the first time and when it is
// given up.
func (t *Teller) report(part []notice.Delivery, err error) {
	if err == nil {
		return
	}
	first := part[0]
	log := t.o.Log.With("channel", first.Channel, "notice", first.Notice.ID, "notices", len(part), "attempt", first.Attempt, "err", err)
	switch {
	case first.State == notice.Dead:
		log.Error("notices could not be delivered and are given up — send them again with curetally notice resend")
	case first.Attempt == 1:
		log.Warn("notices could not be delivered yet, they are tried again")
	}
}

func (t *Teller) count(channel string, part []notice.Delivery) {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := t.counts[channel]
	for _, d := range part {
		switch d.State {
		case notice.Sent:
			c.Sent++
		case notice.Dead:
			c.Dead++
		default:
			c.Failed++
		}
	}
	t.counts[channel] = c
}

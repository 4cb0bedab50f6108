// Package record takes facts from the inbox to the database by way of the
// spool. A delivery is done once it is durable in the spool; only then is its
// origin told, so a broker keeps what was not written yet.
//
// One goroutine gathers deliveries into batches and appends them; another
// applies waiting batches to the store and removes what the store has. The
// store moves the spool's watermark in the same transaction as the facts, so
// applying a batch again is harmless, and after a COMMIT whose answer was lost
// the watermark says what happened.
//
// Nothing is dropped here: when the store is away the spool grows, and when the
// disk is full the inbox fills and what sends to it waits. When spool and store
// do not fit together, because one of them was put back to an older state, the
// spool goes on under a new identity and all that waits in it is stored.
package record

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"curetally/internal/core/plant"
)

// Delivery is facts on their way in.
type Delivery struct {
	Facts plant.Facts
	// Done is called once, when the facts are durable; nil when nobody needs to
	// know. It must not block.
	Done func()
}

// Spool is the durable queue. Renew gives it a new identity and keeps what is in
// it; a store knows nothing of it then.
type Spool interface {
	ID() string
	Renew(ctx context.Context) error
	Append(ctx context.Context, batches ...plant.Facts) (last uint64, err error)
	Read(ctx context.Context, after uint64, maxFacts int) ([]plant.Batch, error)
	Trim(ctx context.Context, upTo uint64) error
}

// Store takes batches. Watermark gives the number of the last batch of a spool
// that was applied, 0 when none was; then the first batch may have any number.
type Store interface {
	Watermark(ctx context.Context, spoolID string) (uint64, error)
	Apply(ctx context.Context, spoolID string, batches []plant.Batch) error
}

// Options are the parts of a Recorder. Inbox, Spool, Store, Log and Rand are
// required; zero limits take the defaults.
type Options struct {
	Inbox <-chan Delivery
	Spool Spool
	Store Store
	Log   *slog.Logger
	Rand  *rand.Rand // jitter of pauses; used by one goroutine only
	// Applied is called after each group of batches that the store took; it
	// must not block. May be nil.
	Applied func()
	// Gather is how long a batch waits for more; 20 ms by default.
	Gather time.Duration
	// BatchFacts closes a batch at this size; 5000 by default.
	BatchFacts int
	// ApplyFacts is about how many facts one transaction takes; 20000 by
	// default.
	ApplyFacts int
}

// Stats are counts since the start.
type Stats struct {
	Received  uint64 // facts taken from the inbox
	Spooled   uint64 // facts durable in the spool
	Applied   uint64 // facts taken by the store, including what waited from before
	StoreDown bool   // the store did not take the last group
	SpoolDown bool   // the spool did not take the last batch
}

// Recorder moves facts from the inbox to the store.
type Recorder struct {
	o       Options
	written chan struct{} // signalled after each append

	received, spooled, applied atomic.Uint64
	storeDown, spoolDown       atomic.Bool
	firstOwn                   atomic.Uint64 // number of the first batch of this run; 0 before it

	// Used by drain alone: the watermark before any batch of this run could be
	// applied, and up to which number the spool was trimmed.
	begun            bool
	initial, trimmed uint64
}

const (
	firstPause   = 500 * time.Millisecond
	longestPause = 30 * time.Second
	lastApply    = 10 * time.Second // for the last group after the inbox has ended
)

// New builds a Recorder; Run makes it work.
func New(o Options) *Recorder {
	o.Log = o.Log.With("component", "record")
	if o.Gather == 0 {
		o.Gather = 20 * time.Millisecond
	}
	if o.BatchFacts == 0 {
		o.BatchFacts = 5000
	}
	if o.ApplyFacts == 0 {
		o.ApplyFacts = 20000
	}
	return &Recorder{o: o, written: make(chan struct{}, 1)}
}

// Stats gives the counts so far.
func (r *Recorder) Stats() Stats {
	return Stats{
		Received: r.received.Load(), Spooled: r.spooled.Load(), Applied: r.applied.Load(),
		StoreDown: r.storeDown.Load(), SpoolDown: r.spoolDown.Load(),
	}
}

// Run works until ctx ends. Then it writes what is already in the inbox to the
// spool and tries once more, for a bounded time, to bring it to the store; what
// does not get there waits in the spool for the next start.
func (r *Recorder) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	drainCtx, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	ended := make(chan struct{})
	wg.Go(func() { r.drain(drainCtx, ended) })
	r.write(ctx)
	close(ended)
	bound := time.AfterFunc(lastApply, stop)
	defer bound.Stop()
	wg.Wait()
	return nil
}

// write gathers deliveries and appends them until ctx ends.
func (r *Recorder) write(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			r.rest(ctx)
			return
		case d := <-r.o.Inbox:
			r.append(ctx, r.gather(ctx, d))
		}
	}
}

// gather collects deliveries until the batch is full or has waited long enough.
func (r *Recorder) gather(ctx context.Context, first Delivery) []Delivery {
	group, facts := []Delivery{first}, first.Facts.Len()
	timer := time.NewTimer(r.o.Gather)
	defer timer.Stop()
	for facts < r.o.BatchFacts {
		select {
		case <-ctx.Done():
			return group
		case <-timer.C:
			return group
		case d := <-r.o.Inbox:
			group = append(group, d)
			facts += d.Facts.Len()
		}
	}
	return group
}

// rest writes what is in the inbox already; nothing new is waited for.
func (r *Recorder) rest(ctx context.Context) {
	for {
		var group []Delivery
		facts := 0
		for more := true; more && facts < r.o.BatchFacts; {
			select {
			case d := <-r.o.Inbox:
				group = append(group, d)
				facts += d.Facts.Len()
			default:
				more = false
			}
		}
		if len(group) == 0 || !r.append(ctx, group) {
			return
		}
	}
}

// append writes a group as one batch and tells the origins. A failing spool is
// tried again until it works or ctx ends; then the group is not done and its
// origins keep it. It says whether the group was written.
func (r *Recorder) append(ctx context.Context, group []Delivery) bool {
	var all plant.Facts
	for _, d := range group {
		all.Add(d.Facts)
	}
	n := uint64(all.Len())
	r.received.Add(n)
	if n > 0 {
		// A write that has begun is finished also when the daemon ends.
		whole := context.WithoutCancel(ctx)
		for pause := firstPause; ; pause = min(2*pause, longestPause) {
			number, err := r.o.Spool.Append(whole, all)
			if err == nil {
				r.firstOwn.CompareAndSwap(0, number)
				break
			}
			if !r.spoolDown.Swap(true) {
				r.o.Log.Error("the spool takes nothing; facts wait in memory and at their origins — check that the data directory has space", "err", err)
			}
			if !wait(ctx, pause) {
				return false
			}
		}
		if r.spoolDown.Swap(false) {
			r.o.Log.Info("the spool takes facts again")
		}
		r.spooled.Add(n)
		select {
		case r.written <- struct{}{}:
		default:
		}
	}
	for _, d := range group {
		if d.Done != nil {
			d.Done()
		}
	}
	return true
}

// drain applies waiting batches until the inbox has ended and the spool is
// empty, or ctx ends.
func (r *Recorder) drain(ctx context.Context, ended <-chan struct{}) {
	pause := firstPause
	for {
		more, err := r.apply(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			if !r.storeDown.Swap(true) {
				r.o.Log.Error("the database takes nothing; facts wait in the spool", "err", err)
			}
			select {
			case <-ended: // the next start goes on
				return
			default:
			}
			jitter := time.Duration(r.o.Rand.Int64N(int64(pause) / 2))
			if !r.pause(ctx, ended, pause+jitter) {
				return
			}
			pause = min(2*pause, longestPause)
			continue
		case r.storeDown.Swap(false):
			r.o.Log.Info("the database takes facts again")
		}
		pause = firstPause
		if more {
			continue
		}
		select {
		case <-ctx.Done():
			return
		case <-r.written:
		case <-ended:
			// What was appended between the last look and the end is still to go.
			if more, err := r.apply(ctx); err != nil || !more {
				return
			}
		}
	}
}

// pause waits; false means that ctx has ended. The end of the inbox cuts the
// pause short for one last try.
func (r *Recorder) pause(ctx context.Context, ended <-chan struct{}, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-ended:
	case <-timer.C:
	}
	return true
}

// apply brings one group to the store; more says that there may be another.
// The watermark is read anew each time, because after an error nobody knows
// whether the last group was committed.
func (r *Recorder) apply(ctx context.Context) (more bool, err error) {
	id := r.o.Spool.ID()
	mark, err := r.o.Store.Watermark(ctx, id)
	if err != nil {
		return false, fmt.Errorf("read watermark: %w", err)
	}
	if !r.begun {
		r.begun, r.initial = true, mark
	}
	batches, err := r.o.Spool.Read(ctx, mark, r.o.ApplyFacts)
	if err != nil {
		return false, err
	}
	if why := r.mismatch(mark, batches); why != nil {
		return true, r.renew(ctx, why)
	}
	if mark > r.trimmed { // an earlier run was ended between commit and trimming
		if err := r.o.Spool.Trim(ctx, mark); err != nil {
			return false, err
		}
		r.trimmed = mark
	}
	if len(batches) == 0 {
		return false, nil
	}
	last := batches[len(batches)-1].Sequence
	if err := r.o.Store.Apply(ctx, id, batches); err != nil {
		return false, fmt.Errorf("apply batches %d to %d: %w", batches[0].Sequence, last, err)
	}
	n := 0
	for _, b := range batches {
		n += b.Facts.Len()
	}
	r.applied.Add(uint64(n))
	if r.o.Applied != nil {
		r.o.Applied()
	}
	if err := r.o.Spool.Trim(ctx, last); err != nil {
		return false, err
	}
	r.trimmed = last
	return true, nil
}

// mismatch says why the store's watermark cannot be of this spool as it is now:
// one of the two was put back to an older state. A database that knows nothing of
// the spool is no mismatch; it is a new one.
func (r *Recorder) mismatch(mark uint64, batches []plant.Batch) error {
	if own := r.firstOwn.Load(); own != 0 && own <= r.initial {
		return fmt.Errorf("the spool has given number %d again, which the database has already: was the data directory restored from an older backup?", own)
	}
	if len(batches) > 0 && mark != 0 && batches[0].Sequence != mark+1 {
		return fmt.Errorf("the database has batches to %d, the spool begins at %d: was the database restored from an older backup? what it lost must be imported", mark, batches[0].Sequence)
	}
	return nil
}

// renew ends a mismatch: under a new identity all that waits in the spool is
// stored, and what the store has of it already is known by the keys of the facts.
func (r *Recorder) renew(ctx context.Context, why error) error {
	if err := r.o.Spool.Renew(ctx); err != nil {
		return errors.Join(why, err)
	}
	r.begun, r.initial, r.trimmed = false, 0, 0
	r.o.Log.Error("database and spool do not fit together; the spool goes on under a new identity, and all that waits in it is stored", "err", why)
	return nil
}

// wait pauses; false means that ctx has ended.
func wait(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

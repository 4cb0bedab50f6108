package record

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/plant"
)

var errAway = errors.New("connection refused")

// world holds what survives a kill: the spool's and the store's content. Every
// operation takes a little virtual time.
type world struct {
	mu       sync.Mutex
	waiting  []plant.Batch
	last     uint64
	mark     uint64 // under the newest identity
	renewed  int
	stored   []int64 // values of the readings, in the order stored
	storeErr func() (before, after error)
	spoolErr func() error
}

// incarnation is the world as one run of the daemon sees it. Once cut, nothing
// that it does has an effect, as after a kill.
type incarnation struct {
	w   *world
	cut bool
}

func (i *incarnation) enter() error {
	time.Sleep(300 * time.Microsecond)
	i.w.mu.Lock()
	if i.cut {
		i.w.mu.Unlock()
		return errAway
	}
	return nil
}

func (i *incarnation) ID() string { return "spool-1" }

func (i *incarnation) Renew(context.Context) error {
	if err := i.enter(); err != nil {
		return err
	}
	defer i.w.mu.Unlock()
	i.w.mark = 0
	i.w.renewed++
	return nil
}

func (i *incarnation) Append(_ context.Context, batches ...plant.Facts) (uint64, error) {
	if err := i.enter(); err != nil {
		return 0, err
	}
	defer i.w.mu.Unlock()
	if f := i.w.spoolErr; f != nil {
		if err := f(); err != nil {
			return 0, err
		}
	}
	for _, b := range batches {
		i.w.last++
		i.w.waiting = append(i.w.waiting, plant.Batch{Sequence: i.w.last, Facts: b})
	}
	return i.w.last, nil
}

func (i *incarnation) Read(_ context.Context, after uint64, _ int) ([]plant.Batch, error) {
	if err := i.enter(); err != nil {
		return nil, err
	}
	defer i.w.mu.Unlock()
	for n, b := range i.w.waiting {
		if b.Sequence > after {
			return slices.Clone(i.w.waiting[n:min(n+2, len(i.w.waiting))]), nil
		}
	}
	return nil, nil
}

func (i *incarnation) Trim(_ context.Context, upTo uint64) error {
	if err := i.enter(); err != nil {
		return err
	}
	defer i.w.mu.Unlock()
	i.w.waiting = slices.DeleteFunc(i.w.waiting, func(b plant.Batch) bool { return b.Sequence <= upTo })
	return nil
}

func (i *incarnation) Watermark(context.Context, string) (uint64, error) {
	if err := i.enter(); err != nil {
		return 0, err
	}
	defer i.w.mu.Unlock()
	return i.w.mark, nil
}

// Apply is like the real one: batches at or below the watermark are skipped.
func (i *incarnation) Apply(_ context.Context, _ string, batches []plant.Batch) error {
	if err := i.enter(); err != nil {
		return err
	}
	defer i.w.mu.Unlock()
	var before, after error
	if i.w.storeErr != nil {
		before, after = i.w.storeErr()
	}
	if before != nil {
		return before
	}
	for _, b := range batches {
		if b.Sequence <= i.w.mark {
			continue
		}
		for _, r := range b.Facts.Readings {
			i.w.stored = append(i.w.stored, r.Value)
		}
		i.w.mark = b.Sequence
	}
	return after
}

func reading(v int64) plant.Facts {
	return plant.Facts{Readings: []plant.Reading{{Register: "m/import", Value: v}}}
}

// start runs a recorder over the world until stop is called.
func start(w *world, inbox chan Delivery, log *bytes.Buffer) (i *incarnation, r *Recorder, stop func()) {
	i = &incarnation{w: w}
	r = New(Options{
		Inbox: inbox, Spool: i, Store: i, Rand: rand.New(rand.NewPCG(7, 7)), BatchFacts: 10,
		Log: slog.New(slog.NewTextHandler(log, nil)),
	})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = r.Run(ctx) // always nil
	}()
	return i, r, func() { cancel(); <-done }
}

func numbers(n int64) []int64 {
	out := make([]int64, n)
	for i := range out {
		out[i] = int64(i)
	}
	return out
}

func TestFactsArriveInOrderAndDoneMeansDurable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, inbox, log := &world{}, make(chan Delivery), &bytes.Buffer{}
		_, r, stop := start(w, inbox, log)
		done := 0
		for v := range int64(100) {
			inbox <- Delivery{Facts: reading(v), Done: func() {
				w.mu.Lock()
				defer w.mu.Unlock()
				done++
				if held := len(w.stored) + waitingFacts(w); held < done {
					t.Errorf("%d deliveries done, %d facts held", done, held)
				}
			}}
		}
		stop()
		if !slices.Equal(w.stored, numbers(100)) || done != 100 || len(w.waiting) != 0 {
			t.Errorf("stored %v, done %d, waiting %d", w.stored, done, len(w.waiting))
		}
		if s := r.Stats(); s.Received != 100 || s.Spooled != 100 || s.Applied != 100 || s.StoreDown || s.SpoolDown {
			t.Errorf("stats %+v", s)
		}
		if log.Len() != 0 {
			t.Errorf("nothing went wrong, yet it says:\n%s", log)
		}
	})
}

func waitingFacts(w *world) int {
	n := 0
	for _, b := range w.waiting {
		n += b.Facts.Len()
	}
	return n
}

// A store that fails before the commit, after it, or for hours: every fact gets
// there once, and the log has two lines for each outage.
func TestStoreFailures(t *testing.T) {
	for name, fail := range map[string]func() (before, after error){
		"before the commit": func() (error, error) { return errAway, nil },
		"after the commit":  func() (error, error) { return nil, errAway },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w, inbox, log := &world{}, make(chan Delivery), &bytes.Buffer{}
				_, r, stop := start(w, inbox, log)
				until := time.Now().Add(2 * time.Hour)
				w.storeErr = func() (error, error) {
					if time.Now().Before(until) {
						return fail()
					}
					return nil, nil
				}
				for v := range int64(300) {
					inbox <- Delivery{Facts: reading(v)}
					time.Sleep(30 * time.Second)
				}
				if s := r.Stats(); s.StoreDown {
					t.Error("half an hour after the outage the store is still said to be down")
				}
				stop()
				if !slices.Equal(w.stored, numbers(300)) {
					t.Errorf("%d facts stored, want 300 in order: %v", len(w.stored), w.stored)
				}
				down, up := strings.Count(log.String(), "takes nothing"), strings.Count(log.String(), "takes facts again")
				if name == "before the commit" && (down != 1 || up != 1) {
					t.Errorf("%d lines down, %d up; want one each:\n%s", down, up, log)
				}
			})
		})
	}
}

func TestFailingSpoolKeepsTheOriginWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, inbox, log := &world{}, make(chan Delivery), &bytes.Buffer{}
		until := time.Now().Add(10 * time.Minute)
		w.spoolErr = func() error {
			if time.Now().Before(until) {
				return errors.New("no space left on device")
			}
			return nil
		}
		_, _, stop := start(w, inbox, log)
		var doneAt time.Time
		inbox <- Delivery{Facts: reading(0), Done: func() { doneAt = time.Now() }}
		time.Sleep(time.Hour)
		stop()
		if doneAt.Before(until) {
			t.Errorf("done at %v, before the spool took it at %v", doneAt, until)
		}
		if !slices.Equal(w.stored, numbers(1)) || strings.Count(log.String(), "spool takes nothing") != 1 {
			t.Errorf("stored %v; log:\n%s", w.stored, log)
		}
	})
}

// Kills at many instants: what was done is stored once; what was not done is
// delivered again by its origin and may be stored again under another batch.
func TestKillsLoseNothingThatWasDone(t *testing.T) {
	for seed := range uint64(30) {
		synctest.Test(t, func(t *testing.T) {
			rng, storeRng := rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2))
			w, log := &world{}, &bytes.Buffer{}
			w.storeErr = func() (error, error) {
				switch storeRng.IntN(6) {
				case 0:
					return errAway, nil
				case 1:
					return nil, errAway
				}
				return nil, nil
			}
			var acknowledged []int64
			next := int64(0)
			for range 8 {
				inbox := make(chan Delivery)
				i, _, stop := start(w, inbox, log)
				kill := time.After(time.Duration(1+rng.IntN(4000)) * time.Millisecond)
				for alive := true; alive; {
					v := next
					select {
					case <-kill:
						w.mu.Lock()
						i.cut = true
						w.mu.Unlock()
						alive = false
					case inbox <- Delivery{Facts: reading(v), Done: func() { acknowledged = append(acknowledged, v) }}:
						next++
						time.Sleep(time.Duration(rng.IntN(40)) * time.Millisecond)
					}
				}
				stop()
			}
			w.storeErr = nil
			_, _, stop := start(w, make(chan Delivery), log)
			time.Sleep(time.Minute)
			stop()
			if len(w.waiting) != 0 {
				t.Errorf("seed %d: %d batches are left in the spool", seed, len(w.waiting))
			}
			seen := map[int64]int{}
			for _, v := range w.stored {
				seen[v]++
			}
			for _, v := range acknowledged {
				if seen[v] != 1 {
					t.Errorf("seed %d: fact %d was done and is stored %d times", seed, v, seen[v])
				}
			}
			if len(acknowledged) == 0 {
				t.Errorf("seed %d: nothing was done", seed)
			}
			if !slices.IsSorted(w.stored) {
				t.Errorf("seed %d: facts are stored out of order", seed)
			}
		})
	}
}

// One of database and spool was put back to an older state, or is new: what
// waits is stored, and where something may be missing the log says so, once.
func TestSpoolAndStoreThatDoNotFit(t *testing.T) {
	batch := func(n uint64) plant.Batch { return plant.Batch{Sequence: n, Facts: reading(int64(n))} }
	for _, tt := range []struct {
		name    string
		w       *world
		add     []int64 // arrives after the start
		want    []int64
		renewed int
		says    string
	}{
		{"database restored", &world{last: 10, waiting: []plant.Batch{batch(9), batch(10)}, mark: 5}, []int64{11}, []int64{9, 10, 11}, 1, "the database has batches to 5, the spool begins at 9"},
		{"database restored, nothing waits", &world{last: 8, mark: 5}, []int64{9}, []int64{9}, 1, "the database has batches to 5, the spool begins at 9"},
		{"database new", &world{last: 10, waiting: []plant.Batch{batch(9), batch(10)}}, []int64{11}, []int64{9, 10, 11}, 0, ""},
		{"spool restored", &world{last: 40, mark: 100}, []int64{41, 42}, []int64{41, 42}, 1, "number 41 again"},
		{"ended before trimming", &world{last: 7, waiting: []plant.Batch{batch(6), batch(7)}, mark: 7}, nil, nil, 0, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var log bytes.Buffer
				inbox := make(chan Delivery)
				_, r, stop := start(tt.w, inbox, &log)
				time.Sleep(time.Second)
				for _, v := range tt.add {
					inbox <- Delivery{Facts: reading(v)}
					time.Sleep(time.Minute)
				}
				down := r.Stats().StoreDown
				waiting := len(tt.w.waiting)
				stop()
				if !slices.Equal(tt.w.stored, tt.want) || tt.w.renewed != tt.renewed || waiting != 0 || down {
					t.Errorf("stored %v, want %v; renewed %d times, want %d; %d wait; down %v", tt.w.stored, tt.want, tt.w.renewed, tt.renewed, waiting, down)
				}
				if n := strings.Count(log.String(), "\n"); n != tt.renewed || !strings.Contains(log.String(), tt.says) {
					t.Errorf("log:\n%s\nwant %d line with %q", &log, tt.renewed, tt.says)
				}
			})
		})
	}
}

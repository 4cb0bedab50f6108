package selfcheck_test

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/invariant"
	"curetally/internal/core/plant"
	"curetally/internal/work/selfcheck"
)

const quarter = 15 * time.Minute

// records is a store of 30 days of one register that counts 100 each quarter of an
// hour, whose stored entries a test can spoil.
type records struct {
	mu         sync.Mutex
	begun      time.Time
	spoilt     map[time.Time]int64 // added to what is stored
	fittings   []plant.Fitting
	asked      []time.Time // beginnings of the stretches that were rebuilt
	failing    bool
	violations []invariant.Violation
}

func (r *records) Extent(context.Context, plant.RegisterID) (first, last time.Time, ok bool, err error) {
	return r.begun, time.Now(), true, nil
}

func (r *records) Rebuilt(_ context.Context, reg plant.Register, from, to time.Time) (built, stored []plant.Entry, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.failing {
		return nil, nil, errors.New("no database")
	}
	r.asked = append(r.asked, from)
	for at := from; at.Before(to); at = at.Add(quarter) {
		e := plant.Entry{Register: reg.ID, Start: at, Amount: 100}
		built = append(built, e)
		e.Amount += r.spoilt[at]
		stored = append(stored, e)
	}
	return built, stored, nil
}

func (r *records) Rulings(context.Context, plant.RegisterID) ([]plant.Ruling, error) { return nil, nil }

func (r *records) AllFittings(context.Context) ([]plant.Fitting, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.fittings, nil
}

func (r *records) Altered(context.Context) ([]invariant.Violation, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.violations, nil
}

func (r *records) set(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
}

// checked runs a checker under virtual time.
func checked(t *testing.T, test func(r *records, c *selfcheck.Checker, log *strings.Builder)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Minute) // off the hour
		p := &plant.Plant{Interval: quarter, Registers: []plant.Register{{ID: "heron-1-meter/import", Rules: plant.Rules{MaxPerHour: 1000}}}}
		r := &records{begun: time.Now().Add(-30 * 24 * time.Hour), spoilt: map[time.Time]int64{}}
		var log strings.Builder
		c := selfcheck.New(selfcheck.Options{Plant: p, Records: r, Log: slog.New(slog.NewTextHandler(&log, nil))})
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- c.Run(ctx) }()
		test(r, c, &log)
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

func names(found []selfcheck.Found) (out []invariant.Name) {
	for _, f := range found {
		out = append(out, f.Invariant)
	}
	return out
}

func TestRun_SoundRecordsShowNothingAndAllOfThePastIsLookedAt(t *testing.T) {
	checked(t, func(r *records, c *selfcheck.Checker, log *strings.Builder) {
		time.Sleep(12 * time.Hour)
		synctest.Wait()
		if v := c.Violations(); len(v) != 0 || log.Len() != 0 {
			t.Errorf("%v, log %s", v, log)
		}
		if n := len(c.Checked()); n != len(invariant.Names()) {
			t.Errorf("%d invariants of %d were looked at", n, len(invariant.Names()))
		}
		r.set(func() {
			oldest := slices.MinFunc(r.asked, time.Time.Compare)
			if oldest.After(r.begun) {
				t.Errorf("the oldest look begins at %s, the records at %s", oldest, r.begun)
			}
		})
	})
}

func TestRun_AWrongEntryIsFoundShownWithItsKeyAndTakenBack(t *testing.T) {
	checked(t, func(r *records, c *selfcheck.Checker, log *strings.Builder) {
		at := time.Now().UTC().Add(-3 * time.Hour).Truncate(quarter)
		r.set(func() { r.spoilt[at] = 7 })
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		v := c.Violations()
		if got, want := names(v), []invariant.Name{invariant.Conservation, invariant.Rebuild}; !slices.Equal(got, want) {
			t.Fatalf("violations %v, want %v", v, want)
		}
		if v[1].Key != "heron-1-meter/import" || !strings.Contains(v[1].Text, at.Format(time.RFC3339)) {
			t.Errorf("violation %+v does not say where", v[1])
		}
		time.Sleep(3 * time.Hour)
		synctest.Wait()
		if n := strings.Count(log.String(), "contradict"); n != 1 {
			t.Errorf("the log says it %d times:\n%s", n, log)
		}
		if later := c.Violations(); len(later) != 2 || !later[0].Since.Equal(v[0].Since) {
			t.Errorf("later: %v", later)
		}
		r.set(func() { delete(r.spoilt, at) })
		time.Sleep(time.Hour)
		synctest.Wait()
		if v := c.Violations(); len(v) != 0 || !strings.Contains(log.String(), "agree again") {
			t.Errorf("after mending: %v, log %s", v, log)
		}
	})
}

// What is being settled at the moment of a look differs for a while; that is none.
func TestRun_ADifferenceThatPassesIsNone(t *testing.T) {
	checked(t, func(r *records, c *selfcheck.Checker, log *strings.Builder) {
		at := time.Now().UTC().Add(-3 * time.Hour).Truncate(quarter)
		r.set(func() { r.spoilt[at] = 7 })
		time.Sleep(31 * time.Minute)
		synctest.Wait()
		r.set(func() {
			if len(r.asked) != 1 {
				t.Fatalf("%d looks", len(r.asked))
			}
			delete(r.spoilt, at)
		})
		time.Sleep(4 * time.Hour)
		synctest.Wait()
		if v := c.Violations(); len(v) != 0 || log.Len() != 0 {
			t.Errorf("%v, log %s", v, log)
		}
	})
}

func TestRun_LampsAndDocuments(t *testing.T) {
	checked(t, func(r *records, c *selfcheck.Checker, _ *strings.Builder) {
		from := time.Now().Add(-time.Hour)
		r.set(func() {
			r.fittings = []plant.Fitting{{Lamp: "A1", Station: "heron-1", From: from}, {Lamp: "A1", Station: "heron-2", From: from.Add(time.Minute)}}
			r.violations = []invariant.Violation{{Invariant: invariant.Unaltered, Key: "heron baseline 1", Text: "hash"}}
		})
		time.Sleep(3 * time.Hour)
		synctest.Wait()
		if got, want := names(c.Violations()), []invariant.Name{invariant.Lamps, invariant.Unaltered}; !slices.Equal(got, want) {
			t.Errorf("violations %v, want %v", got, want)
		}
	})
}

// A store that is away costs looks, not the truth: nothing is found, nothing that
// was found is forgotten.
func TestRun_AStoreThatIsAwayChangesNothing(t *testing.T) {
	checked(t, func(r *records, c *selfcheck.Checker, _ *strings.Builder) {
		at := time.Now().UTC().Add(-3 * time.Hour).Truncate(quarter)
		r.set(func() { r.spoilt[at] = 7 })
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		r.set(func() { r.failing = true })
		time.Sleep(5 * time.Hour)
		synctest.Wait()
		if n := len(c.Violations()); n != 2 {
			t.Errorf("%d violations, want 2", n)
		}
	})
}

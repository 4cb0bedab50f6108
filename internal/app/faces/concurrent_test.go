package faces_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/store"
)

// Two people who saw the same task and do it at once: one is recorded, the other is
// told who was faster.
func TestTwoAtOnceCannotBothDoATask(t *testing.T) {
	p := heron()
	db, err := store.Open(t.Context(), pgtest.New(t), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := errors.Join(db.Migrate(t.Context()), db.Sync(t.Context(), p)); err != nil {
		t.Fatal(err)
	}
	book := deeds.Book{Plant: p, Store: db, Settle: func(context.Context) error { return nil }, Software: "test"}
	at := time.Now().Add(-time.Hour)
	if _, err := book.Done(t.Context(), plant.Done{Rule: "shutter-check", Subject: "heron-1", At: at, By: "Zoe"}, time.Time{}); err != nil {
		t.Fatal(err)
	}
	history, err := db.TaskHistory(t.Context(), "shutter-check", "heron-1")
	if err != nil || len(history) != 1 {
		t.Fatalf("history %v, %v", history, err)
	}
	seen := history[0].At
	var wg sync.WaitGroup
	people := []string{"Ann", "Ben", "Cas", "Dee"}
	errs := make([]error, len(people))
	for i, by := range people {
		wg.Go(func() {
			_, errs[i] = book.Done(t.Context(), plant.Done{Rule: "shutter-check", Subject: "heron-1", By: by}, seen)
		})
	}
	wg.Wait()
	if history, err = db.TaskHistory(t.Context(), "shutter-check", "heron-1"); err != nil || len(history) != 2 {
		t.Fatalf("history %+v, %v; want two acts", history, err)
	}
	for i, err := range errs {
		if people[i] == history[0].By {
			if err != nil {
				t.Errorf("%s is on record and was told %v", people[i], err)
			}
			continue
		}
		if !errors.Is(err, store.ErrConflict) || !strings.Contains(err.Error(), "done by "+history[0].By) {
			t.Errorf("%s was told %v, want who was faster (%s)", people[i], err, history[0].By)
		}
	}
}

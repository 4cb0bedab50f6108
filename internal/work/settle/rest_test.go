package settle

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/plant"
)

var errAnswered = errors.New("answered by another")

// cutOff is a store whose first commit was cut off at the end of Run: it lands
// while the next round is at work, which then finds its marks gone.
type cutOff struct {
	*memory
	broken bool // never takes anything
	calls  int
}

func (c *cutOff) Replace(ctx context.Context, marks []plant.Mark, s []plant.Settlement) error {
	if c.calls++; c.broken {
		return errAnswered
	}
	if c.calls == 1 { // the commit that was under way answers the first mark alone
		c.marks = c.marks[1:]
		return errAnswered
	}
	return c.memory.Replace(ctx, marks, s)
}

func restOf(c *cutOff) *Settler {
	p := little(true)
	for i := range 4 {
		c.take(plant.Facts{Readings: []plant.Reading{{Register: "shared/import", At: begin.Add(time.Duration(i) * 10 * time.Minute), Value: int64(i) * 900}}})
	}
	return New(Options{Plant: p, Store: c, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
}

// An orderly end leaves nothing unsettled, also when it cut off a round.
func TestRest_SettlesAfterARoundThatWasCutOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &cutOff{memory: newMemory()}
		if err := restOf(c).Rest(t.Context()); err != nil || len(c.marks) != 0 {
			t.Errorf("%d marks are left, error %v; expected none", len(c.marks), err)
		}
		if len(c.entries["shared/import"]) == 0 {
			t.Error("nothing was settled")
		}
	})
}

// A store that never takes anything does not hold a command for ever.
func TestRest_GivesUpInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &cutOff{memory: newMemory(), broken: true}
		if err := restOf(c).Rest(t.Context()); !errors.Is(err, errAnswered) || c.calls != restTries {
			t.Errorf("error %v after %d tries, expected the reason after %d", err, c.calls, restTries)
		}
	})
}

// What can't be settled now is left to the next start, with the reason.
func TestRest_GivesUpWithTheContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &cutOff{memory: newMemory(), broken: true}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		if err := restOf(c).Rest(ctx); !errors.Is(err, errAnswered) {
			t.Errorf("error %v, expected the reason", err)
		}
		if c.calls < 50 {
			t.Errorf("tried %d times in ten seconds, expected a try each %v", c.calls, restPause)
		}
	})
}

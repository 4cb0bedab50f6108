package lampbook

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"

	"curetally/internal/core/plant"
)

// Keeper keeps the newest book with its findings, so that pages cost no query.
type Keeper struct {
	store  KeeperStore
	plant  *plant.Plant
	log    *slog.Logger
	newest atomic.Pointer[Kept]
}

// KeeperStore is all that a Keeper asks.
type KeeperStore interface {
	Store
	Counters
	OutputFacts
}

// Kept is a book with the findings of the same instant. It is not changed.
type Kept struct {
	Book
	Findings []Finding
}

// pace is how often the book is made anew. Lives move in hours, and the
// comparison of counters reads two weeks of power.
const pace = 15 * time.Minute

// New builds a Keeper; Run makes it work.
func New(s KeeperStore, p *plant.Plant, log *slog.Logger) *Keeper {
	return &Keeper{store: s, plant: p, log: log.With("component", "lampbook")}
}

// Newest gives the latest book, or nil before the first.
func (k *Keeper) Newest() *Kept { return k.newest.Load() }

// Refresh makes the book now.
func (k *Keeper) Refresh(ctx context.Context) error {
	b, err := Read(ctx, k.store, k.plant, time.Now())
	if err != nil {
		return err
	}
	findings, err := Check(ctx, k.store, k.plant, b)
	if err != nil {
		return err
	}
	outputs, err := Outputs(ctx, k.store, k.plant, b)
	if err != nil {
		return err
	}
	k.newest.Store(&Kept{b, append(findings, outputFindings(outputs)...)})
	return nil
}

// Run makes the book anew every quarter of an hour until ctx ends. It logs one
// line when that begins to fail and one when it works again.
func (k *Keeper) Run(ctx context.Context) error {
	tick := time.NewTicker(pace)
	defer tick.Stop()
	failing := false
	for {
		err := k.Refresh(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !failing:
			k.log.Error("lives of lamps are not up to date", "err", err)
		case err == nil && failing:
			k.log.Info("lives of lamps are up to date again")
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

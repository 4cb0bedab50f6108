// Package lampbook brings together what is known of each lamp: where it is, what
// it has done, and what follows from both. It asks the store for facts and sums
// of entries; package lampledger says what they mean for places and stock.
//
// Everything it gives is a verdict: made anew from facts, entries and the
// configuration, by the daemon and by the command line alike, and never stored.
//
// Nothing here writes. What people do to lamps is recorded by commands through
// the store.
package lampbook

import (
	"context"
	"fmt"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
)

// Facts gives what people put on record about lamps.
type Facts interface {
	Lamps(ctx context.Context) ([]plant.Lamp, error)
	AllFittings(ctx context.Context) ([]plant.Fitting, error)
	LampMovements(ctx context.Context) ([]plant.LampMovement, error)
}

// Records gives all lamps with their places at an instant, by serial.
func Records(ctx context.Context, f Facts, p *plant.Plant, now time.Time) ([]lampledger.Record, error) {
	lamps, err := f.Lamps(ctx)
	if err != nil {
		return nil, fmt.Errorf("lamps: %w", err)
	}
	fittings, err := f.AllFittings(ctx)
	if err != nil {
		return nil, fmt.Errorf("fittings: %w", err)
	}
	movements, err := f.LampMovements(ctx)
	if err != nil {
		return nil, fmt.Errorf("movements of lamps: %w", err)
	}
	return lampledger.Of(p, lampledger.Facts{Lamps: lamps, Fittings: fittings, Movements: movements}, now), nil
}

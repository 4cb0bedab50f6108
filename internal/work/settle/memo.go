package settle

import (
	"context"
	"time"

	"curetally/internal/core/plant"
)

// memo reads the same facts once per round: the registers of a station ask for
// the same events and fittings. What is committed meanwhile has marks of its own
// and is seen by the next round. It belongs to one goroutine.
type memo struct {
	Facts
	events   map[eventsKey][]plant.StationEvent
	fittings map[plant.StationID][]plant.Fitting
}

type eventsKey struct {
	station  plant.StationID
	from, to int64 // Unix microseconds
}

func newMemo(f Facts) memo {
	return memo{f, map[eventsKey][]plant.StationEvent{}, map[plant.StationID][]plant.Fitting{}}
}

// Events implements Facts; the result is shared and must not be changed.
func (m memo) Events(ctx context.Context, st plant.StationID, from, to time.Time) ([]plant.StationEvent, error) {
	key := eventsKey{st, from.UnixMicro(), to.UnixMicro()}
	if events, ok := m.events[key]; ok {
		return events, nil
	}
	events, err := m.Facts.Events(ctx, st, from, to)
	if err == nil {
		m.events[key] = events
	}
	return events, err
}

// Fittings implements Facts; the result is shared and must not be changed.
func (m memo) Fittings(ctx context.Context, st plant.StationID) ([]plant.Fitting, error) {
	if fittings, ok := m.fittings[st]; ok {
		return fittings, nil
	}
	fittings, err := m.Facts.Fittings(ctx, st)
	if err == nil {
		m.fittings[st] = fittings
	}
	return fittings, err
}

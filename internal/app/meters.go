package app

import (
	"context"
	"fmt"
	"log/slog"

	"curetally/internal/core/plant"
	"curetally/internal/link/meterlink"
	"curetally/internal/work/collect"
)

// meterReader lets a poller read a bus: facts in, facts out.
type meterReader struct{ bus *meterlink.Bus }

func (r meterReader) Read(ctx context.Context, m plant.MeterID) (plant.Facts, error) {
	s, err := r.bus.Read(ctx, m)
	if err != nil {
		return plant.Facts{}, err
	}
	return plant.Facts{Readings: s.Readings, Signals: s.Signals}, nil
}

func (r meterReader) Close() error { return r.bus.Close() }

func newPoller(b plant.Bus, deliver func(context.Context, plant.Facts) error, log *slog.Logger) (*collect.Poller, error) {
	bus, err := meterlink.NewBus(b, log)
	if err != nil {
		return nil, fmt.Errorf("bus %s: %w", b.ID, err)
	}
	return collect.New(collect.Options{Bus: b, Reader: meterReader{bus}, Deliver: deliver, Log: log, Rand: seeded()}), nil
}

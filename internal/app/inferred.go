package app

import (
	"context"
	"sync"
	"time"

	"curetally/internal/core/inference"
	"curetally/internal/core/plant"
)

// inferred adds to what meters say the states that follow from it for stations that
// are silent. Pollers and the receiver of stations share it.
type inferred struct {
	mu    sync.Mutex // guards watch
	watch *inference.Watch
}

func newInferred(p *plant.Plant, now time.Time) *inferred {
	return &inferred{watch: inference.NewWatch(p, now)}
}

// heard notes the stations of which something has come in.
func (i *inferred) heard(events []plant.StationEvent) {
	i.mu.Lock()
	defer i.mu.Unlock()
	for _, e := range events {
		// A last will says that the station is gone; what the broker kept says how it
		// was. Neither is the station speaking now.
		if !e.LastWill {
			i.watch.Heard(e.Station, e.At)
		}
	}
}

// conclude adds events to facts of meters. The samples and what is concluded from
// them travel together, so one is never there without the other.
func (i *inferred) conclude(f *plant.Facts) {
	i.mu.Lock()
	defer i.mu.Unlock()
	f.Events = append(f.Events, i.watch.Conclude(f.Signals)...)
}

// deliverMeters is Deliver for the pollers.
func (d *Daemon) deliverMeters(ctx context.Context, f plant.Facts) error {
	d.inferred.conclude(&f)
	return d.Deliver(ctx, f)
}

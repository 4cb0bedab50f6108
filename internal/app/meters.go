package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/meterlink"
	"curetally/internal/work/collect"
)

// meterReader lets a poller read a bus: facts and faults for samples and errors.
type meterReader struct{ bus *meterlink.Bus }

func (r meterReader) Read(ctx context.Context, m plant.MeterID, retry bool) collect.Answer {
	read := r.bus.ReadOnce
	if retry {
		read = r.bus.Read
	}
	s, err := read(ctx, m)
	if err != nil {
		return collect.Answer{Faults: []collect.Fault{fault(err)}}
	}
	a := collect.Answer{Facts: plant.Facts{Readings: s.Readings, Signals: s.Signals}}
	for _, refused := range s.Refused {
		a.Faults = append(a.Faults, fault(refused))
	}
	return a
}

func (r meterReader) Rest(ctx context.Context) { r.bus.Rest(ctx) }

func (r meterReader) Close() error { return r.bus.Close() }

// fault says of an error of the bus what kind of trouble it is, and what of it goes
// on record.
func fault(err error) collect.Fault {
	f := collect.Fault{Trouble: collect.NoAnswer, Reason: err.Error(), Text: err.Error()}
	// In this order: a gateway's word that a meter is silent is an exception, too.
	switch {
	case errors.Is(err, meterlink.ErrSilent):
	case errors.Is(err, meterlink.ErrValue):
		f.Trouble = collect.BadValue
	case errors.Is(err, meterlink.ErrAnchor):
		f.Trouble = collect.WrongIdentity
	case errors.Is(err, meterlink.ErrException):
		f.Trouble = collect.Exception
	case errors.Is(err, meterlink.ErrFrame):
		f.Trouble = collect.BrokenFrame
	}
	if r, ok := errors.AsType[*meterlink.Refused](err); ok {
		f.Value, f.Reason, f.Content = r.Value, r.Reason(), r.Content
	}
	return f
}

// troubleOf words what is wrong with a meter as a finding: what kind it is, and what
// a person can do about it.
func troubleOf(t collect.Trouble) (kind, remedy string) {
	const counts = " The register goes on counting: energy is not lost, only its shape."
	switch t {
	case collect.BrokenFrame:
		return "disturbed meter", "The meter or its line is alive. Check speed, parity, termination and shielding, and that no two devices have one unit id." + counts
	case collect.Exception:
		return "refusing meter", "The meter answers and does not serve what is asked. Compare the profile's functions and addresses with its manual: curetally probe." + counts
	case collect.WrongIdentity:
		return "another meter", "What answers is not the meter that was expected. Check the unit id, the profile, and whether the meter was exchanged."
	case collect.BadValue:
		return "unusable meter value", "The meter's other values are taken. Check type, word order and scale of this one in the profile: curetally probe."
	default:
		return "silent meter", "Check supply, cable and address." + counts
	}
}

func newPoller(b plant.Bus, now func() time.Time, deliver func(context.Context, plant.Facts) error, log *slog.Logger) (*collect.Poller, error) {
	bus, err := meterlink.NewBus(b, now, log)
	if err != nil {
		return nil, fmt.Errorf("bus %s: %w", b.ID, err)
	}
	return collect.New(collect.Options{Bus: b, Reader: meterReader{bus}, Deliver: deliver, Now: now, Log: log}), nil
}

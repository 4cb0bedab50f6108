package meterlink

import (
	"context"
	"errors"
	"fmt"
	"time"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
)

// Exploring reads the registers of a meter as they are, with a neighbour on either
// side of each block, for people who look for the right setting. It is not safe
// for concurrent use, and uses its bus: one goroutine owns both.
type Exploring struct {
	bus   *Bus
	meter *meter
	// served are the reads that the meter answered, once they are known: a meter
	// that refuses neighbours is asked for them once only.
	served []request
}

// Explore prepares the exploration of a meter of the bus. It sends nothing.
func (b *Bus) Explore(id plant.MeterID) (*Exploring, error) {
	m := b.meters[id]
	if m == nil {
		return nil, fmt.Errorf("meter %s is not on bus %s: expected a meter of its configuration", id, b.conf.ID)
	}
	return &Exploring{bus: b, meter: m}, nil
}

// Read reads the registers once, opening the link when it is not open. Registers
// that the meter refuses are absent; when it refuses all, that is an error of class
// ErrException. Otherwise errors are of class ErrLink, or wrap the cause of ctx.
// Anchors are not compared: a person is to see what is there.
func (e *Exploring) Read(ctx context.Context) (layout.Image, error) {
	b, m := e.bus, e.meter
	if !b.open {
		if err := b.connect(ctx, m); err != nil {
			return layout.Image{}, err
		}
	}
	if b.unproven && m.plan.probe != nil {
		if _, err := b.ask(m, *m.plan.probe); err != nil && !errors.Is(err, ErrException) {
			return layout.Image{}, err
		}
	}
	img := layout.Image{Words: map[layout.Address]uint16{}}
	began := time.Now()
	served, refusal, err := e.readAll(ctx, img)
	if err != nil {
		return layout.Image{}, err
	}
	if len(served) == 0 {
		e.served = nil // what was served before may be served again
		return layout.Image{}, refusal
	}
	img.At = began.Add(time.Since(began) / 2).UTC()
	e.served = served
	b.unproven = false
	return img, nil
}

// readAll reads every block into the image. It gives the reads that were served,
// and the last refusal.
func (e *Exploring) readAll(ctx context.Context, img layout.Image) (served []request, refusal, err error) {
	read := func(r request) (bool, error) {
		if ctx.Err() != nil {
			return false, e.bus.left(ctx, e.meter)
		}
		a, err := e.bus.ask(e.meter, r)
		switch {
		case errors.Is(err, ErrException):
			refusal = err
			return false, nil
		case err != nil:
			return false, err
		}
		for i, w := range a.words {
			img.Words[layout.Address{Function: r.function, Register: r.address + uint16(i)}] = w
		}
		served = append(served, r)
		return true, nil
	}
	if e.served != nil {
		for _, r := range e.served {
			if _, err := read(r); err != nil {
				return nil, nil, err
			}
		}
		return served, refusal, nil
	}
	for _, r := range e.meter.plan.requests {
		wide, apart := neighbours(r)
		if wide != nil {
			ok, err := read(*wide)
			if err != nil {
				return nil, nil, err
			}
			if ok {
				continue
			}
		}
		for _, part := range apart {
			if _, err := read(part); err != nil {
				return nil, nil, err
			}
		}
	}
	return served, refusal, nil
}

// neighbours gives the read of a block with a register on either side, nil where
// it would be too long, and the reads that make up for it when the meter refuses
// it: the block itself, one register lower, and one higher. The latter two have the
// length of the block, because a map that begins or ends there is refused
// otherwise.
func neighbours(r request) (wide *request, apart []request) {
	low, high := int(r.address)-1, r.end()+1
	if low >= 0 && high <= addressSpace && high-low <= maxRegisters {
		wide = &request{r.function, uint16(low), uint16(high - low)}
	}
	apart = []request{r}
	if low >= 0 {
		apart = append(apart, request{r.function, uint16(low), r.words})
	}
	if high <= addressSpace {
		apart = append(apart, request{r.function, r.address + 1, r.words})
	}
	return wide, apart
}

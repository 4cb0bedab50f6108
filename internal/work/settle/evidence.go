package settle

import (
	"context"
	"slices"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
)

// Evidence is what the facts around a stretch give before it is cut into entries.
type Evidence struct {
	// Curve is as read; Counted is the same with what accrued over gaps spread in
	// time, from which entries are cut.
	Curve, Counted ledger.Curve
	Steps          []plant.RegisterEvent
	Spans          []plant.Span // of the register's station; nil without one
	// Samples are of the meter's power where they tell of this register alone.
	Samples []plant.Signal
}

// Look gives the evidence of a stretch. It reads only.
func Look(ctx context.Context, f Facts, p *plant.Plant, w Stretch) (Evidence, error) {
	v, err := look(ctx, f, p, w)
	if err != nil {
		return Evidence{}, err
	}
	e := Evidence{Curve: v.curve, Steps: v.steps, Spans: v.spans}
	if _, err := v.count(ctx, f, p, w); err != nil {
		return e, err
	}
	e.Counted = v.curve
	if Powered(p, w.Register) {
		e.Samples, err = samplesAround(ctx, f, w.Register, w.From, w.To)
	}
	return e, err
}

// Powered says whether the power of a register's meter is the power of what the
// register counts: it counts all that the meter measures, in one direction, alone.
func Powered(p *plant.Plant, reg plant.Register) bool {
	whole := func(r plant.Register) bool {
		return r.Quantity == plant.QuantityEnergy && !r.Part && !r.Rules.Net
	}
	owner, _ := reg.ID.Split()
	return whole(reg) && !slices.ContainsFunc(p.Registers, func(o plant.Register) bool {
		other, _ := o.ID.Split()
		return o.ID != reg.ID && other == owner && whole(o)
	})
}

// States gives the timeline of a register's station around a stretch of time; nil
// for a register without one.
func States(ctx context.Context, f Facts, p *plant.Plant, reg plant.Register, from, to time.Time) ([]plant.Span, error) {
	return spansOver(ctx, f, p, reg, ledger.Segment{From: from, To: to})
}

// Samples gives the samples of the power of the meter that owns a register, as far
// as they can be true, and one more on each side.
func Samples(ctx context.Context, f Facts, reg plant.Register, from, to time.Time) ([]plant.Signal, error) {
	return samplesAround(ctx, f, reg, from, to)
}

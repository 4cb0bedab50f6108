package whole

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/model"
	"curetally/internal/work/settle"
)

// operator is what people do, with commands of their own that go to the same
// database and settle what they changed, beside the daemon.
type operator struct {
	*database
	w        *world
	settler  *settle.Settler
	declared bool
	ruled    bool
	lamps    int
}

func newOperator(w *world) *operator {
	l := &life{w: w, number: 1000}
	o := &operator{database: &database{l.wire(taskOperator), w.store}, w: w}
	o.settler = settle.New(settle.Options{
		Plant: w.truth.plant, Store: w.bug.facts(o.database, w), Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(w.seed, 9)),
	})
	return o
}

// run does what is due until ctx ends.
func (o *operator) run(ctx context.Context) {
	for st := range 2 {
		o.change(ctx, plant.StationID(fmt.Sprintf("heron-%d", st+1)))
	}
	for n := uint64(0); ; n++ {
		nap(o.task, 3*time.Minute+time.Duration(mix(o.w.seed, 77, n)%uint64(6*time.Minute)))
		if ctx.Err() != nil {
			return
		}
		x, j := o.w.truth.exchange, o.w.truth.jump
		switch {
		case !o.declared && !x.IsZero() && time.Since(x) > 4*time.Minute && !x.After(time.Now()):
			o.declared = o.insist(ctx, "exchange", func() error { return o.s.DeclareExchange(ctx, o.w.truth.declared()) })
		case !o.ruled && !j.IsZero() && !j.After(time.Now()):
			o.ruled = o.rule(ctx)
		case mix(o.w.seed, 78, n)%12 == 0:
			o.change(ctx, plant.StationID(fmt.Sprintf("heron-%d", 1+mix(o.w.seed, 79, n)%2)))
		case mix(o.w.seed, 80, n)%6 == 0:
			at := time.Now()
			o.insist(ctx, "done", func() error {
				return o.s.RecordTask(ctx, plant.TaskAct{Kind: plant.TaskDone, Rule: "clean-reflector", Subject: "heron-1", At: at, By: "planner"})
			})
		default:
			continue
		}
		// An act settles what it changed; a command that cannot leaves it to the daemon.
		bound, cancel := context.WithTimeout(ctx, time.Minute)
		_ = o.settler.Rest(bound)
		cancel()
	}
}

// insist repeats a command until it has worked. One that turns out to have worked
// before is told so by its conflict.
func (o *operator) insist(ctx context.Context, name string, do func() error) bool {
	for ctx.Err() == nil {
		err := o.write(ctx, name, true, do)
		if err == nil || errors.Is(err, model.ErrConflict) {
			return true
		}
		if errors.Is(err, model.ErrNotFound) {
			return false
		}
		nap(o.task, 10*time.Second)
	}
	return false
}

// change puts a new lamp into a station.
func (o *operator) change(ctx context.Context, st plant.StationID) {
	at := time.Now()
	if old, fitted := o.w.fitted[st]; fitted {
		o.insist(ctx, "remove "+string(old.Lamp), func() error { return o.s.RemoveLamp(ctx, old.Lamp, at, "preventive", "planner") })
	}
	o.lamps++
	f := plant.Fitting{Lamp: plant.LampSerial(fmt.Sprintf("AL-%03d", o.lamps)), Station: st, From: at.UTC(), By: "planner"}
	if o.insist(ctx, "fit "+string(f.Lamp), func() error { return o.s.FitLamp(ctx, f, "arc-lamp") }) {
		o.w.fitted[st] = f
	}
}

// rule accepts the first value after the jump, as soon as it is on record.
func (o *operator) rule(ctx context.Context) bool {
	reg := plant.RegisterOf(meterJump, plant.ValueImport)
	held, err := read(ctx, o.wire, func() ([]plant.RegisterEvent, error) { return o.s.Held(ctx, reg) })
	i := slices.IndexFunc(held, func(e plant.RegisterEvent) bool { return e.After-e.Before >= jumpCounts*step })
	if err != nil || i < 0 {
		return false
	}
	return o.insist(ctx, "rule", func() error {
		return o.s.Rule(ctx, plant.Ruling{Register: reg, At: held[i].At, Verdict: plant.VerdictAccept, By: "electrician"})
	})
}

package contract

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/model"
)

// SameAsModel does the same random acts on a store and on the model and compares
// what can be read after each. Open gives an empty store of the plant.
func SameAsModel(t *testing.T, open func(t testing.TB, p *plant.Plant) Store) {
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			p := Plant(t)
			d := &double{t: t, rng: rand.New(rand.NewPCG(seed, 1)), real: open(t, p), model: model.NewStore(p)}
			for d.step = range 80 {
				d.act()
				d.compare()
				if t.Failed() {
					return
				}
			}
		})
	}
}

// double is a store beside the model.
type double struct {
	t     *testing.T
	rng   *rand.Rand
	step  int
	real  Store
	model *model.Store
	given []plant.Batch
	lamps int
}

func (d *double) act() {
	switch d.rng.IntN(8) {
	case 0, 1, 2:
		d.apply()
	case 3, 4, 5:
		d.replace()
	case 6:
		x := plant.Exchange{Register: meter, At: at(d.rng.IntN(200)), Final: 5, First: 1, By: "electrician"}
		d.both("exchange", func(s Store) error { return s.DeclareExchange(d.t.Context(), x) })
	case 7:
		from := at(d.step * 3)
		if d.lamps > 0 {
			old := plant.LampSerial(fmt.Sprintf("AL-%d", d.lamps))
			d.both("remove", func(s Store) error { return s.RemoveLamp(d.t.Context(), old, from, "preventive", "planner") })
		}
		d.lamps++
		f := plant.Fitting{Lamp: plant.LampSerial(fmt.Sprintf("AL-%d", d.lamps)), Station: "heron-1", From: from, By: "planner"}
		d.both("fit", func(s Store) error { return s.FitLamp(d.t.Context(), f, "arc-lamp") })
	}
}

// both does an act on both, which must succeed or fail together.
func (d *double) both(what string, act func(Store) error) {
	d.t.Helper()
	real, model := act(d.real), act(d.model)
	if (real == nil) != (model == nil) {
		d.t.Errorf("step %d: %s gives %v, the model %v", d.step, what, real, model)
	}
}

// apply gives batches that are new, known, partly known or come after a gap.
func (d *double) apply() {
	for range 1 + d.rng.IntN(3) {
		var f plant.Facts
		for range d.rng.IntN(4) {
			f.Readings = append(f.Readings, reading(d.rng.IntN(200), int64(d.rng.IntN(100))))
		}
		for range d.rng.IntN(3) {
			f.Events = append(f.Events, event(d.rng.IntN(200), "a", int64(d.rng.IntN(100))))
		}
		if d.rng.IntN(3) == 0 {
			f.Signals = append(f.Signals, plant.Signal{Subject: "heron-1-meter", Name: plant.SignalPower, At: at(d.rng.IntN(200)), Value: float64(d.rng.IntN(50))})
		}
		d.given = append(d.given, plant.Batch{Sequence: uint64(len(d.given) + 1), Facts: f})
	}
	from := max(0, len(d.given)-1-d.rng.IntN(6))
	d.both("apply", func(s Store) error { return s.Apply(d.t.Context(), spool, d.given[from:]) })
	d.both("apply all", func(s Store) error { return s.Apply(d.t.Context(), spool, d.given) })
}

// replace answers some marks with entries and events of no meaning.
func (d *double) replace() {
	limit := 1 + d.rng.IntN(5)
	from := at(15 * d.rng.IntN(12))
	w := plant.Settlement{Register: meter, From: from, To: from.Add(time.Duration(1+d.rng.IntN(3)) * 15 * time.Minute)}
	for e := from; e.Before(w.To); e = e.Add(15 * time.Minute) {
		one := plant.Entry{Register: meter, Start: e, State: plant.State(1 + d.rng.IntN(7)), Technology: plant.TechnologyArc, Amount: int64(d.rng.IntN(100)), Quality: plant.Quality(d.rng.IntN(plant.Qualities))}
		if d.lamps > 0 && d.rng.IntN(2) == 0 {
			one.Lamp = plant.LampSerial(fmt.Sprintf("AL-%d", 1+d.rng.IntN(d.lamps)))
		}
		w.Entries = append(w.Entries, one)
		if d.rng.IntN(2) == 0 {
			w.Events = append(w.Events, plant.RegisterEvent{Register: meter, At: e.Add(time.Duration(d.rng.IntN(15)) * time.Minute), Kind: plant.StepKind(1 + d.rng.IntN(8)), Before: 1, After: int64(d.step)})
		}
	}
	d.both("replace", func(s Store) error {
		marks, err := s.Unsettled(d.t.Context(), limit)
		if err != nil {
			return err
		}
		return s.Replace(d.t.Context(), marks, []plant.Settlement{w})
	})
}

// compare reads everything from both.
func (d *double) compare() {
	d.t.Helper()
	ctx := d.t.Context()
	from := at(d.rng.IntN(200))
	to := from.Add(time.Duration(1+d.rng.IntN(60)) * time.Minute)
	reads := map[string]func(s Store) (any, error){
		"watermark": func(s Store) (any, error) { return s.Watermark(ctx, spool) },
		"marks": func(s Store) (any, error) {
			all, err := s.Unsettled(ctx, 1000)
			return bare(all), err
		},
		"rows":      func(s Store) (any, error) { return s.UnsettledCount(ctx) },
		"readings":  func(s Store) (any, error) { return s.Readings(ctx, meter, from, to) },
		"events":    func(s Store) (any, error) { return s.Events(ctx, "heron-1", from, to) },
		"samples":   func(s Store) (any, error) { return s.Samples(ctx, "heron-1-meter", 30, from, to) },
		"doubtful":  func(s Store) (any, error) { return s.Doubtful(ctx, meter, from, to) },
		"entries":   func(s Store) (any, error) { return s.Entries(ctx, meter, from, to) },
		"exchanges": func(s Store) (any, error) { return s.Exchanges(ctx, meter) },
		"fittings":  func(s Store) (any, error) { return s.AllFittings(ctx) },
		"totals":    func(s Store) (any, error) { return s.LampTotals(ctx) },
		"days":      func(s Store) (any, error) { return s.DayAmounts(ctx, []plant.RegisterID{meter}, from, to) },
		"since":     func(s Store) (any, error) { return s.AmountSince(ctx, meter, from) },
		"latest":    func(s Store) (any, error) { return s.LatestReadings(ctx) },
		"signals":   func(s Store) (any, error) { return s.LatestSignals(ctx) },
		"the extent": func(s Store) (any, error) {
			first, last, ok, err := s.Extent(ctx, meter)
			return []any{first, last, ok}, err
		},
	}
	for what, read := range reads {
		same(d.t, fmt.Sprintf("step %d, %s", d.step, what), get(read(d.real))(d.t), get(read(d.model))(d.t))
	}
}

package ledger

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

func ruled(hour int, v plant.Verdict, recorded int) plant.Ruling {
	return plant.Ruling{Register: meter, At: t0.Add(time.Duration(hour) * time.Hour), Verdict: v, Recorded: t0.Add(time.Duration(recorded) * time.Minute)}
}

// A reading that no rule can take waits for a person, whose word counts whatever
// the rules say, and may be taken back by a later one.
func TestBuild_Rulings(t *testing.T) {
	r := plant.Rules{Modulus: 100_000, MaxPerHour: 60}
	for _, c := range []struct {
		name    string
		values  []int64
		rulings []plant.Ruling
		amounts []int64
		kinds   []plant.StepKind
		worst   plant.Quality
	}{
		{name: "a jump waits", values: []int64{100, 9000, 9010}, amounts: nil, kinds: []plant.StepKind{plant.StepImplausible, plant.StepImplausible}},
		{
			name: "a jump that is true", values: []int64{100, 9000, 9010}, rulings: []plant.Ruling{ruled(1, plant.VerdictAccept, 0)},
			amounts: []int64{8900, 10}, kinds: []plant.StepKind{plant.StepRuled},
		},
		{
			name: "a jump to another register", values: []int64{100, 9000, 9010}, rulings: []plant.Ruling{ruled(1, plant.VerdictRestart, 0)},
			amounts: []int64{0, 10}, kinds: []plant.StepKind{plant.StepRuled}, worst: plant.QualityUnknown,
		},
		{
			name: "a true value that is in doubt", values: []int64{100, 110, 120}, rulings: []plant.Ruling{ruled(1, plant.VerdictDiscard, 0)},
			amounts: []int64{20}, kinds: []plant.StepKind{plant.StepDiscarded},
		},
		{
			name: "the first value is wrong", values: []int64{7, 110, 120}, rulings: []plant.Ruling{ruled(0, plant.VerdictDiscard, 0)},
			amounts: []int64{10}, kinds: []plant.StepKind{plant.StepDiscarded},
		},
		{
			name: "the later word counts", values: []int64{100, 110, 120}, amounts: []int64{10, 10}, kinds: []plant.StepKind{plant.StepRuled},
			rulings: []plant.Ruling{ruled(1, plant.VerdictAccept, 5), ruled(1, plant.VerdictDiscard, 1)},
		},
		{
			name: "an accepted fall passes the modulus", values: []int64{99_000, 500, 510}, rulings: []plant.Ruling{ruled(1, plant.VerdictAccept, 0)},
			amounts: []int64{1500, 10}, kinds: []plant.StepKind{plant.StepRuled},
		},
		{name: "about another instant", values: []int64{100, 110}, rulings: []plant.Ruling{ruled(7, plant.VerdictDiscard, 0)}, amounts: []int64{10}},
	} {
		curve, events := Build(meter, r, hourly(c.values...), Acts{Rulings: c.rulings})
		var amounts []int64
		worst := plant.QualityMeasured
		for _, s := range curve {
			amounts = append(amounts, s.Amount)
			worst = max(worst, s.Quality)
		}
		if !slices.Equal(amounts, c.amounts) || !slices.Equal(kinds(events), c.kinds) || worst != c.worst {
			t.Errorf("%s: amounts %v (%s), events %v; expected %v (%s), %v", c.name, amounts, worst, kinds(events), c.amounts, c.worst, c.kinds)
		}
	}
}

// Whatever is discarded is as good as absent, but for its event.
func TestBuild_DiscardedIsAbsent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, points := drawRules(t), drawPoints(t)
		var kept []Point
		var acts Acts
		for _, p := range inOrder(slices.Clone(points)) {
			if rapid.Bool().Draw(t, "discard") {
				acts.Rulings = append(acts.Rulings, plant.Ruling{At: p.At, Verdict: plant.VerdictDiscard})
			} else {
				kept = append(kept, p)
			}
		}
		got, events := Build(meter, r, points, acts)
		want, wantEvents := Build(meter, r, kept, Acts{})
		events = slices.DeleteFunc(events, func(e plant.RegisterEvent) bool { return e.Kind == plant.StepDiscarded })
		if !slices.Equal(got, want) || !slices.Equal(events, wantEvents) {
			t.Fatalf("with %d discarded: %v %v, without them %v %v", len(acts.Rulings), got, events, want, wantEvents)
		}
	})
}

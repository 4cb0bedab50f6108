package ledger

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

func TestIntervals_TileAndAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := drawPoints(t)
		curve, _ := Build(meter, drawRules(t), points, Acts{})
		length := rapid.SampledFrom([]time.Duration{5 * time.Minute, 15 * time.Minute, time.Hour}).Draw(t, "length")
		var sum int64
		got := Intervals(curve, length)
		for i, iv := range got {
			sum += iv.Amount
			if !iv.Start.Equal(iv.Start.Truncate(length)) || i > 0 && !iv.Start.Equal(got[i-1].Start.Add(length)) {
				t.Fatalf("interval %d starts at %v", i, iv.Start)
			}
		}
		if sum != curve.Total() {
			t.Fatalf("intervals add up to %d, the curve to %d", sum, curve.Total())
		}
		if len(curve) > 0 && (got[0].Start.After(curve[0].From) || got[len(got)-1].Start.Add(length).Before(curve[len(curve)-1].To)) {
			t.Fatalf("intervals reach from %v to %v", got[0].Start, got[len(got)-1].Start)
		}
	})
}

func TestIntervals_AlsoWhereNothingAccrued(t *testing.T) {
	curve, _ := Build(meter, plant.Rules{}, []Point{at(0, 100), at(2*time.Hour, 100)}, Acts{})
	got := Intervals(curve, 30*time.Minute)
	if len(got) != 4 || got[3].Amount != 0 || got[3].Quality != plant.QualityMeasured {
		t.Errorf("two hours at rest: %+v", got)
	}
	if Intervals(nil, time.Hour) != nil {
		t.Error("no curve has intervals")
	}
}

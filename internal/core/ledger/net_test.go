package ledger

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// TestStepNet_Exhaustive8Bit holds a net register of eight bits (-128 to 127)
// against counting, over all 65 536 pairs and limits from nothing to more than the
// half of its modulus: a move is true when exactly one amount within the limit
// leads from one value to the other, ambiguous when more than one does.
func TestStepNet_Exhaustive8Bit(t *testing.T) {
	for _, limit := range []int64{0, 1, 10, 100, 127, 128, 200} {
		r := plant.Rules{Modulus: 256, Net: true, MaxPerHour: 10, Slack: limit}
		for prev := int64(-128); prev < 128; prev++ {
			for next := int64(-128); next < 128; next++ {
				kind, amount := Step(r, at(0, prev), at(0, next))
				var ways []int64
				for a := -limit; a <= limit; a++ {
					if int64(int8(prev+a)) == next { // the register wraps as the machine's own
						ways = append(ways, a)
					}
				}
				switch {
				case limit >= 128:
					if kind == plant.StepImplausible && len(ways) > 0 || len(ways) > 1 && kind == plant.StepNormal {
						t.Fatalf("limit %d: %d → %d is %v, with ways %v", limit, prev, next, kind, ways)
					}
				case len(ways) == 1:
					if amount != ways[0] || kind != plant.StepNormal && kind != plant.StepRollover || (kind == plant.StepRollover) != (next-prev != amount) {
						t.Fatalf("limit %d: %d → %d is %v %d, expected %d", limit, prev, next, kind, amount, ways[0])
					}
				case next >= -limit && next <= limit:
					if kind != plant.StepReset || amount != next {
						t.Fatalf("limit %d: %d → %d is %v %d, expected a reset", limit, prev, next, kind, amount)
					}
				case kind != plant.StepImplausible || amount != 0:
					t.Fatalf("limit %d: %d → %d is %v %d, expected it held out", limit, prev, next, kind, amount)
				}
			}
		}
	}
}

// What a net register gained and gave back adds up to what it shows, however time
// is cut.
func TestBuild_NetAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := plant.Rules{Net: true, MaxPerHour: 1000, MaxGap: 2 * time.Hour}
		var points []Point
		value, now := rapid.Int64Range(-500, 500).Draw(t, "first"), time.Duration(0)
		first := value
		for range rapid.IntRange(1, 30).Draw(t, "values") {
			points = append(points, at(now, value))
			now += time.Hour
			value += rapid.Int64Range(-1000, 1000).Draw(t, "move")
		}
		curve, events := Build(meter, r, points, Acts{})
		if last := points[len(points)-1].Value; curve.Total() != last-first || len(events) != 0 {
			t.Fatalf("total %d with %v, the register went from %d to %d", curve.Total(), events, first, last)
		}
		var sum int64
		for from := t0; from.Before(t0.Add(now)); from = from.Add(7 * time.Minute) {
			amount, _ := curve.Between(from, from.Add(7*time.Minute))
			sum += amount
		}
		if sum != curve.Total() {
			t.Fatalf("parts add up to %d, the whole is %d", sum, curve.Total())
		}
	})
}

// A float register loses resolution as it grows: one step of 2 Wh at 20 MWh and of
// 0.25 kWh at 3 GWh is no jump. Source: IEEE 754-2019 binary32, 24 significant
// bits; whole numbers are exact to 2^24 = 16 777 216.
func TestResolution_Float32(t *testing.T) {
	for _, c := range []struct {
		unit  int64 // mWh
		value float32
	}{
		{1000, 2e7}, {kwh, 3e6}, {kwh, 16_777_216}, {1000, 1},
	} {
		step := float64(math.Nextafter32(c.value, math.MaxFloat32)-c.value) * float64(c.unit)
		got := Resolution(plant.Rules{FloatBits: 24}, int64(float64(c.value)*float64(c.unit)))
		if float64(got) < step || float64(got) > 2*step+1 {
			t.Errorf("float32 at %v units of %d mWh moves in steps of %v mWh, the resolution is %d", c.value, c.unit, step, got)
		}
	}
	r := plant.Rules{MaxPerHour: 9 * kwh, FloatBits: 24}
	if kind, amount := Step(r, at(0, 3_000_000*kwh), at(10*time.Second, 3_000_000*kwh+kwh/4)); kind != plant.StepNormal || amount != kwh/4 {
		t.Errorf("one step of a float at 3 GWh is %v %d, expected it normal", kind, amount)
	}
	if Resolution(plant.Rules{Slack: 5}, math.MaxInt64) != 5 || Resolution(plant.Rules{Slack: math.MaxInt64, FloatBits: 24}, math.MinInt64) != math.MaxInt64 {
		t.Error("resolution of whole numbers and of the greatest value")
	}
}

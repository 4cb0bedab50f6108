package ledger

import (
	"math"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

var t0 = time.Date(2025, time.March, 3, 6, 0, 0, 0, time.UTC)

const kwh = 1_000_000 // milliwatt-hours

// at is a point some time after t0.
func at(after time.Duration, value int64) Point { return Point{At: t0.Add(after), Value: value} }

// Common practice, no source. Rules of register reading with sums by hand,
// for 60 kW and one hour unless stated.
func TestStep_RegisterRules(t *testing.T) {
	for _, c := range []struct {
		name             string
		prev, next, mod  int64
		after            time.Duration
		kind             plant.StepKind
		amount           int64
		maxKW, unit, bst int64
	}{
		{name: "six digits and a tenth roll over", prev: 9999874, next: 129, mod: 10_000_000, unit: kwh / 10, kind: plant.StepRollover, amount: 255},
		{name: "five digits roll over", prev: 99998, next: 3, mod: 100_000, kind: plant.StepRollover, amount: 5},
		{name: "reset to zero", prev: 45210, next: 0, mod: 100_000, kind: plant.StepReset, amount: 0},
		{name: "reset to a small value", prev: 452100, next: 182, mod: 1_000_000, unit: kwh / 10, kind: plant.StepReset, amount: 182},
		{name: "more than the rated power", prev: 45210, next: 45290, mod: 100_000, kind: plant.StepImplausible},
		{name: "half an hour", prev: 10000, next: 10255, unit: kwh / 10, after: 30 * time.Minute, kind: plant.StepNormal, amount: 255},
		{name: "32 bits of watt-hours", prev: 4294966096, next: 1500, mod: 1 << 32, unit: 1000, kind: plant.StepRollover, amount: 2700},
		// Common practice, no source.
		{name: "six digits", prev: 999_998, next: 3, mod: 1_000_000, kind: plant.StepRollover, amount: 5},
		// Common practice, no source.
		{name: "no rollover near", prev: 48_211, next: 12, mod: 1_000_000, kind: plant.StepReset, amount: 12},
		{name: "exactly the cap", prev: 0, next: 66, kind: plant.StepNormal, amount: 66},
		{name: "just above the cap", prev: 0, next: 67, kind: plant.StepImplausible},
		{name: "noise", prev: 1000, next: 998, bst: 2, kind: plant.StepBackstep},
		{name: "a fall above the noise", prev: 1000, next: 997, bst: 2, kind: plant.StepImplausible},
		{name: "gap too long to count rollovers", prev: 10, next: 20, mod: 100, after: 2 * time.Hour, kind: plant.StepAmbiguous, amount: 10},
		{name: "the same after a fall", prev: 90, next: 20, mod: 100, after: 2 * time.Hour, kind: plant.StepAmbiguous, amount: 30},
		{name: "a value the modulus does not allow", prev: 150, next: 20, mod: 100, kind: plant.StepReset, amount: 20},
		{name: "negative", prev: 10, next: -5, kind: plant.StepImplausible},
	} {
		unit := max(c.unit, 1)
		if c.unit == 0 {
			unit = kwh
		}
		after := c.after
		if after == 0 {
			after = time.Hour
		}
		r := plant.Rules{Modulus: c.mod * unit, MaxPerHour: 60 * kwh, Backstep: c.bst * unit}
		kind, amount := Step(r, at(0, c.prev*unit), at(after, c.next*unit))
		if kind != c.kind || amount != c.amount*unit {
			t.Errorf("%s: %d → %d is %v %d, want %v %d", c.name, c.prev, c.next, kind, amount, c.kind, c.amount*unit)
		}
	}
}

func TestStep_ModulusOfTheReadingWins(t *testing.T) {
	r := plant.Rules{Modulus: 1000, MaxPerHour: 60}
	prev, next := at(0, 99), at(time.Hour, 1)
	next.Modulus = 100
	if kind, amount := Step(r, prev, next); kind != plant.StepRollover || amount != 2 {
		t.Errorf("modulus of the later reading: %v %d, want rollover 2", kind, amount)
	}
	prev.Modulus, next.Modulus = 100, 0
	if kind, amount := Step(r, prev, next); kind != plant.StepRollover || amount != 2 {
		t.Errorf("modulus of the earlier reading: %v %d, want rollover 2", kind, amount)
	}
}

func TestStep_WithoutLimit(t *testing.T) {
	r := plant.Rules{Modulus: 1_000_000, Backstep: 1}
	for _, c := range []struct {
		prev, next int64
		kind       plant.StepKind
		amount     int64
	}{
		{10, 900_000, plant.StepNormal, 899_990},
		{999_998, 3, plant.StepRollover, 5},
		{48_211, 12, plant.StepReset, 12},
		{48_211, 48_210, plant.StepBackstep, 0},
		{48_211, 40_000, plant.StepImplausible, 0},
		{5, -4, plant.StepImplausible, 0},
	} {
		if kind, amount := Step(r, at(0, c.prev), at(time.Hour, c.next)); kind != c.kind || amount != c.amount {
			t.Errorf("%d → %d is %v %d, want %v %d", c.prev, c.next, kind, amount, c.kind, c.amount)
		}
	}
}

func TestStep_BigValues(t *testing.T) {
	const top = math.MaxInt64
	for _, c := range []struct {
		name       string
		rules      plant.Rules
		prev, next Point
		kind       plant.StepKind
		amount     int64
	}{
		{"the whole range is one step", plant.Rules{MaxPerHour: top}, at(0, 0), at(time.Hour, top), plant.StepNormal, top},
		{"limit × time is more than an int64", plant.Rules{MaxPerHour: top}, at(0, 0), at(1<<63-1, top), plant.StepNormal, top},
		{"farther apart than int64", plant.Rules{MaxPerHour: top}, at(0, math.MinInt64), at(time.Hour, top), plant.StepImplausible, 0},
		{"as far down", plant.Rules{}, at(0, top), at(time.Hour, math.MinInt64), plant.StepImplausible, 0},
		{"63 bits roll over", plant.Rules{Modulus: top, MaxPerHour: 100}, at(0, top-10), at(time.Hour, 20), plant.StepRollover, 30},
		{"slack and limit saturate", plant.Rules{MaxPerHour: top, Slack: top}, at(0, 5), at(time.Hour, top), plant.StepNormal, top - 5},
		{"time stands still: only slack", plant.Rules{MaxPerHour: top, Slack: 3}, at(0, 5), at(0, 8), plant.StepNormal, 3},
		{"time runs back: only slack", plant.Rules{MaxPerHour: top, Slack: 3}, at(time.Hour, 5), at(0, 9), plant.StepImplausible, 0},
	} {
		if kind, amount := Step(c.rules, c.prev, c.next); kind != c.kind || amount != c.amount {
			t.Errorf("%s: %v %d, want %v %d", c.name, kind, amount, c.kind, c.amount)
		}
	}
}

// truth is what the steps of an 8-bit register can mean, found by letting every
// amount that the limit allows accrue from prev and noting where it ends.
type truth struct {
	ways   [256]int   // amounts that end at this value
	amount [256]int64 // the smallest of them
}

func whatCanBe(prev int, limit int64) truth {
	var w truth
	for a := limit; a >= 0; a-- {
		end := (int64(prev) + a) % 256
		w.ways[end]++
		w.amount[end] = a
	}
	return w
}

// TestStep_Exhaustive8Bit holds Step against counting, over all 65 536 pairs
// and limits from nothing to more than the modulus.
func TestStep_Exhaustive8Bit(t *testing.T) {
	for _, limit := range []int64{0, 1, 10, 100, 254, 255, 256, 300} {
		for _, backstep := range []int64{0, 3} {
			r := plant.Rules{Modulus: 256, MaxPerHour: 10, Slack: limit, Backstep: backstep}
			for prev := range 256 {
				can := whatCanBe(prev, limit)
				for next := range 256 {
					kind, amount := plant.StepImplausible, int64(0)
					switch {
					case next < prev && int64(prev-next) <= backstep:
						kind = plant.StepBackstep
					case can.ways[next] > 0 && limit >= 256:
						kind, amount = plant.StepAmbiguous, can.amount[next]
					case can.ways[next] == 1 && next >= prev:
						kind, amount = plant.StepNormal, can.amount[next]
					case can.ways[next] == 1:
						kind, amount = plant.StepRollover, can.amount[next]
					case next < prev && int64(next) <= limit:
						kind, amount = plant.StepReset, int64(next)
					}
					gotKind, gotAmount := Step(r, at(0, int64(prev)), at(0, int64(next)))
					if gotKind != kind || gotAmount != amount {
						t.Fatalf("limit %d, backstep %d: %d → %d is %v %d, want %v %d", limit, backstep, prev, next, gotKind, gotAmount, kind, amount)
					}
				}
			}
		}
	}
}

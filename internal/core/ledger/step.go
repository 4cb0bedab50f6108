package ledger

import (
	"math"
	"math/bits"
	"time"

	"curetally/internal/core/plant"
)

// Point is one value of a cumulative register at an instant, in whole units of
// the register's quantity.
type Point struct {
	At    time.Time // UTC, whole microseconds
	Value int64
	// Modulus is the value at which the register starts again from zero, where
	// the reading states it; 0 means as the rules say.
	Modulus int64
}

// Step judges two successive values of one register, both already multiplied by
// the ratio, and gives the amount that accrued between them. It is negative only
// where a net register fell. What can have accrued at most is the cap:
// MaxPerHour × hours × 1.1 + Slack, and one step of the float where the register
// is kept as one.
//
//	rise within the cap            normal, the difference
//	the same, cap ≥ modulus        ambiguous, the difference as a lower bound
//	rise above the cap             implausible, 0
//	fall of at most Backstep       backstep, 0
//	fall, + modulus within the cap rollover, the difference + modulus
//	the same, cap ≥ modulus        ambiguous, as a lower bound
//	fall to a value within the cap reset, the value as a lower bound
//	any other fall                 implausible, 0
//
// Rollover is tried before reset, because a register that starts again from
// zero just after its modulus looks like a reset too.
//
// A net register may move either way within the cap; beyond it, it has passed its
// modulus, was reset, or is implausible, judged as above.
//
// Without MaxPerHour there is no cap. Then every rise is normal, a fall from
// the topmost to the lowest tenth of the modulus is a rollover, any other fall
// to at most a tenth of the value before is a reset, and the rest implausible.
func Step(r plant.Rules, prev, next Point) (plant.StepKind, int64) {
	d := next.Value - prev.Value
	if (next.Value >= prev.Value) != (d >= 0) {
		return plant.StepImplausible, 0 // farther apart than an int64 can say
	}
	mod := modulus(r, prev, next)
	if r.MaxPerHour <= 0 {
		return stepWithoutLimit(r, mod, prev, next)
	}
	limit := allowed(r, next.At.Sub(prev.At), max(magnitude(prev.Value), magnitude(next.Value)))
	if r.Net {
		return stepNet(limit, mod, d, next)
	}
	countable := mod <= 0 || limit < mod
	switch {
	case d > limit:
		return plant.StepImplausible, 0
	case d >= 0 && countable:
		return plant.StepNormal, d
	case d >= 0:
		return plant.StepAmbiguous, d
	case d >= -r.Backstep:
		return plant.StepBackstep, 0
	case wraps(mod, prev, next) && !countable:
		return plant.StepAmbiguous, d + mod
	case wraps(mod, prev, next) && d+mod <= limit:
		return plant.StepRollover, d + mod
	case next.Value >= 0 && next.Value <= limit:
		return plant.StepReset, next.Value
	default:
		return plant.StepImplausible, 0
	}
}

func stepWithoutLimit(r plant.Rules, mod int64, prev, next Point) (plant.StepKind, int64) {
	d, tenth := next.Value-prev.Value, mod/10
	switch {
	case d >= 0 || r.Net:
		return plant.StepNormal, d
	case d >= -r.Backstep:
		return plant.StepBackstep, 0
	case wraps(mod, prev, next) && prev.Value >= mod-tenth && next.Value < tenth:
		return plant.StepRollover, d + mod
	case next.Value >= 0 && next.Value <= prev.Value/10:
		return plant.StepReset, next.Value
	default:
		return plant.StepImplausible, 0
	}
}

// stepNet judges a move of a register that counts both ways.
func stepNet(limit, mod, d int64, next Point) (plant.StepKind, int64) {
	// The shorter way round; d lies within (-mod, mod), so neither overflows.
	round := d
	if mod > 0 && d > 0 {
		round = d - mod
	} else if mod > 0 && d < 0 {
		round = d + mod
	}
	switch {
	case magnitude(d) <= limit && mod > 0 && limit >= mod/2:
		return plant.StepAmbiguous, d
	case magnitude(d) <= limit:
		return plant.StepNormal, d
	case mod > 0 && magnitude(round) <= limit && limit < mod/2:
		return plant.StepRollover, round
	case magnitude(next.Value) <= limit:
		return plant.StepReset, next.Value
	default:
		return plant.StepImplausible, 0
	}
}

// magnitude is |v|, at most math.MaxInt64.
func magnitude(v int64) int64 {
	switch {
	case v >= 0:
		return v
	case v == math.MinInt64:
		return math.MaxInt64
	default:
		return -v
	}
}

// Resolution is the step in which a register moves at a value, in its units, by
// which two true values may differ more than what accrued: Slack, and for a float
// one unit in its last place, rounded up. Source: IEEE 754-2019, 3.3 (a number of
// p significant bits moves in steps of at most 2^(1-p) of itself).
func Resolution(r plant.Rules, value int64) int64 {
	slack := max(r.Slack, 0)
	if r.FloatBits == 0 {
		return slack
	}
	step := magnitude(value)>>(r.FloatBits-1) + 1
	if slack > math.MaxInt64-step {
		return math.MaxInt64
	}
	return slack + step
}

// wraps says whether a register with this modulus can hold both values at all.
func wraps(mod int64, prev, next Point) bool {
	return mod > 0 && prev.Value < mod && next.Value >= 0
}

// modulus is what the later value states, else the earlier one, else the rules.
func modulus(r plant.Rules, prev, next Point) int64 {
	switch {
	case next.Modulus > 0:
		return next.Modulus
	case prev.Modulus > 0:
		return prev.Modulus
	default:
		return r.Modulus
	}
}

// allowed is the most that can accrue in the given time, rounded down, at most
// math.MaxInt64. The factor 1.1 is for clocks and ratings that are a little off
// (Common practice, no source.). Time below a microsecond is left out; time
// that runs backwards is none. value is the greater of the two values.
func allowed(r plant.Rules, d time.Duration, value int64) int64 {
	const hour = uint64(time.Hour / time.Microsecond)
	limit := int64(0)
	if us := d.Microseconds(); us > 0 {
		// us × 11 fits: a Duration has at most 2^63/1000 microseconds.
		hi, lo := bits.Mul64(uint64(r.MaxPerHour), uint64(us)*11)
		limit = math.MaxInt64
		if hi < 10*hour {
			if q, _ := bits.Div64(hi, lo, 10*hour); q < math.MaxInt64 {
				limit = int64(q)
			}
		}
	}
	slack := Resolution(r, value)
	if limit > math.MaxInt64-slack {
		return math.MaxInt64
	}
	return limit + slack
}

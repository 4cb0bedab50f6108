package meterlink

import (
	"fmt"
	"math"
	"math/big"
	"math/bits"

	"curetally/internal/core/plant"
)

// assemble joins the words of one value, in the order of the meter, to its
// bits, most significant first. It takes 1 to 4 words.
func assemble(words []uint16, littleWords, littleBytes bool) uint64 {
	var v uint64
	for i := range words {
		w := words[i]
		if littleWords {
			w = words[len(words)-1-i]
		}
		if littleBytes {
			w = bits.ReverseBytes16(w)
		}
		v = v<<16 | uint64(w)
	}
	return v
}

// number is a decoded count: a whole number as sign and magnitude, or a float.
type number struct {
	float float64
	mag   uint64
	neg   bool
	whole bool
}

// interpret reads bits as a type. It reports false for a float that is not
// finite: the meter has no value. Whole floats become whole numbers.
func interpret(t plant.WordType, v uint64) (number, bool) {
	switch t {
	case plant.Int16:
		return signed(int64(int16(v))), true
	case plant.Int32:
		return signed(int64(int32(v))), true
	case plant.Int48:
		return signed(int64(v<<16) >> 16), true
	case plant.Int64:
		return signed(int64(v)), true
	case plant.Float32:
		return floating(float64(math.Float32frombits(uint32(v))))
	case plant.Float64:
		return floating(math.Float64frombits(v))
	default:
		return number{mag: v, whole: true}, true
	}
}

func signed(v int64) number {
	if v < 0 {
		return number{mag: -uint64(v), neg: true, whole: true}
	}
	return number{mag: uint64(v), whole: true}
}

func floating(f float64) (number, bool) {
	switch {
	case math.IsNaN(f) || math.IsInf(f, 0):
		return number{}, false
	case f == math.Trunc(f) && math.Abs(f) < 1<<63:
		return signed(int64(f)), true
	default:
		return number{float: f}, true
	}
}

// rat gives the number exactly.
func (n number) rat() *big.Rat {
	if !n.whole {
		return new(big.Rat).SetFloat64(n.float)
	}
	r := new(big.Rat).SetFrac(new(big.Int).SetUint64(n.mag), big.NewInt(1))
	if n.neg {
		r.Neg(r)
	}
	return r
}

// factor is an exact ratio by which counts become units. Ratios whose terms fit
// 64 bits are computed without allocation; the others keep the big ratio.
type factor struct {
	num, den uint64
	neg      bool
	big      *big.Rat // set when num and den do not hold the ratio
}

func newFactor(r *big.Rat) factor {
	num := new(big.Int).Abs(r.Num())
	if !num.IsUint64() || !r.Denom().IsUint64() {
		return factor{big: r}
	}
	return factor{num: num.Uint64(), den: r.Denom().Uint64(), neg: r.Sign() < 0}
}

func (f factor) rat() *big.Rat {
	if f.big != nil {
		return f.big
	}
	r := new(big.Rat).SetFrac(new(big.Int).SetUint64(f.num), new(big.Int).SetUint64(f.den))
	if f.neg {
		r.Neg(r)
	}
	return r
}

// floor gives n × f rounded down to whole units, or false when that does not
// fit an int64.
func (f factor) floor(n number) (int64, bool) {
	if f.big != nil || !n.whole {
		return floorRat(new(big.Rat).Mul(n.rat(), f.rat()))
	}
	hi, lo := bits.Mul64(n.mag, f.num)
	if hi >= f.den {
		return 0, false
	}
	q, rest := bits.Div64(hi, lo, f.den)
	if n.neg == f.neg {
		return int64(q), q <= math.MaxInt64
	}
	if rest > 0 && q <= math.MaxInt64 {
		q++ // down, away from zero
	} else if rest > 0 {
		return 0, false
	}
	return -int64(q), q <= 1<<63
}

// floorRat rounds down; it reports false for what does not fit an int64.
func floorRat(r *big.Rat) (int64, bool) {
	// Euclidean division by a positive denominator rounds down.
	q := new(big.Int).Div(r.Num(), r.Denom())
	return q.Int64(), q.IsInt64()
}

// float gives n × f as the nearest float64, or a neighbour of it for counts
// that are not whole. It reports false for what does not fit.
func (f factor) float(n number) (float64, bool) {
	if f.big == nil {
		v, ok := f.small(n)
		if ok {
			if n.neg != f.neg && v != 0 {
				v = -v
			}
			return v, !math.IsInf(v, 0)
		}
	}
	v, _ := new(big.Rat).Mul(n.rat(), f.rat()).Float64()
	return v, !math.IsInf(v, 0)
}

// small is |n × f|, but for the sign of a float count, by one correctly rounded
// division; it reports false when an operand needs more than 53 bits.
func (f factor) small(n number) (float64, bool) {
	const exact = 1 << 53
	if f.den > exact || f.num > exact {
		return 0, false
	}
	if !n.whole {
		return n.float * float64(f.num) / float64(f.den), true
	}
	hi, lo := bits.Mul64(n.mag, f.num)
	return float64(lo) / float64(f.den), hi == 0 && lo <= exact
}

// The exponents that a scale register may hold, and its content for "not
// implemented". Source: SunSpec Device Information Model, type sunssf.
const (
	minExponent   = -10
	maxExponent   = 10
	noScale       = 0x8000
	exponentCount = maxExponent - minExponent + 1
)

// decoded is a value as read: whole units for a register, a float for a signal.
type decoded struct {
	units   int64
	modulus int64
	signal  float64
}

// decode turns the words of a value, and its scale register where it has one,
// into units. It reports false when the meter has no value, and refuses with
// ErrValue one that cannot be used.
func (v *value) decode(words []uint16, scale uint16) (decoded, bool, *Refused) {
	raw := assemble(words, v.littleWords, v.littleBytes)
	if v.noValue != nil && raw == *v.noValue {
		return decoded{}, false, nil
	}
	n, ok := interpret(v.kind, raw)
	if !ok {
		return decoded{}, false, nil
	}
	at := 0
	if v.scaled {
		if v.littleBytes {
			scale = bits.ReverseBytes16(scale)
		}
		if scale == noScale {
			return decoded{}, false, nil
		}
		exponent := int(int16(scale))
		if exponent < minExponent || exponent > maxExponent {
			return decoded{}, false, &Refused{
				Value: v.name, Content: inHex(words) + ", scale register " + inHex([]uint16{scale}), class: ErrValue,
				found: fmt.Sprintf("its scale register holds %d", exponent),
				expected: fmt.Sprintf("expected a power of ten from %d to %d in the scale register — check the address of the scale register",
					minExponent, maxExponent),
			}
		}
		at = exponent - minExponent
	}
	if !v.cumulative {
		f, ok := v.factors[at].float(n)
		if !ok {
			return decoded{}, false, v.overflow(words, raw)
		}
		return decoded{signal: f}, true, nil
	}
	units, ok := v.factors[at].floor(n)
	if !ok {
		return decoded{}, false, v.overflow(words, raw)
	}
	d := decoded{units: units}
	if v.scaled {
		d.modulus = v.moduli[at]
	}
	return d, true, nil
}

func (v *value) overflow(words []uint16, raw uint64) *Refused {
	return &Refused{
		Value: v.name, Content: inHex(words), class: ErrValue,
		found:    fmt.Sprintf("content %#x in %s is more than can be counted", raw, v.kind),
		expected: "expected less than 9.2e12 kWh — check type, word order, byte order and scale in the profile",
	}
}

package meterlink

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// compile prepares one value of a meter with a multiplier.
func compile(t interface{ Fatal(...any) }, pv plant.ProfileValue, multiplier string) *value {
	pv.Name, pv.Function = "v", 3
	vs, err := compileValues(plant.Meter{ID: "m", Multiplier: multiplier, Profile: plant.Profile{Name: "p", Values: []plant.ProfileValue{pv}}})
	if err != nil {
		t.Fatal(err)
	}
	return &vs[0]
}

// lay puts bits in registers the way a meter of that order does, through bytes:
// another road than assemble takes.
func lay(v uint64, words int, littleWords, littleBytes bool) []uint16 {
	b := binary.BigEndian.AppendUint64(nil, v)[8-2*words:]
	out := make([]uint16, words)
	for i := range out {
		at := i
		if littleWords {
			at = words - 1 - i
		}
		if littleBytes {
			out[at] = binary.LittleEndian.Uint16(b[2*i:])
		} else {
			out[at] = binary.BigEndian.Uint16(b[2*i:])
		}
	}
	return out
}

func TestDecode(t *testing.T) {
	energy := func(typ plant.WordType, scale, unit string) plant.ProfileValue {
		return plant.ProfileValue{Type: typ, Scale: scale, Unit: unit, Cumulative: true}
	}
	for _, c := range []struct {
		name       string
		value      plant.ProfileValue
		multiplier string
		words      []uint16
		units      int64
		signal     float64
	}{
		{name: "uint16 Wh", value: energy(plant.Uint16, "", "Wh"), words: []uint16{0xFFFF}, units: 65_535_000},
		{name: "uint32 0.01 kWh", value: energy(plant.Uint32, "0.01", "kWh"), words: []uint16{0x3ADE, 0x68B1}, units: 9_876_543_210_000},
		{name: "energy is as the meter shows it, before transformers 200:5", value: energy(plant.Uint32, "", "mWh"), multiplier: "40", words: []uint16{0, 3}, units: 3},
		{name: "a third of a unit is dropped", value: energy(plant.Uint16, "0.25", "mWh"), words: []uint16{7}, units: 1},
		{name: "down, also below zero", value: energy(plant.Int16, "0.25", "mWh"), words: []uint16{0xFFF9}, units: -2},
		{name: "int32 Wh", value: energy(plant.Int32, "", "Wh"), words: []uint16{0xFFFF, 0xFFFE}, units: -2000},
		{name: "int64 mWh", value: energy(plant.Int64, "", "mWh"), words: []uint16{0x8000, 0, 0, 0}, units: math.MinInt64},
		{name: "uint48 Wh", value: energy(plant.Uint48, "", "Wh"), words: []uint16{0x0001, 0x0000, 0x0002}, units: (1<<32 + 2) * 1000},
		{name: "int48 Wh", value: energy(plant.Int48, "", "Wh"), words: []uint16{0xFFFF, 0xFFFF, 0xFFFD}, units: -3000},
		{name: "uint64 mWh", value: energy(plant.Uint64, "", "mWh"), words: []uint16{0x7FFF, 0xFFFF, 0xFFFF, 0xFFFF}, units: math.MaxInt64},
		// 12345.678 as float32 is 12345.677734375 exactly.
		{name: "float32 kWh", value: energy(plant.Float32, "", "kWh"), words: []uint16{0x4640, 0xE6B6}, units: 12_345_677_734},
		{name: "float32 whole MWh", value: energy(plant.Float32, "", "MWh"), words: []uint16{0x3F80, 0}, units: 1_000_000_000},
		// 0.1 as float64 is a little more than 0.1.
		{name: "float64 Wh", value: energy(plant.Float64, "", "Wh"), words: []uint16{0x3FB9, 0x9999, 0x9999, 0x999A}, units: 100},
		{name: "factor beyond 64 bits", value: energy(plant.Uint16, "999999999.999999999999999999", "MWh"), words: []uint16{1}, units: 999_999_999_999_999_999},
		{name: "volts", value: plant.ProfileValue{Type: plant.Uint16, Scale: "0.1", Unit: "V"}, multiplier: "40", words: []uint16{2301}, signal: 230.1},
		{name: "kilowatts", value: plant.ProfileValue{Type: plant.Int16, Scale: "0.01", Unit: "kW"}, multiplier: "40", words: []uint16{0xFFFF}, signal: -400},
		{name: "reversed current", value: plant.ProfileValue{Type: plant.Int16, Scale: "-0.5", Unit: "A"}, words: []uint16{3}, signal: -1.5},
		{name: "zero has no sign", value: plant.ProfileValue{Type: plant.Int16, Scale: "-0.5", Unit: "A"}, words: []uint16{0}},
		{name: "float32 hertz", value: plant.ProfileValue{Type: plant.Float32, Unit: "Hz"}, words: []uint16{0x4248, 0}, signal: 50},
		{name: "float32 negative fraction", value: plant.ProfileValue{Type: plant.Float32, Scale: "-2"}, words: []uint16{0xBF00, 0}, signal: 1},
		{name: "count beyond 53 bits", value: plant.ProfileValue{Type: plant.Uint64, Scale: "0.1"}, words: []uint16{0x8000, 0, 0, 0}, signal: 922337203685477580.8},
	} {
		for _, order := range []struct{ littleWords, littleBytes bool }{{}, {true, false}, {false, true}, {true, true}} {
			pv := c.value
			pv.LittleWords, pv.LittleBytes = order.littleWords, order.littleBytes
			v := compile(t, pv, c.multiplier)
			words := lay(assemble(c.words, false, false), len(c.words), order.littleWords, order.littleBytes)
			d, ok, err := v.decode(words, 0)
			if err != nil || !ok || d.units != c.units || d.signal != c.signal || math.Signbit(d.signal) != math.Signbit(c.signal) || d.modulus != 0 {
				t.Errorf("%s %+v: decode(%#04x) = %+v, %v, %v, want %d, %v", c.name, order, words, d, ok, err, c.units, c.signal)
			}
		}
	}
}

// Source: SunSpec Device Information Model: value = raw × 10^scale; int16 and
// sunssf 0x8000, uint16 0xFFFF, acc32 0 and NaN mean "not implemented".
func TestDecodeNoValue(t *testing.T) {
	bits := func(v uint64) *uint64 { return &v }
	scale := uint16(9)
	for _, c := range []struct {
		name  string
		value plant.ProfileValue
		words []uint16
		scale uint16
	}{
		{"int16", plant.ProfileValue{Type: plant.Int16, Unit: "W", NoValue: bits(0x8000)}, []uint16{0x8000}, 0},
		{"uint16", plant.ProfileValue{Type: plant.Uint16, Unit: "V", NoValue: bits(0xFFFF)}, []uint16{0xFFFF}, 0},
		{"acc32", plant.ProfileValue{Type: plant.Uint32, Unit: "Wh", Cumulative: true, NoValue: bits(0)}, []uint16{0, 0}, 0},
		{"low word first", plant.ProfileValue{Type: plant.Uint32, LittleWords: true, NoValue: bits(0x1_0002)}, []uint16{2, 1}, 0},
		{"float32 NaN", plant.ProfileValue{Type: plant.Float32, Unit: "kWh", Cumulative: true}, []uint16{0x7FC0, 0}, 0},
		{"float32 infinite", plant.ProfileValue{Type: plant.Float32, Unit: "W"}, []uint16{0xFF80, 0}, 0},
		{"float64 NaN", plant.ProfileValue{Type: plant.Float64, Unit: "W"}, []uint16{0x7FF8, 0, 0, 1}, 0},
		{"scale register", plant.ProfileValue{Type: plant.Int16, Unit: "W", ScaleRegister: &scale}, []uint16{5}, 0x8000},
		{"scale register, low byte first", plant.ProfileValue{Type: plant.Int16, Unit: "W", LittleBytes: true, ScaleRegister: &scale}, []uint16{5}, 0x0080},
	} {
		if d, ok, err := compile(t, c.value, "").decode(c.words, c.scale); ok || err != nil {
			t.Errorf("%s: decode = %+v, %v, %v, want no value", c.name, d, ok, err)
		}
	}
}

func TestDecodeScaleRegister(t *testing.T) {
	at := uint16(9)
	v := compile(t, plant.ProfileValue{Type: plant.Uint32, Unit: "Wh", Cumulative: true, ScaleRegister: &at}, "")
	declared := compile(t, plant.ProfileValue{Type: plant.Uint32, Unit: "Wh", Cumulative: true, ScaleRegister: &at, ModulusCounts: 1_000_000}, "")
	signed := compile(t, plant.ProfileValue{Type: plant.Int32, Unit: "Wh", Cumulative: true, ScaleRegister: &at}, "")
	for _, c := range []struct {
		exponent int16
		units    int64
		modulus  int64
		declared int64
	}{
		{0, 7_000, 1 << 32 * 1000, 1_000_000_000},
		{2, 700_000, 1 << 32 * 100_000, 100_000_000_000},
		{-3, 7, 1 << 32, 1_000_000},
		{-4, 0, 0, 100_000},                    // 2³² ÷ 10 is not whole
		{7, 70_000_000_000, 0, 1e16},           // 2³² × 10¹⁰ does not fit
		{10, 70_000_000_000_000, 0, 0},         // neither does 10⁶ × 10¹³
		{-10, 0, 0, 0},                         // 10⁶ ÷ 10⁷ is not whole
		{6, 7_000_000_000, 4294967296e9, 1e15}, // the largest that fits
		{1, 70_000, 1 << 32 * 10_000, 1e10},
		{-1, 700, 1 << 32 * 100, 100_000_000},
		{-2, 70, 1 << 32 * 10, 10_000_000},
		{-9, 0, 0, 1},
		{3, 7_000_000, 1 << 32 * 1_000_000, 1e12},
	} {
		d, ok, err := v.decode([]uint16{0, 7}, uint16(c.exponent))
		if err != nil || !ok || d.units != c.units || d.modulus != c.modulus {
			t.Errorf("exponent %d: %+v, %v, %v, want %d modulo %d", c.exponent, d, ok, err, c.units, c.modulus)
		}
		if d, _, err := declared.decode([]uint16{0, 7}, uint16(c.exponent)); err != nil || d.modulus != c.declared {
			t.Errorf("exponent %d, declared modulus: %+v, %v, want %d", c.exponent, d, err, c.declared)
		}
		if d, _, err := signed.decode([]uint16{0, 7}, uint16(c.exponent)); err != nil || d.modulus != 0 {
			t.Errorf("exponent %d, signed: %+v, %v, want no modulus", c.exponent, d, err)
		}
	}
	for _, exponent := range []int16{-11, 11, 32767} {
		if _, _, err := v.decode([]uint16{0, 7}, uint16(exponent)); !errors.Is(err, ErrValue) {
			t.Errorf("exponent %d: err = %v, want ErrValue", exponent, err)
		}
	}
}

func TestDecodeOverflow(t *testing.T) {
	for _, c := range []struct {
		value      plant.ProfileValue
		multiplier string
		words      []uint16
	}{
		{plant.ProfileValue{Type: plant.Uint64, Unit: "mWh", Cumulative: true}, "", []uint16{0x8000, 0, 0, 0}},
		{plant.ProfileValue{Type: plant.Uint64, Unit: "kWh", Cumulative: true}, "", []uint16{0xFFFF, 0, 0, 0}},
		{plant.ProfileValue{Type: plant.Int64, Unit: "Wh", Cumulative: true}, "", []uint16{0x8000, 0, 0, 0}},
		{plant.ProfileValue{Type: plant.Float32, Unit: "Wh", Cumulative: true}, "", []uint16{0x7F00, 0}},
		{plant.ProfileValue{Type: plant.Float64, Unit: "W"}, "10", []uint16{0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF}},
	} {
		if d, ok, err := compile(t, c.value, c.multiplier).decode(c.words, 0); !errors.Is(err, ErrValue) {
			t.Errorf("%+v: decode(%#x) = %+v, %v, %v, want ErrValue", c.value, c.words, d, ok, err)
		}
	}
}

// A quotient of 2⁶⁴−1 with a rest, where rounding away from zero would wrap.
func TestFloorDoesNotWrap(t *testing.T) {
	ratio, ok := new(big.Rat).SetString("1.9999999999999999999")
	if !ok {
		t.Fatal("no number")
	}
	if v, ok := newFactor(ratio).floor(number{mag: 1 << 63, neg: true, whole: true}); ok {
		t.Errorf("-2⁶³ × 1.9999999999999999999 became %d", v)
	}
}

// Whatever the type and order, what was laid in registers comes back, and
// scaled energy is the exact product rounded down.
func TestDecodeRoundTrip(t *testing.T) {
	types := plant.WordTypes()
	rapid.Check(t, func(t *rapid.T) {
		typ := rapid.SampledFrom(types).Draw(t, "type")
		scale := rapid.SampledFrom([]string{"", "0.1", "0.001", "10", "0.7", "123456789.123456789", "0.000000000000000001"}).Draw(t, "scale")
		multiplier := rapid.SampledFrom([]string{"", "40"}).Draw(t, "multiplier") // leaves energy alone
		pv := plant.ProfileValue{
			Type: typ, Scale: scale, Unit: rapid.SampledFrom([]string{"mWh", "Wh", "kWh", "MWh"}).Draw(t, "unit"), Cumulative: true,
			LittleWords: rapid.Bool().Draw(t, "littleWords"), LittleBytes: rapid.Bool().Draw(t, "littleBytes"),
		}
		var raw uint64
		exact := new(big.Rat)
		switch typ {
		case plant.Float32:
			f := float32(rapid.Float64Range(-1e9, 1e9).Draw(t, "float32"))
			raw = uint64(math.Float32bits(f))
			exact.SetFloat64(float64(f))
		case plant.Float64:
			f := rapid.Float64Range(-1e9, 1e9).Draw(t, "float64")
			raw = math.Float64bits(f)
			exact.SetFloat64(f)
		case plant.Int16, plant.Int32, plant.Int48, plant.Int64:
			width := 16 * uint(typ.Words())
			n := rapid.Int64Range(-1<<(width-1), 1<<(width-1)-1).Draw(t, "signed")
			raw = uint64(n) & (math.MaxUint64 >> (64 - width))
			exact.SetInt64(n)
		default:
			raw = rapid.Uint64Range(0, math.MaxUint64>>(64-16*uint(typ.Words()))).Draw(t, "unsigned")
			exact.SetUint64(raw)
		}
		ratio, _ := ruleOf(pv.Unit)
		exact.Mul(exact, new(big.Rat).SetInt64(ratio.ratio))
		if f, ok := new(big.Rat).SetString(scale); ok {
			exact.Mul(exact, f)
		}
		want := new(big.Int).Div(exact.Num(), exact.Denom())
		words := lay(raw, int(typ.Words()), pv.LittleWords, pv.LittleBytes)
		d, ok, err := compile(t, pv, multiplier).decode(words, 0)
		switch {
		case !want.IsInt64():
			if !errors.Is(err, ErrValue) {
				t.Fatalf("decode = %+v, %v, %v, want ErrValue for %s", d, ok, err, want)
			}
		case err != nil || !ok || d.units != want.Int64():
			t.Fatalf("decode = %+v, %v, %v, want %s", d, ok, err, want)
		}
	})
}

// Whatever a meter sends: a finite signal, a register value that is exactly what its
// words say rounded down, none, or ErrValue; never a panic and never another
// number.
func FuzzDecode(f *testing.F) {
	f.Add(uint64(0x4640E6B6), uint8(8), uint16(0), uint16(0))
	f.Add(uint64(0x8000), uint8(1), uint16(0x8000), uint16(7))
	f.Add(uint64(math.MaxUint64), uint8(6), uint16(10), uint16(15))
	f.Add(uint64(0x800000000000), uint8(5), uint16(0xFFF6), uint16(0x3B))
	f.Add(uint64(0x7FF0000000000001), uint8(9), uint16(0), uint16(0x108))
	f.Add(uint64(0xFF800000), uint8(8), uint16(11), uint16(0x2C))
	f.Fuzz(func(t *testing.T, raw uint64, typ uint8, scale, flags uint16) {
		types, at, none := plant.WordTypes(), uint16(9), raw&0xFFFF
		pv := plant.ProfileValue{Type: types[int(typ)%len(types)], Unit: "kW", LittleWords: flags&1 > 0, LittleBytes: flags&2 > 0, Net: flags&64 > 0}
		pv.Scale = []string{"", "0.01", "1000", "0.000000000000000001"}[flags>>4&3]
		if flags&4 > 0 {
			pv.ScaleRegister = &at
		}
		if flags&8 > 0 {
			pv.Unit, pv.Cumulative = "kWh", true
		}
		if flags&256 > 0 {
			pv.NoValue = &none
		}
		words := lay(raw, int(pv.Type.Words()), pv.LittleWords, pv.LittleBytes)
		sent := scale
		if pv.LittleBytes {
			sent = bits.ReverseBytes16(scale)
		}
		d, ok, err := compile(t, pv, "1.7").decode(words, sent)
		switch {
		case err != nil && (ok || !errors.Is(err, ErrValue)):
			t.Fatalf("decode = %+v, %v, %v: an error is ErrValue and comes with no value", d, ok, err)
		case math.IsNaN(d.signal) || math.IsInf(d.signal, 0):
			t.Fatalf("signal %v is not finite", d.signal)
		case !ok && d != decoded{}:
			t.Fatalf("no value, but %+v", d)
		case d.modulus < 0 || d.modulus > 0 && pv.ScaleRegister == nil:
			t.Fatalf("modulus %d", d.modulus)
		}
		exact := said(pv, raw, scale)
		if ok != (exact != nil) && err == nil || err != nil && !strings.HasPrefix(err.Error(), "value ") {
			t.Fatalf("decode = %+v, %v, %v of what says %v", d, ok, err, exact)
		}
		if !ok {
			return
		}
		if !pv.Cumulative {
			want, _ := exact.Mul(exact, big.NewRat(17, 10)).Float64()
			if math.Abs(d.signal-want) > 1e-12*math.Abs(want)+math.SmallestNonzeroFloat64 {
				t.Fatalf("signal %v of %#x, want %v", d.signal, raw, want)
			}
			return
		}
		if want := new(big.Int).Div(exact.Num(), exact.Denom()); !want.IsInt64() || d.units != want.Int64() {
			t.Fatalf("%d units of %#x, want %s", d.units, raw, want)
		}
	})
}

// said is what the bits of a value say, in watts or milliwatt-hours, by another
// road than the package takes; nil for no value, and for a scale register that
// holds none.
func said(pv plant.ProfileValue, raw uint64, scale uint16) *big.Rat {
	width := 16 * uint(pv.Type.Words())
	raw &= math.MaxUint64 >> (64 - width)
	if pv.NoValue != nil && raw == *pv.NoValue {
		return nil
	}
	r := new(big.Rat)
	switch pv.Type {
	case plant.Float32:
		r = r.SetFloat64(float64(math.Float32frombits(uint32(raw))))
	case plant.Float64:
		r = r.SetFloat64(math.Float64frombits(raw))
	default:
		n := new(big.Int).SetUint64(raw)
		if pv.Type.Signed() && raw>>(width-1) == 1 {
			n.Sub(n, new(big.Int).Lsh(big.NewInt(1), width))
		}
		r.SetInt(n)
	}
	if r == nil {
		return nil // no finite number
	}
	unit := "1000"
	if pv.Cumulative {
		unit = "1000000"
	}
	power := "1"
	if pv.ScaleRegister != nil {
		if e := int16(scale); e < -10 || e > 10 {
			return nil
		}
		power = fmt.Sprintf("1e%d", int16(scale))
	}
	for _, text := range []string{unit, power, cmp.Or(pv.Scale, "1")} {
		f, _ := new(big.Rat).SetString(text)
		r.Mul(r, f)
	}
	return r
}

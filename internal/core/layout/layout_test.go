package layout

import (
	"encoding/binary"
	"math"
	"math/bits"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// lay puts bits in registers as a meter of that order does, through bytes: another
// road than the package takes.
func lay(v uint64, words int, littleWords, littleBytes bool) []uint16 {
	b := binary.BigEndian.AppendUint64(nil, v)[8-2*words:]
	out := make([]uint16, words)
	for i := range out {
		at := i
		if littleWords {
			at = words - 1 - i
		}
		out[at] = binary.BigEndian.Uint16(b[2*i:])
		if littleBytes {
			out[at] = bits.ReverseBytes16(out[at])
		}
	}
	return out
}

func image(function uint8, address int, words ...uint16) Image {
	img := Image{Words: map[Address]uint16{}}
	for i, w := range words {
		img.Words[Address{function, uint16(address + i)}] = w
	}
	return img
}

func one(pv plant.ProfileValue) plant.Meter {
	pv.Name = "v"
	return plant.Meter{MaxPower: 9000, Profile: plant.Profile{Name: "p", Values: []plant.ProfileValue{pv}}}
}

// A number that a meter lays out in one order is read back under the setting that
// leads from the configured order to it, and its registers under no other address.
func TestDecode_RoundTrip(t *testing.T) {
	all := Settings()
	if len(all) != 12 || all[0] != (Setting{}) {
		t.Fatalf("settings are %v", all)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SampledFrom(all).Draw(t, "setting")
		pv := plant.ProfileValue{
			Function: rapid.SampledFrom([]uint8{3, 4}).Draw(t, "function"), Address: uint16(rapid.IntRange(1, 65530).Draw(t, "address")),
			LittleWords: rapid.Bool().Draw(t, "little words"), LittleBytes: rapid.Bool().Draw(t, "little bytes"),
		}
		var raw uint64
		var want float64
		switch pv.Type = rapid.SampledFrom([]plant.WordType{plant.Uint16, plant.Int16, plant.Uint32, plant.Int32, plant.Uint64, plant.Int64, plant.Float32, plant.Float64}).Draw(t, "type"); pv.Type {
		case plant.Float32:
			f := rapid.Float32().Draw(t, "number")
			raw, want = uint64(math.Float32bits(f)), float64(f)
		case plant.Float64:
			want = rapid.Float64().Draw(t, "number")
			raw = math.Float64bits(want)
		case plant.Int16, plant.Int32, plant.Int64:
			width := 16 * uint(pv.Type.Words())
			n := rapid.Int64Range(-1<<(width-1), 1<<(width-1)-1).Draw(t, "number")
			raw, want = uint64(n), float64(n)
		default:
			raw = rapid.Uint64().Draw(t, "number") >> (64 - 16*uint(pv.Type.Words()))
			want = float64(raw)
		}
		words := lay(raw, int(pv.Type.Words()), pv.LittleWords != s.SwapWords, pv.LittleBytes != s.SwapBytes)
		img := image(pv.Function, int(pv.Address)+s.Shift, words...)
		if v := Decode(one(pv), img, s)[0]; v.Content != Number || v.Number != want {
			t.Fatalf("%s of %#x is %+v, want %v", s, words, v, want)
		}
		for _, other := range all {
			if v := Decode(one(pv), img, other)[0]; other.Shift != s.Shift && v.Content != Unreadable {
				t.Fatalf("%s reads registers that are not there: %+v", other, v)
			}
		}
	})
}

func TestDecode_UnitsAndScales(t *testing.T) {
	none, scale := uint64(0x8000), uint16(9)
	for _, c := range []struct {
		name       string
		value      plant.ProfileValue
		multiplier string
		words      []uint16 // from address 8
		content    Content
		number     float64
		unit       string
	}{
		{"Wh behind 200/5 A", plant.ProfileValue{Type: plant.Uint16, Unit: "Wh"}, "40", []uint16{250}, Number, 10, "kWh"},
		{"kW", plant.ProfileValue{Type: plant.Int16, Unit: "kW", Scale: "0.01"}, "", []uint16{0xFFFF}, Number, -10, "W"},
		{"volts are not multiplied", plant.ProfileValue{Type: plant.Uint16, Unit: "V", Scale: "0.1"}, "40", []uint16{2301}, Number, 230.1, "V"},
		{"amperes are", plant.ProfileValue{Type: plant.Uint16, Unit: "A"}, "40", []uint16{2}, Number, 80, "A"},
		{"scale register", plant.ProfileValue{Type: plant.Int16, Unit: "V", ScaleRegister: &scale}, "", []uint16{2301, 0xFFFF}, Number, 230.1, "V"},
		{"scale not implemented", plant.ProfileValue{Type: plant.Int16, Unit: "V", ScaleRegister: &scale}, "", []uint16{2301, 0x8000}, Nothing, 0, "V"},
		{"no power of ten", plant.ProfileValue{Type: plant.Int16, Unit: "V", ScaleRegister: &scale}, "", []uint16{2301, 300}, Unusable, 0, "V"},
		{"scale out of reach", plant.ProfileValue{Type: plant.Int16, Unit: "V", ScaleRegister: &scale}, "", []uint16{2301}, Unreadable, 0, "V"},
		{"not implemented", plant.ProfileValue{Type: plant.Int16, Unit: "V", NoValue: &none}, "", []uint16{0x8000}, Nothing, 0, "V"},
		{"not a number", plant.ProfileValue{Type: plant.Float32, Unit: "V"}, "", []uint16{0x7FC0, 0}, Nothing, 0, "V"},
		{"beyond counting", plant.ProfileValue{Type: plant.Float64, Unit: "MWh", Scale: "1000"}, "", []uint16{0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF}, Unusable, 0, "kWh"},
	} {
		c.value.Function, c.value.Address = 3, 8
		m := one(c.value)
		m.Multiplier = c.multiplier
		v := Decode(m, image(3, 8, c.words...), Setting{})[0]
		if v.Content != c.content || math.Abs(v.Number-c.number) > 1e-9 || v.Unit != c.unit {
			t.Errorf("%s: %+v, want %s %v %s", c.name, v, c.content, c.number, c.unit)
		}
	}
}

func TestPlausible(t *testing.T) {
	m := func(unit, name string, number float64) bool {
		v := Value{Name: name, Unit: unit, Content: Number, Number: number}
		ok, doubt := plausible(v, 9000)
		if ok != (doubt == "") {
			t.Errorf("%v %s: plausible %v with doubt %q", number, unit, ok, doubt)
		}
		return ok
	}
	for _, c := range []struct {
		unit, name string
		number     float64
		want       bool
	}{
		// Common practice, no source: 80 to 760 V, 45 to 65 Hz, |PF| up to 1,
		// power up to 1.2 times the rated.
		{"V", "voltage", 80, true},
		{"V", "voltage", 79.9, false},
		{"V", "voltage", 760, true},
		{"V", "voltage", 761, false},
		{"V", "voltage", 0, false},
		{"Hz", "frequency", 45, true},
		{"Hz", "frequency", 65.1, false},
		{"", "power_factor", -1, true},
		{"", "power_factor_1", 1.01, false},
		{"", "pf", 92, false},
		{"", "tariff", 92, true},
		{"W", "power", 10800, true},
		{"W", "power", -10801, false},
		{"W", "power", 0, true},
		{"W", "power", 1e-38, false},
		{"A", "current", 135, true},
		{"A", "current", 136, false},
		{"kWh", "import", 0, true},
		{"kWh", "import", -1, false},
		{"kWh", "import", 9 * 8766 * 41, false},
	} {
		if got := m(c.unit, c.name, c.number); got != c.want {
			t.Errorf("%s %v %s: plausible %v, want %v", c.name, c.number, c.unit, got, c.want)
		}
	}
}

func TestAnchorsHold(t *testing.T) {
	p := plant.Profile{Anchors: []plant.Anchor{{Function: 3, Address: 10, Words: []uint16{203, 105}}}}
	img := image(3, 11, 203, 105)
	for _, s := range Settings() {
		hold, ok := AnchorsHold(p, img, s)
		if want := s.Shift == 1 && !s.SwapBytes; !ok || hold != want {
			t.Errorf("%s: hold %v, %v; want %v", s, hold, ok, want)
		}
	}
	if hold, ok := AnchorsHold(p, image(3, 10, 203<<8, 105<<8), Setting{SwapBytes: true}); !hold || !ok {
		t.Error("anchors in swapped bytes do not hold under that setting")
	}
	if _, ok := AnchorsHold(plant.Profile{}, img, Setting{}); ok {
		t.Error("a profile without anchors has some")
	}
}

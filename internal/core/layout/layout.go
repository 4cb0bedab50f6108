package layout

import (
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"time"

	"curetally/internal/core/plant"
)

// Address is one register: function code 3 (holding) or 4 (input) and the
// protocol address, counted from 0.
type Address struct {
	Function uint8
	Register uint16
}

// Image is what the registers of a meter held. A register that could not be read
// is absent.
type Image struct {
	// At is the middle of the exchange that read the registers.
	At    time.Time
	Words map[Address]uint16
}

// Setting is a way to lay a profile over registers, as what is changed against
// the configuration. The zero Setting is the configuration itself.
type Setting struct {
	// Shift is added to every address.
	Shift int `json:"address_shift"`
	// SwapWords and SwapBytes turn the configured order of the words of a value,
	// and of the bytes of a word, into the other one.
	SwapWords bool `json:"words_swapped"`
	SwapBytes bool `json:"bytes_swapped"`
}

// Settings lists every way that is tried, the configured one first.
func Settings() []Setting {
	var all []Setting
	for _, shift := range []int{0, -1, 1} {
		for _, s := range []Setting{{}, {SwapWords: true}, {SwapBytes: true}, {SwapWords: true, SwapBytes: true}} {
			s.Shift = shift
			all = append(all, s)
		}
	}
	return all
}

// String says what a setting changes.
func (s Setting) String() string {
	order := "orders as configured"
	switch {
	case s.SwapWords && s.SwapBytes:
		order = "words and bytes swapped"
	case s.SwapWords:
		order = "words swapped"
	case s.SwapBytes:
		order = "bytes swapped"
	}
	switch {
	case s.Shift < 0:
		return fmt.Sprintf("address %d lower, %s", -s.Shift, order)
	case s.Shift > 0:
		return fmt.Sprintf("address %d higher, %s", s.Shift, order)
	default:
		return order
	}
}

// Content says what registers hold under a setting.
type Content string

// The contents of registers.
const (
	Number     Content = "number"
	Nothing    Content = "no value"   // the meter says that it has none
	Unreadable Content = "unreadable" // a register is absent from the image
	Unusable   Content = "unusable"   // no number that could be meant; Doubt says why
)

// Value is one value of a meter under a setting.
type Value struct {
	Name string `json:"name"`
	// Unit is kWh, W, V, A, Hz or nothing for a ratio.
	Unit    string  `json:"unit"`
	Content Content `json:"content"`
	// Number is in Unit, with scale and multiplier; 0 unless Content is Number.
	Number    float64 `json:"number"`
	Plausible bool    `json:"plausible"`
	// Doubt says why a value is not plausible.
	Doubt string `json:"doubt,omitempty"`

	// Step is how much one count, or the last bit of a float, is in Unit.
	Step float64 `json:"-"`
	// Type is how the value lies in registers.
	Type plant.WordType `json:"-"`
	// Net says that an energy register counts both ways and may be negative.
	Net bool `json:"-"`
}

// Decode gives the values of a meter under a setting, in the order of its profile,
// each judged for plausibility.
func Decode(m plant.Meter, img Image, s Setting) []Value {
	values := make([]Value, len(m.Profile.Values))
	for i, pv := range m.Profile.Values {
		v := decode(pv, factorOf(m.Multiplier), img, s)
		v.Plausible, v.Doubt = plausible(v, m.MaxPower)
		values[i] = v
	}
	return values
}

// AnchorsHold says whether the registers of known content hold it under a setting.
// It reports ok false for a profile without such registers.
func AnchorsHold(p plant.Profile, img Image, s Setting) (hold, ok bool) {
	hold = true
	for _, a := range p.Anchors {
		words := take(img, a.Function, int(a.Address)+s.Shift, uint16(len(a.Words)))
		if words == nil {
			return false, true
		}
		for i, w := range a.Words {
			if s.SwapBytes {
				w = bits.ReverseBytes16(w)
			}
			hold = hold && words[i] == w
		}
	}
	return hold, len(p.Anchors) > 0
}

func decode(pv plant.ProfileValue, multiplier float64, img Image, s Setting) Value {
	unit, ratio := shown(pv.Unit)
	v := Value{Name: pv.Name, Unit: unit, Content: Unreadable, Type: pv.Type, Net: pv.Net}
	words := take(img, pv.Function, int(pv.Address)+s.Shift, pv.Type.Words())
	if words == nil {
		return v
	}
	littleBytes := pv.LittleBytes != s.SwapBytes
	raw := assemble(words, pv.LittleWords != s.SwapWords, littleBytes)
	number, step := interpret(pv.Type, raw)
	if pv.NoValue != nil && raw == *pv.NoValue || math.IsNaN(number) || math.IsInf(number, 0) {
		v.Content = Nothing
		return v
	}
	factor := ratio * factorOf(pv.Scale)
	if unit == "kWh" || unit == "W" || unit == "A" {
		factor *= multiplier
	}
	if pv.ScaleRegister != nil {
		scale := take(img, pv.Function, int(*pv.ScaleRegister)+s.Shift, 1)
		if scale == nil {
			return v
		}
		w := scale[0]
		if littleBytes {
			w = bits.ReverseBytes16(w)
		}
		// Source: SunSpec Device Information Model, type sunssf: -10 to 10, and
		// 0x8000 for a value that is not implemented.
		switch exponent := int(int16(w)); {
		case w == 0x8000:
			v.Content = Nothing
			return v
		case exponent < -10 || exponent > 10:
			v.Content, v.Doubt = Unusable, fmt.Sprintf("its scale register holds %d", exponent)
			return v
		default:
			factor *= math.Pow10(exponent)
		}
	}
	v.Number, v.Step = number*factor, math.Abs(step*factor)
	if v.Content = Number; math.IsNaN(v.Number) || math.IsInf(v.Number, 0) {
		v.Content, v.Number, v.Doubt = Unusable, 0, "more than can be counted"
	}
	return v
}

// take gives words of an image; nil when one is absent.
func take(img Image, function uint8, address int, words uint16) []uint16 {
	out := make([]uint16, words)
	for i := range out {
		at := address + i
		if at < 0 || at > math.MaxUint16 {
			return nil
		}
		w, ok := img.Words[Address{function, uint16(at)}]
		if !ok {
			return nil
		}
		out[i] = w
	}
	return out
}

// assemble joins words as the meter orders them, most significant first.
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

// interpret reads bits as a type, with the size of its last digit there.
func interpret(t plant.WordType, v uint64) (number, step float64) {
	switch t {
	case plant.Int16:
		return float64(int16(v)), 1
	case plant.Int32:
		return float64(int32(v)), 1
	case plant.Int48:
		return float64(int64(v<<16) >> 16), 1
	case plant.Int64:
		return float64(int64(v)), 1
	case plant.Float32:
		f := math.Float32frombits(uint32(v))
		return float64(f), float64(math.Nextafter32(f, float32(math.Inf(1))) - f)
	case plant.Float64:
		f := math.Float64frombits(v)
		return f, math.Nextafter(f, math.Inf(1)) - f
	default:
		return float64(v), 1
	}
}

// shown gives the unit that a quantity is shown in and the factor to it.
func shown(unit string) (string, float64) {
	switch unit {
	case "mWh":
		return "kWh", 1e-6
	case "Wh":
		return "kWh", 1e-3
	case "MWh":
		return "kWh", 1e3
	case "kW":
		return "W", 1e3
	default:
		return unit, 1
	}
}

// factorOf reads a decimal of the configuration, which has checked it; empty is 1.
func factorOf(s string) float64 {
	if s == "" {
		return 1
	}
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.NaN()
	}
	return f
}

package meterlink

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
	"curetally/internal/link/config/profiles"
)

// registers serves the holding registers of units; it refuses a read that touches
// others, and stays silent for other units.
type registers map[uint8]map[uint16]uint16

func (r registers) serve(_ int, q query) []byte {
	image, ok := r[q.unit]
	if !ok {
		return nil
	}
	pdu := []byte{q.function, byte(2 * q.words)}
	for i := range q.words {
		w, ok := image[q.address+i]
		if !ok || q.function != 3 || int(q.address)+int(i) > math.MaxUint16 {
			return q.exception(2) // illegal data address
		}
		pdu = binary.BigEndian.AppendUint16(pdu, w)
	}
	return q.frame(q.unit, pdu)
}

// filled is registers from first to last, each holding its own address.
func filled(first, last uint16) map[uint16]uint16 {
	image := map[uint16]uint16{}
	for a := int(first); a <= int(last); a++ {
		image[uint16(a)] = uint16(a)
	}
	return image
}

func words(image layout.Image) []int {
	var all []int
	for a, w := range image.Words {
		if a.Register != w {
			return []int{-1}
		}
		all = append(all, int(a.Register))
	}
	slices.Sort(all)
	return all
}

// asked is how many requests came in.
func asked(w *wire) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.queries)
}

// The neighbours of each block are read where the meter serves them, and asked for
// once where it does not.
func TestExplore_ReadsNeighbours(t *testing.T) {
	for _, c := range []struct {
		name        string
		first, last uint16 // what the meter serves
		want        []int
		round1      int // requests of the first round
		round2      int
	}{
		{"everything around", 0, 100, []int{9, 10, 11, 12, 13, 14}, 1, 1},
		{"the block alone", 10, 13, []int{10, 11, 12, 13}, 4, 1},
		{"no lower neighbour", 10, 100, []int{10, 11, 12, 13, 14}, 4, 2},
		{"no higher neighbour", 0, 13, []int{9, 10, 11, 12, 13}, 4, 2},
		{"one address lower only", 9, 12, []int{9, 10, 11, 12}, 4, 1},
		{"one address higher only", 11, 14, []int{11, 12, 13, 14}, 4, 1},
	} {
		for _, framed := range []bool{false, true} {
			w := newWire(t, framed, registers{17: filled(c.first, c.last)}.serve)
			e, err := newTestBus(t, w.bus(echoMeter(10, 11, 12, 13))).Explore("m1")
			if err != nil {
				t.Fatal(err)
			}
			for round, total := range []int{c.round1, c.round1 + c.round2} {
				img, err := e.Read(t.Context())
				if err != nil {
					t.Fatalf("%s: %v", c.name, err)
				}
				if d := cmp.Diff(c.want, words(img)); d != "" || img.At.IsZero() {
					t.Errorf("%s: round %d: registers differ (-want +got):\n%s", c.name, round+1, d)
				}
				if n := asked(w); n != total {
					t.Errorf("%s: %d requests after round %d, want %d", c.name, n, round+1, total)
				}
			}
		}
	}
}

func TestExplore_Refusals(t *testing.T) {
	w := newWire(t, false, registers{17: filled(500, 510)}.serve)
	bus := newTestBus(t, w.bus(echoMeter(10)))
	if _, err := bus.Explore("nobody"); err == nil || !strings.Contains(err.Error(), "nobody") {
		t.Errorf("a meter that is not there: %v", err)
	}
	e, err := bus.Explore("m1")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := e.Read(t.Context()); !errors.Is(err, ErrException) || !strings.Contains(err.Error(), "check the address in the profile") {
		t.Errorf("a meter that refuses everything: %v", err)
	}
}

func TestNeighbours(t *testing.T) {
	for _, c := range []struct{ r, want string }{
		{"0 2", "apart 0+2 1+2"},
		{"1 2", "wide 0+4 apart 1+2 0+2 2+2"},
		{"10 123", "wide 9+125 apart 10+123 9+123 11+123"},
		{"10 124", "apart 10+124 9+124 11+124"},
		{"65534 2", "apart 65534+2 65533+2"},
	} {
		var r request
		if _, err := fmt.Sscan(c.r, &r.address, &r.words); err != nil {
			t.Fatal(err)
		}
		wide, apart := neighbours(r)
		got := "apart"
		if wide != nil {
			got = fmt.Sprintf("wide %d+%d apart", wide.address, wide.words)
		}
		for _, a := range apart {
			got += fmt.Sprintf(" %d+%d", a.address, a.words)
		}
		if got != c.want {
			t.Errorf("neighbours of %s: %s, want %s", c.r, got, c.want)
		}
	}
}

// What people are shown under the configured setting is what the daemon stores.
func TestLayoutReadsAsTheLinkDoes(t *testing.T) {
	ready := profiles.Ready()
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(ready).Draw(t, "profile")
		m := plant.Meter{ID: "m", Unit: 1, MaxPower: 9000, Profile: p, Multiplier: rapid.SampledFrom([]string{"", "40", "0.5"}).Draw(t, "multiplier")}
		values, err := compileValues(m)
		if err != nil {
			t.Fatal(err)
		}
		img := layout.Image{Words: map[layout.Address]uint16{}}
		word := rapid.OneOf(rapid.Uint16(), rapid.SampledFrom([]uint16{0, 1, 0xFFFE, 0x8000, 0xFFFF, 0x7FC0}))
		scales := map[layout.Address]bool{}
		for _, pv := range p.Values {
			if pv.ScaleRegister != nil {
				scales[layout.Address{Function: pv.Function, Register: *pv.ScaleRegister}] = true
			}
			for i := range pv.Type.Words() {
				img.Words[layout.Address{Function: pv.Function, Register: pv.Address + i}] = word.Draw(t, "word")
			}
		}
		for _, a := range slices.SortedFunc(maps.Keys(scales), func(a, b layout.Address) int { return int(a.Register) - int(b.Register) }) {
			img.Words[a] = uint16(int16(rapid.IntRange(-11, 11).Draw(t, "exponent")))
		}
		shown := layout.Decode(m, img, layout.Setting{})
		for i := range values {
			if values[i].cumulative && m.Multiplier != "" {
				continue // people are shown primary energy, the daemon stores what the meter shows
			}
			compareShown(t, &values[i], p.Values[i], img, shown[i])
		}
	})
}

func compareShown(t *rapid.T, v *value, pv plant.ProfileValue, img layout.Image, shown layout.Value) {
	at := func(a uint16) uint16 { return img.Words[layout.Address{Function: pv.Function, Register: a}] }
	words := make([]uint16, pv.Type.Words())
	for i := range words {
		words[i] = at(pv.Address + uint16(i))
	}
	var scale uint16
	if pv.ScaleRegister != nil {
		scale = at(*pv.ScaleRegister)
	}
	d, present, err := v.decode(words, scale)
	if err != nil {
		// A register beyond int64 is a number to the eye, if hardly a plausible one.
		if shown.Content != layout.Unusable && (shown.Content != layout.Number || shown.Plausible) {
			t.Fatalf("%s is shown as %+v, the link says %v", pv.Name, shown, err)
		}
		return
	}
	if present != (shown.Content == layout.Number) {
		t.Fatalf("%s is shown as %+v, present for the link: %v", pv.Name, shown, present)
	}
	want := d.signal
	if v.cumulative {
		want = float64(d.units) / 1e6
	}
	if diff := math.Abs(shown.Number - want); present && diff > 1e-12*math.Abs(want)+1.01e-6 && v.cumulative || present && !v.cumulative && diff > 1e-12*math.Abs(want) {
		t.Fatalf("%s is shown as %v %s, the link says %v", pv.Name, shown.Number, shown.Unit, want)
	}
}

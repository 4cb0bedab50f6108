package meterlink

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/profiles"
)

// chain writes the marker and blocks of given models and lengths into registers.
// The common block says who made the device.
func chain(base uint16, blocks ...[2]uint16) map[uint16]uint16 {
	image := map[uint16]uint16{base: 0x5375, base + 1: 0x6E53}
	at := base + 2
	for _, b := range blocks {
		image[at], image[at+1] = b[0], b[1]
		for i := range b[1] {
			image[at+2+i] = 0
		}
		if b[0] == 1 && b[1] >= 65 {
			write(image, at+2, "Alder Lane Labels")
			write(image, at+18, "Test meter")
			write(image, at+42, "1.0")
			write(image, at+50, "SN\x1b[31m7")
		}
		at += 2 + b[1]
	}
	return image
}

func write(image map[uint16]uint16, at uint16, text string) {
	for i, c := range []byte(text) {
		shift := 8 * (1 - i%2)
		image[at+uint16(i/2)] |= uint16(c) << shift
	}
}

// Source: SunSpec Device Information Model Specification: the end block.
var end = [2]uint16{0xFFFF, 0}

func TestIdentify(t *testing.T) {
	for _, c := range []struct {
		name  string
		image map[uint16]uint16
		want  Device
		fault string
	}{
		{
			"common of 66, meter", chain(40000, [2]uint16{1, 66}, [2]uint16{203, 105}, end),
			Device{SunSpec: true, Base: 40000, Blocks: []Block{{1, 40002, 66}, {203, 40070, 105}}}, "",
		},
		{
			"common of 65, floats, at 0", chain(0, [2]uint16{1, 65}, [2]uint16{213, 124}, end),
			Device{SunSpec: true, Base: 0, Blocks: []Block{{1, 2, 65}, {213, 69, 124}}}, "",
		},
		{
			"at 50000, other models first", chain(50000, [2]uint16{1, 66}, [2]uint16{11, 13}, [2]uint16{201, 105}, end),
			Device{SunSpec: true, Base: 50000, Blocks: []Block{{1, 50002, 66}, {11, 50070, 13}, {201, 50085, 105}}}, "",
		},
		{"no marker", filled(0, 100), Device{}, ""},
		{"no readable register", map[uint16]uint16{7: 7}, Device{}, ""},
		{
			"no end", chain(40000, [2]uint16{1, 66}, [2]uint16{203, 105}),
			Device{SunSpec: true, Base: 40000, Blocks: []Block{{1, 40002, 66}, {203, 40070, 105}}}, "breaks off at address 40177 after 2 blocks",
		},
		{
			"length 0", chain(40000, [2]uint16{1, 66}, [2]uint16{203, 0}, end),
			Device{SunSpec: true, Base: 40000, Blocks: []Block{{1, 40002, 66}}}, "address 40070, model 203, has length 0",
		},
		{"first is no common block", chain(40000, [2]uint16{203, 105}, end), Device{SunSpec: true, Base: 40000}, "model 203: expected model 1"},
		{"common block of odd length", chain(40000, [2]uint16{1, 64}, end), Device{SunSpec: true, Base: 40000}, "length 64: expected 65 or 66"},
		{
			"beyond the last register", chain(40000, [2]uint16{1, 66}, [2]uint16{203, 25464}),
			Device{SunSpec: true, Base: 40000, Blocks: []Block{{1, 40002, 66}, {203, 40070, 25464}}}, "leaves the register space at address 65536",
		},
		{
			"never ends", endless(),
			Device{SunSpec: true, Base: 0}, "not ended after 200 blocks, at address 667",
		},
	} {
		w := newWire(t, false, registers{9: c.image}.serve)
		got, err := newTestBus(t, w.bus()).Identify(t.Context(), 9)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		c.want.Unit, c.want.Answers = 9, true
		if len(got.Blocks) > 0 {
			c.want.Manufacturer, c.want.Model, c.want.Version, c.want.Serial = "Alder Lane Labels", "Test meter", "1.0", "SN?[31m7"
		}
		ignore := cmpopts.IgnoreFields(Device{}, "Fault")
		if c.name == "never ends" {
			ignore = cmpopts.IgnoreFields(Device{}, "Fault", "Blocks")
			if len(got.Blocks) != maxBlocks {
				t.Errorf("%s: %d blocks", c.name, len(got.Blocks))
			}
		}
		if d := cmp.Diff(c.want, got, ignore); d != "" {
			t.Errorf("%s: device differs (-want +got):\n%s", c.name, d)
		}
		if (c.fault == "") != (got.Fault == nil) || got.Fault != nil && !strings.Contains(got.Fault.Error(), c.fault) {
			t.Errorf("%s: fault %v, want one with %q", c.name, got.Fault, c.fault)
		}
	}
}

func endless() map[uint16]uint16 {
	blocks := [][2]uint16{{1, 66}}
	for range 300 {
		blocks = append(blocks, [2]uint16{64000, 1})
	}
	return chain(0, blocks...)
}

// A unit that does not answer costs one request, and the next is found on a link
// opened again.
func TestIdentify_SilentUnits(t *testing.T) {
	for _, framed := range []bool{false, true} {
		image := registers{2: chain(40000, [2]uint16{1, 66}, [2]uint16{203, 105}, end)}
		w := newWire(t, framed, image.serve)
		bus := newTestBus(t, w.impatient())
		silent, err := bus.Identify(t.Context(), 1)
		if err != nil || silent.Answers || asked(w) != 1 {
			t.Errorf("silent unit: %+v after %d requests, %v", silent, asked(w), err)
		}
		found, err := bus.Identify(t.Context(), 2)
		if err != nil || !found.Answers || len(found.Blocks) != 2 || found.Fault != nil {
			t.Errorf("unit after it: %+v, %v", found, err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := bus.Identify(ctx, 2); !errors.Is(err, context.Canceled) {
			t.Errorf("ended context: %v", err)
		}
	}
}

// A gateway that answers for a unit it does not reach is not that unit.
// Source: Modbus Application Protocol V1.1b3, section 7, codes 0A and 0B.
func TestIdentify_GatewayAnswers(t *testing.T) {
	for _, code := range []byte{0x0A, 0x0B} {
		w := newWire(t, false, func(_ int, q query) []byte { return q.exception(code) })
		d, err := newTestBus(t, w.bus()).Identify(t.Context(), 4)
		if err != nil || d.Answers || asked(w) != 1 {
			t.Errorf("exception %#x: %+v after %d requests, %v", code, d, asked(w), err)
		}
	}
}

func TestIdentify_NobodyThere(t *testing.T) {
	w := newWire(t, false, echoServer)
	w.ln.Close()
	if _, err := newTestBus(t, w.impatient()).Identify(t.Context(), 1); !errors.Is(err, ErrLink) {
		t.Errorf("no device at the address: %v", err)
	}
}

// The ready-made profiles fit the blocks that a walk finds: their anchor is the
// head of the block.
func TestSunSpecProfilesFitTheirBlocks(t *testing.T) {
	seen := 0
	for _, p := range profiles.Ready() {
		var model uint16
		if _, err := fmt.Sscanf(p.Name, "sunspec-%d", &model); err != nil {
			continue
		}
		seen++
		want := plant.Anchor{Function: 3, Address: 40070, Words: []uint16{model, 105}}
		if model > 210 {
			want.Words[1] = 124
		}
		if d := cmp.Diff([]plant.Anchor{want}, p.Anchors); d != "" {
			t.Errorf("%s: anchors differ (-want +got):\n%s", p.Name, d)
		}
	}
	if seen != 8 {
		t.Errorf("%d SunSpec profiles, want 8", seen)
	}
}

// Whatever a device holds, the walk ends, within its bounds, with blocks that
// follow one another and either an end block or a fault.
func FuzzWalk(f *testing.F) {
	f.Add([]byte{0, 1, 0, 66}, uint16(40000), uint16(0xFFFF))
	f.Add([]byte{0, 1, 0, 66, 0, 203, 0, 0}, uint16(0), uint16(1))
	f.Add([]byte{0, 1, 0, 65, 0xFF, 0xFF, 0, 0}, uint16(50000), uint16(500))
	f.Add([]byte{0, 1, 0, 66, 0, 203, 0xFF, 0xFF}, uint16(65533), uint16(7))
	f.Fuzz(func(t *testing.T, heads []byte, base, refuseAfter uint16) {
		reads := 0
		d := Device{Base: base}
		d.walk(func(address, words uint16) ([]uint16, error) {
			if reads++; reads > int(refuseAfter) {
				return nil, errors.New("refused")
			}
			if int(address)+int(words) > math.MaxUint16+1 {
				if words == 2 {
					t.Fatalf("read of %d registers at %d", words, address)
				}
				return nil, errors.New("refused")
			}
			out := make([]uint16, words)
			if words == 2 {
				for i := range out {
					at := 4*len(d.Blocks) + 2*i
					if at+1 < len(heads) {
						out[i] = uint16(heads[at])<<8 | uint16(heads[at+1])
					}
				}
			}
			return out, nil
		})
		if len(d.Blocks) > maxBlocks || reads > maxBlocks+3 {
			t.Fatalf("%d blocks, %d reads", len(d.Blocks), reads)
		}
		next := int(base) + 2
		for _, b := range d.Blocks {
			if int(b.Address) != next || b.Length == 0 || b.Model == sunspecEnd {
				t.Fatalf("block %+v, expected at %d", b, next)
			}
			next += 2 + int(b.Length)
		}
	})
}

// Whatever the registers hold, at whatever addresses, the walk gives no more than
// is there: it ends without a fault at an end block only, a fault says where, and
// the device's own words are fit for a terminal.
func FuzzWalkImage(f *testing.F) {
	bytesOf := func(base uint16, blocks ...[2]uint16) []byte {
		image := chain(base, blocks...)
		var out []byte
		for at := base; ; at++ {
			w, ok := image[at]
			if out = append(out, byte(w>>8), byte(w)); !ok || at == math.MaxUint16 {
				return out
			}
		}
	}
	f.Add(bytesOf(40000, [2]uint16{1, 66}, [2]uint16{203, 105}, end), uint16(40000))
	f.Add(bytesOf(40000, [2]uint16{1, 66}, [2]uint16{203, 105}), uint16(40000)) // no end
	f.Add(bytesOf(0, [2]uint16{1, 65}, [2]uint16{213, 30}, end), uint16(0))     // lies about its length
	f.Add(bytesOf(40000, [2]uint16{1, 66}, [2]uint16{203, 65535}), uint16(40000))
	f.Add(bytesOf(65000, [2]uint16{1, 66}, [2]uint16{203, 400}), uint16(65000))
	f.Fuzz(func(t *testing.T, image []byte, base uint16) {
		last, reads := [2]uint16{}, 0
		d := Device{Base: base}
		d.walk(func(address, words uint16) ([]uint16, error) {
			reads++
			out := make([]uint16, words)
			for i := range out {
				at := 2 * (int(address) + i - int(base))
				if at < 0 || at+1 >= len(image) {
					return nil, errors.New("refused")
				}
				out[i] = uint16(image[at])<<8 | uint16(image[at+1])
			}
			if words == 2 {
				last = [2]uint16{out[0], out[1]}
			}
			return out, nil
		})
		if (d.Fault == nil) != (last[0] == sunspecEnd && reads > 0) {
			t.Fatalf("fault %v after a block %v", d.Fault, last)
		}
		if d.Fault != nil && !strings.Contains(d.Fault.Error(), "address ") {
			t.Fatalf("the fault does not say where: %v", d.Fault)
		}
		if len(d.Blocks) > maxBlocks || len(d.Blocks) > 0 && d.Blocks[0].Model != commonModel {
			t.Fatalf("blocks %+v", d.Blocks)
		}
		next := int(base) + 2
		for _, b := range d.Blocks {
			if at := 2 * (next - int(base)); int(b.Address) != next || b.Model != uint16(image[at])<<8|uint16(image[at+1]) || b.Length != uint16(image[at+2])<<8|uint16(image[at+3]) {
				t.Fatalf("block %+v, expected the one at %d", b, next)
			}
			next += 2 + int(b.Length)
		}
		for _, text := range []string{d.Manufacturer, d.Model, d.Version, d.Serial} {
			if strings.ContainsFunc(text, func(c rune) bool { return c < ' ' || c > '~' }) {
				t.Fatalf("text %q", text)
			}
		}
	})
}

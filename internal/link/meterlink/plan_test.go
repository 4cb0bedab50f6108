package meterlink

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// threePhase is the wye meter model of SunSpec with its block at an address.
// Source: SunSpec model 203: A 2 (scale 6), PhV 7 (15), Hz 16 (17), W 18 (22),
// TotWhExp 38, TotWhImp 46 (54); model id and length at 0 and 1.
func threePhase(base uint16) plant.Profile {
	scale := func(offset uint16) *uint16 {
		a := base + offset
		return &a
	}
	notAccumulated, notPresent := uint64(0), uint64(0x8000)
	return plant.Profile{
		Name: "three-phase", MaxWaste: 60,
		Values: []plant.ProfileValue{
			{Name: "import", Function: 3, Address: base + 46, Type: plant.Uint32, Unit: "Wh", Cumulative: true, ScaleRegister: scale(54), NoValue: &notAccumulated},
			{Name: "export", Function: 3, Address: base + 38, Type: plant.Uint32, Unit: "Wh", Cumulative: true, ScaleRegister: scale(54), NoValue: &notAccumulated},
			{Name: "power", Function: 3, Address: base + 18, Type: plant.Int16, Unit: "W", ScaleRegister: scale(22), NoValue: &notPresent},
			{Name: "current", Function: 3, Address: base + 2, Type: plant.Int16, Unit: "A", ScaleRegister: scale(6), NoValue: &notPresent},
			{Name: "voltage", Function: 3, Address: base + 7, Type: plant.Int16, Unit: "V", ScaleRegister: scale(15), NoValue: &notPresent},
			{Name: "frequency", Function: 3, Address: base + 16, Type: plant.Int16, Unit: "Hz", ScaleRegister: scale(17), NoValue: &notPresent},
		},
		Anchors: []plant.Anchor{{Function: 3, Address: base, Words: []uint16{203, 105}}},
	}
}

// describe writes a plan for comparison.
func describe(pl plan) string {
	var b strings.Builder
	for i, r := range pl.requests {
		fmt.Fprintf(&b, "%d: %s\n", i, r)
	}
	for _, v := range pl.values {
		fmt.Fprintf(&b, "%s%s %d+%d", v.register, v.signal, v.at.request, v.at.offset)
		if v.scaled {
			fmt.Fprintf(&b, " scale %d+%d", v.scaleAt.request, v.scaleAt.offset)
		}
		b.WriteByte('\n')
	}
	for _, c := range pl.checks {
		fmt.Fprintf(&b, "check %d+%d = %d\n", c.at.request, c.at.offset, c.words)
	}
	if pl.probe != nil {
		fmt.Fprintf(&b, "probe: %s\n", *pl.probe)
	}
	return b.String()
}

func planOf(t interface{ Fatal(...any) }, p plant.Profile) plan {
	values, err := compileValues(plant.Meter{ID: "m", Profile: p})
	if err != nil {
		t.Fatal(err)
	}
	return newPlan(p, values)
}

func TestPlan(t *testing.T) {
	u32 := func(name string, function uint8, address uint16) plant.ProfileValue {
		return plant.ProfileValue{Name: name, Function: function, Address: address, Type: plant.Uint32}
	}
	far := uint16(300)
	tight := threePhase(40070)
	tight.MaxWaste = 0
	for _, c := range []struct {
		name    string
		profile plant.Profile
		want    string
	}{
		{"one snapshot with its identity", threePhase(40070), `
0: function 3, address 40070, 55 registers
m/import 0+46 scale 0+54
m/export 0+38 scale 0+54
power_watts 0+18 scale 0+22
current_amperes 0+2 scale 0+6
voltage_volts 0+7 scale 0+15
frequency_hertz 0+16 scale 0+17
check 0+0 = [203 105]
probe: function 3, address 40070, 2 registers
`},
		{"no waste: a value and its scale register stay together", tight, `
0: function 3, address 40070, 23 registers
1: function 3, address 40108, 17 registers
m/import 1+8 scale 1+16
m/export 1+0 scale 1+16
power_watts 0+18 scale 0+22
current_amperes 0+2 scale 0+6
voltage_volts 0+7 scale 0+15
frequency_hertz 0+16 scale 0+17
check 0+0 = [203 105]
probe: function 3, address 40070, 2 registers
`},
		{"adjacent, gap within waste, gap beyond, other function",
			plant.Profile{Name: "p", MaxWaste: 3, Values: []plant.ProfileValue{
				u32("d", 3, 20), u32("a", 3, 0), u32("b", 3, 2), u32("c", 3, 7), u32("e", 4, 4), u32("f", 4, 2),
			}}, `
0: function 3, address 0, 9 registers
1: function 3, address 20, 2 registers
2: function 4, address 2, 4 registers
d 1+0
a 0+0
b 0+2
c 0+7
e 2+2
f 2+0
`},
		{"waste counts per request, not per gap",
			plant.Profile{Name: "p", MaxWaste: 3, Values: []plant.ProfileValue{u32("a", 3, 0), u32("b", 3, 4), u32("c", 3, 8)}}, `
0: function 3, address 0, 6 registers
1: function 3, address 8, 2 registers
a 0+0
b 0+4
c 1+0
`},
		{"125 registers at most, no value cut",
			plant.Profile{Name: "p", MaxWaste: 125, Values: []plant.ProfileValue{u32("a", 3, 0), u32("b", 3, 123), u32("c", 3, 124), u32("d", 3, 65534)}}, `
0: function 3, address 0, 125 registers
1: function 3, address 124, 2 registers
2: function 3, address 65534, 2 registers
a 0+0
b 0+123
c 1+0
d 2+0
`},
		{"a scale register too far for one request",
			plant.Profile{Name: "p", Values: []plant.ProfileValue{{Name: "a", Function: 4, Address: 0, Type: plant.Uint64, ScaleRegister: &far}}}, `
0: function 4, address 0, 4 registers
1: function 4, address 300, 1 registers
a 0+0 scale 1+0
`},
		{"an anchor far from the values",
			plant.Profile{Name: "p", Values: []plant.ProfileValue{u32("a", 3, 1000)}, Anchors: []plant.Anchor{{Function: 4, Address: 7, Words: []uint16{1, 2, 3}}}}, `
0: function 3, address 1000, 2 registers
1: function 4, address 7, 3 registers
a 0+0
check 1+0 = [1 2 3]
`},
	} {
		if diff := cmp.Diff(strings.TrimPrefix(c.want, "\n"), describe(planOf(t, c.profile))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
	}
}

// A map of 300 adjacent registers is read in the fewest reads that the standard
// allows, none of them over its limit.
// Source: Modbus Application Protocol V1.1b3, section 6.3: 1 to 125 registers.
func TestLongMapIsSplit(t *testing.T) {
	p := plant.Profile{Name: "long"}
	for i := range 300 {
		p.Values = append(p.Values, plant.ProfileValue{Name: fmt.Sprint("v", i), Function: 3, Address: uint16(100 + i), Type: plant.Uint16})
	}
	want := []request{{3, 100, 125}, {3, 225, 125}, {3, 350, 50}}
	if got := planOf(t, p).requests; !slices.Equal(got, want) {
		t.Errorf("requests %v, want %v", got, want)
	}
}

// A gap of exactly max_waste registers is read over, one more is not; 0 reads over
// nothing, and no waste makes a read longer than the standard allows.
func TestMaxWasteAtItsEdges(t *testing.T) {
	for _, c := range []struct {
		waste, second uint16 // the first value is at 0
		want          int
	}{
		{0, 1, 1}, {0, 2, 2}, {1, 2, 1}, {1, 3, 2}, {16, 17, 1}, {16, 18, 2}, {120, 121, 1}, {120, 122, 2}, {200, 124, 1}, {200, 125, 2},
	} {
		p := plant.Profile{Name: "p", MaxWaste: c.waste, Values: []plant.ProfileValue{
			{Name: "a", Function: 3, Address: 0, Type: plant.Uint16}, {Name: "b", Function: 3, Address: c.second, Type: plant.Uint16},
		}}
		if got := planOf(t, p).requests; len(got) != c.want {
			t.Errorf("waste %d, values at 0 and %d: %v, want %d requests", c.waste, c.second, got, c.want)
		}
	}
}

func TestSignalNames(t *testing.T) {
	p := plant.Profile{Name: "p"}
	want := []string{"power_watts", "voltage_l1_volts", "current_l1_amperes", "line_frequency_hertz", "power_factor"}
	for i, v := range []plant.ProfileValue{
		{Name: "power", Unit: "kW"},
		{Name: "voltage_l1", Unit: "V"},
		{Name: "current_l1", Unit: "A"},
		{Name: "line-frequency", Unit: "Hz"},
		{Name: "power_factor"},
	} {
		v.Function, v.Type, v.Address = 3, plant.Int16, uint16(i)
		p.Values = append(p.Values, v)
	}
	for i, v := range planOf(t, p).values {
		if v.signal != want[i] {
			t.Errorf("value %s is signal %q, want %q", v.name, v.signal, want[i])
		}
	}
}

// Every plan covers every register it needs, within the limits of a request,
// and its probe has a length of its own and cuts no value.
func TestPlanProperties(t *testing.T) {
	types := []plant.WordType{plant.Uint16, plant.Int32, plant.Float64}
	rapid.Check(t, func(t *rapid.T) {
		p := plant.Profile{Name: "p", MaxWaste: rapid.Uint16Range(0, 130).Draw(t, "waste")}
		for i := range rapid.IntRange(1, 12).Draw(t, "values") {
			v := plant.ProfileValue{
				Name: fmt.Sprint("v", i), Function: rapid.SampledFrom([]uint8{3, 4}).Draw(t, "function"),
				Address: rapid.Uint16Range(0, 400).Draw(t, "address"), Type: rapid.SampledFrom(types).Draw(t, "type"),
			}
			if rapid.Bool().Draw(t, "scaled") {
				a := rapid.Uint16Range(0, 400).Draw(t, "scale")
				v.ScaleRegister = &a
			}
			p.Values = append(p.Values, v)
		}
		pl := planOf(t, p)
		for i, v := range pl.values {
			pv := p.Values[i]
			own, scale := spansOf(pv)
			r := pl.requests[v.at.request]
			if !r.holds(pv.Function, own) || int(r.address)+v.at.offset != own.start {
				t.Fatalf("%s is not at %+v of %s", pv.Name, v.at, r)
			}
			if !v.scaled {
				continue
			}
			rs := pl.requests[v.scaleAt.request]
			if !rs.holds(pv.Function, scale) || int(rs.address)+v.scaleAt.offset != scale.start {
				t.Fatalf("scale of %s is not at %+v of %s", pv.Name, v.scaleAt, rs)
			}
			hull := newCluster(own, scale)
			if hull.end-hull.start <= maxRegisters && v.at.request != v.scaleAt.request {
				t.Fatalf("%s and its scale register fit one request and are in two", pv.Name)
			}
		}
		for _, r := range pl.requests {
			if r.words == 0 || r.words > maxRegisters || r.end() > addressSpace {
				t.Fatalf("%s is no valid request", r)
			}
			if pl.probe != nil && pl.probe.words == r.words {
				t.Fatalf("probe %s is as long as %s", *pl.probe, r)
			}
		}
		for i, v := range pl.values {
			own, _ := spansOf(p.Values[i])
			if pl.probe != nil && v.at.request >= 0 && p.Values[i].Function == pl.probe.function &&
				pl.requests[v.at.request].address == pl.probe.address && own.start < pl.probe.end() && pl.probe.end() < own.end {
				t.Fatalf("probe %s cuts %s", *pl.probe, v.name)
			}
		}
	})
}

package profiles

import (
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"curetally/internal/core/plant"
)

func ready(t *testing.T, name string) plant.Profile {
	t.Helper()
	all := Ready()
	i := slices.IndexFunc(all, func(p plant.Profile) bool { return p.Name == name })
	if i < 0 {
		t.Fatalf("no ready-made profile %s", name)
	}
	return all[i]
}

func value(t *testing.T, p plant.Profile, name string) plant.ProfileValue {
	t.Helper()
	i := slices.IndexFunc(p.Values, func(v plant.ProfileValue) bool { return v.Name == name })
	if i < 0 {
		t.Fatalf("profile %s has no value %s", p.Name, name)
	}
	return p.Values[i]
}

func TestEachReadyProfileHasOneImportAndPower(t *testing.T) {
	for _, p := range Ready() {
		if v := value(t, p, "import"); !v.Cumulative || v.Unit != "Wh" && v.Unit != "kWh" {
			t.Errorf("%s: import %+v", p.Name, v)
		}
		if v := value(t, p, "power"); v.Cumulative || v.Unit != "W" {
			t.Errorf("%s: power %+v", p.Name, v)
		}
	}
}

// TestSunSpec checks addresses of the meter models.
// Source: SunSpec model definitions, github.com/sunspec/models json/model_203.json
// and model_213.json: from the block's first register W is at 18 with its scale at
// 22, TotWhImp at 46 with its scale at 54, block length 105; in the float model W
// is at 28, TotWhImp at 68, block length 124. The block begins at 40070 after
// "SunS" (2 registers) and the common block (2 + 66).
func TestSunSpec(t *testing.T) {
	const block = 40000 + 2 + 2 + 66
	for _, c := range []struct {
		name          string
		power, imp    uint16
		scale         uint16
		model, length uint16
		kind          plant.WordType
	}{
		{"sunspec-201", 18, 46, 54, 201, 105, plant.Uint32},
		{"sunspec-202", 18, 46, 54, 202, 105, plant.Uint32},
		{"sunspec-203", 18, 46, 54, 203, 105, plant.Uint32},
		{"sunspec-204", 18, 46, 54, 204, 105, plant.Uint32},
		{"sunspec-211", 28, 68, 0, 211, 124, plant.Float32},
		{"sunspec-212", 28, 68, 0, 212, 124, plant.Float32},
		{"sunspec-213", 28, 68, 0, 213, 124, plant.Float32},
		{"sunspec-214", 28, 68, 0, 214, 124, plant.Float32},
	} {
		p := ready(t, c.name)
		energy, power := value(t, p, "import"), value(t, p, "power")
		if energy.Address != block+c.imp || power.Address != block+c.power || energy.Type != c.kind {
			t.Errorf("%s: import %+v, power %+v", c.name, energy, power)
		}
		if c.scale > 0 && (energy.ScaleRegister == nil || *energy.ScaleRegister != block+c.scale) {
			t.Errorf("%s: scale register of import is not %d", c.name, block+c.scale)
		}
		if a := p.Anchors; len(a) != 1 || a[0].Address != block || !slices.Equal(a[0].Words, []uint16{c.model, c.length}) {
			t.Errorf("%s: anchors %+v", c.name, a)
		}
		for _, v := range p.Values {
			if int(v.Address)+int(v.Type.Words()) > block+125 {
				t.Errorf("%s: %s does not fit into one read from the block's beginning", c.name, v.Name)
			}
		}
	}
}

func TestLimits(t *testing.T) {
	for _, c := range []struct {
		profile string
		ratio   float64
		want    Limits
	}{
		{"wh-uint32", 1, Limits{Modulus: 1 << 32 * 1000, Resolution: 1000}},
		{"wh-uint32", 0.5, Limits{Modulus: 1 << 32 * 1000, Resolution: 500}},
		{"wh-uint64", 1, Limits{Modulus: 0, Resolution: 1000}}, // 2^64 Wh is beyond int64 mWh
		{"kwh-uint32-centi", 1, Limits{Modulus: 1 << 32 * 10_000, Resolution: 10_000}},
		{"kwh-6digit", 40, Limits{Modulus: 1_000_000 * 1_000_000, Resolution: 40_000_000}},
		{"sunspec-203", 1, Limits{Modulus: 0, Resolution: 1_000_000}},
		// 10 kW for 87 660 h are 876 600 kWh, between 2^19 and 2^20: a 24-bit
		// mantissa steps by 2^-4 kWh there.
		{"kwh-float32", 1, Limits{Modulus: 0, Resolution: 2 * 62_500, FloatBits: 24}},
	} {
		got, err := LimitsOf(value(t, ready(t, c.profile), "import"), c.ratio, 10_000)
		if err != nil || got != c.want {
			t.Errorf("%s × %v: %+v (%v), expected %+v", c.profile, c.ratio, got, err, c.want)
		}
	}
	fraction := value(t, ready(t, "wh-uint32"), "import")
	fraction.Scale = "0.0001"
	if _, err := LimitsOf(fraction, 1, 10_000); err == nil || !strings.Contains(err.Error(), "429496729.600 mWh") {
		t.Errorf("a modulus of a fraction of a milliwatt-hour was taken: %v", err)
	}
}

// A signed register that counts both ways starts again at its width; one that
// only counts up never shows the sign.
func TestLimits_Net(t *testing.T) {
	for _, c := range []struct {
		kind plant.WordType
		net  bool
		want int64
	}{
		{plant.Int16, true, 1 << 16 * 1000}, {plant.Int32, true, 1 << 32 * 1000}, {plant.Int48, true, 1 << 48 * 1000}, {plant.Uint48, false, 1 << 48 * 1000}, {plant.Int32, false, 0}, {plant.Float32, true, 0},
	} {
		v := plant.ProfileValue{Name: "import", Type: c.kind, Unit: "Wh", Cumulative: true, Net: c.net}
		if got, err := LimitsOf(v, 1, 10_000); err != nil || got.Modulus != c.want {
			t.Errorf("%s, net %v: modulus %d (%v), expected %d", c.kind, c.net, got.Modulus, err, c.want)
		}
	}
}

func TestShift(t *testing.T) {
	p := ready(t, "sunspec-203")
	moved, err := Shift(p, 10)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range moved.Values {
		if v.Address != p.Values[i].Address+10 || *v.ScaleRegister != *p.Values[i].ScaleRegister+10 {
			t.Errorf("%s moved from %d to %d, scale from %d to %d", v.Name, p.Values[i].Address, v.Address, *p.Values[i].ScaleRegister, *v.ScaleRegister)
		}
	}
	if moved.Anchors[0].Address != 40080 || p.Anchors[0].Address != 40070 {
		t.Errorf("anchor moved to %d, and the original is at %d", moved.Anchors[0].Address, p.Anchors[0].Address)
	}
	back, err := Shift(moved, -10)
	if err != nil || !slices.EqualFunc(back.Values, p.Values, func(a, b plant.ProfileValue) bool { return a.Address == b.Address }) {
		t.Errorf("there and back is not where it was: %v", err)
	}
	for _, offset := range []int{-40_071, 25_500, -1 << 40} {
		if _, err := Shift(p, offset); err == nil {
			t.Errorf("offset %d: no error", offset)
		}
	}
}

// TestOverlapIsSeenInAnyOrder compares the check with a count of uses of each
// register.
func TestOverlapIsSeenInAnyOrder(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	types := []string{"uint16", "uint32", "uint64"}
	var overlapping, apart int
	for range 2000 {
		var text strings.Builder
		text.WriteString("name: p\nvalues:\n")
		uses := map[uint16]int{}
		overlap := false
		for i := range 3 {
			kind := types[random.IntN(len(types))]
			address := uint16(random.IntN(12))
			text.WriteString("  - {name: v" + string(rune('a'+i)) + ", type: " + kind + ", address: " + strconv.Itoa(int(address)) + "}\n")
			for w := range plant.WordType(kind).Words() {
				uses[address+w]++
				overlap = overlap || uses[address+w] > 1
			}
		}
		_, problems := Read("p.yaml", []byte(text.String()))
		if (len(problems) > 0) != overlap {
			t.Fatalf("overlap %v, problems %v:\n%s", overlap, problems, text.String())
		}
		if overlap {
			overlapping++
		} else {
			apart++
		}
	}
	if overlapping < 100 || apart < 100 {
		t.Errorf("%d cases overlap and %d do not: too few of one kind", overlapping, apart)
	}
}

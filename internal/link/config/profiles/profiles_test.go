package profiles

import (
	"fmt"
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

// The points of the meter models that the profiles use, by offset from the block's
// first register, the model id; the model definitions count from the third, so
// theirs are two less.
//
// Source: SunSpec model definitions, github.com/sunspec/models, smdx/smdx_00203.xml,
// smdx_00204.xml, smdx_00213.xml and smdx_00214.xml, which place the points of all
// connections alike. PF is in percent (Pct) with its scale in the whole-number
// models and a ratio (PF) in the float ones. The definitions give W and PF a sign
// and do not say which direction is positive; TotWhImp and TotWhExp count the two
// directions apart.
var (
	wholePoints = map[string][2]uint16{ // offset of the point and of its scale
		"import": {46, 54}, "power": {18, 22}, "power_1": {19, 22}, "power_2": {20, 22}, "power_3": {21, 22},
		"current": {2, 6}, "voltage": {7, 15}, "voltage_line": {11, 15}, "frequency": {16, 17},
		"power_factor": {33, 37}, "power_factor_1": {34, 37}, "power_factor_2": {35, 37}, "power_factor_3": {36, 37},
	}
	floatPoints = map[string][2]uint16{
		"import": {68}, "power": {28}, "power_1": {30}, "power_2": {32}, "power_3": {34},
		"current": {2}, "voltage": {10}, "voltage_line": {18}, "frequency": {26},
		"power_factor": {52}, "power_factor_1": {54}, "power_factor_2": {56}, "power_factor_3": {58},
	}
)

// The block begins at 40070 after "SunS" (2 registers) and the common block
// (2 + 66).
func TestSunSpec(t *testing.T) {
	const block = 40000 + 2 + 2 + 66
	for _, model := range []uint16{201, 202, 203, 204, 211, 212, 213, 214} {
		name, points, length := fmt.Sprintf("sunspec-%d", model), wholePoints, uint16(105)
		if model > 210 {
			points, length = floatPoints, 124
		}
		p := ready(t, name)
		if a := p.Anchors; len(a) != 1 || a[0].Address != block || !slices.Equal(a[0].Words, []uint16{model, length}) {
			t.Errorf("%s: anchors %+v", name, a)
		}
		phases := map[uint16]int{2: 2, 3: 3}[model%10]
		for _, needed := range []string{"import", "power", "power_factor", "current", "voltage", "frequency", "power_1", "power_factor_1", "power_2", "power_factor_2", "power_3", "power_factor_3"} {
			if n := needed[len(needed)-1]; n >= '1' && n <= '3' && int(n-'0') > phases {
				continue
			}
			value(t, p, needed)
		}
		for _, v := range p.Values {
			at, known := points[v.Name]
			kind := plant.WordType(map[bool]string{true: "float32", false: "int16"}[model > 210])
			if v.Name == "import" && model < 210 {
				kind = plant.Uint32
			}
			if !known || v.Address != block+at[0] || v.Type != kind || v.NoValue == nil {
				t.Errorf("%s: %+v, expected a %s at %d", name, v, kind, block+at[0])
			}
			if has := v.ScaleRegister != nil; has != (at[1] > 0) || has && *v.ScaleRegister != block+at[1] {
				t.Errorf("%s: %s has another scale register than %d", name, v.Name, block+at[1])
			}
			if percent := strings.HasPrefix(v.Name, "power_factor") && model < 210; percent != (v.Scale == "0.01") {
				t.Errorf("%s: %s has the scale %q", name, v.Name, v.Scale)
			}
			if int(v.Address)+int(v.Type.Words()) > block+125 {
				t.Errorf("%s: %s does not fit into one read from the block's beginning", name, v.Name)
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

package commission

import (
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
)

// watched gives the track after 100 s at a power in watts, with registers in kWh
// that move by the given amounts in even steps.
func watched(watts float64, moves map[string]float64, net ...string) *track {
	var t track
	began := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
	for s := range 101 {
		values := []layout.Value{{Name: "power", Unit: "W", Content: layout.Number, Number: watts}}
		for _, name := range slices.Sorted(maps.Keys(moves)) {
			values = append(values, layout.Value{
				Name: name, Unit: "kWh", Content: layout.Number, Number: 1000 + moves[name]*float64(s)/100, Step: 0.001, Type: plant.Uint32, Net: slices.Contains(net, name),
			})
		}
		t.add(began.Add(time.Duration(s)*time.Second), values)
	}
	return &t
}

// 36 kW for 100 s are 1 kWh. Export is never added to import, and tariffs beside a
// total are parts of it.
func TestRegisters_ImportExportTariffs(t *testing.T) {
	for _, c := range []struct {
		name  string
		watts float64
		moves map[string]float64
		net   []string
		want  []Outcome
		says  []string
	}{
		{
			"all right", 36_000, map[string]float64{"import": 1, "export": 0, "import_tariff_1": 1, "import_tariff_2": 0},
			nil, []Outcome{Good, Good, Open},
			[]string{"import moved 1.000 kWh in 100 s, the power samples give 1.000", "import_tariff_1 + import_tariff_2 moved 1.000", "export moved 0.000 kWh in 100 s, the power samples give 0.000 kWh; nothing flows back"},
		},
		{
			"a change of tariff in between", 36_000, map[string]float64{"import": 1, "import_t1": 0.4, "import_t2": 0.6},
			nil, []Outcome{Good, Good}, []string{"import moved", "import_t1 + import_t2 moved 1.000"},
		},
		{
			"feeding back", -36_000, map[string]float64{"import": 0, "export": 1, "export_tariff_1": 1, "export_tariff_2": 0},
			nil, []Outcome{Open, Good, Good}, []string{"nothing flows", "export moved 1.000", "export_tariff_1 + export_tariff_2 moved"},
		},
		{
			"export counts what is imported", 36_000, map[string]float64{"import": 0, "export": 1},
			nil, []Outcome{Wrong, Wrong}, []string{"import moved 0.000", "export moved 1.000 kWh in 100 s, the power samples give 0.000"},
		},
		{
			"a tariff is missing", 36_000, map[string]float64{"import": 1, "import_tariff_1": 0, "import_tariff_2": 0},
			nil, []Outcome{Good, Doubtful}, []string{"import moved", "import_tariff_1 + import_tariff_2 moved 0.000"},
		},
		{"one part alone is not judged", 36_000, map[string]float64{"import": 1, "import_night": 0}, nil, []Outcome{Good}, []string{"import moved"}},
		{
			"no total: tariffs are added up", 36_000, map[string]float64{"import_t1": 0.3, "import_t2": 0.7},
			nil, []Outcome{Good}, []string{"import_t1 + import_t2 moved 1.000"},
		},
		{
			"a total of another name is added to its parts", 36_000, map[string]float64{"energy": 1, "energy_1": 1},
			nil, []Outcome{Wrong}, []string{"energy + energy_1 moved 2.000"},
		},
		{"net forward", 36_000, map[string]float64{"import": 1}, []string{"import"}, []Outcome{Good}, []string{"import moved 1.000"}},
		{"net backward", -36_000, map[string]float64{"import": -1}, []string{"import"}, []Outcome{Good}, []string{"import moved -1.000"}},
		{"net the wrong way", 36_000, map[string]float64{"import": -1}, []string{"import"}, []Outcome{Wrong}, []string{"import moved -1.000"}},
		{"a tariff falls", 36_000, map[string]float64{"import": 1, "import_t1": -1, "import_t2": 1}, nil, []Outcome{Good, Wrong}, []string{"import moved", "import_t1 fell by"}},
	} {
		got := watched(c.watts, c.moves, c.net...).judge()
		if len(got) != len(c.want) {
			t.Errorf("%s: %+v", c.name, got)
			continue
		}
		for i, v := range got {
			says := strings.ReplaceAll(v.Says, "−", "-")
			if v.Outcome != c.want[i] || !strings.Contains(says, c.says[i]) || v.Outcome != Good && v.Outcome != Open && v.Remedy == "" {
				t.Errorf("%s: %+v, want %s with %q", c.name, v, c.want[i], c.says[i])
			}
		}
	}
}

func TestMovements_ShowEveryRegister(t *testing.T) {
	got := watched(36_000, map[string]float64{"export": 0, "import": 1, "import_tariff_1": 1, "import_tariff_2": 0}).movements()
	want := []Movement{{"export", "export", 100, 0, 0}, {"import", "import", 100, 1, 1}, {"import_tariff_1", "part", 100, 1, 0}, {"import_tariff_2", "part", 100, 0, 0}}
	if len(got) != len(want) {
		t.Fatalf("movements %+v", got)
	}
	for i, w := range want {
		g := got[i]
		if g.Register != w.Register || g.Counts != w.Counts || g.Seconds != w.Seconds || max(g.Moved-w.Moved, w.Moved-g.Moved) > 1e-9 || max(g.Power-w.Power, w.Power-g.Power) > 1e-9 {
			t.Errorf("movement %+v, want %+v", g, w)
		}
	}
}

// Steps by IEEE 754-2019: 24 significant bits, so 2^(21-23) from 2^21 on.
func TestResolution(t *testing.T) {
	for _, c := range []struct {
		unit    string
		value   float64
		rated   float64
		outcome Outcome
		says    string
	}{
		{"kWh", 3_000_000, 9000, Doubtful, "import, a float, moves in steps of 0.25 kWh at 3\u202f000\u202f000 kWh, more than the 0.15 kWh that the rated power makes in a minute"},
		{"kWh", 3_000_000, 15_001, Good, "moves in steps of 0.25 kWh at"},
		{"kWh", 500_000, 9000, Good, "moves in steps of 0.03125 kWh at"},
		{"Wh", 20_000_000, 9000, Good, "moves in steps of 2 Wh at 20\u202f000 kWh"},
		{"Wh", 0, 9000, Good, "steps of less than 1 mWh at 0 kWh"},
	} {
		m := floats(plant.ProfileValue{Name: "import", Unit: c.unit, Cumulative: true}, plant.ProfileValue{Name: "voltage", Unit: "V"})
		m.MaxPower = c.rated
		v := verdict(t, Examine(m, holding(m, layout.Setting{}, map[string]float64{"import": c.value, "voltage": 230}), Transformer{}, nil), CheckResolution)
		if v.Outcome != c.outcome || !strings.Contains(v.Says, c.says) || (v.Outcome == Good) != (v.Remedy == "") {
			t.Errorf("%v %s: %+v", c.value, c.unit, v)
		}
	}
	whole := watched(36_000, map[string]float64{"import": 1})
	if got := judgeResolution([]layout.Value{{Name: "import", Unit: "kWh", Content: layout.Number, Number: 1000, Step: 1, Type: plant.Uint32}}, 9000); len(got) != 0 || whole.registers[0].float {
		t.Errorf("a whole-number register: %+v", got)
	}
}

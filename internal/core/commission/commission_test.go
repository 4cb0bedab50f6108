package commission

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
)

// floats is a meter of 32-bit floats from address 10 on.
func floats(values ...plant.ProfileValue) plant.Meter {
	p := plant.Profile{Name: "floats"}
	for i, v := range values {
		v.Function, v.Type, v.Address = 3, plant.Float32, uint16(10+2*i)
		p.Values = append(p.Values, v)
	}
	return plant.Meter{ID: "m", Unit: 1, MaxPower: 9000, Profile: p}
}

func threePhase() plant.Meter {
	vs := []plant.ProfileValue{{Name: "import", Unit: "kWh", Cumulative: true}, {Name: "power", Unit: "W"}, {Name: "power_factor"}, {Name: "frequency", Unit: "Hz"}}
	for i := range 3 {
		vs = append(
			vs, plant.ProfileValue{Name: fmt.Sprintf("voltage_%d", i+1), Unit: "V"}, plant.ProfileValue{Name: fmt.Sprintf("current_%d", i+1), Unit: "A"},
			plant.ProfileValue{Name: fmt.Sprintf("power_%d", i+1), Unit: "W"}, plant.ProfileValue{Name: fmt.Sprintf("power_factor_%d", i+1)},
		)
	}
	return floats(vs...)
}

// holding is the registers of a meter that lays out its numbers as a setting has
// it. NaN is what the meter does not have.
func holding(m plant.Meter, s layout.Setting, numbers map[string]float64) layout.Image {
	img := layout.Image{Words: map[layout.Address]uint16{}}
	for a := uint16(8); a < uint16(14+2*len(m.Profile.Values)); a++ {
		img.Words[layout.Address{Function: 3, Register: a}] = 0
	}
	for _, pv := range m.Profile.Values {
		n, ok := numbers[pv.Name]
		if !ok {
			n = math.NaN()
		}
		raw := math.Float32bits(float32(n))
		words := [2]uint16{uint16(raw >> 16), uint16(raw)}
		if s.SwapWords {
			words[0], words[1] = words[1], words[0]
		}
		for i, w := range words {
			if s.SwapBytes {
				w = w<<8 | w>>8
			}
			img.Words[layout.Address{Function: 3, Register: uint16(int(pv.Address) + s.Shift + i)}] = w
		}
	}
	return img
}

// wired gives what a meter of three phases shows of a balanced load. ct says of
// each phase whose conductor its transformer is on, counted from 1; negative when
// it is turned round.
func wired(volts, amperes, factor float64, ct [3]int) map[string]float64 {
	n := map[string]float64{"import": 12345.5, "frequency": 50}
	phi, total := math.Acos(factor), 0.0
	for i, on := range ct {
		// Own computation: phase k of the mains lags by k × 120°, its current by φ
		// more; the meter multiplies voltage and current of one input.
		angle := 2 * math.Pi / 3 * float64(max(on, -on)-1-i)
		pf := math.Cos(phi + angle)
		if on < 0 {
			pf = -pf
		}
		n[fmt.Sprintf("voltage_%d", i+1)], n[fmt.Sprintf("current_%d", i+1)] = volts, amperes
		n[fmt.Sprintf("power_%d", i+1)], n[fmt.Sprintf("power_factor_%d", i+1)] = volts*amperes*pf, pf
		total += volts * amperes * pf
	}
	n["power"], n["power_factor"] = total, total/(3*volts*amperes)
	return n
}

func verdict(t *testing.T, f Finding, check string) Verdict {
	t.Helper()
	for _, v := range f.Verdicts {
		if v.Check == check {
			return v
		}
	}
	t.Fatalf("no verdict on %s in %+v", check, f.Verdicts)
	return Verdict{}
}

// Whatever setting a meter really has, the values show it. At a glance one other
// setting may look as good; a minute on load leaves one.
func TestExamine_TheRightSettingShowsItself(t *testing.T) {
	m := threePhase()
	for _, s := range layout.Settings() {
		var watch Watch
		noise := rand.New(rand.NewPCG(1, 2))
		energy := 12345.5
		for second := 0; second <= 90; second += 5 {
			n := wired(230+noise.Float64(), 10+0.1*noise.Float64(), 0.95, [3]int{1, 2, 3})
			energy += 5 * n["power"] / 3.6e6
			n["import"] = energy
			img := holding(m, s, n)
			img.At = time.Date(2026, 3, 9, 8, 0, second, 0, time.UTC)
			watch.Add(m, img)
			switch second {
			case 0:
				glance(t, s, Examine(m, img, Transformer{}, &watch))
			case 90:
				settled(t, s, Examine(m, img, Transformer{}, &watch))
			}
		}
	}
}

func glance(t *testing.T, s layout.Setting, f Finding) {
	v, better := verdict(t, f, CheckSetting), Better(f.Settings)
	has := slices.ContainsFunc(better, func(b SettingFinding) bool { return b.Setting == s })
	switch {
	case v.Outcome == Good && s == (layout.Setting{}):
	case v.Outcome == Good && strings.Contains(v.Says, "with "+s.String()+" as well"):
	case v.Outcome == Wrong && has && len(better) <= 2 && len(f.Verdicts) == 1:
	default:
		t.Errorf("%s at a glance: %+v, %d better", s, v, len(better))
	}
}

func settled(t *testing.T, s layout.Setting, f Finding) {
	v, better := verdict(t, f, CheckSetting), Better(f.Settings)
	if s == (layout.Setting{}) {
		if v.Outcome != Good || v.Remedy != "" || len(better) != 0 || !f.Settings[0].Configured() || strings.Contains(v.Says, "as well") {
			t.Errorf("%s: %+v", s, v)
		}
		if r := verdict(t, f, CheckRegister); r.Outcome != Good {
			t.Errorf("%s: %+v", s, r)
		}
		return
	}
	if v.Outcome != Wrong || len(better) != 1 || better[0].Setting != s || len(f.Verdicts) != 1 {
		t.Errorf("%s: %+v, %d better", s, v, len(better))
		return
	}
	for word, want := range map[string]bool{
		"address_offset": s.Shift != 0, "add -1": s.Shift == -1, "add +1": s.Shift == 1,
		"word_order: little": s.SwapWords, "byte_order: little": s.SwapBytes,
	} {
		if strings.Contains(v.Remedy, word) != want {
			t.Errorf("%s: remedy %q has %q: want %v", s, v.Remedy, word, want)
		}
	}
}

func TestExamine_AnchorsDecide(t *testing.T) {
	m := threePhase()
	m.Profile.Anchors = []plant.Anchor{{Function: 3, Address: 60, Words: []uint16{203, 105}}}
	numbers := wired(230, 10, 0.95, [3]int{1, 2, 3})
	img := holding(m, layout.Setting{}, numbers)
	put := func(at, a, b uint16) {
		img.Words[layout.Address{Function: 3, Register: at}], img.Words[layout.Address{Function: 3, Register: at + 1}] = a, b
	}
	put(60, 203, 105)
	if v := verdict(t, Examine(m, img, Transformer{}, nil), CheckSetting); v.Outcome != Good {
		t.Errorf("anchors in place: %+v", v)
	}
	put(60, 204, 105)
	if v := verdict(t, Examine(m, img, Transformer{}, nil), CheckSetting); v.Outcome != Wrong || !strings.Contains(v.Remedy, "profile floats is of this kind") {
		t.Errorf("another kind of meter: %+v", v)
	}
	img = holding(m, layout.Setting{Shift: 1}, numbers)
	put(61, 203, 105)
	if v := verdict(t, Examine(m, img, Transformer{}, nil), CheckSetting); v.Outcome != Wrong || !strings.Contains(v.Remedy, "add +1 to address_offset") || !strings.Contains(v.Says, "known content") {
		t.Errorf("one higher: %+v", v)
	}
}

func TestExamine_Nonsense(t *testing.T) {
	m := threePhase()
	img := layout.Image{Words: map[layout.Address]uint16{}}
	if v := verdict(t, Examine(m, img, Transformer{}, nil), CheckSetting); v.Outcome != Wrong || !strings.Contains(v.Remedy, "check the unit id") {
		t.Errorf("nothing readable: %+v", v)
	}
	img = holding(m, layout.Setting{}, nil)
	for a := range img.Words {
		img.Words[a] = 0x7FC0 // not a number in each order of words
	}
	if v := verdict(t, Examine(m, img, Transformer{}, nil), CheckSetting); v.Outcome == Good {
		t.Errorf("all not a number: %+v", v)
	}
}

// Common practice, no source: a transformer turned round gives negative power on
// its phase, swapped phases a power factor below 0.5.
func TestExamine_Wiring(t *testing.T) {
	m := threePhase()
	for _, c := range []struct {
		name             string
		ct               [3]int
		factors          []float64
		direction, mixed Outcome
		remedy           string // of the direction
	}{
		{"right", [3]int{1, 2, 3}, []float64{1, 0.9, 0.7, 0.55}, Good, Good, ""},
		{"one turned round", [3]int{1, -2, 3}, []float64{1, 0.9, 0.75}, Wrong, Good, "swap its two wires"},
		{"two turned round", [3]int{-1, -2, 3}, []float64{1, 0.9, 0.75}, Wrong, Good, "swap its two wires"},
		{"all turned round", [3]int{-1, -2, -3}, []float64{1, 0.9, 0.75}, Wrong, Good, "all transformers turned round"},
		{"two swapped", [3]int{2, 1, 3}, []float64{1, 0.97, 0.9, 0.85}, Wrong, Wrong, "phases swapped"},
		{"each on the next", [3]int{2, 3, 1}, []float64{1, 0.99}, Wrong, Wrong, "phases swapped"},
		{"each on the one before", [3]int{3, 1, 2}, []float64{1, 0.99}, Wrong, Wrong, "phases swapped"},
		{"lagging, each on the one before", [3]int{3, 1, 2}, []float64{0.8}, Good, Wrong, ""},
	} {
		for _, factor := range c.factors {
			f := Examine(m, holding(m, layout.Setting{}, wired(230, 10, factor, c.ct)), Transformer{}, nil)
			d, p := verdict(t, f, CheckDirection), verdict(t, f, CheckPhases)
			if d.Outcome != c.direction || p.Outcome != c.mixed || !strings.Contains(d.Remedy, c.remedy) {
				t.Errorf("%s, power factor %v:\n%+v\n%+v", c.name, factor, d, p)
			}
			// A balanced load on phases mixed up leaves no power: nothing to compare.
			if w := verdict(t, f, CheckPower); w.Outcome != Good && c.mixed == Good {
				t.Errorf("%s, power factor %v: %+v", c.name, factor, w)
			}
		}
	}
	idle := verdict(t, Examine(m, holding(m, layout.Setting{}, wired(230, 0.05, 0.3, [3]int{1, 2, 3})), Transformer{}, nil), CheckPhases)
	if idle.Outcome != Open {
		t.Errorf("without load: %+v", idle)
	}
}

func TestExamine_WholeMeterOnly(t *testing.T) {
	m := floats(plant.ProfileValue{Name: "power", Unit: "kW"}, plant.ProfileValue{Name: "power_factor"}, plant.ProfileValue{Name: "voltage", Unit: "V"}, plant.ProfileValue{Name: "current", Unit: "A"})
	for _, c := range []struct {
		name             string
		kw, pf, v, a     float64
		power, direction Outcome
		says             string
	}{
		// Own computation: √3 × 400 × 10 × 0.9 = 6235 W; 3 × 230 × 10 × 0.9 = 6210 W;
		// 230 × 30 × 0.9 = 6210 W.
		{"between phases", 6.235, 0.9, 400, 10, Good, Good, "√3 × volts"},
		{"to neutral", 6.21, 0.9, 230, 10, Good, Good, "3 × volts"},
		{"all amperes", 6.21, 0.9, 230, 30, Good, Good, "; volts × amperes × power factor gives 6.210 kW"},
		{"within a tenth", 6.8, 0.9, 400, 10, Good, Good, "√3"},
		{"a fifth off", 7.5, 0.9, 400, 10, Wrong, Good, ""},
		{"wrong ratio", 0.156, 0.9, 400, 10, Wrong, Open, ""},
		{"negative", -6.235, -0.9, 400, 10, Good, Wrong, ""},
		{"a third is left", 2.078, 0.3, 400, 10, Good, Wrong, ""},
		{"no load", 0.01, 0.9, 400, 0.02, Open, Open, "too little load"},
	} {
		n := map[string]float64{"power": c.kw, "power_factor": c.pf, "voltage": c.v, "current": c.a}
		f := Examine(m, holding(m, layout.Setting{}, n), Transformer{}, nil)
		p, d := verdict(t, f, CheckPower), verdict(t, f, CheckDirection)
		if p.Outcome != c.power || d.Outcome != c.direction || !strings.Contains(p.Says, c.says) {
			t.Errorf("%s:\n%+v\n%+v", c.name, p, d)
		}
		if (p.Outcome == Wrong) != (p.Remedy != "" && p.Outcome != Open) || d.Outcome == Wrong && d.Remedy == "" {
			t.Errorf("%s: remedies %q, %q", c.name, p.Remedy, d.Remedy)
		}
	}
	delta := floats(plant.ProfileValue{Name: "power", Unit: "kW"}, plant.ProfileValue{Name: "power_factor"}, plant.ProfileValue{Name: "voltage_line", Unit: "V"}, plant.ProfileValue{Name: "current", Unit: "A"})
	for amperes, says := range map[float64]string{10: "√3 × volts", 30: "amperes of all phases × power factor, by √3, gives 6.235 kW"} {
		d := map[string]float64{"power": 6.235, "power_factor": 0.9, "voltage_line": 400, "current": amperes}
		f := Examine(delta, holding(delta, layout.Setting{}, d), Transformer{Amperes: 20}, nil)
		if p := verdict(t, f, CheckPower); p.Outcome != Good || !strings.Contains(p.Says, says) {
			t.Errorf("between phases, %v A: %+v", amperes, p)
		}
		if ct := verdict(t, f, CheckTransformer); !strings.Contains(ct.Says, "10 A is 50 %") {
			t.Errorf("between phases, %v A: %+v", amperes, ct)
		}
	}
	n := map[string]float64{"power": 6.2, "voltage": 400, "current": 10}
	if p := verdict(t, Examine(m, holding(m, layout.Setting{}, n), Transformer{}, nil), CheckPower); p.Outcome != Open || !strings.Contains(p.Says, "no power factor") {
		t.Errorf("no power factor: %+v", p)
	}
	n["current"] = 2
	if p := verdict(t, Examine(m, holding(m, layout.Setting{}, n), Transformer{}, nil), CheckPower); p.Outcome != Wrong {
		t.Errorf("more than volts × amperes: %+v", p)
	}
}

// In registers of one word the order of words makes no difference, and is not
// offered.
func TestBetter_OffersNothingTwice(t *testing.T) {
	m := plant.Meter{MaxPower: 9000, Profile: plant.Profile{Name: "short", Values: []plant.ProfileValue{
		{Name: "voltage", Function: 3, Address: 5, Type: plant.Uint16, Unit: "V"},
		{Name: "frequency", Function: 3, Address: 6, Type: plant.Uint16, Unit: "Hz"},
	}}}
	read := func(words ...uint16) Finding {
		img := layout.Image{Words: map[layout.Address]uint16{}}
		for i, w := range words {
			img.Words[layout.Address{Function: 3, Register: uint16(4 + i)}] = w
		}
		return Examine(m, img, Transformer{}, nil)
	}
	if v := verdict(t, read(0, 230, 50, 0), CheckSetting); v.Outcome != Good || strings.Contains(v.Says, "as well") {
		t.Errorf("right: %+v", v)
	}
	f := read(0, 230<<8, 50<<8, 0)
	if better := Better(f.Settings); len(better) != 1 || better[0].Setting != (layout.Setting{SwapBytes: true}) {
		t.Errorf("bytes swapped: %+v", better)
	}
}

func TestExamine_DeadPhase(t *testing.T) {
	m := threePhase()
	n := wired(230, 10, 0.95, [3]int{1, 2, 3})
	n["voltage_2"], n["power_2"], n["power_factor_2"] = 3, 0, 0
	v := verdict(t, Examine(m, holding(m, layout.Setting{}, n), Transformer{}, nil), CheckValues)
	if v.Outcome != Wrong || !strings.Contains(v.Says, "voltage_2 3 V (expected 80 to 760 V)") || !strings.Contains(v.Remedy, "fuse") {
		t.Errorf("dead phase: %+v", v)
	}
}

// Source of the limits: IEC 61869-2, see package accuracy.
func TestExamine_Transformer(t *testing.T) {
	m := threePhase()
	for _, c := range []struct {
		amperes float64
		ct      Transformer
		outcome Outcome
		says    string
	}{
		{5, Transformer{200, "0.5"}, Doubtful, "5 A is 2.5 % of the 200 A of the current transformer; class 0.5 promises nothing below 5 %, where it allows ±1.5 % and ±90 minutes"},
		{5, Transformer{200, "0.5S"}, Doubtful, "class 0.5S allows ±1.5 % and ±90 minutes of angle there, together up to 2.4 % of the power at a power factor of 0.95"},
		{10, Transformer{200, "0.5"}, Good, "class 0.5 allows ±1.5 %"},
		{10, Transformer{10, "0.5"}, Good, "10 A is 100 % of the 10 A of the current transformer; class 0.5 allows ±0.5 % and ±30 minutes"},
		{13, Transformer{10, "0.5"}, Wrong, "class 0.5 promises nothing above 120 %"},
		{5, Transformer{Amperes: 200}, Doubtful, "5 A is 2.5 % of the 200 A of the current transformer"},
		{0, Transformer{200, "0.5"}, Open, "no current"},
	} {
		f := Examine(m, holding(m, layout.Setting{}, wired(230, c.amperes, 0.95, [3]int{1, 2, 3})), c.ct, nil)
		v := verdict(t, f, CheckTransformer)
		if v.Outcome != c.outcome || !strings.Contains(v.Says, c.says) || (v.Outcome == Good) != (v.Remedy == "") {
			t.Errorf("%v A on %+v: %+v", c.amperes, c.ct, v)
		}
	}
	f := Examine(m, holding(m, layout.Setting{}, wired(230, 5, 0.95, [3]int{1, 2, 3})), Transformer{}, nil)
	for _, v := range f.Verdicts {
		if v.Check == CheckTransformer {
			t.Errorf("without a rating: %+v", v)
		}
	}
	// What the configuration says of the meter is taken when the person says nothing.
	m.Accuracy = plant.Accuracy{Class: "1", Amperes: 200, Transformers: "0.5", Independent: 1, Volts: 400, Phases: 3}
	for ct, says := range map[Transformer]string{{}: "2.5 % of the 200 A", {100, "0.5"}: "5 % of the 100 A"} {
		f := Examine(m, holding(m, layout.Setting{}, wired(230, 5, 0.95, [3]int{1, 2, 3})), ct, nil)
		if v := verdict(t, f, CheckTransformer); !strings.Contains(v.Says, says) {
			t.Errorf("configured, and %+v given: %+v", ct, v)
		}
	}
}

// A register that counts times times as fast as the power, in steps, watched for a
// time.
func TestWatch(t *testing.T) {
	counts := plant.Meter{MaxPower: 60_000, Profile: plant.Profile{Name: "counts", Values: []plant.ProfileValue{
		{Name: "import", Function: 3, Address: 0, Type: plant.Uint32, Unit: "Wh", Cumulative: true},
		{Name: "power", Function: 3, Address: 2, Type: plant.Int32, Unit: "W"},
	}}}
	for _, c := range []struct {
		name    string
		watts   float64
		times   float64
		every   int // seconds between which the meter counts
		seconds int
		outcome Outcome
		words   string
	}{
		{"right", 9000, 1, 1, 60, Good, ""},
		{"right, counted every 10 s", 9000, 1, 10, 60, Good, ""},
		{"5 % fast", 9000, 1.05, 1, 120, Good, ""},
		{"10 % fast", 9000, 1.10, 1, 120, Wrong, "1.1 times as fast"},
		{"10 % slow", 9000, 0.90, 1, 120, Wrong, "0.9 times as fast"},
		{"a thousand times", 9000, 1000, 1, 60, Wrong, "1e+03 times as fast"},
		{"transformer ratio in one of them", 9000, 0.025, 1, 120, Wrong, "ratio is in both or in neither"},
		{"stands still", 9000, 0, 1, 60, Wrong, "stands still"},
		{"too short", 9000, 1, 1, 30, Open, "30 of 60 s"},
		// 1.5 of the 4 steps of 1 Wh that make a judgement: 100 s more.
		{"too little", 90, 1, 1, 60, Open, "about 2m longer, with --for"},
		{"nothing flows", 0, 1, 1, 60, Open, "light the lamp"},
	} {
		var watch Watch
		began := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
		var f Finding
		for s := range c.seconds + 1 {
			at := began.Add(time.Duration(s) * time.Second)
			counted := float64(s / c.every * c.every)
			wh := uint32(500_000 + c.watts*c.times*counted/3600)
			img := layout.Image{At: at, Words: map[layout.Address]uint16{}}
			for i, w := range []uint16{uint16(wh >> 16), uint16(wh), 0, uint16(c.watts)} {
				img.Words[layout.Address{Function: 3, Register: uint16(i)}] = w
			}
			watch.Add(counts, img)
			if s == c.seconds {
				f = Examine(counts, img, Transformer{}, &watch)
			}
		}
		v := verdict(t, f, CheckRegister)
		if v.Outcome != c.outcome || !strings.Contains(v.Says+v.Remedy, c.words) {
			t.Errorf("%s: %+v", c.name, v)
		}
	}
}

func TestWatch_FallAndPause(t *testing.T) {
	reading := func(kwh, watts float64) []layout.Value {
		return []layout.Value{
			{Name: "import", Unit: "kWh", Content: layout.Number, Number: kwh, Step: 0.001},
			{Name: "power", Unit: "W", Content: layout.Number, Number: watts},
		}
	}
	began := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
	var w track
	w.add(began, reading(100, 9000))
	w.add(began.Add(time.Second), reading(99, 9000))
	if v := w.judge(); len(v) != 1 || v[0].Outcome != Wrong || !strings.Contains(v[0].Says, "import fell by 1.000 kWh") {
		t.Errorf("after a fall: %+v", v)
	}
	// After a pause the samples say nothing about the time between.
	w.add(began.Add(time.Hour), reading(200, 9000))
	if v := w.judge(); len(v) != 1 || v[0].Outcome != Open || !strings.Contains(v[0].Says, "0 of 60 s") {
		t.Errorf("after a pause: %+v", v)
	}
	w = track{}
	w.add(began, reading(100, 9000)[:1])
	if v := w.judge(); len(v) != 1 || v[0].Outcome != Open || !strings.Contains(v[0].Says, "no power") {
		t.Errorf("without power: %+v", v)
	}
}

func TestPhaseOf(t *testing.T) {
	for name, want := range map[string]int{
		"power": 0, "power_1": 1, "power_l2": 2, "power-c": 3, "voltage_phase_2": 2, "power_factor_3": 3,
		"voltage_12": -1, "voltage_l1_l2": -1, "voltage_ab": -1, "voltage_line": -1, "import_t1": 0, "power_4": 0,
	} {
		phase, line := phaseOf(name)
		if line {
			phase = -1
		}
		if phase != want {
			t.Errorf("%s is of phase %d, want %d", name, phase, want)
		}
	}
}

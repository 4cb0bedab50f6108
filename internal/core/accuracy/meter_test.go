package accuracy

import (
	"math"
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}

func behind(meter, transformers string, independent int) plant.Accuracy {
	return plant.Accuracy{Class: meter, Amperes: 200, Transformers: transformers, Independent: independent, Volts: 400, Phases: 3}
}

// Own computation, in Python: √(meter² + ratio² + (100 tan φ δ)²) ÷ √3, each limit
// from the tables of the classes.
func TestOfPower(t *testing.T) {
	for _, c := range []struct {
		transformers    string
		independent     int
		percent, factor float64
		phase, standard float64
	}{
		{"0.5", 1, 100, 0.85, 0.5408289613, 0.5139701565},
		{"0.5", 3, 100, 0.85, 0.5408289613, 0.3789599752},
		{"0.5", 1, 5, 0.85, 3 * 0.5408289613, 1.3079836503},
		{"0.5S", 1, 5, 0.85, 1.5 * 0.5408289613, 0.7001466328},
	} {
		u := OfPower(behind("0.5S", c.transformers, c.independent), c.percent, c.factor)
		near(t, "meter", u.Meter, 0.5, 0)
		near(t, "phase", u.Phase, c.phase, 2e-10)
		near(t, "standard", u.Standard, c.standard, 6e-11)
		if !u.Promised {
			t.Errorf("class %s at %v %%: not promised", c.transformers, c.percent)
		}
	}
	full := OfPower(behind("0.5S", "0.5", 1), 100, 0.85)
	near(t, "expanded", 2*full.Standard, 1.0279403130, 6e-11)
	near(t, "root of squares", math.Sqrt(3)*full.Standard, 0.8902224247, 6e-11)
	near(t, "worst case", full.Meter+full.Ratio+full.Phase, 1.5408289613, 6e-11)
	near(t, "expanded at 5 %", 2*OfPower(behind("0.5S", "0.5", 1), 5, 0.85).Standard, 2.6159673006, 2e-10)
	near(t, "expanded at 5 %, S class", 2*OfPower(behind("0.5S", "0.5S", 1), 5, 0.85).Standard, 1.4002932655, 2e-10)
	near(t, "phase at half", OfPower(behind("0.5S", "0.5", 1), 100, 0.5).Phase, 1.5114994702, 6e-11)
}

// From memory: IEC 62053-21 and IEC 62053-22, editions of 2003.
func TestMeterClasses(t *testing.T) {
	for _, c := range []struct {
		class           string
		direct          bool
		percent, factor float64
		want            float64
		promised        bool
	}{
		{"0.2S", false, 1, 1, 0.4, true},
		{"0.2S", false, 5, 1, 0.2, true},
		{"0.2S", false, 0.9, 1, 0.4, false},
		{"0.2S", false, 2, 0.5, 0.5, true},
		{"0.2S", false, 10, 0.5, 0.3, true},
		{"0.5S", false, 1, 1, 1.0, true},
		{"0.5S", false, 100, 1, 0.5, true},
		{"0.5S", false, 2, 0.5, 1.0, true},
		{"0.5S", false, 100, 0.5, 0.6, true},
		{"1", false, 2, 1, 1.5, true},
		{"1", false, 5, 1, 1.0, true},
		{"1", false, 5, 0.5, 1.5, true},
		{"1", false, 4, 0.5, 1.5, false},
		{"1", false, 10, 0.5, 1.0, true},
		{"2", false, 2, 1, 2.5, true},
		{"2", false, 5, 1, 2.0, true},
		{"2", false, 10, 0.5, 2.0, true},
		{"1", true, 5, 1, 1.5, true},
		{"1", true, 10, 1, 1.0, true},
		{"2", true, 5, 1, 2.5, true},
		{"1", true, 4.9, 1, 1.5, false},
		{"1", true, 10, 0.5, 1.5, true},
		{"2", true, 20, 0.5, 2.0, true},
		// Nothing is stated for every meter below a power factor of 0.5.
		{"1", false, 50, 0.49, 1.0, false},
		{"3", false, 50, 1, 0, false},
	} {
		a := plant.Accuracy{Class: c.class}
		if !c.direct {
			a.Transformers = "1"
		}
		if got, _, ok := meterLimit(a, c.percent, c.factor); got != c.want || ok != c.promised {
			t.Errorf("class %s (direct %v) at %v %%, power factor %v: ±%v %%, promised %v", c.class, c.direct, c.percent, c.factor, got, ok)
		}
	}
	for _, class := range MeterClasses() {
		if meterSteps(class, false, false) == nil {
			t.Errorf("class %s has no limits", class)
		}
	}
}

func TestBetween(t *testing.T) {
	for _, c := range []struct {
		class                   string
		percent, ratio, minutes float64
		promised                bool
	}{
		{"0.5", 5, 1.5, 90, true},
		{"0.5", 12.5, 1.125, 67.5, true}, // half way from 5 to 20 %
		{"0.5", 20, 0.75, 45, true},
		{"0.5", 60, 0.625, 37.5, true},
		{"0.5", 120, 0.5, 30, true},
		{"0.5", 121, 0.5, 30, false},
		{"0.5", 4, 1.5, 90, false},
		{"0.5S", 3, 1.125, 67.5, true},
		{"3", 80, 3, 0, true},
		{"9", 50, 0, 0, false},
	} {
		l, ok := Between(c.class, c.percent)
		if ok != c.promised || l.Ratio != c.ratio || l.Minutes != c.minutes {
			t.Errorf("class %s at %v %%: %v, %v", c.class, c.percent, l, ok)
		}
	}
	if LeastPercent("0.5") != 5 || LeastPercent("0.5S") != 1 || LeastPercent("") != 0 {
		t.Error("least load of a class")
	}
}

// Below the least load the error stays the same in amperes, up to the whole power.
func TestBeyondPromise(t *testing.T) {
	a := behind("0.5S", "0.5", 1)
	at5, at1, at0 := OfPower(a, 5, 0.9), OfPower(a, 1, 0.9), OfPower(a, 0, 0.9)
	near(t, "ratio at 1 %", at1.Ratio, 5*at5.Ratio, 1e-12)
	near(t, "phase at 1 %", at1.Phase, 5*at5.Phase, 1e-12)
	near(t, "meter at 1 %", at1.Meter, 1, 0)
	near(t, "no current", at0.Standard, 100/math.Sqrt(3), 1e-12)
	if !at5.Promised || at1.Promised || at0.Promised {
		t.Errorf("promised at 5 %% %v, at 1 %% %v, at none %v", at5.Promised, at1.Promised, at0.Promised)
	}
}

// Source: JCGM 100:2008, annex H.2, whose raw sets give the resistance R, the
// reactance X and the impedance Z with the uncertainties 0.071, 0.295 and 0.236 Ω.
// The power and its uncertainties: own computation, in Python.
func TestPropagate(t *testing.T) {
	const (
		v, uv     = 4.9990, 0.00320936131
		i, ui     = 19.6610e-3, 0.00947100839e-3
		phi, uphi = 1.04446, 0.000752063827
	)
	r := [3][3]float64{{1, -0.3553112198, 0.8576242108}, {-0.3553112198, 1, -0.6451112176}, {0.8576242108, -0.6451112176, 1}}
	together := func(a, b int) float64 { return r[a][b] }
	sin, cos := math.Sin(phi), math.Cos(phi)
	near(t, "u(R)", Propagate([]float64{cos / i * uv, -v * cos / (i * i) * ui, -v * sin / i * uphi}, together), 0.0710714, 5e-8)
	near(t, "u(X)", Propagate([]float64{sin / i * uv, -v * sin / (i * i) * ui, v * cos / i * uphi}, together), 0.2955817, 5e-8)
	near(t, "u(Z)", Propagate([]float64{uv / i, -v / (i * i) * ui, 0}, together), 0.2363361, 5e-8)
	power := []float64{i * cos * uv, v * cos * ui, -v * i * sin * uphi}
	near(t, "u(P)", Propagate(power, together), 6.004894554e-05, 1e-13)
	near(t, "u(P) of independent parts", Propagate(power, nil), 7.520211624e-05, 1e-13)
}

// Own computation, in Python: a spot measurement before and one after, limits 0.5 %
// of the voltage, 1 % of the current, 0.01 of the power factor, over 4 100 ± 150 h.
func TestPropagateSpotMeasurement(t *testing.T) {
	uv, ui := 0.005/math.Sqrt(3), 0.01/math.Sqrt(3)
	power := func(volts, amperes, factor float64) (kw float64, u []float64) {
		kw = math.Sqrt(3) * volts * amperes * factor / 1000
		return kw, []float64{kw * uv, kw * ui, kw * 0.01 / math.Sqrt(3) / factor}
	}
	pre, uPre := power(401.2, 41.8, 0.935)
	post, uPost := power(401.9, 9.62, 0.978)
	near(t, "pre", pre, 27.158729175, 1e-9)
	near(t, "post", post, 6.549264954, 1e-9)
	near(t, "u(pre)", Propagate(uPre, nil), 0.2426046518, 1e-10)
	near(t, "u(post)", Propagate(uPost, nil), 0.0572888605, 1e-10)
	parts := append(uPre, -uPost[0], -uPost[1], -uPost[2])
	apart := Propagate(parts, nil)
	near(t, "u of the difference", apart, 0.2492770158, 1e-10)
	// Voltage and current are measured with the same instruments both times.
	same := Propagate(parts, func(a, b int) float64 {
		if a == b+3 && b < 2 {
			return 1
		}
		return 0
	})
	near(t, "u with common instruments", same, 0.2175236872, 1e-10)
	near(t, "u of the energy", Propagate([]float64{4100 * apart, (pre - post) * 150}, nil), 3255.984099, 1e-6)
	near(t, "u of the energy with common instruments", Propagate([]float64{4100 * same, (pre - post) * 150}, nil), 3217.493843, 1e-6)
}

// An arc head of 9.4 kW becomes an LED head of 2.2 kW behind a transformer for
// 200 A. Own computation: P ÷ (√3 × 400 V × 0.9).
func TestOver(t *testing.T) {
	a := behind("0.5S", "0.5", 1)
	kwh := func(v float64) unit.Energy { return unit.Energy(v * 1e6) }
	arc := Over(a, []Load{{kwh(9400), 1000}}, 0.9)
	near(t, "amperes", Amperes(a, 9400, 0.9), 15.0752570, 1e-7)
	near(t, "percent with arc", arc.Percent, 7.5376285, 1e-7)
	near(t, "arc", arc.Relative, OfPower(a, arc.Percent, 0.9).Standard/100, 1e-15)
	if arc.Beyond != 0 || arc.Unknown != 0 || arc.Energy != kwh(9400) {
		t.Errorf("arc: %+v", arc)
	}
	led := Over(a, []Load{{kwh(2200), 1000}, {kwh(60), 1000}, {kwh(226), 0}, {-5, 1}}, 0.9)
	curing, idle := OfPower(a, Percent(a, 2200, 0.9), 0.9), OfPower(a, Percent(a, 60, 0.9), 0.9)
	near(t, "led", led.Relative, (2200*curing.Standard+60*idle.Standard)/2260/100, 1e-15)
	near(t, "percent with led", led.Percent, (2200*Percent(a, 2200, 0.9)+60*Percent(a, 60, 0.9))/2260, 1e-12)
	near(t, "beyond", led.Beyond, 2260.0/2486, 1e-12)
	near(t, "unknown", led.Unknown, 226.0/2486, 1e-12)

	one := plant.Accuracy{Class: "1", Amperes: 10, Volts: 230, Phases: 1}
	near(t, "one phase", Amperes(one, 2070, 0.9), 10, 1e-12)
	near(t, "load not known", Over(one, []Load{{kwh(1), 0}}, 0.9).Relative, 0.015/math.Sqrt(3), 1e-15)
	near(t, "load not known, behind transformers", Over(a, nil, 0.9).Relative, OfPower(a, 5, 0.9).Standard/100, 1e-15)
	if f, assumed := Factor(one); f != 0.9 || !assumed {
		t.Errorf("power factor %v, assumed %v", f, assumed)
	}
	one.PowerFactor = 0.97
	if f, assumed := Factor(one); f != 0.97 || assumed {
		t.Errorf("power factor %v, assumed %v", f, assumed)
	}
}

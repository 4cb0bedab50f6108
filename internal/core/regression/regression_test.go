package regression_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"curetally/internal/core/regression"
	"curetally/internal/core/stats"
)

// near fails unless got equals want to the given relative error.
func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g", what, got, want)
	}
}

// table makes a table of columns; the last one is the energy.
func table(names string, columns ...[]float64) regression.Table {
	t := regression.Table{Drivers: strings.Fields(names), Energy: columns[len(columns)-1]}
	for i := range t.Energy {
		var row []float64
		for _, c := range columns[:len(columns)-1] {
			row = append(row, c[i])
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func fit(t *testing.T, tab regression.Table, form regression.Form) regression.Model {
	t.Helper()
	m, err := regression.Fit(tab, form)
	if err != nil {
		t.Fatalf("model %s: %v", form, err)
	}
	return m
}

func sheets() (baseline, reporting regression.Table) {
	return table("sheets",
			[]float64{412, 388, 455, 430, 470, 498, 356, 301, 467, 489, 440, 372},
			[]float64{18608, 18032, 19682, 18525, 19465, 20497, 16674, 14002, 19760, 21074, 19580, 16608}),
		table("sheets",
			[]float64{425, 401, 448, 462, 480, 505, 349, 318, 455, 497, 431, 385},
			[]float64{5512, 5431, 5730, 6065, 6150, 6318, 4730, 4655, 5806, 6350, 5710, 5105})
}

func months() regression.Table {
	return table("temperature",
		[]float64{-1.2, 0.8, 5.1, 9.9, 15.2, 19.8, 23.1, 22.4, 17.9, 11.6, 5.8, 0.9},
		[]float64{8120, 8310, 8235, 8150, 9060, 10390, 11560, 11240, 9810, 8205, 8290, 8140})
}

// Source: computed independently with R 4.2.2 lm() and with Python.
func TestSheets(t *testing.T) {
	base, _ := sheets()
	m := fit(t, base, regression.Linear)
	b0, b1 := m.Coefficients[0], m.Coefficients[1]
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"b0", b0.Value, 4808.2921072297},
		{"se0", b0.StdError, 1010.57809245059},
		{"t0", b0.T, 4.75796194589},
		{"b1", b1.Value, 32.4551978561},
		{"se1", b1.StdError, 2.36685569595},
		{"t1", b1.T, 13.71236865502},
		{"VIF of the only driver", b1.VIF, 1},
		{"s", m.ResidualSD, 466.262562369366},
		{"SSE", m.SSE, 2174007.770672459},
		{"R2", m.R2, 0.949502359420},
		{"adjR2", m.AdjR2, 0.944452595362},
		{"CV", m.CVRMSE, 0.025145953828},
		{"rho", m.Rho, 0.233410748187},
		{"DW", m.DurbinWatson, 1.414412840468},
		{"at 430", m.Predict([]float64{430}), 18764.0271853501},
	} {
		near(t, c.what, c.got, c.want, 2e-11)
	}
	if m.N != 12 || m.P != 2 || math.Abs(m.NMBE) > 1e-12 || b0.Name != "intercept" || b1.Name != "sheets" {
		t.Errorf("n %d, p %d, NMBE %v, names %s and %s", m.N, m.P, m.NMBE, b0.Name, b1.Name)
	}
	if reasons := m.Judge(regression.UsualLimits()); reasons != nil {
		t.Errorf("not accepted: %q", reasons)
	}
}

// Twelve months against the temperature outdoors.
// Source: computed independently with R 4.2.2 (optimize over lm) and with Python;
// the BIC of the mean in exact arithmetic.
func TestChangePointMonths(t *testing.T) {
	for _, c := range []struct {
		form         regression.Form
		p            int
		changes      []float64
		coefficients []float64
		sse, cv      float64
		r2, bic      float64
	}{
		{regression.Mean, 1, nil, []float64{9125.833333}, 18406941.666667, 0.141749632791, 0, 173.4048878434},
		{regression.Linear, 2, nil, []float64{7691.08381809, 131.12714534}, 4009629.126289, 0.069387232989, 0.782167554018, 157.601445195},
		{regression.Cooling3, 3, []float64{12.6618185}, []float64{8207.142857, 314.163597}, 48177.531744, 0.008017306474, 0.997382643319, 107.027616691},
		{regression.Cooling4, 4, []float64{12.6905153}, []float64{8216.158351, -1.128274, 314.163597}, 47998.700238, 0.008487840545, 0.997392358758, 109.467897335},
	} {
		m := fit(t, months(), c.form)
		what := string(c.form)
		if m.P != c.p || len(m.ChangePoints) != len(c.changes) || len(m.Coefficients) != len(c.coefficients) {
			t.Fatalf("%s: p %d, change points %v, coefficients %v", what, m.P, m.ChangePoints, m.Coefficients)
		}
		for i, want := range c.changes {
			near(t, what+" change point", m.ChangePoints[i], want, 1e-8)
		}
		for i, want := range c.coefficients {
			near(t, what+" "+m.Coefficients[i].Name, m.Coefficients[i].Value, want, 1e-6)
		}
		near(t, what+" SSE", m.SSE, c.sse, 2e-11)
		near(t, what+" CV", m.CVRMSE, c.cv, 1e-10)
		near(t, what+" R2", m.R2, c.r2, 1e-11)
		near(t, what+" BIC", m.BIC, c.bic, 1e-11)
	}
	near(t, "s of the mean", fit(t, months(), regression.Mean).ResidualSD, 1293.583523910742, 1e-14)

	three, four := fit(t, months(), regression.Cooling3), fit(t, months(), regression.Cooling4)
	near(t, "F from three to four", (three.SSE-four.SSE)/(four.SSE/8), 0.0298060581, 1e-8)
	near(t, "at 26", three.Predict([]float64{26}), 12397.513929, 1e-9)
	// The level of a three-parameter model is the mean of the months below.
	near(t, "level", three.Coefficients[0].Value, (8120.+8310+8235+8150+8205+8290+8140)/7, 1e-14)

	chosen := fit(t, months(), regression.Auto)
	if chosen.Form != regression.Cooling3 || len(chosen.Considered) != 6 {
		t.Errorf("chosen was %s of %+v", chosen.Form, chosen.Considered)
	}
}

// Source: a three-parameter line without noise, its parameters by hand.
func TestChangePointWithoutNoise(t *testing.T) {
	tab := table("t", []float64{2, 5, 8, 11, 14, 17, 20, 23}, []float64{1000, 1000, 1000, 1000, 1050, 1200, 1350, 1500})
	for _, form := range []regression.Form{regression.Cooling3, regression.Auto} {
		m := fit(t, tab, form)
		if m.Form != regression.Cooling3 || m.SSE != 0 {
			t.Fatalf("model %s, SSE %v", m.Form, m.SSE)
		}
		near(t, "change point", m.ChangePoints[0], 13, 1e-14)
		near(t, "b0", m.Coefficients[0].Value, 1000, 1e-14)
		near(t, "b1", m.Coefficients[1].Value, 50, 1e-13)
		if !math.IsNaN(m.Coefficients[1].T) || !math.IsNaN(m.DurbinWatson) || m.Rho != 0 || m.NEffective != 8 {
			t.Errorf("residuals of nothing give t %v, DW %v, rho %v, n' %v", m.Coefficients[1].T, m.DurbinWatson, m.Rho, m.NEffective)
		}
	}
}

// Every form finds the parameters that made its data, also beside a second
// driver. Source: the parameters by hand.
func TestFormsFindWhatMadeTheData(t *testing.T) {
	var temp, hours []float64
	for i := range 60 {
		temp = append(temp, float64(i*37%60)*0.5-4)
		hours = append(hours, float64(i*i%17))
	}
	plus := func(v float64) float64 { return max(v, 0) }
	for _, c := range []struct {
		form    regression.Form
		changes []float64
		names   string
		energy  func(t float64) float64
		want    []float64
	}{
		{regression.Heating3, []float64{9.3}, "temperature below,hours", func(t float64) float64 { return 400 + 20*plus(9.3-t) }, []float64{400, 20, 7}},
		{regression.Heating4, []float64{9.3}, "temperature below,temperature above,hours", func(t float64) float64 { return 400 + 20*plus(9.3-t) - 3*plus(t-9.3) }, []float64{400, 20, -3, 7}},
		{regression.Cooling4, []float64{9.5}, "temperature below,temperature above,hours", func(t float64) float64 { return 400 + 2*plus(9.5-t) + 15*plus(t-9.5) }, []float64{400, 2, 15, 7}},
		{regression.Five, []float64{4.2, 14.1}, "temperature below,temperature above,hours", func(t float64) float64 { return 400 + 12*plus(4.2-t) + 9*plus(t-14.1) }, []float64{400, 12, 9, 7}},
	} {
		var energy []float64
		for i := range temp {
			energy = append(energy, c.energy(temp[i])+7*hours[i])
		}
		tab := table("temperature hours", temp, hours, energy)
		for _, form := range []regression.Form{c.form, regression.Auto} {
			m := fit(t, tab, form)
			if m.Form != c.form || m.P != len(c.want)+len(c.changes) {
				t.Fatalf("%s: model %s, p %d", c.form, m.Form, m.P)
			}
			var names []string
			for i, want := range c.want {
				near(t, string(c.form)+" "+m.Coefficients[i].Name, m.Coefficients[i].Value, want, 1e-11)
				names = append(names, m.Coefficients[i].Name)
			}
			if got := strings.Join(names, ","); got != "intercept,"+c.names {
				t.Errorf("%s: coefficients %s, want intercept,%s", c.form, got, c.names)
			}
			for i, want := range c.changes {
				near(t, string(c.form)+" change point", m.ChangePoints[i], want, 1e-12)
			}
		}
	}
}

// Two drivers whose correlation is 0.9964.
// Source: computed independently with R 4.2.2 lm() and with Python.
func TestCollinearDrivers(t *testing.T) {
	tab := table("h k",
		[]float64{7.5, 8.1, 6.9, 9.2, 8.8, 3.2, 0, 7.9, 8.4, 9.0, 6.5, 7.2, 2.5, 0},
		[]float64{41.2, 45, 36.1, 52.3, 47.9, 15.5, 0, 42.8, 49.5, 48.2, 33, 40.9, 12.9, 0},
		[]float64{402, 431, 372, 489, 460, 199, 58, 421, 452, 470, 351, 395, 170, 61})
	m := fit(t, tab, regression.Linear)
	for j, want := range [][3]float64{{58.71048262550, 1.060920569147, 55.339}, {31.33041508590, 1.752760053152, 17.875}, {2.66430663642, 0.311212001423, 8.561}} {
		near(t, "b", m.Coefficients[j].Value, want[0], 1e-11)
		near(t, "se", m.Coefficients[j].StdError, want[1], 1e-11)
		near(t, "t", m.Coefficients[j].T, want[2], 1e-4)
	}
	near(t, "VIF of h", m.Coefficients[1].VIF, 137.8397795, 1e-9)
	near(t, "VIF of k", m.Coefficients[2].VIF, 137.8397795, 1e-9)
	near(t, "s", m.ResidualSD, 1.7512166990, 1e-10)
	near(t, "R2", m.R2, 0.9998856411729, 1e-12)
	near(t, "CV", m.CVRMSE, 0.0051822096, 1e-7)
	near(t, "rho", m.Rho, -0.1779642138, 1e-9)
	near(t, "DW", m.DurbinWatson, 2.1375238364, 1e-10)
	if m.NEffective != 14 {
		t.Errorf("n' = %v for a negative correlation, want the 14 rows", m.NEffective)
	}
}

func TestRefusals(t *testing.T) {
	five := []float64{1, 2, 3, 4, 5}
	ten := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}
	flat := slices.Repeat([]float64{24}, 10)
	energy := []float64{3, 1, 4, 1, 5, 9, 2, 6, 5, 3}
	half := []float64{.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5}
	two := slices.Repeat([]float64{1, 2}, 5)
	for _, c := range []struct {
		tab   regression.Table
		form  regression.Form
		names string
	}{
		{table("x", five[:3], energy[:3]), regression.Linear, "3 rows, expected at least 4 for model linear, two more than its parameters: add rows"},
		{table("x", five[:3], energy[:3]), regression.Auto, "3 rows, expected at least 4 for model linear"},
		{table("", energy[:2]), regression.Mean, "2 rows, expected at least 3 for model mean"},
		{table("x", five, energy[:5]), regression.Cooling4, "5 rows, expected at least 6 for model cooling4"},
		{table("", energy), regression.Linear, "model linear needs a driver: name one, or use model mean"},
		{table("x", flat, energy), regression.Linear, "driver x is 24 in every row: leave it out, or add rows in which it varies"},
		{table("x y", ten, flat, energy), regression.Auto, "driver y is 24 in every row"},
		{table("x y", ten, half, energy), regression.Linear, "columns x, y cannot be told apart: leave one of them out"},
		{table("x y z", two, ten, half, energy), regression.Cooling3, "the first driver has too few different values for its change points: use model linear"},
		{table("x y z", ten, half, five, energy[:5]), regression.Cooling3, "5 rows, expected at least 7 for model cooling3"},
		{table("x y z", ten, energy, energy, energy), regression.Cooling3, "columns y, z cannot be told apart"},
	} {
		m, err := regression.Fit(c.tab, c.form)
		if err == nil {
			t.Errorf("%s was fitted: %+v", c.form, m.Coefficients)
			continue
		}
		_, singular := errors.AsType[*stats.SingularError](err)
		if !strings.Contains(err.Error(), c.names) || !singular && !errors.Is(err, regression.ErrInput) {
			t.Errorf("refusal %q, want %q", err, c.names)
		}
	}
}

// What Auto does where there is little to choose from.
func TestAutoTakesWhatThereIs(t *testing.T) {
	alone := regression.Table{Energy: []float64{5, 6, 5, 7}, Rows: make([][]float64, 4)}
	if m := fit(t, alone, regression.Auto); m.Form != regression.Mean || len(m.Considered) != 1 {
		t.Errorf("without drivers: %s of %+v", m.Form, m.Considered)
	}
	// Two values of the driver have no change point between them.
	shifts := table("night", []float64{0, 1, 0, 1, 0, 1, 0, 1, 0, 1}, []float64{50, 81, 52, 80, 49, 79, 51, 83, 50, 80})
	m := fit(t, shifts, regression.Auto)
	if m.Form != regression.Linear || len(m.Considered) != 6 {
		t.Fatalf("two values: %s of %+v", m.Form, m.Considered)
	}
	for _, c := range m.Considered[2:] {
		if !strings.Contains(c.Against, "too few different values") || !math.IsNaN(c.BIC) {
			t.Errorf("%s was considered: %+v", c.Form, c)
		}
	}
	// Nothing is adequate: the least criterion all the same, and not accepted.
	wild := table("x", []float64{1, 5, 2, 4, 3, 6, 2, 1, 7, 3}, []float64{10, 0, 300, 5, 0, 10, 500, 0, 40, 2})
	if m := fit(t, wild, regression.Auto); m.Form != regression.Mean || m.Judge(regression.UsualLimits()) == nil {
		t.Errorf("nothing adequate: %s of %+v", m.Form, m.Considered)
	}
	// Too few rows even for the mean.
	if _, err := regression.Fit(regression.Table{Energy: []float64{5, 6}, Rows: make([][]float64, 2)}, regression.Auto); !errors.Is(err, regression.ErrInput) {
		t.Errorf("two rows: %v", err)
	}
}

func TestJudgeNamesFigureAndLimit(t *testing.T) {
	noise := table("x y", []float64{1, 5, 2, 4, 3, 6, 2, 1}, []float64{3, 3, 1, 2, 9, 1, 4, 5}, []float64{10, 0, 30, 5, 0, 10, 50, 0})
	got := fit(t, noise, regression.Linear).Judge(regression.UsualLimits())
	for _, want := range []string{"8 rows, limit at least 9", "limit 25 %", "limit above 0.75", "x: t ", "y: t "} {
		if !slices.ContainsFunc(got, func(r string) bool { return strings.Contains(r, want) }) {
			t.Errorf("reasons %q, want one with %q", got, want)
		}
	}
	standing := table("x", []float64{1, 5, 2, 4, 3, 6, 2, 1, 9}, slices.Repeat([]float64{5}, 9))
	if got := fit(t, standing, regression.Linear).Judge(regression.UsualLimits()); len(got) == 0 || !strings.Contains(got[0], "same in every row") {
		t.Errorf("a meter that stands still: %q", got)
	}
	nothing := table("x", []float64{1, 5, 2, 4, 3, 6, 2, 1, 9}, []float64{-1, 1, -1, 1, 0, 0, 0, 2, -2})
	if got := fit(t, nothing, regression.Linear).Judge(regression.UsualLimits()); len(got) == 0 || !strings.Contains(got[0], "mean energy is 0") {
		t.Errorf("a mean of zero: %q", got)
	}
	// A drift through the period: successive residuals are almost the same.
	drift := regression.Table{Energy: []float64{100, 101, 102, 103, 104, 105, 106, 107, 108, 109}, Rows: make([][]float64, 10)}
	if got := fit(t, drift, regression.Mean).Judge(regression.UsualLimits()); len(got) != 1 || !strings.Contains(got[0], "lag-1 correlation of 0.7 leave 1.765 effective rows, limit at least 2") {
		t.Errorf("a drift: %q", got)
	}
}

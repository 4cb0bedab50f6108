package stats_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/stats"
)

// near fails unless got equals want to the given relative error.
func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g", what, got, want)
	}
}

func column(v ...float64) (rows [][]float64) {
	for _, x := range v {
		rows = append(rows, []float64{x})
	}
	return rows
}

func sheets(t *testing.T) (stats.Fit, [][]float64) {
	t.Helper()
	x := column(412, 388, 455, 430, 470, 498, 356, 301, 467, 489, 440, 372)
	y := []float64{18608, 18032, 19682, 18525, 19465, 20497, 16674, 14002, 19760, 21074, 19580, 16608}
	return fit(t, x, y, []string{"sheets"}), column(425, 401, 448, 462, 480, 505, 349, 318, 455, 497, 431, 385)
}

// Source: computed independently with R 4.2.2 lm() and with numpy.
func TestSheetsModel(t *testing.T) {
	f, _ := sheets(t)
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"b0", f.Coefficients[0], 4808.2921072297},
		{"b1", f.Coefficients[1], 32.4551978561},
		{"se0", f.StdErrors[0], 1010.57809245059},
		{"se1", f.StdErrors[1], 2.36685569595},
		{"t0", f.TValues[0], 4.75796194589},
		{"t1", f.TValues[1], 13.71236865502},
		{"cov00", f.Cov[0][0], 4.697628475473067},
		{"cov01", f.Cov[0][1], -0.01090420277780165},
		{"cov10", f.Cov[1][0], -0.01090420277780165},
		{"cov11", f.Cov[1][1], 2.576810424057106e-05},
		{"s", f.ResidualSD, 466.262562369366},
		{"SSE", f.SSE, 2174007.770672459},
		{"R2", f.R2, 0.949502359420},
		{"adjR2", f.AdjR2, 0.944452595362},
		{"CV", f.CVRMSE, 0.025145953828},
		{"rho", f.Rho, 0.233410748187},
		{"DW", f.DurbinWatson, 1.414412840468},
		{"at 430", f.Predict([]float64{430}), 18764.0271853501},
		// One new row: the usual prediction interval.
		{"half-width at 550, 90 %", f.SumHalfWidth(column(550), 0.90), 1034.2711618681},
		{"lower end at 430, 90 %", f.Predict([]float64{430}) - f.SumHalfWidth(column(430), 0.90), 17883.9488214},
	} {
		near(t, c.what, c.got, c.want, 2e-11)
	}
	if math.Abs(f.NMBE) > 1e-12 {
		t.Errorf("NMBE = %v, want 0 up to rounding", f.NMBE)
	}
	if f.N != 12 || f.P != 2 || !slices.Equal(f.Names, []string{"intercept", "sheets"}) {
		t.Errorf("n, p, names = %d, %d, %v", f.N, f.P, f.Names)
	}
}

// Source: computed independently with R 4.2.2 and with Python.
func TestHalfWidthOfAYear(t *testing.T) {
	f, rows := sheets(t)
	for _, c := range []struct{ confidence, want float64 }{
		{0.68, 2398.04385734}, {0.80, 3144.57707497}, {0.90, 4153.54295542}, {0.95, 5106.13459008},
	} {
		near(t, "half-width", f.SumHalfWidth(rows, c.confidence), c.want, 1e-11)
	}
}

// Two columns whose correlation is 0.9964.
// Source: computed independently with R 4.2.2 lm() and with numpy.
func TestCollinearModel(t *testing.T) {
	h := []float64{7.5, 8.1, 6.9, 9.2, 8.8, 3.2, 0, 7.9, 8.4, 9.0, 6.5, 7.2, 2.5, 0}
	k := []float64{41.2, 45, 36.1, 52.3, 47.9, 15.5, 0, 42.8, 49.5, 48.2, 33, 40.9, 12.9, 0}
	y := []float64{402, 431, 372, 489, 460, 199, 58, 421, 452, 470, 351, 395, 170, 61}
	var rows [][]float64
	for i := range h {
		rows = append(rows, []float64{h[i], k[i]})
	}
	f := fit(t, rows, y, []string{"h", "k"})
	for j, want := range []float64{58.71048262550, 31.33041508590, 2.66430663642} {
		near(t, "b", f.Coefficients[j], want, 1e-11)
	}
	for j, want := range []float64{1.060920569147, 1.752760053152, 0.311212001423} {
		near(t, "se", f.StdErrors[j], want, 1e-11)
	}
	near(t, "s", f.ResidualSD, 1.7512166990, 1e-10)
	near(t, "R2", f.R2, 0.9998856411729, 1e-12)
	near(t, "CV", f.CVRMSE, 0.0051822096, 1e-7)
	near(t, "rho", f.Rho, -0.1779642138, 1e-9)
	near(t, "DW", f.DurbinWatson, 2.1375238364, 1e-10)
	near(t, "at 8, 44", f.Predict([]float64{8, 44}), 426.5832953, 1e-9)
	near(t, "95 % at 8, 44", f.SumHalfWidth([][]float64{{8, 44}}, 0.95), 4.0389940467, 1e-10)
}

// Source: Student quantiles computed independently with scipy.
func TestTQuantile(t *testing.T) {
	confidences := []float64{0.68, 0.80, 0.90, 0.95}
	for df, want := range map[int][]float64{
		5:   {1.103668, 1.475884, 2.015048, 2.570582},
		8:   {1.060224, 1.396815, 1.859548, 2.306004},
		10:  {1.046423, 1.372184, 1.812461, 2.228139},
		11:  {1.041486, 1.363430, 1.795885, 2.200985},
		20:  {1.019804, 1.325341, 1.724718, 2.085963},
		22:  {1.017447, 1.321237, 1.717144, 2.073873},
		30:  {1.011216, 1.310415, 1.697261, 2.042272},
		58:  {1.003057, 1.296319, 1.671553, 2.001717},
		118: {0.998666, 1.288767, 1.657870, 1.980272},
		363: {0.995822, 1.283888, 1.649062, 1.966521},
	} {
		for i, c := range confidences {
			if got := stats.TQuantile(c, df); math.Abs(got-want[i]) > 5e-7 {
				t.Errorf("t(%v, %d) = %.9f, want %.6f", c, df, got, want[i])
			}
		}
	}
	near(t, "t(0.90, 10)", stats.TQuantile(0.90, 10), 1.8124611228, 1e-10)
	for _, bad := range []struct {
		c  float64
		df int
	}{{0, 5}, {1, 5}, {0.9, 0}, {math.NaN(), 5}} {
		if got := stats.TQuantile(bad.c, bad.df); !math.IsNaN(got) {
			t.Errorf("t(%v, %d) = %v, want NaN", bad.c, bad.df, got)
		}
	}
}

func TestDependentColumnsAreNamed(t *testing.T) {
	names := []string{"curing_hours", "standby_hours", "starts"}
	base := func() [][]float64 {
		return [][]float64{{1, 5, 2}, {2, 3, 7}, {3, 8, 1}, {4, 4, 6}, {5, 9, 3}, {6, 2, 8}}
	}
	y := []float64{3, 1, 4, 1, 5, 9}
	tests := map[string]struct {
		change func(row []float64)
		want   []string
	}{
		"constant":         {func(r []float64) { r[1] = 24 }, []string{"intercept", "standby_hours"}},
		"zero":             {func(r []float64) { r[2] = 0 }, []string{"starts"}},
		"copy":             {func(r []float64) { r[2] = r[0] }, []string{"curing_hours", "starts"}},
		"multiple":         {func(r []float64) { r[2] = 0.1 * r[1] }, []string{"standby_hours", "starts"}},
		"shifted multiple": {func(r []float64) { r[2] = 3*r[0] + 7 }, []string{"intercept", "curing_hours", "starts"}},
		"sum to a day":     {func(r []float64) { r[1] = 24 - r[0] }, []string{"intercept", "curing_hours", "standby_hours"}},
		"almost a copy":    {func(r []float64) { r[2] = r[0] * (1 + 1e-13*r[1]) }, []string{"curing_hours", "starts"}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			rows := base()
			for _, r := range rows {
				tt.change(r)
			}
			f, err := stats.LeastSquares(rows, y, names)
			singular, ok := errors.AsType[*stats.SingularError](err)
			if !ok {
				t.Fatalf("got fit %v and error %v, want a SingularError", f.Coefficients, err)
			}
			if !slices.Equal(singular.Columns, tt.want) {
				t.Errorf("columns %v, want %v", singular.Columns, tt.want)
			}
		})
	}
}

func TestUnusableRows(t *testing.T) {
	for name, tt := range map[string]struct {
		rows [][]float64
		y    []float64
	}{
		"too few":      {column(1, 2), []float64{1, 2}},
		"not a number": {column(1, 2, math.NaN(), 4), []float64{1, 2, 3, 4}},
		"infinite":     {column(1, 2, 3, 4), []float64{1, 2, math.Inf(1), 4}},
		"ragged":       {[][]float64{{1}, {2}, {3, 4}, {5}}, []float64{1, 2, 3, 4}},
		"lengths":      {column(1, 2, 3, 4), []float64{1, 2, 3}},
	} {
		if _, err := stats.LeastSquares(tt.rows, tt.y, []string{"x"}); !errors.Is(err, stats.ErrInput) {
			t.Errorf("%s: error %v, want ErrInput", name, err)
		}
	}
}

// A constant response has no R², and a mean of zero no CV; both are 0, so the
// fit can be written as JSON.
func TestStatisticsThatDoNotExist(t *testing.T) {
	f := fit(t, column(1, 2, 3, 4), []float64{0, 0, 0, 0}, []string{"x"})
	for _, v := range []float64{f.R2, f.AdjR2, f.CVRMSE, f.NMBE, f.Rho, f.DurbinWatson, f.TValues[0], f.TValues[1]} {
		if v != 0 {
			t.Errorf("statistic %v, want 0", v)
		}
	}
}

// The residuals of least squares are orthogonal to every column, whatever the
// scales of the columns are.
func TestResidualsAreOrthogonal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.IntRange(1, 4).Draw(t, "columns")
		n := rapid.IntRange(p+3, 30).Draw(t, "rows")
		value := rapid.Float64Range(-1, 1)
		units := []float64{1e-6, 1, 1e3, 1e9}
		names := []string{"a", "b", "c", "d"}[:p]
		rows, y := make([][]float64, n), make([]float64, n)
		for i := range rows {
			y[i] = 1000 * value.Draw(t, "y")
			for j := range p {
				rows[i] = append(rows[i], units[j]*value.Draw(t, "x"))
			}
		}
		f, err := stats.LeastSquares(rows, y, names)
		if _, ok := errors.AsType[*stats.SingularError](err); ok {
			return // the draw has columns that depend on each other
		}
		if err != nil {
			t.Fatal(err)
		}
		for j := -1; j < p; j++ {
			var dot, size float64
			for i, row := range rows {
				x := 1.0
				if j >= 0 {
					x = row[j]
				}
				part := 0.0
				for k, v := range row {
					part += math.Abs(f.Coefficients[k+1] * v)
				}
				dot += x * (y[i] - f.Predict(row))
				size += math.Abs(x) * (math.Abs(y[i]) + math.Abs(f.Coefficients[0]) + part)
			}
			if math.Abs(dot) > 1e-12*size {
				t.Fatalf("column %d: residuals · column = %v of %v", j, dot, size)
			}
		}
	})
}

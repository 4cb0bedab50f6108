package stats_test

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"curetally/internal/core/stats"
)

// Source: NIST/ITL StRD, linear regression: data and certified values of
// Norris, Pontius and Wampler 1 to 5.

const norris = `
0.1,0.2 338.8,337.4 118.1,118.2 888.0,884.6 9.2,10.1 228.1,226.5 668.5,666.3 998.5,996.3 449.1,448.6 778.9,777.0 559.2,558.2 0.3,0.4
0.1,0.6 778.1,775.5 668.8,666.9 339.3,338.0 448.9,447.5 10.8,11.6 557.7,556.0 228.3,228.1 998.0,995.8 888.8,887.6 119.6,120.2 0.3,0.3
0.6,0.3 557.6,556.8 339.3,339.1 888.0,887.2 998.5,999.0 778.9,779.0 10.2,11.1 117.6,118.3 228.9,229.2 668.4,669.1 449.2,448.9 0.2,0.5`

const pontius = `
0.11019 0.21956 0.32949 0.43899 0.54803 0.65694 0.76562 0.87487 0.98292 1.09146 1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844
0.11052 0.22018 0.32939 0.43886 0.54798 0.65739 0.76596 0.87474 0.98300 1.09150 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829`

const wamplerDelta = `759 -2048 2048 -2048 2523 -2048 2048 -2048 1838 -2048 2048 -2048 1838 -2048 2048 -2048 2523 -2048 2048 -2048 759`

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// digits is the number of correct significant digits of got, at most 15; for a
// certified zero it is the number of zeros after the point.
func digits(got, want float64) float64 {
	e := math.Abs(got - want)
	if want != 0 {
		e /= math.Abs(want)
	}
	if e < 1e-15 {
		return 15
	}
	return -math.Log10(e)
}

func wantDigits(t *testing.T, what string, got, want, least float64) {
	t.Helper()
	d := digits(got, want)
	t.Logf("%-18s %.15g: %.1f digits", what, got, d)
	if d < least {
		t.Errorf("%s = %.15g, want %.15g to %v digits, got %.1f", what, got, want, least, d)
	}
}

func polynomial(degree int, xs []float64) (rows [][]float64, names []string) {
	for k := 1; k <= degree; k++ {
		names = append(names, fmt.Sprintf("x^%d", k))
	}
	for _, x := range xs {
		row := make([]float64, degree)
		v := 1.0
		for k := range row {
			v *= x
			row[k] = v
		}
		rows = append(rows, row)
	}
	return rows, names
}

type certified struct {
	coefficients, errors []float64
	sd, r2, sse          float64
}

func check(t *testing.T, f stats.Fit, c certified, least, leastSD float64) {
	t.Helper()
	for j := range c.coefficients {
		wantDigits(t, "B"+strconv.Itoa(j), f.Coefficients[j], c.coefficients[j], least)
		wantDigits(t, "SD of B"+strconv.Itoa(j), f.StdErrors[j], c.errors[j], leastSD)
	}
	wantDigits(t, "residual SD", f.ResidualSD, c.sd, leastSD)
	wantDigits(t, "R²", f.R2, c.r2, leastSD)
	wantDigits(t, "SSE", f.SSE, c.sse, leastSD)
}

func fit(t *testing.T, rows [][]float64, y []float64, names []string) stats.Fit {
	t.Helper()
	f, err := stats.LeastSquares(rows, y, names)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestNISTNorris(t *testing.T) {
	var xs, y []float64
	for _, pair := range strings.Fields(norris) {
		a, b, _ := strings.Cut(pair, ",")
		y, xs = append(y, number(t, a)), append(xs, number(t, b))
	}
	rows, names := polynomial(1, xs)
	check(t, fit(t, rows, y, names), certified{
		coefficients: []float64{-0.262323073774029, 1.00211681802045},
		errors:       []float64{0.232818234301152, 0.429796848199937e-03},
		sd:           0.884796396144373, r2: 0.999993745883712, sse: 26.6173985294224,
	}, 12, 13)
}

func TestNISTPontius(t *testing.T) {
	var xs, y []float64
	for i, v := range strings.Fields(pontius) {
		y, xs = append(y, number(t, v)), append(xs, float64(i%20+1)*150000)
	}
	rows, names := polynomial(2, xs)
	check(t, fit(t, rows, y, names), certified{
		coefficients: []float64{0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14},
		errors:       []float64{0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16},
		sd:           0.205177424076185e-03, r2: 0.999999900178537, sse: 0.155761768796992e-05,
	}, 12, 13)
}

func TestNISTWampler(t *testing.T) {
	ones := []float64{1, 1, 1, 1, 1, 1}
	falling := []float64{1, .1, .01, .001, 1e-4, 1e-5}
	sd3 := []float64{2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350, 5.64566512170752, 0.112324854679312}
	times := func(k float64) (out []float64) {
		for _, v := range sd3 {
			out = append(out, k*v)
		}
		return out
	}
	sets := []struct {
		name  string
		base  []float64
		delta float64
		want  certified
	}{
		{"1", ones, 0, certified{coefficients: ones, errors: times(0), r2: 1}},
		{"2", falling, 0, certified{coefficients: falling, errors: times(0), r2: 1}},
		{"3", ones, 1, certified{ones, times(1), 2360.14502379268, 0.999995559025820, 83554268}},
		{"4", ones, 100, certified{ones, times(100), 236014.502379268, 0.957478440825662, 8.3554268e11}},
		{"5", ones, 10000, certified{ones, times(10000), 23601450.2379268, 0.224668921574940e-02, 8.3554268e15}},
	}
	xs := make([]float64, 21)
	for i := range xs {
		xs[i] = float64(i)
	}
	rows, names := polynomial(5, xs)
	for _, s := range sets {
		t.Run(s.name, func(t *testing.T) {
			y := make([]float64, len(xs))
			for i, d := range strings.Fields(wamplerDelta) {
				y[i] = s.base[0] + s.delta*number(t, d)
				for k, x := range rows[i] {
					y[i] += s.base[k+1] * x
				}
			}
			check(t, fit(t, rows, y, names), s.want, 12, 13)
		})
	}
}

func TestFitSurvivesJSON(t *testing.T) {
	rows, names := polynomial(2, []float64{1, 2, 3, 4, 5, 7})
	f := fit(t, rows, []float64{1, 4, 8, 17, 24, 50}, names)
	text, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	var back stats.Fit
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(f, back) {
		t.Errorf("after JSON %+v, want %+v", back, f)
	}
}

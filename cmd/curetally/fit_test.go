package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// fitted is what fit --json prints, as somebody else's program reads it.
type fitted struct {
	Model        string `json:"model"`
	N            int    `json:"n"`
	P            int    `json:"p"`
	Coefficients []struct {
		Name     string   `json:"name"`
		Value    float64  `json:"value"`
		StdError float64  `json:"std_error"`
		T        *float64 `json:"t"`
	} `json:"coefficients"`
	ChangePoints []float64 `json:"change_points"`
	R2           *float64  `json:"r2"`
	AdjR2        *float64  `json:"adj_r2"`
	ResidualSD   float64   `json:"residual_sd"`
	CVRMSE       *float64  `json:"cv_rmse"`
	NMBE         *float64  `json:"nmbe"`
	DurbinWatson *float64  `json:"durbin_watson"`
	Rho          float64   `json:"rho"`
	NEffective   float64   `json:"n_effective"`
	Accepted     bool      `json:"accepted"`
	Reasons      []string  `json:"reasons"`
}

// read takes JSON in which every name must be known.
func read(t *testing.T, text string, into any) {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
}

// wantDigits fails unless got agrees with want to so many significant digits; a
// want of 0 asks for so many zeros after the point.
func wantDigits(t *testing.T, what string, got, want, digits float64) {
	t.Helper()
	off := math.Abs(got - want)
	if want != 0 {
		off /= math.Abs(want)
	}
	if !(off <= math.Pow(10, -digits)) {
		t.Errorf("%s = %.15g, want %.15g to %v digits", what, got, want, digits)
	}
}

func numbers(t *testing.T, text string) (out []float64) {
	t.Helper()
	for _, f := range strings.Fields(text) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// fitFile writes y against powers of x to a file and fits it.
func fitFile(t *testing.T, degree int, x, y []float64) fitted {
	t.Helper()
	var drivers []string
	for k := 1; k <= degree; k++ {
		drivers = append(drivers, "x"+strconv.Itoa(k))
	}
	var text strings.Builder
	fmt.Fprintf(&text, "y,%s\n", strings.Join(drivers, ","))
	for i := range y {
		text.WriteString(strconv.FormatFloat(y[i], 'g', -1, 64))
		power := 1.0
		for range degree {
			power *= x[i]
			text.WriteString("," + strconv.FormatFloat(power, 'g', -1, 64))
		}
		text.WriteString("\n")
	}
	file := filepath.Join(t.TempDir(), "set.csv")
	if err := os.WriteFile(file, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	var f fitted
	read(t, command(t, exitOK, "fit", file, "--energy", "y", "--drivers", strings.Join(drivers, ","), "--json"), &f)
	return f
}

// Source: NIST/ITL StRD, linear regression: data and certified values of Norris,
// Pontius and Wampler 1 to 5.
func TestFitOnReferenceSets(t *testing.T) {
	check := func(t *testing.T, f fitted, b, se []float64, sd, r2 float64) {
		t.Helper()
		if len(f.Coefficients) != len(b) || f.Coefficients[0].Name != "intercept" || f.P != len(b) {
			t.Fatalf("coefficients %+v", f.Coefficients)
		}
		for j := range b {
			wantDigits(t, f.Coefficients[j].Name, f.Coefficients[j].Value, b[j], 12)
			wantDigits(t, "SD of "+f.Coefficients[j].Name, f.Coefficients[j].StdError, se[j], 9)
		}
		wantDigits(t, "residual SD", f.ResidualSD, sd, 9)
		wantDigits(t, "R²", *f.R2, r2, 12)
	}
	t.Run("Norris", func(t *testing.T) {
		y := numbers(t, "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2")
		x := numbers(t, "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5")
		check(t, fitFile(t, 1, x, y), []float64{-0.262323073774029, 1.00211681802045}, []float64{0.232818234301152, 0.429796848199937e-03}, 0.884796396144373, 0.999993745883712)
	})
	t.Run("Pontius", func(t *testing.T) {
		y := numbers(t, `0.11019 0.21956 0.32949 0.43899 0.54803 0.65694 0.76562 0.87487 0.98292 1.09146 1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844
			0.11052 0.22018 0.32939 0.43886 0.54798 0.65739 0.76596 0.87474 0.98300 1.09150 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829`)
		x := make([]float64, len(y))
		for i := range x {
			x[i] = 150000 * float64(i%20+1)
		}
		check(t, fitFile(t, 2, x, y), []float64{0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14},
			[]float64{0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16}, 0.205177424076185e-03, 0.999999900178537)
	})
	ones, falling := []float64{1, 1, 1, 1, 1, 1}, []float64{1, .1, .01, .001, 1e-4, 1e-5}
	sd := []float64{2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350, 5.64566512170752, 0.112324854679312}
	delta := numbers(t, "759 -2048 2048 -2048 2523 -2048 2048 -2048 1838 -2048 2048 -2048 1838 -2048 2048 -2048 2523 -2048 2048 -2048 759")
	for i, set := range []struct {
		b         []float64
		times, r2 float64
	}{{ones, 0, 1}, {falling, 0, 1}, {ones, 1, 0.999995559025820}, {ones, 100, 0.957478440825662}, {ones, 10000, 0.224668921574940e-02}} {
		t.Run("Wampler"+strconv.Itoa(i+1), func(t *testing.T) {
			x, y, se := make([]float64, len(delta)), make([]float64, len(delta)), make([]float64, len(sd))
			for i := range x {
				x[i] = float64(i)
				for k, b := range set.b {
					y[i] += b * math.Pow(x[i], float64(k))
				}
				y[i] += set.times * delta[i]
			}
			for j := range se {
				se[j] = set.times * sd[j]
			}
			check(t, fitFile(t, 5, x, y), set.b, se, set.times*2360.14502379268, set.r2)
		})
	}
}

// The example files that README uses.
func TestHeronDays(t *testing.T) {
	base, led := "../../testdata/heron-days.csv", "../../testdata/heron-days-led.csv"
	flags := []string{"--energy", "kwh", "--drivers", "curing_hours,standby_hours"}
	var auto fitted
	read(t, command(t, exitOK, append([]string{"fit", base, "--model", "auto", "--json"}, flags...)...), &auto)
	if auto.Model != "linear" || !auto.Accepted || auto.N != 60 || auto.P != 3 {
		t.Errorf("model %+v", auto)
	}
	var saving struct {
		Expected   float64          `json:"expected_kwh"`
		Actual     float64          `json:"actual_kwh"`
		Saved      float64          `json:"saved_kwh"`
		Fraction   float64          `json:"saved_fraction"`
		HalfWidth  float64          `json:"half_width_kwh"`
		Fractional float64          `json:"fractional_uncertainty"`
		Confidence float64          `json:"confidence"`
		Outside    []map[string]any `json:"outside_range"`
		Model      fitted           `json:"model"`
	}
	read(t, command(t, exitOK, append([]string{"compare", base, led, "--json"}, flags...)...), &saving)
	wantDigits(t, "saved", saving.Saved, saving.Expected-saving.Actual, 12)
	wantDigits(t, "fraction", saving.Fraction, saving.Saved/saving.Expected, 14)
	wantDigits(t, "fractional uncertainty", saving.Fractional, saving.HalfWidth/saving.Saved, 14)
	if saving.Confidence != 0.9 || saving.Fraction < 0.6 || saving.Fraction > 0.75 || len(saving.Outside) > 0 || saving.Model.Model != "linear" {
		t.Errorf("saving %+v", saving)
	}
	// The days were made from these, so the standard errors must reach them.
	for j, made := range []float64{38, 61.5, 20.4} {
		if c := auto.Coefficients[j]; math.Abs(c.Value-made) > 3*c.StdError {
			t.Errorf("%s = %v ± %v, the days were made with %v", c.Name, c.Value, c.StdError, made)
		}
	}
}

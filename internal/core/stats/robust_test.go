package stats_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/stats"
)

func nearRel(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g within %g", what, got, want, rel)
	}
}

// From memory: data of Hollander and Wolfe, Nonparametric Statistical Methods;
// the figures were recomputed with scipy 1.10.
func TestTheilSen_TextbookExample(t *testing.T) {
	x, y := []float64{1, 2, 3, 4, 5}, []float64{1.26, 1.27, 1.12, 1.16, 1.03}
	l, err := stats.TheilSen(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	nearRel(t, "slope", l.Slope, -0.05625, 1e-12)
	nearRel(t, "intercept", l.Intercept, 1.32875, 1e-12)
	want := []float64{-0.15, -0.13, -0.08, -0.07, -0.0575, -0.055, -0.045, -0.1 / 3, 0.01, 0.04}
	got := slices.Sorted(slices.Values(stats.PairSlopes(x, y)))
	for i := range want {
		if len(got) != len(want) || math.Abs(got[i]-want[i]) > 1e-12 {
			t.Fatalf("slopes %v, want %v", got, want)
		}
	}
}

// Source: scipy 1.10, theilslopes: readings every 200 h, one of them wild.
func TestTheilSen_WildPoint(t *testing.T) {
	var x []float64
	y := []float64{12.00, 11.91, 11.80, 11.74, 9.85, 11.55, 11.43, 11.36, 11.24, 11.17}
	for i := range y {
		x = append(x, float64(200*i))
	}
	l, err := stats.TheilSen(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	nearRel(t, "slope", l.Slope, -0.000466666667, 1e-9)
	nearRel(t, "intercept", l.Intercept, 11.91, 1e-12)
	nearRel(t, "low", l.Low, -0.00048, 1e-9) // ranks 11.543 and 34.457, rounded
	nearRel(t, "high", l.High, -0.000433333333, 1e-9)
	for i := range y {
		y[i] = math.Log(y[i] / 12)
	}
	l, err = stats.TheilSen(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	nearRel(t, "slope of ln", l.Slope, -4.0517239172e-05, 1e-10)
	nearRel(t, "intercept of ln", l.Intercept, -0.006977677146, 1e-9)
	nearRel(t, "hours to 80 %", (math.Log(0.8)-l.Intercept)/l.Slope, 5335.158036, 1e-9)
}

// A quarter of the points may be anything: the slope stays that of the line.
func TestTheilSen_QuarterOfThePointsMayBeAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(8, 40).Draw(t, "n")
		slope := rapid.Float64Range(-2, 2).Draw(t, "slope")
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = float64(i)
			y[i] = 5 + slope*x[i]
		}
		for range n / 4 {
			y[rapid.IntRange(0, n-1).Draw(t, "which")] = rapid.Float64Range(-1e6, 1e6).Draw(t, "wild")
		}
		l, err := stats.TheilSen(x, y, 0.9)
		if err != nil || math.Abs(l.Slope-slope) > 1e-9 {
			t.Fatalf("slope %v, want %v, %v", l.Slope, slope, err)
		}
		if !(l.Low <= l.Slope && l.Slope <= l.High) {
			t.Fatalf("limits %v to %v around %v", l.Low, l.High, l.Slope)
		}
	})
}

func TestTheilSen_ManyPointsAreThinned(t *testing.T) {
	const n = 20_000
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i], y[i] = float64(i), 3-0.25*float64(i)+math.Sin(float64(i))
	}
	if got := len(stats.PairSlopes(x, y)); got > 1<<18 || got < 1<<17 {
		t.Errorf("%d slopes of %d points", got, n)
	}
	l, err := stats.TheilSen(x, y, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	nearRel(t, "slope", l.Slope, -0.25, 1e-4)
}

func TestTheilSen_Refuses(t *testing.T) {
	for _, c := range [][2][]float64{{nil, nil}, {{1}, {2}}, {{3, 3}, {1, 2}}, {{1, 2}, {1}}} {
		if _, err := stats.TheilSen(c[0], c[1], 0.9); !errors.Is(err, stats.ErrInput) {
			t.Errorf("points %v: %v", c, err)
		}
	}
	if m := stats.Median(nil); !math.IsNaN(m) {
		t.Errorf("median of nothing is %v", m)
	}
}

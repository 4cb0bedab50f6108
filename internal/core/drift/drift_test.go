package drift_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/drift"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// From memory: the example of NIST/SEMATECH e-Handbook 6.3.2.3, target 325, K 0.3175,
// limit 4.1959: the upper sum passes the limit with the fourteenth value.
func TestTabular(t *testing.T) {
	x := []float64{
		324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
	}
	high := []float64{0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04}
	low := []float64{0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	sums := drift.Chart{Target: 325, K: 0.3175}.Tabular(x)
	for i, s := range sums {
		if math.Abs(s.High-high[i]) > 0.0101 || math.Abs(s.Low-low[i]) > 0.0101 {
			t.Errorf("value %d: %.4f and %.4f, want %.2f and %.2f", i+1, s.High, s.Low, high[i], low[i])
		}
		if (s.High > 4.1959) != (i >= 13) {
			t.Errorf("value %d: upper sum %.3f, limit 4.1959", i+1, s.High)
		}
	}
	for _, s := range (drift.Chart{Target: 325, K: 0.3175, Most: 6}).Tabular(x) {
		if s.High > 6 {
			t.Errorf("held at 6, is %v", s.High)
		}
	}
}

// reporting makes days of 20 + 5 kWh per hour; between two days, more is used.
func reporting(t *testing.T, r *rand.Rand, from, to int, more float64) []savings.Day {
	t.Helper()
	var out []savings.Day
	for n := range 120 {
		hours := 10 + 4*r.Float64()
		kwh := 20 + 5*hours + 2*r.NormFloat64()
		if n >= from && n < to {
			kwh += more
		}
		e, err := unit.EnergyFromKWh(kwh)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, savings.Day{Day: time.Date(2026, 1, 5+n, 0, 0, 0, 0, time.UTC), Energy: e, Drivers: []float64{hours}, Technology: plant.TechnologyLED})
	}
	return out
}

func project() plant.Project {
	return plant.Project{ID: "heron-led", Drivers: []plant.Driver{plant.DriverCuringHours}, Reporting: plant.Selection{Technology: plant.TechnologyLED}}
}

// A rise of two deviations is found with the day on which it began, give or take a
// few; one that was put right is forgotten.
func TestDriftIsFound(t *testing.T) {
	d, ok := drift.Of(project(), reporting(t, rand.New(rand.NewPCG(1, 1)), 80, 120, 4))
	if !ok {
		t.Fatal("no drift was found")
	}
	if off := d.Began.Sub(time.Date(2026, 1, 5+80, 0, 0, 0, 0, time.UTC)).Hours() / 24; math.Abs(off) > 5 {
		t.Errorf("it began on %v, %v days off", d.Began, off)
	}
	if math.Abs(d.MoreKWh-160) > 40 || !d.Found.After(d.Began) || !strings.Contains(d.Words(), "more were used") {
		t.Errorf("%+v: %s", d, d.Words())
	}
	if d, ok := drift.Of(project(), reporting(t, rand.New(rand.NewPCG(1, 1)), 60, 80, 4)); ok {
		t.Errorf("a drift that was put right: %+v", d)
	}
}

// Where nothing changed, hardly any plant shows a drift; a fall of use is none.
func TestNoDriftWhereNothingChanged(t *testing.T) {
	alarms := 0
	for seed := range uint64(100) {
		if _, ok := drift.Of(project(), reporting(t, rand.New(rand.NewPCG(seed, 7)), 0, 0, 0)); ok {
			alarms++
		}
	}
	if alarms > 10 {
		t.Errorf("%d of 100 steady plants show a drift", alarms)
	}
	if d, ok := drift.Of(project(), reporting(t, rand.New(rand.NewPCG(2, 2)), 80, 120, -4)); ok {
		t.Errorf("less use is a drift: %+v", d)
	}
	if _, ok := drift.Of(project(), reporting(t, rand.New(rand.NewPCG(2, 2)), 0, 0, 0)[:20]); ok {
		t.Error("a drift in the days that the expected is learned from")
	}
}

package curing

import (
	"math"
	"testing"

	"curetally/internal/core/plant"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s = %.4f, want %.4f ± %.4f", what, got, want, tolerance)
	}
}

// energyKWh integrates pieces as registers do.
func energyKWh(pieces []Piece, to int64) float64 {
	integrate(pieces)
	return float64(EnergyAt(pieces, to)) / hourMillis / 1e6
}

// Common practice, no source: one arc station, an hour of run and an hour of
// standby, takes 6.955 + 3.388 = 10.34 kWh; an LED head at 65 % takes
// 0.06 + 3.35 × 0.65 × 0.9825 = 2.20 kWh in an hour.
func TestEnergyOfAnHour(t *testing.T) {
	arc := []Piece{
		{From: 0, Milliwatts: milliwatts(arcRunKW()), State: plant.StateCuring},
		{From: hourMillis, Milliwatts: milliwatts(arcStandbyKW()), State: plant.StateStandby},
	}
	near(t, "run", energyKWh(arc, hourMillis), 6.955, 0.001)
	near(t, "run and standby", energyKWh(arc, 2*hourMillis), 10.34, 0.005)
	led := []Piece{{From: 0, Milliwatts: milliwatts(ledIdleKW + ledLightKW(0.65)), State: plant.StateCuring}}
	near(t, "LED at 65 %", energyKWh(led, hourMillis), 2.20, 0.001)
}

// Common practice, no source: of full supply power, 0.49 at 30 s after the
// strike, 0.63 at 60 s, 0.77 at 120 s, 0.82 at 180 s.
func TestWarmUp(t *testing.T) {
	full := arcNominalKW / arcRunEfficiency
	for seconds, want := range map[int64]float64{30: 0.49, 60: 0.63, 120: 0.77, 180: 0.82} {
		at := arcStrikeMillis + seconds*secondMillis
		near(t, "warm-up", arcStartKW(at-1, at+1)/full, want, 0.005)
	}
	near(t, "strike", arcStartKW(0, arcStrikeMillis)/full, 0.25, 1e-9)
}

// Common practice, no source: exhaust of eight stations 2.33 kW, chilled
// rollers of six 2.09 kW, chiller and pump of one LED head 0.49 + 0.12 kW.
func TestSharedLoads(t *testing.T) {
	near(t, "exhaust", exhaustKW, 2.33, 0.005)
	near(t, "dim at 80 m/min", ledDim(80), 0.648, 1e-9)
	var now []Piece
	for range 6 {
		now = append(now, Piece{Milliwatts: milliwatts(arcRunKW()), State: plant.StateCuring, Technology: plant.TechnologyArc})
	}
	near(t, "chilled rollers", chillerLoad(now), 2.09, 0.005)
	near(t, "exhaust running", exhaustLoad(now), exhaustKW, 0)
	head := Piece{Milliwatts: milliwatts(ledIdleKW + ledLightKW(0.65)), State: plant.StateCuring, Technology: plant.TechnologyLED}
	near(t, "one LED head", chillerLoad([]Piece{head}), 0.61, 0.01)
	near(t, "LED web stands", chillerLoad([]Piece{{State: plant.StateStandby, Technology: plant.TechnologyLED}}), pumpIdleKW, 0)
	near(t, "LED exhaust", exhaustLoad([]Piece{head}), 0, 0)
}

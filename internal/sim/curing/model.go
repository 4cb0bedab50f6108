// Package curing lays out what the curing stations of the virtual plant do and
// what power they take, as mercury arcs and as LED heads, with warm-up, trips,
// lamp failures, lamp changes and upkeep, and the exhaust and chiller they share.
//
// The layout is made of pieces of constant power in whole milliwatts, so energy
// is an exact sum of whole milliwatt-milliseconds at every instant. The model
// and all its figures are own computation from typical values; Common practice,
// no source.
package curing

import (
	"math"

	"curetally/internal/core/plant"
)

// The curing stations. Own computation, typical values; Common practice, no
// source.
const (
	arcNominalKW     = 45 * 160 / 1000.0 // arc length (cm) × power density (W/cm)
	arcRunShare      = 0.85
	arcStandbyShare  = 0.40
	arcRunEfficiency = 0.88 // of the supply at run share
	arcLowEfficiency = 0.85 // of the supply at standby share
	arcStrikeShare   = 0.25
	arcStrikeMillis  = 3_000
	arcWarmMillis    = 240_000
	arcStartMillis   = arcStrikeMillis + arcWarmMillis
	arcWarmConstant  = 60_000 // milliseconds
	arcCoolMillis    = 240_000
	arcCoolKW        = 0.05
	arcOffKW         = 0.01

	ledFullKW = 3.35
	ledIdleKW = 0.06

	isolatedKW = 0.005 // what is left on outside working hours

	exhaustKW = 8 * 350.0 / 3600 * 1500 / 0.50 / 1000 // 8 × 350 m³/h at 1 500 Pa, efficiency 0.50

	chillerCOP       = 3.0
	arcHeatInRollers = 0.15 // of station power, taken away by chilled rollers
	ledHeatInCoolant = 0.68
	pumpPerHeadKW    = 0.12 // per head while it shines
	pumpIdleKW       = 0.25 // circulation while the web stands
)

// The life of lamps, in equivalent hours: lit hours + starts × 1 h.
const (
	arcRatedHours   = 1500.0
	arcFailureShape = 3.0
	arcFailureScale = 2200.0
	arcInfantShare  = 0.03
	arcInfantHours  = 100.0
	arcTripHours    = 400.0  // mean lit hours between trips
	ledTripHours    = 3000.0 // likewise
)

const (
	hourMillis   = 3_600_000
	minuteMillis = 60_000
	secondMillis = 1000
)

func arcRunKW() float64     { return arcNominalKW * arcRunShare / arcRunEfficiency }
func arcStandbyKW() float64 { return arcNominalKW * arcStandbyShare / arcLowEfficiency }

// arcStartKW is the mean power between two instants of a start, in
// milliseconds since the strike, both on the same side of the end of the
// strike. P = Pn/eta × (0.25 + (s − 0.25)(1 − e^(−t/tw))) after the strike.
func arcStartKW(from, to int64) float64 {
	full := arcNominalKW / arcRunEfficiency
	if to <= arcStrikeMillis {
		return full * arcStrikeShare
	}
	a := float64(from-arcStrikeMillis) / arcWarmConstant
	b := float64(to-arcStrikeMillis) / arcWarmConstant
	warm := 1 - (math.Exp(-a)-math.Exp(-b))/(b-a)
	return full * (arcStrikeShare + (arcRunShare-arcStrikeShare)*warm)
}

// ledDim is the dim setting that goes with a web speed in metres per minute.
func ledDim(speed float64) float64 { return min(1, 0.20+0.0056*speed) }

// ledLightKW is the power of an LED head for light alone, above idle, at a dim
// setting of 0 to 1.
func ledLightKW(dim float64) float64 { return ledFullKW * dim * (1 - 0.05*(1-dim)) }

// milliwatts rounds kilowatts to whole milliwatts.
func milliwatts(kw float64) int64 { return int64(math.Round(kw * 1e6)) }

// Mix scrambles its arguments to a number in [0, 1): noise that depends on
// nothing but what it is asked for.
func Mix(parts ...uint64) float64 {
	h := uint64(0x9e3779b97f4a7c15)
	for _, p := range parts {
		h ^= p
		h *= 0xbf58476d1ce4e5b9
		h ^= h >> 29
		h *= 0x94d049bb133111eb
		h ^= h >> 32
	}
	return float64(h>>11) / (1 << 53)
}

// StationRated is the rated power of a station's supply in watts.
func StationRated() float64 { return math.Round(arcNominalKW/arcLowEfficiency*1.2) * 1000 }

// Share is the power setting of a station as a fraction of full power, at a web
// speed in metres per minute: run and standby setting of an arc, dim setting of
// an LED.
func Share(tech plant.Technology, state plant.State, speed float64) float64 {
	switch {
	case tech == plant.TechnologyLED && state == plant.StateCuring:
		return ledDim(speed)
	case tech == plant.TechnologyArc && state == plant.StateCuring:
		return arcRunShare
	case tech == plant.TechnologyArc && (state == plant.StateStandby || state == plant.StateStarting):
		return arcStandbyShare
	default:
		return 0
	}
}

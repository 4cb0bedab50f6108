package ledger

import (
	"math"
	"time"

	"curetally/internal/core/plant"
)

// one is the weight of an hour that counts as it is: weights are whole millionths,
// so that amounts stay whole.
const one = 1_000_000

// heaviest bounds a weight, so that a sensor that is broken within what can be
// true cannot make a life of one hour.
const heaviest = 1000 * one

// What a signal may be and still be believed. An LED at no drive is dark, so a
// drive of 0 says nothing about lit time.
const (
	driveMost                         = 150      // percent
	temperatureLeast, temperatureMost = -40, 250 // °C
)

// boltzmann is in electronvolt per kelvin.
// Source: SI, 2019: k = 1.380649e-23 J/K, e = 1.602176634e-19 C, exactly.
const boltzmann = 1.380649e-23 / 1.602176634e-19

const kelvin = 273.15 // of 0 °C

// DriveWeight is the wear of an hour at a drive in percent against one at full
// power.
func DriveWeight(law plant.WearLaw, percent float64) float64 {
	return math.Pow(percent/100, law.DriveExponent)
}

// TemperatureWeight is the wear of an hour at a temperature against one at the
// reference: doubled with every HalvesPerKelvin more, or by the Arrhenius law
// exp(E/k·(1/T₀ − 1/T)) with T in kelvin.
func TemperatureWeight(law plant.WearLaw, celsius float64) float64 {
	if law.ActivationEnergy > 0 {
		return math.Exp(law.ActivationEnergy / boltzmann * (1/(law.ReferenceCelsius+kelvin) - 1/(celsius+kelvin)))
	}
	return math.Exp2((celsius - law.ReferenceCelsius) / law.HalvesPerKelvin)
}

// WearSamples are the signals by which wear is weighed, each in order of time.
type WearSamples struct{ Drive, Temperature []plant.Signal }

// Weigh weighs the lit time of a curve within the bounds of cuts by what wears the
// lamp. A value holds until the next one, at most for wear.Hold; where one that
// the law asks for is missing it counts as 1, and the quality is at best estimated.
// Hours of another technology than the law's count as they are.
//
// The curve is cut into pieces that lie in one segment, interval, span, fitting and
// value of each signal. Each piece is weighed by itself and rounded to a whole
// millisecond, halves up. So Entries of the result adds up to it whatever the
// bounds were, and gives with weights of 1 the entries of the curve itself.
func Weigh(c Curve, cuts Cuts, wear plant.Wear, samples WearSamples) Curve {
	w := newCutter("", cuts)
	scale := newScale(wear, samples)
	var out Curve
	for _, s := range c[c.from(cuts.From):] {
		if !s.From.Before(cuts.To) {
			break
		}
		t, end := plant.Later(s.From, cuts.From), plant.Earlier(s.To, cuts.To)
		for t.Before(end) {
			e, border := w.at(t)
			weight, known := scale.at(t, e.Technology, &border)
			piece := Segment{From: t, To: plant.Earlier(border, end), Quality: s.Quality}
			if !known {
				piece.Quality = max(piece.Quality, plant.QualityEstimated)
			}
			piece.Amount = weighed(s.until(piece.To)-s.until(t), weight)
			out, t = append(out, piece), piece.To
		}
	}
	return out
}

// scale tells the weight of lit time at an instant.
type scale struct {
	wear               plant.Wear
	drive, temperature holder
}

func newScale(wear plant.Wear, samples WearSamples) *scale {
	return &scale{
		wear:        wear,
		drive:       holder{samples: samples.Drive, hold: wear.Hold, least: math.SmallestNonzeroFloat64, most: driveMost},
		temperature: holder{samples: samples.Temperature, hold: wear.Hold, least: temperatureLeast, most: temperatureMost},
	}
}

// at gives the weight at t, and brings border forward to where that ends; known is
// false when a value is missing. t never goes back from call to call.
func (s *scale) at(t time.Time, light plant.Technology, border *time.Time) (weight float64, known bool) {
	law := s.wear.Law
	weight, known = 1, true
	if light != s.wear.Technology && light != plant.TechnologyNone {
		return weight, known
	}
	if law.ByDrive() {
		v, ok := s.drive.at(t, border)
		if known = ok; ok {
			weight *= DriveWeight(law, v)
		}
	}
	if law.ByTemperature() {
		v, ok := s.temperature.at(t, border)
		if known = known && ok; ok {
			weight *= TemperatureWeight(law, v)
		}
	}
	return weight, known
}

// weighed is an amount times a weight, in whole millionths of it, halves up.
func weighed(amount int64, weight float64) int64 {
	millionths := int64(math.Round(min(weight*one, heaviest)))
	return amount/one*millionths + (amount%one*millionths+one/2)/one
}

// holder gives the value of a signal that holds at an instant.
type holder struct {
	samples     []plant.Signal
	hold        time.Duration
	least, most float64
	next        int // first sample after the instant asked for last
}

// at gives the value that holds at t, and brings border forward to where that
// ends; ok is false without a value that can be believed. t never goes back from
// call to call.
func (h *holder) at(t time.Time, border *time.Time) (v float64, ok bool) {
	for h.next < len(h.samples) && !h.samples[h.next].At.After(t) {
		h.next++
	}
	if h.next < len(h.samples) {
		*border = plant.Earlier(*border, h.samples[h.next].At)
	}
	if h.next == 0 {
		return 0, false
	}
	s := h.samples[h.next-1]
	until := s.At.Add(h.hold)
	if !t.Before(until) {
		return 0, false
	}
	*border = plant.Earlier(*border, until)
	return s.Value, s.Value >= h.least && s.Value <= h.most
}

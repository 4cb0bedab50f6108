// Package survey makes the case for a retrofit from what a survey writes down: volts,
// amperes, power factor and hours of the old and the planned curing system, lamps,
// upkeep, prices, investment. It gives what each uses in a year, what is saved, and
// what the investment returns, each with its uncertainty.
//
// It is the case before anything was measured: nameplates and assumed hours, with the
// error that such figures have, which the survey states per figure. Measured savings
// take its place later; see package savings. Carbon follows from the saved energy by
// one factor, so that energy and carbon cannot disagree.
//
// Uncertainty is carried through by drawing every figure within its limits, many
// times, from a source of randomness that the caller seeds: the same seed gives the
// same result. Figures are drawn independently of each other.
//
// Energy is kilowatt-hours a year here and money a float64 in one currency, because
// nothing of it was counted. Everything is a pure function of its arguments.
package survey

import "math"

// Quantity is a figure of a survey with how well it is known.
type Quantity struct {
	Value float64
	// Within is the limit of its error, ±, in its unit; any error within is as
	// likely as another (a class of an instrument, an estimate by eye).
	Within float64
	// Standard is a standard deviation in its unit, of an error that is normally
	// distributed (a spread of repeated readings).
	Standard float64
}

// Exactly is a figure without error.
func Exactly(v float64) Quantity { return Quantity{Value: v} }

// Load is a group of like consumers of one system.
type Load struct {
	Name  string
	Count float64
	// One of three: energy of the group in kWh a year; power of one in kilowatts
	// with hours; or volts, amperes, phases and power factor of one with hours.
	KWh       *Quantity
	Kilowatts *Quantity
	Volts     Quantity // between conductors where Phases is 3
	Amperes   Quantity
	Phases    int // 1 or 3
	// Factor is the true power factor P/S, which with distorted currents is not the
	// cosine of the fundamental's angle.
	Factor Quantity
	// Hours a year of its own; nil takes those of the survey, whose error is then
	// common to all that share them.
	Hours *Quantity
}

// System is one curing system with what it needs in a year.
type System struct {
	Loads       []Load
	Lamps       Quantity // lamps or modules changed a year
	LampPrice   Quantity // of one, with disposal
	UpkeepHours Quantity // hours of work a year
	OtherCost   Quantity // money a year
}

// Survey is everything that the case is made of.
type Survey struct {
	Title    string
	Currency string   // ISO 4217
	Hours    Quantity // a year that the press is at work, for loads without their own
	Before   System
	After    System

	EnergyPrice  Quantity // money per kWh
	LabourPrice  Quantity // money per hour of upkeep
	Carbon       Quantity // kilograms of CO2-equivalent per kWh
	CarbonSource string

	Investment Quantity
	Years      int     // study period
	Rate       float64 // discount rate, fraction per year
	EnergyRise float64 // rise of the energy price, fraction per year
	CostRise   float64 // rise of all other cost, fraction per year
	// Later are investments in later years, by year from 1: positive for a
	// replacement, negative for a residual value.
	Later      map[int]Quantity
	Confidence float64 // of the intervals, for example 0.90
}

// power is that of one consumer in kilowatts.
// Source: balanced three-phase P = √3·V·I·PF.
func (l Load) power(draw drawer) float64 {
	if l.Kilowatts != nil {
		return draw(*l.Kilowatts)
	}
	p := draw(l.Volts) * draw(l.Amperes) * draw(l.Factor) / 1000
	if l.Phases == 3 {
		p *= math.Sqrt(3)
	}
	return p
}

// energy is that of the group in kWh a year.
func (l Load) energy(draw drawer, hours float64) float64 {
	if l.KWh != nil {
		return draw(*l.KWh)
	}
	if l.Hours != nil {
		hours = draw(*l.Hours)
	}
	return l.Count * l.power(draw) * hours
}

// drawer gives a figure, or one draw of it.
type drawer func(Quantity) float64

func asStated(q Quantity) float64 { return q.Value }

// usage is what a system needs in a year.
type usage struct{ energy, lamps, lampCost, hours, other float64 }

func (s System) usage(draw drawer, hours float64) usage {
	var u usage
	for _, l := range s.Loads {
		u.energy += l.energy(draw, hours)
	}
	u.lamps, u.hours, u.other = draw(s.Lamps), draw(s.UpkeepHours), draw(s.OtherCost)
	u.lampCost = u.lamps * draw(s.LampPrice)
	return u
}

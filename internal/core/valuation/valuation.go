// Package valuation says what a stated saving is worth: energy by the tariff in force
// hour by hour, demand, and carbon by location and by market, each for the use that
// was expected and for the use that was, on a line of its own.
//
// A model says how much a day would have used, not when. The expected energy of a day
// is therefore laid over its hours as the baseline's days of the same kind (work or
// rest) used theirs. Such a mean shape has lower peaks than any one day, so the demand
// that it gives for the baseline, and with it the demand avoided, is a low estimate.
//
// Both sides have the same days, the same tariff version and the same factors, and the
// intervals of a day add up to its expected energy to the milliwatt-hour. Everything
// is a pure function of its arguments.
package valuation

import (
	"errors"
	"fmt"
	"math"
	"time"

	"curetally/internal/core/carbon"
	"curetally/internal/core/plant"
	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
)

// Day is a counted day of a statement.
type Day struct {
	Day      time.Time // its first instant
	Expected unit.Energy
}

// Input is what a valuation is made of.
type Input struct {
	Plant *plant.Plant
	// Measured is the energy of the boundary by interval, in order of time, from the
	// baseline period to the last day that counts, those between and in the same
	// months too: they decide what demand a month is billed for.
	Measured []tariff.Used
	// Begin and End are the baseline period, [Begin, End).
	Begin, End time.Time
	Days       []Day
	Tariff     *tariff.Tariff // nil: no cost
	Location   *carbon.Table  // nil: no carbon by location
	Market     *carbon.Table  // nil: no carbon by market
}

// Cost is the energy on both sides by the tariff.
type Cost struct{ Expected, Actual, Saved unit.Money }

// Month is the demand of one month on both sides.
type Month struct {
	Month            time.Time
	Name             string
	Expected, Actual tariff.Peak
	Saved            unit.Money
	Days             int // that count in this month
}

// Carbon is the carbon of both sides by one table.
type Carbon struct {
	Table                          string
	ExpectedKg, ActualKg, SavedKg  float64
	UnknownExpected, UnknownActual unit.Energy // energy without a factor
	Sources                        []string
}

// Valuation is what a saving is worth. What there are no terms for is nil.
type Valuation struct {
	Cost     *Cost
	Unpriced unit.Energy // of the actual energy: before the first version of the tariff
	Demand   []Month
	Location *Carbon
	Market   *Carbon
}

// ErrNoShape says that there is nothing to lay the expected energy over the hours by.
var ErrNoShape = errors.New("the baseline period has no energy on record")

// Of works a valuation out. The error is ErrNoShape without energy in the baseline
// period, or that of the tariff.
func Of(in Input) (Valuation, error) {
	expected, err := Expected(in)
	if err != nil {
		return Valuation{}, err
	}
	counted := map[int64]bool{}
	for _, d := range in.Days {
		counted[in.Plant.Day(d.Day, 0).Unix()] = true
	}
	var actual, others []tariff.Used
	for _, u := range in.Measured {
		if counted[in.Plant.Day(u.Start, 0).Unix()] {
			actual = append(actual, u)
		} else {
			others = append(others, u)
		}
	}
	var v Valuation
	if in.Tariff != nil {
		if err := v.price(in, expected, actual); err != nil {
			return Valuation{}, err
		}
		if err := v.demand(in, tariff.Merge(others, expected)); err != nil {
			return Valuation{}, err
		}
	}
	v.Location = carbonOf(in.Location, expected, actual)
	v.Market = carbonOf(in.Market, expected, actual)
	return v, nil
}

func (v *Valuation) price(in Input, expected, actual []tariff.Used) error {
	e, err := in.Tariff.Cost(expected)
	if err != nil {
		return err
	}
	a, err := in.Tariff.Cost(actual)
	if err != nil {
		return err
	}
	saved, err := e.Total.Minus(a.Total)
	if err != nil {
		return err
	}
	v.Cost, v.Unpriced = &Cost{e.Total, a.Total, saved}, a.Unpriced
	return nil
}

// demand compares the peaks of the months that have days that count. Days that do not
// count are on both sides as they were measured: a month in which the old lamps still
// ran is billed for them, and a ratchet looks back at the months before.
func (v *Valuation) demand(in Input, expected []tariff.Used) error {
	both := [2][]tariff.Peak{}
	for i, side := range [][]tariff.Used{expected, in.Measured} {
		peaks, err := in.Tariff.Peaks(side, in.Plant.Interval)
		if err != nil {
			return err
		}
		both[i] = peaks
	}
	for _, e := range both[0] {
		m := Month{Month: e.Month, Name: e.Name, Expected: e}
		for _, d := range in.Days {
			if y, mo, _ := d.Day.In(in.Tariff.Zone).Date(); y == e.Month.Year() && mo == e.Month.Month() {
				m.Days++
			}
		}
		if m.Days == 0 {
			continue
		}
		m.Saved = e.Cost
		for _, a := range both[1] {
			if a.Name == e.Name && a.Month.Equal(e.Month) {
				m.Actual = a
				var err error
				if m.Saved, err = e.Cost.Minus(a.Cost); err != nil {
					return fmt.Errorf("demand %s: %w", e.Name, err)
				}
			}
		}
		v.Demand = append(v.Demand, m)
	}
	return nil
}

func carbonOf(t *carbon.Table, expected, actual []tariff.Used) *Carbon {
	if t == nil {
		return nil
	}
	e, a := t.Of(asCarbon(expected)), t.Of(asCarbon(actual))
	c := &Carbon{
		Table: t.Name(), ExpectedKg: e.Kg, ActualKg: a.Kg, SavedKg: e.Kg - a.Kg,
		UnknownExpected: e.Unknown, UnknownActual: a.Unknown,
	}
	for _, p := range e.Parts {
		c.Sources = append(c.Sources, p.Source)
	}
	return c
}

func asCarbon(used []tariff.Used) []carbon.Used {
	out := make([]carbon.Used, len(used))
	for i, u := range used {
		out[i] = carbon.Used{Start: u.Start, Energy: u.Energy}
	}
	return out
}

// shape is how the energy of a kind of day lies over its clock time, by minute of the
// beginning of an interval.
type shape struct {
	by  map[int]float64
	sum float64
}

// Expected lays the expected energy of each day over its intervals.
func Expected(in Input) ([]tariff.Used, error) {
	if len(in.Days) == 0 {
		return nil, nil
	}
	shapes := map[bool]*shape{true: {by: map[int]float64{}}, false: {by: map[int]float64{}}}
	for _, u := range in.Measured {
		if u.Start.Before(in.Begin) || !u.Start.Before(in.End) {
			continue
		}
		s := shapes[in.Plant.WorkDay(u.Start)]
		kwh := math.Max(u.Energy.KWh(), 0)
		s.by[minute(in.Plant, u.Start)] += kwh
		s.sum += kwh
	}
	if shapes[true].sum+shapes[false].sum <= 0 {
		return nil, ErrNoShape
	}
	var out []tariff.Used
	for _, d := range in.Days {
		s := shapes[in.Plant.WorkDay(d.Day)]
		if s.sum <= 0 {
			s = shapes[!in.Plant.WorkDay(d.Day)]
		}
		out = append(out, s.lay(in.Plant, d)...)
	}
	return out, nil
}

// minute is the clock time of an instant at the site, in minutes.
func minute(p *plant.Plant, at time.Time) int {
	local := at.In(p.TimeZone)
	return local.Hour()*60 + local.Minute()
}

// lay divides the energy of a day; what is rounded in one interval is made up for in
// the next, so the day adds up.
func (s *shape) lay(p *plant.Plant, d Day) []tariff.Used {
	end := p.Day(d.Day, 1)
	var sum float64
	for at := d.Day; at.Before(end); at = at.Add(p.Interval) {
		sum += s.by[minute(p, at)]
	}
	n := float64(end.Sub(d.Day) / p.Interval)
	var out []tariff.Used
	var share float64
	var given unit.Energy
	for at := d.Day; at.Before(end); at = at.Add(p.Interval) {
		if sum > 0 {
			share += s.by[minute(p, at)] / sum
		} else {
			share += 1 / n
		}
		until := unit.Energy(math.Round(float64(d.Expected) * math.Min(share, 1)))
		if !at.Add(p.Interval).Before(end) {
			until = d.Expected
		}
		out = append(out, tariff.Used{Start: at, Energy: until - given})
		given = until
	}
	return out
}

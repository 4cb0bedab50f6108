// Package carbon turns energy into kilograms of carbon-dioxide equivalent by factors
// that are data: one factor, one for each year, or one for each hour, each with its
// source. It keeps the two ways of accounting apart: by location (what the grid
// emitted) and by market (what the contract of supply says).
//
// A saving is derived from the same factors as the use before and after, never stated
// beside them, so energy and carbon cannot disagree. Energy for which a table has no
// factor is a figure of its own and is never given that of another year.
//
// Factors are those of generation in the year reported; losses of networks and
// emissions upstream of the plant belong elsewhere (Scope 3). What is avoided is a
// statement of its own and no line of an inventory.
// Source: GHG Protocol Scope 2 Guidance (2015), chapter 7.1: report both ways,
// labelled, where contracts of supply exist. Order of factors and the place of losses
// from memory.
package carbon

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/unit"
)

// Factor is kilograms of CO2-equivalent per kilowatt-hour over a stretch of time.
type Factor struct {
	From, To time.Time // [From, To)
	KgPerKWh float64
	Source   string // where it is from, with the year of its data
}

// Table is factors in order of time; there may be stretches without any.
type Table struct {
	name    string
	factors []Factor
	one     *Factor // holds for ever
}

// ErrFactors says that factors do not make a table.
var ErrFactors = errors.New("factors do not make a table")

// One is the table of a single factor that holds for ever.
func One(name string, kgPerKWh float64, source string) Table {
	return Table{name: name, one: &Factor{KgPerKWh: kgPerKWh, Source: source}}
}

// New makes a table. The error is ErrFactors when factors overlap, are negative or
// have no source.
func New(name string, factors []Factor) (Table, error) {
	t := Table{name: name, factors: slices.Clone(factors)}
	slices.SortStableFunc(t.factors, func(a, b Factor) int { return a.From.Compare(b.From) })
	for i, f := range t.factors {
		switch {
		case !f.From.Before(f.To):
			return Table{}, fmt.Errorf("%s: factor from %s ends before it begins: %w", name, f.From.Format(time.RFC3339), ErrFactors)
		case !(f.KgPerKWh >= 0 && f.KgPerKWh <= 10):
			return Table{}, fmt.Errorf("%s: factor from %s is %v, expected 0 to 10 kg/kWh: %w", name, f.From.Format(time.RFC3339), f.KgPerKWh, ErrFactors)
		case f.Source == "":
			return Table{}, fmt.Errorf("%s: factor from %s has no source: %w", name, f.From.Format(time.RFC3339), ErrFactors)
		case i > 0 && f.From.Before(t.factors[i-1].To):
			return Table{}, fmt.Errorf("%s: there are two factors for %s: %w", name, f.From.Format(time.RFC3339), ErrFactors)
		}
	}
	return t, nil
}

// Name is what the table is called, for example its file.
func (t Table) Name() string { return t.name }

// At gives the factor in force at an instant.
func (t Table) At(at time.Time) (Factor, bool) {
	if t.one != nil {
		return *t.one, true
	}
	i, found := slices.BinarySearchFunc(t.factors, at, func(f Factor, at time.Time) int { return f.From.Compare(at) })
	if !found {
		i--
	}
	if i < 0 || !at.Before(t.factors[i].To) {
		return Factor{}, false
	}
	return t.factors[i], true
}

// Part is the energy and carbon of one source of factors.
type Part struct {
	Source string
	Energy unit.Energy
	Kg     float64
	// Low and High are the least and the greatest factor that was used.
	Low, High float64
}

// Amount is the carbon of some energy.
type Amount struct {
	Kg    float64
	Parts []Part // by source
	// Unknown is the energy for which the table has no factor.
	Unknown unit.Energy
}

// Used is the energy of one interval. The factor at its start counts, so intervals
// are no longer than the steps of the table.
type Used struct {
	Start  time.Time
	Energy unit.Energy
}

// Of works out the carbon of energy by interval: Σ energy × factor. Intervals of one
// factor are added up in whole milliwatt-hours before they are multiplied.
func (t Table) Of(used []Used) Amount {
	sums := map[Factor]unit.Energy{}
	var a Amount
	for _, u := range used {
		f, ok := t.At(u.Start)
		if !ok {
			a.Unknown += u.Energy
			continue
		}
		sums[f] += u.Energy
	}
	factors := make([]Factor, 0, len(sums))
	for f := range sums {
		factors = append(factors, f)
	}
	slices.SortFunc(factors, func(x, y Factor) int {
		return cmp.Or(cmp.Compare(x.Source, y.Source), x.From.Compare(y.From), cmp.Compare(x.KgPerKWh, y.KgPerKWh))
	})
	for _, f := range factors {
		kg := Kg(sums[f], f.KgPerKWh)
		a.Kg += kg
		if n := len(a.Parts); n == 0 || a.Parts[n-1].Source != f.Source {
			a.Parts = append(a.Parts, Part{Source: f.Source, Low: f.KgPerKWh, High: f.KgPerKWh})
		}
		p := &a.Parts[len(a.Parts)-1]
		p.Energy += sums[f]
		p.Kg += kg
		p.Low, p.High = min(p.Low, f.KgPerKWh), max(p.High, f.KgPerKWh)
	}
	return a
}

// Kg is kilograms of CO2-equivalent of energy at one factor.
func Kg(e unit.Energy, kgPerKWh float64) float64 { return e.KWh() * kgPerKWh }

// Warming is how many times as much as CO2 a gas warms, over 100 years.
type Warming struct{ Methane, NitrousOxide float64 }

// AR5 and AR4 are the values of the fifth and the fourth assessment report.
// From memory: IPCC AR5 (2013) without feedbacks, AR4 (2007).
func AR5() Warming { return Warming{28, 265} }

// AR4 gives the values of the fourth assessment report.
func AR4() Warming { return Warming{25, 298} }

// FromPounds makes a factor in kilograms per kilowatt-hour from emission rates in
// pounds per megawatt-hour. Source: 1 lb = 0.45359237 kg exactly.
func (w Warming) FromPounds(co2, methane, nitrousOxide float64) float64 {
	return (co2 + w.Methane*methane + w.NitrousOxide*nitrousOxide) * 0.45359237 / 1000
}

// MercuryGrams is the mercury in a number of lamps.
func MercuryGrams(lamps, milligramsPerLamp float64) float64 { return lamps * milligramsPerLamp / 1000 }

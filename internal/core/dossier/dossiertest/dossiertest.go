// Package dossiertest makes dossiers for tests: an invented press with arc lamps
// and later LED, whose energy follows its drivers with noise that is correlated
// from day to day. The same case gives the same dossier.
//
// The dossier comes about as a real one does, by savings.Freeze and savings.State,
// so that what is tested on it is tested on true figures. It has days that are left
// out, a day beyond the baseline's range, an adjustment, and meters with a known
// error.
package dossiertest

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/dossier"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// Case says what is different about a dossier.
type Case struct {
	Name        string
	Granularity plant.Granularity
	Model       string
	Drivers     []plant.Driver
	Rho         float64 // of the noise from day to day
}

// Cases are the shapes of model that reports meet.
func Cases() []Case {
	two := []plant.Driver{plant.DriverCuringHours, plant.DriverArea}
	return []Case{
		{"daily", plant.Daily, "linear", two, 0.4},
		{"independent", plant.Daily, "linear", two[:1], -0.5},
		{"weekly", plant.Weekly, "linear", two[:1], 0.2},
		{"knee", plant.Daily, "cooling4", two, 0.3},
		{"five", plant.Daily, "five", two[:1], 0.3},
		{"mean", plant.Daily, "mean", nil, 0.2},
	}
}

const (
	beforeDays = 20 * 7
	afterDays  = 12 * 7
)

// New makes the dossier of a case.
func New(t *testing.T, c Case) dossier.Dossier {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	price, err := unit.ParseMoney("0.168", "EUR")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 1, 5, 0, 0, 0, 0, zone) // a Monday
	change := begin.AddDate(0, 0, beforeDays)
	pr := plant.Project{
		ID: "heron-led", Title: "LED on press Heron", Press: "heron",
		Boundary: []plant.RegisterID{"heron-1-meter/import", "heron-fan/import"}, Drivers: c.Drivers,
		Baseline:   plant.Selection{To: change, Technology: plant.TechnologyArc},
		Reporting:  plant.Selection{From: change, Technology: plant.TechnologyLED},
		Confidence: 0.90, EstimatedLimit: 0.05, Price: price, Carbon: 0.461, CarbonSource: "an example",
		Model: c.Model, Granularity: c.Granularity,
		Factors: []plant.StaticFactor{{Name: "shifts", Value: "two"}},
	}
	for _, kind := range []struct{ days, hours float64 }{{200, 12}, {165, 13.5}} {
		normal := plant.NormalDay{Days: kind.days}
		for _, driver := range c.Drivers {
			v := kind.hours
			if driver == plant.DriverArea {
				v *= 1050
			}
			normal.Drivers = append(normal.Drivers, v)
		}
		pr.Normal = append(pr.Normal, normal)
	}
	days := made(c, begin, change)
	frozen := savings.FreezeInfo{Approver: "Ann Example", At: change.Add(9 * time.Hour).UTC(), Software: "test"}
	b, err := savings.Freeze(pr, days, frozen)
	if err != nil {
		t.Fatal(err)
	}
	b.Version = 1
	terms := savings.Terms{
		Meters: []savings.Metering{
			{Register: "heron-1-meter/import", Stated: true, PowerFactor: 0.95,
				Before: accuracy.Figures{Energy: 140_000 * unit.KilowattHour, Percent: 61, Relative: 0.0042},
				After:  accuracy.Figures{Energy: 16_000 * unit.KilowattHour, Percent: 9, Relative: 0.0071, Beyond: 0.2}},
			{Register: "heron-fan/import", Exchanged: true, Before: accuracy.Figures{Energy: 9_000 * unit.KilowattHour}, After: accuracy.Figures{Energy: 5_000 * unit.KilowattHour}},
		},
		Adjustments: []plant.Adjustment{{
			Project: pr.ID, Number: 1, From: change.AddDate(0, 0, 20), To: change.AddDate(0, 0, 34), Energy: 700 * unit.KilowattHour,
			Event: "further dryer inside the boundary", Evidence: "readings of its meter", Approver: "Ann Example",
		}},
	}
	st, err := savings.State(b, pr, days, terms)
	if err != nil {
		t.Fatal(err)
	}
	d := dossier.Dossier{
		Site: "Alder Lane Labels", Zone: zone, Project: pr, Baseline: b, Statement: st,
		Days: days, Meters: terms.Meters, Adjustments: terms.Adjustments,
	}
	d.Shape = shape(d)
	n, err := savings.Normalise(b, pr, days, terms)
	if err != nil {
		t.Fatal(err)
	}
	d.Normalised = &n
	return d
}

// made gives all days: 14 hours of curing in the week, less on Saturdays, none on
// Sundays.
func made(c Case, begin, change time.Time) []savings.Day {
	random := rand.New(rand.NewPCG(1, 2))
	var noise float64
	var out []savings.Day
	for i := range beforeDays + afterDays {
		day := begin.AddDate(0, 0, i)
		hours := 14 + 6*random.Float64()
		switch day.Weekday() {
		case time.Saturday:
			hours = 6 * random.Float64()
		case time.Sunday:
			hours = 0
		}
		area := hours * (900 + 300*random.Float64())
		noise = c.Rho*noise + 35*math.Sqrt(1-c.Rho*c.Rho)*random.NormFloat64()
		d := savings.Day{Day: day, Technology: plant.TechnologyArc, ScheduledHours: 24}
		kwh := 110 + 48*hours + 6*max(hours-9, 0) + 0.012*area + noise
		if !day.Before(change) {
			d.Technology = plant.TechnologyLED
			kwh = 40 + 9*hours + 0.003*area + 0.3*noise
		}
		for _, driver := range c.Drivers {
			v := hours
			if driver == plant.DriverArea {
				v = area
			}
			d.Drivers = append(d.Drivers, v)
		}
		d.Energy = unit.Energy(math.Round(kwh * 1e6))
		d.Quality[plant.QualityMeasured] = int64(d.Energy)
		switch i {
		case 0:
			d.Excluded = "first day of heron-1-meter/import, may not be whole"
		case beforeDays + 24:
			d.Excluded = "states of heron-1 cover 21.5 of 24.0 h"
		case beforeDays + 50:
			for j := range d.Drivers {
				d.Drivers[j] *= 3
			}
		}
		out = append(out, d)
	}
	return out
}

// shape spreads each day's energy over the hours of two shifts.
func shape(d dossier.Dossier) dossier.Shape {
	p := dossier.NewProfile(d)
	for _, day := range d.Days {
		for hour := range dossier.HoursOfDay {
			share := int64(1)
			if hour >= 6 && hour < 22 {
				share = 9
			}
			p.Add(plant.Entry{
				Register: "heron-1-meter/import", Start: time.Date(day.Day.Year(), day.Day.Month(), day.Day.Day(), hour, 0, 0, 0, d.Zone),
				Amount: int64(day.Energy) * share / (16*9 + 8),
			})
		}
	}
	return p.Shape()
}

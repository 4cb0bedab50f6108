// Package readiness says whether the days on record make a baseline that is good
// enough to freeze. The old system can be measured only once; what is found
// missing after the conversion stays missing.
//
// It looks at how many usable rows there are, whether the drivers went through what
// the year to come will ask of them, whether the model keeps its limits, and
// what stands in the way that no further day will mend, such as a station without
// a meter. It says how small a saving could still be shown, and how many more days
// are needed at least.
//
// Everything is a pure function of configuration, days and the instant asked for.
package readiness

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/stats"
)

// Driver is how far a driver went, per day, and how far it will go.
type Driver struct {
	Driver       plant.Driver `json:"driver"`
	Low          float64      `json:"low"`
	High         float64      `json:"high"`
	Expected     bool         `json:"expected_stated"` // the two below are configured
	ExpectedLow  float64      `json:"expected_low"`
	ExpectedHigh float64      `json:"expected_high"`
	Covered      bool         `json:"covered"`
}

// Readiness is what can be said of a baseline that is not frozen yet.
type Readiness struct {
	Project    plant.ProjectID   `json:"project"`
	Ready      bool              `json:"ready"`
	Noun       plant.Granularity `json:"granularity"`
	Rows       int               `json:"rows"`
	NeededRows int               `json:"needed_rows"`
	Days       int               `json:"days"`     // usable
	LeftOut    int               `json:"left_out"` // days that are not
	Drivers    []Driver          `json:"drivers"`
	// Smallest is the smallest saving, as a fraction, that a year like the baseline
	// would show at the project's confidence; Half is the one of which the half-width
	// is half. 0 while there is no model.
	Smallest   float64 `json:"smallest_shown_fraction"`
	Half       float64 `json:"smallest_fraction_at_half_uncertainty"`
	Confidence float64 `json:"confidence"`
	// Missing says what is missing, each with the remedy.
	Missing []string `json:"missing"`
	// MoreDays is the least number of further days after which nothing that days
	// can mend is missing.
	MoreDays int `json:"more_days"`
	// Conversion is the day on which the old system goes; zero when nobody said. Late
	// says that it comes before the baseline is ready.
	Conversion time.Time `json:"conversion,omitzero"`
	Late       bool      `json:"late"`
}

// Of looks at the days of a project at an instant.
func Of(p *plant.Plant, pr plant.Project, days []savings.Day, at time.Time) Readiness {
	used, others := savings.Select(days, pr.Baseline)
	r := Readiness{
		Project: pr.ID, Noun: pr.Granularity, NeededRows: savings.Least(pr), Days: len(used), LeftOut: len(others),
		Drivers: []Driver{}, Confidence: pr.Confidence, Missing: []string{}, Conversion: conversion(p, pr),
	}
	if r.Noun == "" {
		r.Noun = plant.Daily
	}
	r.model(pr, days)
	r.ranges(pr, used)
	r.rest(p, used, at)
	r.meters(p, pr)
	r.backwards(used)
	r.Ready = len(r.Missing) == 0
	if !r.Ready && !r.Conversion.IsZero() {
		r.Late = p.Day(at, max(r.MoreDays, 1)).After(r.Conversion)
	}
	return r
}

// conversion is the day that the configuration names, else the first on which a
// station of the press gets the light of the reporting period.
func conversion(p *plant.Plant, pr plant.Project) time.Time {
	if !pr.Conversion.IsZero() {
		return pr.Conversion
	}
	var first time.Time
	for _, st := range p.Stations() {
		if st.Press != pr.Press || pr.Reporting.Technology == plant.TechnologyNone {
			continue
		}
		for _, t := range st.Technology {
			if t.Technology == pr.Reporting.Technology && !t.From.IsZero() && (first.IsZero() || t.From.Before(first)) {
				first = t.From
			}
		}
	}
	return first
}

func (r *Readiness) miss(days int, format string, a ...any) {
	r.Missing = append(r.Missing, fmt.Sprintf(format, a...))
	r.MoreDays = max(r.MoreDays, days)
}

// length is the number of days in a row.
func (r *Readiness) length() int {
	switch r.Noun {
	case plant.Weekly:
		return 7
	case plant.Monthly:
		return 31
	default:
		return 1
	}
}

// year is the number of rows in a year.
func (r *Readiness) year() float64 {
	switch r.Noun {
	case plant.Weekly:
		return 52
	case plant.Monthly:
		return 12
	default:
		return 365
	}
}

// model drafts the baseline and says what of it is not adequate.
func (r *Readiness) model(pr plant.Project, days []savings.Day) {
	b, err := savings.Draft(pr, days)
	r.Rows = len(b.Rows)
	if err != nil {
		if r.Rows == 0 {
			r.Rows = r.Days / r.length()
		}
		if short := r.NeededRows - r.Rows; short > 0 {
			r.miss(short*r.length(), "%d of %d usable %ss: wait for %d more", r.Rows, r.NeededRows, r.Noun.Noun(), short)
			return
		}
		r.miss(1, "there is no model yet: %v", err)
		return
	}
	r.Smallest = smallest(b, r.year(), pr.Confidence)
	r.Half = 2 * r.Smallest
	for _, why := range b.Diagnosis.Reasons {
		r.miss(r.length(), "the model is not adequate: %s", why)
	}
}

// smallest is the half-width of a year of rows with the baseline's mean drivers, as
// a fraction of the energy expected there: a saving above is shown.
func smallest(b savings.Baseline, rows, confidence float64) float64 {
	var mean float64
	for _, row := range b.Rows {
		mean += row.Energy.KWh() / float64(max(row.Days, 1)) / float64(len(b.Rows))
	}
	if !(mean > 0) {
		return 0
	}
	n := b.Model.N
	total := stats.Total{
		Rows: int(rows), Leverage: rows * rows / float64(n), ResidualSD: b.Model.ResidualSD, N: n, P: b.Parameters(), Rho: b.Model.Rho,
	}
	return total.HalfWidth(confidence) / (rows * mean)
}

// ranges compares what the drivers went through with the year to come.
func (r *Readiness) ranges(pr plant.Project, used []savings.Day) {
	for j, name := range pr.Drivers {
		d := Driver{Driver: name, Low: math.Inf(1), High: math.Inf(-1), Covered: true}
		for _, day := range used {
			d.Low, d.High = min(d.Low, day.Drivers[j]), max(d.High, day.Drivers[j])
		}
		if len(used) == 0 {
			d.Low, d.High, d.Covered = 0, 0, false
		}
		i := slices.IndexFunc(pr.Expected, func(e plant.DriverSpan) bool { return e.Driver == name })
		if i >= 0 && len(used) > 0 {
			e, slack := pr.Expected[i], 0.1*(d.High-d.Low)
			d.Expected, d.ExpectedLow, d.ExpectedHigh = true, e.Low, e.High
			if e.High > d.High+slack {
				d.Covered = false
				r.miss(1, "%s reached %.4g a day, the year to come asks for %.4g: measure a day with as much, such as one of long or fast jobs", name, d.High, e.High)
			}
			if e.Low < d.Low-slack {
				d.Covered = false
				r.miss(1, "%s was never below %.4g a day, the year to come goes down to %.4g: measure a day with as little", name, d.Low, e.Low)
			}
		}
		r.Drivers = append(r.Drivers, d)
	}
}

// rest asks for a day on which the plant does not work: what is left on then is in
// no other day.
func (r *Readiness) rest(p *plant.Plant, used []savings.Day, at time.Time) {
	if slices.ContainsFunc(used, func(d savings.Day) bool { return !p.WorkDay(d.Day) }) {
		return
	}
	for n := range 8 {
		if day := p.Day(at, n); !p.WorkDay(day) {
			r.miss(n+1, "no day of rest is among the usable days: measure a weekend or a holiday, so that what stays on then is known")
			return
		}
	}
}

// meters names stations of the press that no register of the boundary measures.
func (r *Readiness) meters(p *plant.Plant, pr plant.Project) {
	measured := map[plant.StationID]bool{}
	for _, id := range pr.Boundary {
		reg, ok := p.FindRegister(id)
		if ok && reg.Station == "" {
			return // a meter of the whole press
		}
		measured[reg.Station] = true
	}
	for _, st := range p.Stations() {
		if st.Press == pr.Press && !measured[st.ID] {
			r.miss(0, "station %s has no meter inside the boundary: fit one, or give the meter that feeds it to the boundary", st.ID)
		}
	}
}

// backwards finds days on which the boundary gave energy back.
func (r *Readiness) backwards(used []savings.Day) {
	for _, d := range used {
		if d.Energy < 0 {
			r.miss(0, "on %s the boundary counted %.1f kWh, less than nothing: look at the direction of the current transformers with curetally probe",
				d.Day.Format(time.DateOnly), d.Energy.KWh())
			return
		}
	}
}

// Words say it in a few sentences.
func (r Readiness) Words() string {
	var t strings.Builder
	if r.Ready {
		fmt.Fprintf(&t, "The baseline is ready to be frozen: %d usable %ss of at least %d.", r.Rows, r.Noun.Noun(), r.NeededRows)
	} else {
		fmt.Fprintf(&t, "The baseline is not ready: %s.", strings.Join(r.Missing, "; "))
		if r.MoreDays > 0 {
			fmt.Fprintf(&t, " At least %d more days are needed.", r.MoreDays)
		}
	}
	if r.Smallest > 0 {
		fmt.Fprintf(&t, " A year would show savings above %.1f %% at %.0f %% confidence.", 100*r.Smallest, 100*r.Confidence)
	}
	if r.Late {
		fmt.Fprintf(&t, " THE CONVERSION ON %s COMES BEFORE IT IS READY: move it, or what is missing can never be measured.", r.Conversion.Format("2 Jan 2006"))
	}
	return t.String()
}

package savings

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/stats"
	"curetally/internal/core/unit"
)

// Source says what a baseline was made from.
type Source string

// The sources.
const (
	FromMeters Source = "" // of the boundary, read by this program
	FromBills  Source = "bills"
	FromSurvey Source = "survey"
)

// Given is where a baseline is from that this program did not measure.
type Given struct {
	Source   Source `json:"source"`
	File     string `json:"file"`        // its name
	FileHash string `json:"file_sha256"` // of its text, in hexadecimal
	// Of a survey: kWh a year and their standard uncertainty.
	KWhYear         float64 `json:"kwh_year,omitempty"`
	StandardKWhYear float64 `json:"standard_kwh_year,omitempty"`
}

// Bill is the energy of local days from From up to, not including, To.
type Bill struct {
	From, To time.Time
	Energy   unit.Energy
}

// typeB is the degrees of freedom of an uncertainty that is not from a spread of
// readings: as good as infinite.
// Source: JCGM 100 (GUM) G.4.2 and G.4.3.
const typeB = 1e9

// daysOfYear turns kWh a year into kWh a day.
const daysOfYear = 365

// given begins a baseline that was not measured here. It can know no drivers.
func given(pr plant.Project, from Given) (Baseline, error) {
	if len(pr.Drivers) > 0 {
		return Baseline{}, fmt.Errorf("project %s: a baseline from a %s cannot follow drivers, the project has %v: write drivers: [] — then nothing is adjusted for production",
			pr.ID, strings.TrimSuffix(string(from.Source), "s"), pr.Drivers)
	}
	return Baseline{
		Project: pr.ID, Boundary: slices.Clone(pr.Boundary), Drivers: []plant.Driver{}, Granularity: pr.Granularity, Given: &from,
		Chosen: Chosen{pr.Baseline.From, pr.Baseline.To, pr.Baseline.Technology.String()}, Form: regression.Mean,
		Rows: []Row{}, Excluded: []ExcludedDay{}, Ranges: []Range{}, Factors: slices.Clone(pr.Factors),
	}, nil
}

// FromBillsOf makes a baseline from bills of about a month each: their mean per day,
// with the scatter of the months as its uncertainty. It refuses bills that overlap,
// are of another length, or are fewer than nine.
func FromBillsOf(pr plant.Project, bills []Bill, from Given) (Baseline, error) {
	from.Source = FromBills
	b, err := given(pr, from)
	if err != nil {
		return b, err
	}
	if pr.Granularity != plant.Monthly {
		return b, fmt.Errorf("project %s: bills tell months, the project's rows are of %ss: write granularity: monthly", pr.ID, pr.Granularity.Noun())
	}
	bills = slices.SortedFunc(slices.Values(bills), func(x, y Bill) int { return x.From.Compare(y.From) })
	for i, bill := range bills {
		days := calendarDays(bill.From, bill.To)
		switch at := bill.From.Format(time.DateOnly); {
		case days < 25 || days > 35:
			return b, fmt.Errorf("project %s: the bill from %s is over %d days: expected bills of a month, 25 to 35 days", pr.ID, at, days)
		case i > 0 && bill.From.Before(bills[i-1].To):
			return b, fmt.Errorf("project %s: the bill from %s begins before the one from %s ends: remove one, or correct its days", pr.ID, at, bills[i-1].From.Format(time.DateOnly))
		case bill.Energy < 0:
			return b, fmt.Errorf("project %s: the bill from %s has %.0f kWh: expected 0 or more", pr.ID, at, bill.Energy.KWh())
		}
		b.Rows = append(b.Rows, Row{Day: bill.From, End: bill.To, Days: days, Energy: bill.Energy, Drivers: []float64{}})
	}
	if len(b.Rows) < leastPeriods {
		return b, fmt.Errorf("project %s: %w: %d bills, expected at least %d — add earlier ones", pr.ID, ErrTooFewDays, len(b.Rows), leastPeriods)
	}
	m, err := regression.Fit(table(b.Drivers, b.Rows), b.Form)
	if err != nil {
		return b, fmt.Errorf("project %s: mean of the bills: %w", pr.ID, err)
	}
	b.Model, b.Diagnosis = m.Linear(), diagnose(m, limits(pr))
	b.DataHash = b.hash()
	return b, nil
}

// FromSurveyOf makes a baseline from the energy that a survey gives for a year, and
// its standard uncertainty, both kWh: the same on each of 365 days.
func FromSurveyOf(pr plant.Project, kwh, standard float64, from Given) (Baseline, error) {
	from.Source, from.KWhYear, from.StandardKWhYear = FromSurvey, kwh, standard
	b, err := given(pr, from)
	if err != nil {
		return b, err
	}
	if !(kwh > 0) || math.IsInf(kwh, 0) || !(standard >= 0) || math.IsInf(standard, 0) {
		return b, fmt.Errorf("project %s: the survey gives %v ± %v kWh a year for the old system: expected more than 0", pr.ID, kwh, standard)
	}
	if standard == 0 {
		return b, errors.New("the survey states no error of any figure: write within or standard for volts, amps, power factor and hours, or the baseline would claim to be exact")
	}
	b.Model = surveyed(from)
	b.DataHash = b.hash()
	return b, nil
}

// surveyed is the model of a survey: a constant, whose uncertainty no row tells.
func surveyed(from Given) stats.Fit {
	return stats.Fit{
		Names: []string{"intercept"}, Coefficients: []float64{from.KWhYear / daysOfYear}, StdErrors: []float64{from.StandardKWhYear / daysOfYear},
		TValues: []float64{from.KWhYear / from.StandardKWhYear}, Cov: [][]float64{{0}}, P: 1,
	}
}

// source is what the baseline was made from.
func (b Baseline) source() Source {
	if b.Given == nil {
		return FromMeters
	}
	return b.Given.Source
}

// Measured says that the baseline is from meters of the boundary.
func (b Baseline) Measured() bool { return b.source() == FromMeters }

// freedom is the degrees of freedom of the model's uncertainty.
func (b Baseline) freedom() float64 {
	if b.source() == FromSurvey {
		return typeB
	}
	return stats.EffectiveDF(b.Model.N, b.Parameters(), b.Model.Rho)
}

// givenStandard is the standard uncertainty of a survey's sum over days: its error
// is the same on every day.
func (b Baseline) givenStandard(days float64) float64 {
	return days * b.Given.StandardKWhYear / daysOfYear
}

// sameGiven says that the model of a survey is the one of its figures.
func (b Baseline) sameGiven() bool {
	m := surveyed(*b.Given)
	return b.Model.P == 1 && len(b.Model.Coefficients) == 1 && len(b.Model.StdErrors) == 1 && len(b.Model.Cov) == 1 && len(b.Model.Cov[0]) == 1 &&
		b.Model.Coefficients[0] == m.Coefficients[0] && b.Model.StdErrors[0] == m.StdErrors[0] && len(b.Rows) == 0
}

// givenText is the line of DataText about what was not measured.
func (b Baseline) givenText() string {
	if b.Given == nil {
		return ""
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	return "given " + string(b.Given.Source) + " " + b.Given.FileHash + " " + number(b.Given.KWhYear) + " " + number(b.Given.StandardKWhYear) + "\n"
}

// Words say where the figures of a given baseline are from.
func (g Given) Words() string {
	switch g.Source {
	case FromBills:
		return fmt.Sprintf("The baseline is the mean of bills (%s), not measured inside the boundary and not adjusted for production; the error of the supplier's meter is not included.", g.File)
	case FromSurvey:
		return fmt.Sprintf("The baseline is from a survey (%s), not measured: %s ± %s kWh a year (one standard uncertainty), the same on every day and not adjusted for production.",
			g.File, unit.Group(g.KWhYear, 0), unit.Group(g.StandardKWhYear, 0))
	default:
		return ""
	}
}

// Seal makes a frozen baseline of a draft.
func Seal(pr plant.Project, b Baseline, info FreezeInfo) (Baseline, error) {
	switch {
	case strings.TrimSpace(info.Approver) == "":
		return Baseline{}, fmt.Errorf("project %s: a baseline needs an approver: name the person who answers for it", pr.ID)
	case info.Previous > 0 && strings.TrimSpace(info.Reason) == "":
		return Baseline{}, fmt.Errorf("project %s: version %d is frozen and stays; a new version needs the reason why it takes its place", pr.ID, info.Previous)
	}
	b.Approver, b.Frozen, b.Software, b.Reason = info.Approver, info.At, info.Software, strings.TrimSpace(info.Reason)
	return b, nil
}

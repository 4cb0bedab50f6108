package savings

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
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
)

// ErrTooFewDays says that a baseline has not enough usable days yet.
var ErrTooFewDays = errors.New("the baseline has too few days")

// ErrAltered says that a frozen baseline is not what it was when frozen.
var ErrAltered = errors.New("baseline is not as it was frozen")

// The least number of rows of a baseline, whatever its model: of days, and of
// weeks or months.
// From memory: nine valid points, ASHRAE Guideline 14, for the second.
const (
	leastDays    = 10
	leastPeriods = 9
)

// ExcludedDay is a day that was left out, with the reason in words.
type ExcludedDay struct {
	Day    time.Time `json:"day"`
	Reason string    `json:"reason"`
}

// Range is what a driver went through in the baseline, in the driver's unit.
type Range struct {
	Driver plant.Driver `json:"driver"`
	Min    float64      `json:"min"`
	Max    float64      `json:"max"`
}

// Low and High bound the values for which the model may be used: a tenth of the
// range beyond its ends. (The usual 90 % of the minimum and 110 % of the maximum
// have no meaning for a driver that can be zero.)
func (r Range) Low() float64 { return r.Min - 0.1*(r.Max-r.Min) }

// High is described with Low.
func (r Range) High() float64 { return r.Max + 0.1*(r.Max-r.Min) }

// Chosen is the selection of days that a baseline was made from.
type Chosen struct {
	From       time.Time `json:"from,omitzero"`
	To         time.Time `json:"to,omitzero"` // exclusive
	Technology string    `json:"technology,omitempty"`
}

// Baseline is a frozen baseline. It is written once and never changed; a new
// one gets the next version.
type Baseline struct {
	Project plant.ProjectID `json:"project"`
	// Version numbers the project's baselines from 1. Whoever keeps the baseline
	// gives the number; it is 0 before.
	Version  int                `json:"version,omitempty"`
	Boundary []plant.RegisterID `json:"boundary"`
	Drivers  []plant.Driver     `json:"drivers"`
	Chosen   Chosen             `json:"selection"`
	// Granularity is the length of a row; empty means days.
	Granularity plant.Granularity `json:"granularity,omitempty"`
	Rows        []Row             `json:"rows"`
	Excluded    []ExcludedDay     `json:"excluded"`
	Ranges      []Range           `json:"ranges"` // means per day
	// Form is the shape of the model; empty means linear.
	Form regression.Form `json:"form,omitempty"`
	// ChangePoints are of the first driver, per day.
	ChangePoints []float64 `json:"change_points,omitempty"`
	// Model gives kilowatt-hours per day from the columns that Form makes of the
	// drivers per day.
	Model     stats.Fit `json:"model"`
	Diagnosis Diagnosis `json:"diagnosis,omitzero"`
	// DataHash is the SHA-256 in hexadecimal over the text that DataText gives.
	DataHash string    `json:"data_hash"`
	Approver string    `json:"approver"`
	Frozen   time.Time `json:"frozen"`
	Software string    `json:"software"`
	// Reason says why this version takes the place of the one before; empty for the
	// first.
	Reason string `json:"reason,omitempty"`
	// Factors are the static factors as they were at freezing.
	Factors []plant.StaticFactor `json:"static_factors,omitempty"`
	// Given says where the baseline is from that was not measured here; nil for one
	// from the meters of the boundary.
	Given *Given `json:"given,omitempty"`
}

// FreezeInfo is what a baseline records beside its data.
type FreezeInfo struct {
	Approver string    // the person who answers for it; required
	At       time.Time // the instant of freezing
	Software string    // version of the program
	// Previous is the version that the new one takes the place of; 0 for none.
	// With one, Reason says why, and is required.
	Previous int
	Reason   string
}

// Freeze fits the project's model to the days that its baseline selection
// chooses. It returns ErrTooFewDays for fewer than 10 usable days (9 weeks or
// months) or fewer than parameters + 2, and an error that names them when drivers
// are constant or cannot be told apart.
func Freeze(pr plant.Project, days []Day, info FreezeInfo) (Baseline, error) {
	b, err := Draft(pr, days)
	if err != nil {
		// Who approves comes first: without one no day is worth waiting for.
		_, unsealed := Seal(pr, b, info)
		return Baseline{}, cmp.Or(unsealed, err)
	}
	return Seal(pr, b, info)
}

// Draft is what Freeze would freeze now. It returns the errors of Freeze that are
// not about the person.
func Draft(pr plant.Project, days []Day) (Baseline, error) {
	b := Baseline{
		Project:  pr.ID,
		Boundary: slices.Clone(pr.Boundary), Drivers: slices.Clone(pr.Drivers),
		Chosen:      Chosen{pr.Baseline.From, pr.Baseline.To, pr.Baseline.Technology.String()},
		Granularity: pr.Granularity, Form: form(pr), Factors: slices.Clone(pr.Factors),
	}
	used, others := Select(days, pr.Baseline)
	for _, d := range used {
		if len(d.Drivers) != len(pr.Drivers) {
			return Baseline{}, fmt.Errorf("project %s: day %s has %d drivers, expected %d",
				pr.ID, d.Day.Format(time.DateOnly), len(d.Drivers), len(pr.Drivers))
		}
	}
	rows, short, err := gatherRows(used, pr.Granularity)
	if err != nil {
		return Baseline{}, fmt.Errorf("project %s: %w", pr.ID, err)
	}
	b.Excluded = leftOut(others, short)
	for _, r := range rows {
		b.Rows = append(b.Rows, r.Row)
	}
	if err := b.enough(pr, len(others)+len(used)); err != nil {
		return Baseline{}, err
	}
	b.Ranges = ranges(b.Drivers, b.Rows)
	for _, r := range b.Ranges {
		if r.Min == r.Max && b.Form != regression.Mean {
			return Baseline{}, fmt.Errorf("project %s: driver %s is %v in every row of the baseline: leave it out of the project's drivers, or choose days on which it varies",
				pr.ID, r.Driver, r.Min)
		}
	}
	m, err := regression.Fit(table(b.Drivers, b.Rows), b.Form)
	if err != nil {
		return Baseline{}, fmt.Errorf("project %s: baseline model: %w", pr.ID, err)
	}
	b.Form, b.ChangePoints, b.Model = m.Form, m.ChangePoints, m.Linear()
	b.Diagnosis = diagnose(m, limits(pr))
	b.DataHash = b.hash()
	return b, nil
}

// form is that of the project's model: linear where none is named, the mean where
// it has no drivers.
func form(pr plant.Project) regression.Form {
	switch {
	case len(pr.Drivers) == 0:
		return regression.Mean
	case pr.Model == "":
		return regression.Linear
	default:
		return regression.Form(pr.Model)
	}
}

func limits(pr plant.Project) regression.Limits {
	if pr.Limits == nil {
		return regression.UsualLimits()
	}
	return regression.Limits(*pr.Limits)
}

// Least is the number of rows that a project's baseline needs at least.
func Least(pr plant.Project) int {
	least := leastDays
	if pr.Granularity == plant.Weekly || pr.Granularity == plant.Monthly {
		least = leastPeriods
	}
	smallest := form(pr)
	if smallest == regression.Auto {
		smallest = regression.Linear
	}
	return max(least, smallest.Parameters(len(pr.Drivers))+2)
}

// enough refuses too few rows.
func (b Baseline) enough(pr plant.Project, days int) error {
	need := Least(pr)
	if len(b.Rows) >= need {
		return nil
	}
	why := ""
	if n := len(b.Excluded); n > 0 {
		why = fmt.Sprintf(" (%s was left out: %s)", b.Excluded[n-1].Day.Format(time.DateOnly), b.Excluded[n-1].Reason)
	}
	noun, onRecord := pr.Granularity.Noun(), strconv.Itoa(days)
	if noun != plant.Daily.Noun() {
		onRecord += " days"
	}
	return fmt.Errorf("project %s: %w: %d usable baseline %ss of %s on record, expected at least %d%s — widen the selection or wait for more days",
		pr.ID, ErrTooFewDays, len(b.Rows), noun, onRecord, need, why)
}

func excludedDays(days []Day) []ExcludedDay {
	out := make([]ExcludedDay, len(days))
	for i, d := range days {
		out[i] = ExcludedDay{Day: d.Day, Reason: d.Excluded}
	}
	return out
}

func ranges(drivers []plant.Driver, rows []Row) []Range {
	out := make([]Range, len(drivers))
	for j, d := range drivers {
		r := Range{Driver: d, Min: math.Inf(1), Max: math.Inf(-1)}
		for _, row := range rows {
			v := row.perDay()[j]
			r.Min, r.Max = min(r.Min, v), max(r.Max, v)
		}
		out[j] = r
	}
	return out
}

// DataText writes the rows in a form that depends on nothing else, for the hash
// and for anyone who wants to check it: a line with the boundary registers, a
// line with the column names, then per row the local date, whole
// milliwatt-hours and the drivers in their shortest exact decimal form. Rows of
// weeks and months have their granularity among the column names and the number of
// their days after the date.
func (b Baseline) DataText() string {
	var t strings.Builder
	t.WriteString("boundary")
	for _, id := range b.Boundary {
		t.WriteString(" " + string(id))
	}
	t.WriteString("\nday ")
	if b.Granularity == plant.Weekly || b.Granularity == plant.Monthly {
		t.WriteString("days_" + string(b.Granularity) + " ")
	}
	t.WriteString("energy_mwh")
	for _, d := range b.Drivers {
		t.WriteString(" " + string(d))
	}
	t.WriteByte('\n')
	t.WriteString(b.givenText())
	for _, r := range b.Rows {
		t.WriteString(r.Day.Format(time.DateOnly))
		if r.Days > 0 {
			t.WriteString(" " + strconv.Itoa(r.Days))
		}
		t.WriteString(" " + strconv.FormatInt(int64(r.Energy), 10))
		for _, v := range r.Drivers {
			t.WriteString(" " + strconv.FormatFloat(v, 'g', -1, 64))
		}
		t.WriteByte('\n')
	}
	return t.String()
}

func (b Baseline) hash() string {
	sum := sha256.Sum256([]byte(b.DataText()))
	return hex.EncodeToString(sum[:])
}

// Verify returns ErrAltered unless the rows have their hash and the model is the
// one that they give.
func (b Baseline) Verify() error {
	if h := b.hash(); h != b.DataHash {
		return fmt.Errorf("project %s, baseline version %d: hash of the rows is %s, frozen was %s: restore it or freeze a new version: %w",
			b.Project, b.Version, h, b.DataHash, ErrAltered)
	}
	p := len(b.Model.Coefficients)
	whole := len(b.Ranges) == len(b.Drivers) && b.Model.P == p && b.Model.N == len(b.Rows) && len(b.Model.Cov) == p
	for _, row := range b.Model.Cov {
		whole = whole && len(row) == p
	}
	switch {
	case b.source() == FromSurvey:
		whole = b.sameGiven()
	case whole:
		again, err := regression.At(table(b.Drivers, b.Rows), b.Shape(), b.ChangePoints)
		whole = err == nil && again.Linear().P == p && sameModel(b.Model, again.Linear()) && slices.Equal(b.Ranges, ranges(b.Drivers, b.Rows))
	}
	if !whole {
		return fmt.Errorf("project %s, baseline version %d: the model is not the one that the rows give: restore it or freeze a new version: %w",
			b.Project, b.Version, ErrAltered)
	}
	return nil
}

// Shape is the form of the model, which baselines of an early version do not name.
func (b Baseline) Shape() regression.Form {
	switch {
	case b.Form != "":
		return b.Form
	case len(b.Drivers) == 0:
		return regression.Mean
	default:
		return regression.Linear
	}
}

// Parameters counts coefficients and change points.
func (b Baseline) Parameters() int { return b.Model.P + len(b.ChangePoints) }

// Predict gives the model's kilowatt-hours of a day with these drivers.
func (b Baseline) Predict(drivers []float64) float64 {
	return b.Model.Predict(b.Columns(drivers))
}

// Columns gives what the model's form makes of the drivers of a day, without the
// intercept's 1, in the order of the coefficients.
func (b Baseline) Columns(drivers []float64) []float64 {
	return b.Shape().Columns(b.ChangePoints, drivers)
}

// Covers says whether a day lies in a period that the baseline was fitted to.
func (b Baseline) Covers(day time.Time) bool {
	i, on := slices.BinarySearchFunc(b.Rows, day, func(r Row, t time.Time) int { return r.Day.Compare(t) })
	return on || i > 0 && day.Before(b.Rows[i-1].End)
}

// sameModel compares what a statement uses of a model. It allows for the last
// digits that another processor may round otherwise.
func sameModel(a, b stats.Fit) bool {
	same := func(x, y, floor float64) bool {
		return math.Abs(x-y) <= 1e-6*max(math.Abs(x), math.Abs(y))+floor
	}
	ok := same(a.ResidualSD, b.ResidualSD, 1e-9*math.Abs(b.Coefficients[0]))
	for i := range b.P {
		ok = ok && same(a.Coefficients[i], b.Coefficients[i], 1e-6*b.StdErrors[i]+1e-9)
		for j := range b.P {
			ok = ok && same(a.Cov[i][j], b.Cov[i][j], 1e-9*math.Sqrt(b.Cov[i][i]*b.Cov[j][j]))
		}
	}
	return ok
}

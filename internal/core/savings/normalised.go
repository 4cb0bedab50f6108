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

// ErrNoNormal says that savings cannot be stated for normal conditions; the text
// says why, with the remedy.
var ErrNoNormal = errors.New("no normalised savings")

// Normalised says what is saved in a year of normal conditions: what the baseline
// gives for them less what a model of the reporting period gives. It is plain data.
type Normalised struct {
	Project         plant.ProjectID `json:"project"`
	Period          string          `json:"period"` // of the reporting days, as Period names it
	BaselineVersion int             `json:"baseline_version"`
	BaselineHash    string          `json:"baseline_hash"`
	Given           *Given          `json:"baseline_given,omitempty"`
	// Normal are the conditions, Days how many days they are together.
	Drivers   []plant.Driver `json:"drivers"`
	Normal    []NormalDays   `json:"normal_conditions"`
	Days      float64        `json:"days"`
	Reporting PeriodModel    `json:"reporting_model"`
	// BaselineKWh and ReportingKWh are what the two models give for the conditions,
	// with their standard uncertainties from coefficients alone: no disturbance of
	// a day that was lived is in a sum over days that were not.
	BaselineKWh       float64 `json:"baseline_kwh"`
	ReportingKWh      float64 `json:"reporting_kwh"`
	BaselineStandard  float64 `json:"baseline_standard_kwh"`
	ReportingStandard float64 `json:"reporting_standard_kwh"`
	SavedKWh          float64 `json:"saved_kwh"`
	SavedFraction     float64 `json:"saved_fraction"`
	// HalfWidthKWh is at Confidence, with t at DegreesOfFreedom (Welch and
	// Satterthwaite); the parts are those of both models together and of the meters.
	HalfWidthKWh      float64    `json:"half_width_kwh"`
	ModelHalfWidthKWh float64    `json:"model_half_width_kwh"`
	MeterHalfWidthKWh float64    `json:"meter_half_width_kwh"`
	Confidence        float64    `json:"confidence"`
	DegreesOfFreedom  float64    `json:"degrees_of_freedom"`
	Levels            []Level    `json:"intervals"`
	Shown             bool       `json:"shown"` // the interval does not hold zero
	Cost              unit.Money `json:"cost_saved"`
	CarbonKg          float64    `json:"carbon_saved_kg"`
	// AdjustedKWh was taken out of the reporting days before their model was fitted:
	// what static factors added to them.
	AdjustedKWh float64       `json:"adjusted_kwh"`
	Excluded    []ExcludedDay `json:"excluded"`
}

// NormalDays is a kind of day of a normal year.
type NormalDays struct {
	Days   float64   `json:"days"`
	PerDay []float64 `json:"drivers_per_day"`
}

// Level is the half-width at one level of confidence.
type Level struct {
	Confidence   float64 `json:"confidence"`
	HalfWidthKWh float64 `json:"half_width_kwh"`
}

// PeriodModel is the model of the reporting period.
type PeriodModel struct {
	From time.Time `json:"from"` // first day of its rows
	To   time.Time `json:"to"`   // last
	Rows int       `json:"rows"`
	// Drivers it has; those that never changed in the period are in Constant.
	Drivers      []plant.Driver  `json:"drivers"`
	Constant     []Range         `json:"constant_drivers"`
	Form         regression.Form `json:"form"`
	Names        []string        `json:"names"`
	Coefficients []float64       `json:"coefficients"`
	StdErrors    []float64       `json:"std_errors"`
	ChangePoints []float64       `json:"change_points"`
	ResidualSD   float64         `json:"residual_sd"`
	Ranges       []Range         `json:"ranges"`
	Diagnosis    Diagnosis       `json:"diagnosis"`
}

// Normalise states the savings of a project's normal year. It returns an error that
// is ErrNoNormal where the project states no normal year, where the reporting period
// has no model yet, or where one of the models was never near the conditions; those of
// State where the baseline cannot speak for the project.
func Normalise(b Baseline, pr plant.Project, days []Day, terms Terms) (Normalised, error) {
	if err := b.Verify(); err != nil {
		return Normalised{}, err
	}
	if err := sameProject(b, pr); err != nil {
		return Normalised{}, err
	}
	normal, err := normalYear(pr)
	if err != nil {
		return Normalised{}, err
	}
	r, adjusted, err := reporting(pr, days, terms)
	if err != nil {
		return Normalised{}, err
	}
	n := Normalised{
		Project: pr.ID, Period: terms.Period.String(), BaselineVersion: b.Version, BaselineHash: b.DataHash, Given: b.Given,
		Drivers: slices.Clone(pr.Drivers), Normal: normal, Reporting: r.tell(), Confidence: pr.Confidence, AdjustedKWh: adjusted,
		Excluded: terms.Period.excluded(r.Excluded),
	}
	if len(b.ChangePoints)+len(r.ChangePoints) > 0 && len(normal) == 1 {
		return Normalised{}, fmt.Errorf("project %s: %w: a model with a change point does not give a year's energy at a year's mean — write the kinds of days of the year as expected_days",
			pr.ID, ErrNoNormal)
	}
	if err := n.near(b.Ranges, "baseline"); err != nil {
		return Normalised{}, err
	}
	if err := n.near(append(r.constant, r.Ranges...), "reporting period"); err != nil {
		return Normalised{}, err
	}
	before, after := sumOver(b, normal, func(x []float64) []float64 { return x }), sumOver(r.Baseline, normal, r.varying)
	n.Days = before.days
	n.BaselineKWh, n.ReportingKWh = before.kwh, after.kwh
	n.BaselineStandard, n.ReportingStandard = before.standard(b), after.standard(r.Baseline)
	n.SavedKWh, n.SavedFraction = n.BaselineKWh-n.ReportingKWh, Fraction(n.BaselineKWh, n.ReportingKWh)
	model := math.Hypot(n.BaselineStandard, n.ReportingStandard)
	meter := meterUncertainty(terms.Meters, n.BaselineKWh, n.ReportingKWh)
	n.DegreesOfFreedom = welch(n.BaselineStandard, b.freedom(), n.ReportingStandard, r.freedom())
	t := stats.Quantile(n.Confidence, n.DegreesOfFreedom)
	n.ModelHalfWidthKWh, n.MeterHalfWidthKWh, n.HalfWidthKWh = t*model, t*meter, t*math.Hypot(model, meter)
	n.Shown = math.Abs(n.SavedKWh) > n.HalfWidthKWh
	for _, level := range Levels() {
		n.Levels = append(n.Levels, Level{level, stats.Quantile(level, n.DegreesOfFreedom) * math.Hypot(model, meter)})
	}
	n.CarbonKg = CarbonKg(n.SavedKWh, pr.Carbon)
	if n.Cost, err = pr.Price.Times(n.SavedKWh); err != nil {
		return Normalised{}, fmt.Errorf("project %s: cost of %.0f kWh: %w", pr.ID, n.SavedKWh, err)
	}
	return n, nil
}

// normalYear gives the conditions; a project without drivers needs none.
func normalYear(pr plant.Project) ([]NormalDays, error) {
	if len(pr.Normal) == 0 {
		if len(pr.Drivers) == 0 {
			return []NormalDays{{daysOfYear, []float64{}}}, nil
		}
		return nil, fmt.Errorf("project %s: %w: no normal year is stated — write the mean of each driver per day as mean: under expected_year, or the kinds of days as expected_days",
			pr.ID, ErrNoNormal)
	}
	var out []NormalDays
	for _, d := range pr.Normal {
		out = append(out, NormalDays{d.Days, slices.Clone(d.Drivers)})
	}
	return out, nil
}

// after is a model of the reporting period, in the form of a baseline's.
type after struct {
	Baseline
	all      []plant.Driver
	constant []Range // drivers that never changed, which the model goes without
}

// varying takes the drivers that the model has out of all.
func (a after) varying(x []float64) []float64 {
	out := make([]float64, 0, len(a.Drivers))
	for i, d := range a.all {
		if slices.Contains(a.Drivers, d) {
			out = append(out, x[i])
		}
	}
	return out
}

// reporting fits the project's model to the reporting days, less what adjustments
// say that static factors added to them.
func reporting(pr plant.Project, days []Day, terms Terms) (after, float64, error) {
	all := slices.DeleteFunc(slices.Clone(days), func(d Day) bool { return !terms.Period.holds(d.Day) })
	used, _ := Select(all, pr.Reporting)
	out := after{all: pr.Drivers}
	rp := pr
	rp.Baseline, rp.Drivers = pr.Reporting, nil
	for j, d := range pr.Drivers {
		r := Range{Driver: d, Min: math.Inf(1), Max: math.Inf(-1)}
		for _, day := range used {
			if len(day.Drivers) == len(pr.Drivers) {
				r.Min, r.Max = min(r.Min, day.Drivers[j]), max(r.Max, day.Drivers[j])
			}
		}
		if r.Min == r.Max {
			out.constant = append(out.constant, r)
			continue
		}
		rp.Drivers = append(rp.Drivers, d)
	}
	if len(rp.Drivers) == 0 {
		rp.Model = string(regression.Mean)
	}
	adjust := newAdjuster(terms.Adjustments)
	var adjusted float64
	out.Drivers = rp.Drivers
	for i, d := range all {
		if len(d.Drivers) == len(pr.Drivers) {
			all[i].Drivers = out.varying(d.Drivers)
		}
		if !slices.ContainsFunc(used, func(u Day) bool { return u.Day.Equal(d.Day) }) {
			continue
		}
		kwh := adjust.on(d.Day)
		adjusted += kwh
		less, err := unit.EnergyFromKWh(d.Energy.KWh() - kwh)
		if err != nil {
			return out, 0, fmt.Errorf("project %s: day %s less its adjustments: %w", pr.ID, d.Day.Format(time.DateOnly), err)
		}
		if kwh != 0 {
			all[i].Energy = less
		}
	}
	b, err := Draft(rp, all)
	switch {
	case errors.Is(err, ErrTooFewDays):
		return out, 0, fmt.Errorf("project %s: %w: the reporting period has too few usable %ss for a model of its own (at least %d are needed) — wait for more, or take a longer period",
			pr.ID, ErrNoNormal, pr.Granularity.Noun(), Least(rp))
	case err != nil:
		return out, 0, fmt.Errorf("project %s: %w: the reporting period has no model: %w", pr.ID, ErrNoNormal, err)
	}
	out.Baseline = b
	return out, adjusted, nil
}

// tell gives what a reader wants to know of the model.
func (a after) tell() PeriodModel {
	return PeriodModel{
		From: a.Rows[0].Day, To: a.Rows[len(a.Rows)-1].Day, Rows: len(a.Rows), Drivers: append([]plant.Driver{}, a.Drivers...),
		Constant: append([]Range{}, a.constant...), Form: a.Shape(), Names: a.Model.Names, Coefficients: a.Model.Coefficients, StdErrors: a.Model.StdErrors,
		ChangePoints: append([]float64{}, a.ChangePoints...), ResidualSD: a.Model.ResidualSD, Ranges: a.Ranges, Diagnosis: a.Diagnosis,
	}
}

// near refuses conditions that a model was never near.
func (n Normalised) near(ranges []Range, whose string) error {
	for _, d := range n.Normal {
		for i, name := range n.Drivers {
			at := slices.IndexFunc(ranges, func(r Range) bool { return r.Driver == name })
			if at < 0 {
				continue
			}
			if r, v := ranges[at], d.PerDay[i]; v < r.Low() || v > r.High() {
				return fmt.Errorf("project %s: %w: %s is %.4g a day in the normal year, and the %s went through %.4g to %.4g only — correct expected_year or expected_days, or wait until such days are on record",
					n.Project, ErrNoNormal, name, v, whose, r.Low(), r.High())
			}
		}
	}
	return nil
}

// total is the sum of a model over days.
type total struct {
	kwh, days float64
	sums      []float64 // of the model's columns
}

func sumOver(b Baseline, normal []NormalDays, drivers func([]float64) []float64) total {
	t := total{sums: make([]float64, b.Model.P-1)}
	for _, d := range normal {
		x := drivers(d.PerDay)
		t.kwh += d.Days * b.Predict(x)
		t.days += d.Days
		for j, c := range b.Columns(x) {
			t.sums[j] += d.Days * c
		}
	}
	return t
}

// standard is the standard uncertainty of the sum from the model's coefficients:
// √(w'Vw), widened where residuals follow each other. Sums go by days, so that the
// intercept's is that of the days.
func (t total) standard(b Baseline) float64 { return running{sums: t.sums, days: t.days}.standard(b) }

// welch gives the degrees of freedom of the sum of two independent uncertainties.
// Source: JCGM 100 (GUM) G.4.1, Welch-Satterthwaite formula.
func welch(u1, df1, u2, df2 float64) float64 {
	a, b := u1*u1, u2*u2
	if a+b == 0 {
		return min(df1, df2)
	}
	return max((a+b)*(a+b)/(a*a/df1+b*b/df2), 1)
}

// Words say what was done, for reports.
func (n Normalised) Words() string {
	var normal []string
	for _, d := range n.Normal {
		var at []string
		for i, name := range n.Drivers {
			at = append(at, fmt.Sprintf("%s %s", name, strconv.FormatFloat(d.PerDay[i], 'g', 4, 64)))
		}
		text := strconv.FormatFloat(d.Days, 'g', 4, 64) + " days"
		if len(at) > 0 {
			text += " of " + strings.Join(at, ", ")
		}
		normal = append(normal, text)
	}
	text := "normal year: " + strings.Join(normal, "; ")
	for _, c := range n.Reporting.Constant {
		text += fmt.Sprintf("; %s was %.4g on every reporting day, and the model of that period goes without it", c.Driver, c.Min)
	}
	return text
}

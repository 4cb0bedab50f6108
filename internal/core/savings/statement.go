package savings

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/stats"
	"curetally/internal/core/unit"
)

// ErrNoDays says that the reporting period has no usable day yet.
var ErrNoDays = errors.New("no usable reporting day")

// Levels are the confidence levels at which a statement gives its interval beside
// the project's own.
func Levels() []float64 { return []float64{0.68, 0.80, 0.90, 0.95} }

// Statement says what was saved over the days of the reporting period. It is
// plain data: the same baseline and days marshal to the same bytes.
type Statement struct {
	Project         plant.ProjectID `json:"project"`
	Period          string          `json:"period"` // as Period names it
	BaselineVersion int             `json:"baseline_version"`
	BaselineHash    string          `json:"baseline_hash"`
	// Given says where a baseline is from that was not measured.
	Given *Given    `json:"baseline_given,omitempty"`
	From  time.Time `json:"from"` // first day counted
	To    time.Time `json:"to"`   // last day counted
	Days  int       `json:"days"` // days counted
	// Granularity is the length of the model's rows, Rows how many are counted.
	Granularity plant.Granularity `json:"granularity"`
	Rows        int               `json:"rows"`
	// ExpectedKWh is what the model gives at the drivers of the days. With
	// AdjustmentKWh, the non-routine adjustments, it is the adjusted baseline.
	ExpectedKWh   float64    `json:"expected_kwh"`
	AdjustmentKWh float64    `json:"adjustment_kwh"`
	Adjustments   []Adjusted `json:"adjustments"`
	ActualKWh     float64    `json:"actual_kwh"`
	SavedKWh      float64    `json:"saved_kwh"`
	SavedFraction float64    `json:"saved_fraction"` // of the adjusted baseline
	// HalfWidthKWh is half the width of the interval of SavedKWh at Confidence: the
	// root of the squares of its two parts. That of the model is the one of
	// stats.Total: exact for least squares, widened by Rho, the lag-1
	// autocorrelation of the baseline's residuals. That of the meters is 0 where no
	// accuracy of them is stated; Meters says of which it is. Adjustments are taken
	// as they are recorded, without an uncertainty of their own.
	HalfWidthKWh      float64 `json:"half_width_kwh"`
	ModelHalfWidthKWh float64 `json:"model_half_width_kwh"`
	MeterHalfWidthKWh float64 `json:"meter_half_width_kwh"`
	Confidence        float64 `json:"confidence"`
	Rho               float64 `json:"rho"`
	NEffective        float64 `json:"n_effective"`
	// Intervals has the half-widths at all Levels.
	Intervals []Interval   `json:"intervals"`
	Meters    []MeterError `json:"meters"`
	// Shown says that the interval does not hold zero.
	Shown bool       `json:"shown"`
	Cost  unit.Money `json:"cost_saved"`
	// Kilograms CO2-equivalent at the project's factor; expected is that of the
	// adjusted baseline.
	ExpectedCarbonKg float64 `json:"expected_carbon_kg"`
	ActualCarbonKg   float64 `json:"actual_carbon_kg"`
	CarbonKg         float64 `json:"carbon_saved_kg"`
	// Mean power over the scheduled hours of the days counted; 0 without any.
	ScheduledHours float64 `json:"scheduled_hours"`
	ExpectedMeanKW float64 `json:"expected_mean_kw"`
	ActualMeanKW   float64 `json:"actual_mean_kw"`
	// DoubtfulFraction is the share of ActualKWh that is neither measured nor
	// interpolated.
	DoubtfulFraction float64        `json:"doubtful_fraction"`
	Quality          []QualityShare `json:"energy_by_quality"`
	Excluded         []ExcludedDay  `json:"excluded"`
	// OutsideRange lists driver values beyond what the baseline went through. The
	// days of their rows are in no figure above: for them the model would be
	// stretched beyond what it was made from. They stand apart in Extrapolated.
	OutsideRange []Outside     `json:"outside_range"`
	Extrapolated Extrapolated  `json:"extrapolated"`
	Series       []SeriesPoint `json:"series"`
}

// Interval is the half-width of the saving at one level of confidence.
type Interval struct {
	Confidence   float64 `json:"confidence"`
	HalfWidthKWh float64 `json:"half_width_kwh"`
	// Fraction is HalfWidthKWh ÷ |saving|, and Guideline what ASHRAE Guideline 14
	// gives for that from summary values, model alone; 0 where nothing is saved.
	Fraction  float64 `json:"fractional_uncertainty"`
	Guideline float64 `json:"guideline_fractional_uncertainty"`
	Shown     bool    `json:"shown"`
}

// Extrapolated is what days outside the baseline's ranges would add.
type Extrapolated struct {
	Days        int     `json:"days"`
	ExpectedKWh float64 `json:"expected_kwh"`
	ActualKWh   float64 `json:"actual_kwh"`
	SavedKWh    float64 `json:"saved_kwh"`
}

// Outside is a driver value for which the model was not made.
type Outside struct {
	Day    time.Time    `json:"day"` // first of its row
	Driver plant.Driver `json:"driver"`
	Value  float64      `json:"value"` // per day
	Low    float64      `json:"low"`   // least value that is allowed
	High   float64      `json:"high"`
}

// SeriesPoint is one counted day, with the running total to its end. On days of a
// longer row the expected energy is the row's mean per day.
type SeriesPoint struct {
	Day             time.Time `json:"day"`
	ActualKWh       float64   `json:"actual_kwh"`
	ExpectedKWh     float64   `json:"expected_kwh"`
	AdjustmentKWh   float64   `json:"adjustment_kwh,omitempty"`
	CumulativeSaved float64   `json:"cumulative_saved_kwh"`
	// HalfWidth belongs to CumulativeSaved, kWh.
	HalfWidth float64 `json:"half_width_kwh"`
}

// Terms are what a statement is made with beside baseline and days.
type Terms struct {
	// Meters are the registers of the boundary with what is known of their
	// accuracy; nil leaves the error of the meters out.
	Meters      []Metering
	Adjustments []plant.Adjustment
	Period      Period // zero takes all of the reporting selection
}

// State applies a frozen baseline to the days that the project's reporting
// selection chooses. It returns ErrNoDays when there is no day, ErrAltered when
// the baseline is not as it was frozen, and an error when boundary, drivers or
// granularity of the project have changed since.
func State(b Baseline, pr plant.Project, days []Day, terms Terms) (Statement, error) {
	if err := b.Verify(); err != nil {
		return Statement{}, err
	}
	if err := sameProject(b, pr); err != nil {
		return Statement{}, err
	}
	used, others := Select(days, pr.Reporting)
	for _, d := range used {
		if len(d.Drivers) != len(b.Drivers) {
			return Statement{}, fmt.Errorf("project %s: day %s has %d drivers, expected %d",
				pr.ID, d.Day.Format(time.DateOnly), len(d.Drivers), len(b.Drivers))
		}
	}
	rows, short, err := gatherRows(used, b.Granularity)
	if err != nil {
		return Statement{}, fmt.Errorf("project %s: %w", pr.ID, err)
	}
	s := Statement{
		Project: pr.ID, Period: terms.Period.String(), BaselineVersion: b.Version, BaselineHash: b.DataHash, Given: b.Given,
		Granularity: cmp.Or(b.Granularity, plant.Daily),
		Confidence:  pr.Confidence, Rho: b.Model.Rho, NEffective: stats.EffectiveN(b.Model.N, b.Model.Rho),
		Excluded: terms.Period.excluded(leftOut(others, short)), OutsideRange: []Outside{},
	}
	rows = slices.DeleteFunc(rows, func(r stretch) bool { return !terms.Period.holds(r.Day) })
	rows = s.setApart(b, rows)
	if len(rows) == 0 {
		return Statement{}, fmt.Errorf("project %s: %w%s", pr.ID, ErrNoDays, s.without())
	}
	if err := s.count(b, rows, terms); err != nil {
		return Statement{}, err
	}
	s.ExpectedCarbonKg = CarbonKg(s.ExpectedKWh+s.AdjustmentKWh, pr.Carbon)
	s.ActualCarbonKg = CarbonKg(s.ActualKWh, pr.Carbon)
	s.CarbonKg = CarbonKg(s.SavedKWh, pr.Carbon)
	s.ExpectedMeanKW = MeanKW(s.ExpectedKWh+s.AdjustmentKWh, s.ScheduledHours)
	s.ActualMeanKW = MeanKW(s.ActualKWh, s.ScheduledHours)
	cost, err := pr.Price.Times(s.SavedKWh)
	if err != nil {
		return Statement{}, fmt.Errorf("project %s: cost of %.0f kWh: %w", pr.ID, s.SavedKWh, err)
	}
	s.Cost = cost
	return s, nil
}

// without says why there is nothing to count.
func (s Statement) without() string {
	switch n := len(s.Excluded); {
	case s.Extrapolated.Days > 0:
		return fmt.Sprintf(": %d days lie outside the range of the baseline's drivers, for example %s %.4g on %s (%.4g to %.4g)", s.Extrapolated.Days,
			s.OutsideRange[0].Driver, s.OutsideRange[0].Value, s.OutsideRange[0].Day.Format(time.DateOnly), s.OutsideRange[0].Low, s.OutsideRange[0].High)
	case n > 0:
		return fmt.Sprintf(" (%s was left out: %s)", s.Excluded[n-1].Day.Format(time.DateOnly), s.Excluded[n-1].Reason)
	default:
		return ""
	}
}

// sameProject says whether the baseline can speak for the project as it is.
func sameProject(b Baseline, pr plant.Project) error {
	const remedy = "put the configuration back or freeze a new version"
	switch {
	case b.Project != pr.ID:
		return fmt.Errorf("project %s: the baseline is of project %s", pr.ID, b.Project)
	case !slices.Equal(b.Boundary, pr.Boundary):
		return fmt.Errorf("project %s: the boundary is %v, baseline version %d was frozen with %v: %s",
			pr.ID, pr.Boundary, b.Version, b.Boundary, remedy)
	case !slices.Equal(b.Drivers, pr.Drivers):
		return fmt.Errorf("project %s: the drivers are %v, baseline version %d was frozen with %v: %s",
			pr.ID, pr.Drivers, b.Version, b.Drivers, remedy)
	case cmp.Or(b.Granularity, plant.Daily) != cmp.Or(pr.Granularity, plant.Daily):
		return fmt.Errorf("project %s: the granularity is %s, baseline version %d was frozen with %s: %s",
			pr.ID, cmp.Or(pr.Granularity, plant.Daily), b.Version, cmp.Or(b.Granularity, plant.Daily), remedy)
	case !(pr.Confidence > 0 && pr.Confidence < 1):
		return fmt.Errorf("project %s: confidence %v, expected a number between 0 and 1 such as 0.90", pr.ID, pr.Confidence)
	}
	return nil
}

// setApart takes the rows with a driver outside the baseline's ranges out and
// adds them up on their own.
func (s *Statement) setApart(b Baseline, rows []stretch) (inside []stretch) {
	for _, r := range rows {
		x, far := r.perDay(), false
		for j, v := range x {
			if g := b.Ranges[j]; v < g.Low() || v > g.High() {
				far = true
				s.OutsideRange = append(s.OutsideRange, Outside{Day: r.Day, Driver: g.Driver, Value: v, Low: g.Low(), High: g.High()})
			}
		}
		if !far {
			inside = append(inside, r)
			continue
		}
		e := &s.Extrapolated
		e.Days += len(r.days)
		e.ExpectedKWh += r.length() * b.Predict(x)
		e.ActualKWh += r.Energy.KWh()
		e.SavedKWh = e.ExpectedKWh - e.ActualKWh
	}
	return inside
}

// running is the sum over rows and the days of the last one, as far as it was
// counted.
type running struct {
	sums         []float64 // of the model's columns
	days         float64
	disturbances stats.Disturbances
}

// with adds so many days of one row, which has these columns per day.
func (r running) with(columns []float64, days, rho float64) running {
	next := running{slices.Clone(r.sums), r.days + days, r.disturbances.With(days, rho)}
	for j, x := range columns {
		next.sums[j] += days * x
	}
	return next
}

// standard gives the model's standard uncertainty of the sum, kWh.
func (r running) standard(b Baseline) float64 {
	v := append([]float64{r.days}, r.sums...)
	var q float64
	for i := range v {
		for j := range v {
			q += v[i] * b.Model.Cov[i][j] * v[j]
		}
	}
	if b.source() == FromSurvey {
		return b.givenStandard(r.days)
	}
	return stats.Total{
		Leverage: max(q, 0), ResidualSD: b.Model.ResidualSD, N: b.Model.N, P: b.Parameters(), Rho: b.Model.Rho,
	}.Standard(r.disturbances.Variance())
}

// count adds up the days of the rows. Actual energy is added in whole
// milliwatt-hours.
func (s *Statement) count(b Baseline, rows []stretch, terms Terms) error {
	adjust := newAdjuster(terms.Adjustments)
	var actual unit.Energy
	var quality plant.ByQuality
	sum := running{sums: make([]float64, b.Model.P-1)}
	t := stats.Quantile(s.Confidence, b.freedom())
	s.Meters = errorsOf(terms.Meters)
	var model, meter float64 // standard uncertainties
	for _, r := range rows {
		x := r.perDay()
		expected, columns := b.Predict(x), b.Shape().Columns(b.ChangePoints, x)
		before := sum
		for i, d := range r.days {
			actual += d.Energy
			s.ExpectedKWh += expected
			added := adjust.on(d.Day)
			s.AdjustmentKWh += added
			s.ScheduledHours += d.ScheduledHours
			for q, v := range d.Quality {
				quality[q] += v
			}
			sum = before.with(columns, float64(i+1), b.Model.Rho)
			model = sum.standard(b)
			meter = meterUncertainty(terms.Meters, s.ExpectedKWh+s.AdjustmentKWh, actual.KWh())
			s.Series = append(s.Series, SeriesPoint{
				Day: d.Day, ActualKWh: d.Energy.KWh(), ExpectedKWh: expected, AdjustmentKWh: added,
				CumulativeSaved: s.ExpectedKWh + s.AdjustmentKWh - actual.KWh(), HalfWidth: t * math.Hypot(model, meter),
			})
		}
	}
	first, end := s.Series[0], s.Series[len(s.Series)-1]
	s.From, s.To, s.Days, s.Rows = first.Day, end.Day, len(s.Series), len(rows)
	s.ActualKWh, s.SavedKWh, s.Adjustments = actual.KWh(), end.CumulativeSaved, adjust.used()
	s.Quality = qualityShares(quality)
	if total := quality.Total(); total > 0 {
		s.DoubtfulFraction = float64(quality.Doubtful()) / float64(total)
	}
	s.SavedFraction = Fraction(s.ExpectedKWh+s.AdjustmentKWh, s.ActualKWh)
	s.ModelHalfWidthKWh, s.MeterHalfWidthKWh, s.HalfWidthKWh = t*model, t*meter, end.HalfWidth
	s.Shown = math.Abs(s.SavedKWh) > s.HalfWidthKWh
	s.intervals(b, math.Hypot(model, meter))
	return nil
}

// intervals gives the saving's half-width at all levels.
func (s *Statement) intervals(b Baseline, standard float64) {
	mean := b.mean()
	for _, level := range Levels() {
		i := Interval{Confidence: level}
		i.HalfWidthKWh = standard * stats.Quantile(level, b.freedom())
		i.Shown = math.Abs(s.SavedKWh) > i.HalfWidthKWh
		if s.SavedKWh != 0 {
			i.Fraction = i.HalfWidthKWh / math.Abs(s.SavedKWh)
		}
		if s.SavedKWh != 0 && mean != 0 {
			i.Guideline = known(stats.Fractional{
				CV: b.Model.ResidualSD / mean, F: s.SavedFraction, N: b.Model.N, P: b.Parameters(), M: s.Rows,
				Rho: b.Model.Rho, OnDrivers: b.Shape() != regression.Mean,
			}.Uncertainty(level))
		}
		s.Intervals = append(s.Intervals, i)
	}
}

// mean is the mean energy of the baseline's rows, kWh per day; 0 without rows.
func (b Baseline) mean() float64 {
	if len(b.Rows) == 0 {
		return 0
	}
	var sum float64
	for _, r := range b.Rows {
		sum += r.Energy.KWh() / r.length()
	}
	return sum / float64(len(b.Rows))
}

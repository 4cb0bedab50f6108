package savings

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// ErrNoDays says that the reporting period has no usable day yet.
var ErrNoDays = errors.New("no usable reporting day")

// Statement says what was saved over the days of the reporting period. It is
// plain data: the same baseline and days marshal to the same bytes.
type Statement struct {
	Project         plant.ProjectID `json:"project"`
	BaselineVersion int             `json:"baseline_version"`
	BaselineHash    string          `json:"baseline_hash"`
	From            time.Time       `json:"from"` // first day counted
	To              time.Time       `json:"to"`   // last day counted
	Days            int             `json:"days"` // days counted
	// ExpectedKWh is the adjusted baseline: the model at the drivers of the days.
	ExpectedKWh   float64 `json:"expected_kwh"`
	ActualKWh     float64 `json:"actual_kwh"`
	SavedKWh      float64 `json:"saved_kwh"`
	SavedFraction float64 `json:"saved_fraction"` // of ExpectedKWh
	// HalfWidthKWh is half the width of the interval of SavedKWh at Confidence: the
	// root of the squares of its two parts. That of the model is exact for least
	// squares with independent disturbances. Rho, the lag-1 autocorrelation of the
	// baseline's residuals, tells how far that holds: a clearly positive one means
	// that the true interval is wider. That of the meters is 0 where no accuracy of
	// them is stated; Meters says of which it is.
	HalfWidthKWh      float64      `json:"half_width_kwh"`
	ModelHalfWidthKWh float64      `json:"model_half_width_kwh"`
	MeterHalfWidthKWh float64      `json:"meter_half_width_kwh"`
	Confidence        float64      `json:"confidence"`
	Rho               float64      `json:"rho"`
	Meters            []MeterError `json:"meters"`
	// Shown says that the interval does not hold zero.
	Shown bool       `json:"shown"`
	Cost  unit.Money `json:"cost_saved"`
	// Kilograms CO2-equivalent at the project's factor.
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
	// OutsideRange lists driver values beyond what the baseline went through.
	// Their days are counted; OutsideKWh is what they add to SavedKWh.
	OutsideRange []Outside     `json:"outside_range"`
	OutsideKWh   float64       `json:"outside_saved_kwh"`
	Series       []SeriesPoint `json:"series"`
}

// QualityShare is how much of the energy counted has one quality.
type QualityShare struct {
	Quality string `json:"quality"`
	// KWh is by absolute value, which differs from what was counted only where a
	// register gave energy back.
	KWh      float64 `json:"kwh"`
	Fraction float64 `json:"fraction"` // of all
}

// qualityShares lists what there is, the best first.
func qualityShares(b plant.ByQuality) []QualityShare {
	out := []QualityShare{}
	for q, v := range b {
		if v != 0 {
			quality := plant.Quality(q)
			out = append(out, QualityShare{quality.String(), unit.Energy(v).KWh(), b.Share(quality)})
		}
	}
	return out
}

// Outside is a driver value for which the model was not made.
type Outside struct {
	Day    time.Time    `json:"day"`
	Driver plant.Driver `json:"driver"`
	Value  float64      `json:"value"`
	Low    float64      `json:"low"` // least value that is allowed
	High   float64      `json:"high"`
}

// SeriesPoint is one counted day, with the running total to its end.
type SeriesPoint struct {
	Day             time.Time `json:"day"`
	ActualKWh       float64   `json:"actual_kwh"`
	ExpectedKWh     float64   `json:"expected_kwh"`
	CumulativeSaved float64   `json:"cumulative_saved_kwh"`
	// HalfWidth belongs to CumulativeSaved, kWh.
	HalfWidth float64 `json:"half_width_kwh"`
}

// State applies a frozen baseline to the days that the project's reporting
// selection chooses. Meters are the registers of the boundary with what is known of
// their accuracy; nil leaves the error of the meters out. It returns ErrNoDays when
// there is no day, ErrAltered when the baseline is not as it was frozen, and an
// error when boundary or drivers of the project have changed since.
func State(b Baseline, pr plant.Project, days []Day, meters []Metering) (Statement, error) {
	if err := b.verify(); err != nil {
		return Statement{}, err
	}
	if err := sameProject(b, pr); err != nil {
		return Statement{}, err
	}
	used, others := Select(days, pr.Reporting)
	if len(used) == 0 {
		return Statement{}, fmt.Errorf("project %s: %w", pr.ID, ErrNoDays)
	}
	s := Statement{
		Project: pr.ID, BaselineVersion: b.Version, BaselineHash: b.DataHash,
		From: used[0].Day, To: used[len(used)-1].Day, Days: len(used),
		Confidence: pr.Confidence, Rho: b.Model.Rho,
		Excluded: excludedDays(others), OutsideRange: []Outside{},
	}
	if err := s.count(b, used); err != nil {
		return Statement{}, err
	}
	s.combine(b, meters)
	s.SavedFraction = Fraction(s.ExpectedKWh, s.ActualKWh)
	s.Shown = math.Abs(s.SavedKWh) > s.HalfWidthKWh
	s.ExpectedCarbonKg = CarbonKg(s.ExpectedKWh, pr.Carbon)
	s.ActualCarbonKg = CarbonKg(s.ActualKWh, pr.Carbon)
	s.CarbonKg = CarbonKg(s.SavedKWh, pr.Carbon)
	s.ExpectedMeanKW = MeanKW(s.ExpectedKWh, s.ScheduledHours)
	s.ActualMeanKW = MeanKW(s.ActualKWh, s.ScheduledHours)
	cost, err := pr.Price.Times(s.SavedKWh)
	if err != nil {
		return Statement{}, fmt.Errorf("project %s: cost of %.0f kWh: %w", pr.ID, s.SavedKWh, err)
	}
	s.Cost = cost
	return s, nil
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
	case !(pr.Confidence > 0 && pr.Confidence < 1):
		return fmt.Errorf("project %s: confidence %v, expected a number between 0 and 1 such as 0.90", pr.ID, pr.Confidence)
	}
	return nil
}

// count adds up the days. Actual energy is added in whole milliwatt-hours.
func (s *Statement) count(b Baseline, used []Day) error {
	var actual unit.Energy
	var quality plant.ByQuality
	sums := make([]float64, len(b.Drivers))
	for i, d := range used {
		if len(d.Drivers) != len(b.Drivers) {
			return fmt.Errorf("project %s: day %s has %d drivers, expected %d",
				s.Project, d.Day.Format(time.DateOnly), len(d.Drivers), len(b.Drivers))
		}
		expected := b.Model.Predict(d.Drivers)
		actual += d.Energy
		s.ExpectedKWh += expected
		s.ScheduledHours += d.ScheduledHours
		for q, v := range d.Quality {
			quality[q] += v
		}
		outside := false
		for j, v := range d.Drivers {
			sums[j] += v
			if r := b.Ranges[j]; v < r.Low() || v > r.High() {
				outside = true
				s.OutsideRange = append(s.OutsideRange, Outside{Day: d.Day, Driver: r.Driver, Value: v, Low: r.Low(), High: r.High()})
			}
		}
		if outside {
			s.OutsideKWh += expected - d.Energy.KWh()
		}
		s.Series = append(s.Series, SeriesPoint{
			Day: d.Day, ActualKWh: d.Energy.KWh(), ExpectedKWh: expected,
			CumulativeSaved: s.ExpectedKWh - actual.KWh(),
			HalfWidth:       b.Model.HalfWidthOfSums(sums, i+1, s.Confidence),
		})
	}
	end := s.Series[len(s.Series)-1]
	s.ActualKWh, s.SavedKWh, s.HalfWidthKWh = actual.KWh(), end.CumulativeSaved, end.HalfWidth
	s.Quality = qualityShares(quality)
	if total := quality.Total(); total > 0 {
		s.DoubtfulFraction = float64(quality.Doubtful()) / float64(total)
	}
	return nil
}

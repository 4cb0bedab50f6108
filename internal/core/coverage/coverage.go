// Package coverage asks how often the intervals of statements hold the truth. It
// makes plants whose saving is known, lets package savings freeze a baseline and
// state the saving, and counts in how many of them the stated interval contains it.
//
// The residuals of the plants follow each other with a chosen correlation from day
// to day, because that is what makes intervals too narrow in practice. Beside the
// share stands what neglect of the correlation would have given.
//
// Everything is drawn from a seed: the same seed gives the same table.
package coverage

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/stats"
	"curetally/internal/core/unit"
)

// Trial is a set of like plants.
type Trial struct {
	Plants     int     `json:"plants"`
	Rho        float64 `json:"rho"`           // lag-1 correlation of the residuals
	Days       int     `json:"days"`          // of the reporting period
	Baseline   int     `json:"baseline_days"` // of the baseline
	Confidence float64 `json:"confidence"`
	Seed       uint64  `json:"seed"`
}

// Result is how often the intervals held the truth.
type Result struct {
	Trial
	Held float64 `json:"held"` // share of the plants
	// Neglecting is the share with intervals that take residuals as independent.
	Neglecting float64 `json:"held_when_correlation_is_neglected"`
	// Least and Most bound what Held should be.
	Least float64 `json:"least"`
	Most  float64 `json:"most"`
}

// Good says whether the share is within its bounds.
func (r Result) Good() bool { return r.Held >= r.Least && r.Held <= r.Most }

// Trials gives the trials by which statements are judged: a year of baseline,
// three months and a year after, residuals independent, correlated and strongly so.
func Trials(plants int) []Trial {
	var out []Trial
	for _, rho := range []float64{0, 0.4, 0.8} {
		for _, days := range []int{90, 365} {
			out = append(out, Trial{Plants: plants, Rho: rho, Days: days, Baseline: 365, Confidence: 0.90, Seed: 5})
		}
	}
	return out
}

// bounds are those of a share of 90 % ± 3 %; where residuals are strongly correlated
// the correlation is itself ill known, and 85 % is asked for.
func (t Trial) bounds() (least, most float64) {
	if t.Rho > 0.4 {
		return t.Confidence - 0.05, 1
	}
	return t.Confidence - 0.03, t.Confidence + 0.03
}

// The plants of a trial: energy per day is a line on the output, with disturbances
// of this standard deviation; after the conversion this much less is used.
const (
	base      = 160.0 // kWh per day
	perOutput = 1.05  // kWh per thousand impressions
	spread    = 60.0  // kWh per day
	saved     = 300.0 // kWh per day
)

// Run makes the plants of a trial and states their savings.
func (t Trial) Run() (Result, error) {
	r := Result{Trial: t}
	r.Least, r.Most = t.bounds()
	source := rand.New(rand.NewPCG(t.Seed, uint64(t.Days)<<32+uint64(math.Round(1000*t.Rho))))
	pr := plant.Project{
		ID: "heron-led", Drivers: []plant.Driver{plant.DriverImpressions}, Confidence: t.Confidence,
		Baseline: plant.Selection{Technology: plant.TechnologyArc}, Reporting: plant.Selection{Technology: plant.TechnologyLED},
	}
	var held, neglecting int
	for range t.Plants {
		days := t.days(source)
		b, err := savings.Draft(pr, days)
		if err != nil {
			return r, fmt.Errorf("plant of a coverage trial: %w", err)
		}
		s, err := savings.State(b, pr, days, savings.Terms{})
		if err != nil {
			return r, fmt.Errorf("plant of a coverage trial: %w", err)
		}
		off := math.Abs(s.SavedKWh - saved*float64(s.Days))
		if off <= s.HalfWidthKWh {
			held++
		}
		sums := make([]float64, 1)
		for _, p := range s.Series {
			sums[0] += (p.ExpectedKWh - b.Model.Coefficients[0]) / b.Model.Coefficients[1]
		}
		alone := stats.Total{Rows: s.Days, Leverage: b.Model.Leverage(sums, s.Days), ResidualSD: b.Model.ResidualSD, N: b.Model.N, P: b.Model.P}
		if off <= alone.HalfWidth(t.Confidence) {
			neglecting++
		}
	}
	r.Held, r.Neglecting = float64(held)/float64(t.Plants), float64(neglecting)/float64(t.Plants)
	return r, nil
}

// days draws the days of both periods of one plant.
func (t Trial) days(r *rand.Rand) []savings.Day {
	first := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	out := make([]savings.Day, t.Baseline+t.Days)
	e := spread * r.NormFloat64()
	for i := range out {
		x := 400 + 80*r.NormFloat64()
		e = t.Rho*e + spread*math.Sqrt(1-t.Rho*t.Rho)*r.NormFloat64()
		kwh, tech := base+perOutput*x+e, plant.TechnologyArc
		if i >= t.Baseline {
			kwh, tech = kwh-saved, plant.TechnologyLED
		}
		out[i] = savings.Day{
			Day: first.AddDate(0, 0, i), Drivers: []float64{x}, Technology: tech,
			Energy: unit.Energy(math.Round(kwh * float64(unit.KilowattHour))),
		}
	}
	return out
}

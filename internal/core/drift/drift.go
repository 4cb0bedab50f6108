// Package drift finds when a plant began to use more than it did: a station left on
// its old lamps, an exhaust that runs on, optics so dirty that power went up. It
// adds up what each day uses beyond the expected, less an allowance, and speaks when the
// sum passes a limit.
//
// The expected is a model of the first days after the conversion, because it is they
// that the savings were promised from. The scale is the spread of those days, widened
// where successive ones are alike.
//
// Everything is a pure function of the days.
package drift

import (
	"fmt"
	"math"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/savings"
)

// Chart is how a tabular cumulative sum is kept.
type Chart struct {
	Target float64 // mean of the values when nothing has changed
	K      float64 // allowance: what is not counted of each value beyond the target
	Most   float64 // sums are held at this; 0 for no bound
}

// Sums are the upper and lower sum after a value.
type Sums struct{ High, Low float64 }

// Tabular gives S+ = max(0, x − target − K + S+) and S− = max(0, target − K − x + S−)
// after each value, both from 0.
// Source: the tabular cumulative sum control chart, NIST/SEMATECH e-Handbook 6.3.2.3.
func (c Chart) Tabular(values []float64) []Sums {
	out := make([]Sums, len(values))
	var s Sums
	for i, x := range values {
		s.High, s.Low = max(0, x-c.Target-c.K+s.High), max(0, c.Target-c.K-x+s.Low)
		if c.Most > 0 {
			s.High, s.Low = min(s.High, c.Most), min(s.Low, c.Most)
		}
		out[i] = s
	}
	return out
}

// The chart of residuals in units of their standard deviation: half a deviation of
// allowance, five as the limit. Sums are held at twice the limit, so that a drift
// that was put right is forgotten in some days, however long it lasted.
// From memory: k = 0.5 and h = 5 for a shift of one deviation; the bound is our own.
const (
	allowance = 0.5
	limit     = 5.0
	learnDays = 28
)

// Drift is a rise of use that lasts.
type Drift struct {
	Project plant.ProjectID `json:"project"`
	Began   time.Time       `json:"began"`     // first day of the rise
	Found   time.Time       `json:"found"`     // day on which the limit was passed
	Days    int             `json:"days"`      // usable ones since it began
	MoreKWh float64         `json:"more_kwh"`  // used beyond the expected since then
	Learned int             `json:"days_from"` // days that the expected was learned from
}

// Point is a day of the chart. Sum is in standard deviations of the first days.
type Point struct {
	Day     time.Time
	MoreKWh float64 // used beyond the expected on this day
	Sum     float64
}

// Limit is the sum beyond which a rise is a finding.
const Limit = limit

// Watched gives the chart of the reporting days after those that the expected is
// learned from. It is empty where there are too few days, or where the first days
// allow no model.
func Watched(pr plant.Project, days []savings.Day) []Point {
	used, _ := savings.Select(days, pr.Reporting)
	if len(used) <= learnDays {
		return nil
	}
	m, ok := learn(pr, used[:learnDays])
	if !ok {
		return nil
	}
	scale := m.ResidualSD * math.Sqrt(float64(m.N)/m.NEffective)
	var out []Point
	var scaled []float64
	for _, d := range used[learnDays:] {
		if outside(m, d.Drivers) {
			continue
		}
		more := d.Energy.KWh() - m.Predict(d.Drivers)
		out, scaled = append(out, Point{Day: d.Day, MoreKWh: more}), append(scaled, more/scale)
	}
	for i, s := range (Chart{K: allowance, Most: 2 * limit}).Tabular(scaled) {
		out[i].Sum = s.High
	}
	return out
}

// Of looks for a rise that lasts to the newest day of the reporting period.
func Of(pr plant.Project, days []savings.Day) (Drift, bool) {
	out := Drift{Project: pr.ID, Learned: learnDays}
	rising := false // the sum is above 0
	for _, p := range Watched(pr, days) {
		switch {
		case p.Sum == 0:
			rising, out.Found = false, time.Time{}
			continue
		case !rising:
			rising, out.Began, out.Days, out.MoreKWh = true, p.Day, 0, 0
		}
		out.Days++
		out.MoreKWh += p.MoreKWh
		if p.Sum > limit && out.Found.IsZero() {
			out.Found = p.Day
		}
		if p.Sum <= limit {
			out.Found = time.Time{}
		}
	}
	return out, rising && !out.Found.IsZero()
}

// learn makes the model of the first days; false when they allow none.
func learn(pr plant.Project, days []savings.Day) (regression.Model, bool) {
	t := regression.Table{}
	for _, d := range pr.Drivers {
		t.Drivers = append(t.Drivers, string(d))
	}
	for _, d := range days {
		t.Rows, t.Energy = append(t.Rows, d.Drivers), append(t.Energy, d.Energy.KWh())
	}
	form := regression.Linear
	if len(pr.Drivers) == 0 {
		form = regression.Mean
	}
	m, err := regression.Fit(t, form)
	if err != nil {
		m, err = regression.Fit(t, regression.Mean)
	}
	return m, err == nil && m.ResidualSD > 0
}

func outside(m regression.Model, drivers []float64) bool {
	for j, r := range m.Ranges {
		if drivers[j] < r.Low() || drivers[j] > r.High() {
			return true
		}
	}
	return false
}

// Words say it in a sentence.
func (d Drift) Words() string {
	return fmt.Sprintf("Since %s about %.0f kWh more were used in %d days than the first %d days after the conversion let expect; the limit was passed on %s.",
		d.Began.Format("2 Jan 2006"), d.MoreKWh, d.Days, d.Learned, d.Found.Format("2 Jan 2006"))
}

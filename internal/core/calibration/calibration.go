package calibration

import (
	"math"
	"slices"
	"time"

	"curetally/internal/core/forecast"
	"curetally/internal/core/stats"
)

// Options choose the test.
type Options struct {
	Seed   uint64
	Plants int
	Years  int
	Lead   int // days before the true day at which the date is asked
}

// Rule is how one way to plan has done.
type Rule struct {
	Name string `json:"name"`
	// MedianErrorWorkDays is the median distance from the true day to the date that
	// stood Lead days before, in workdays.
	MedianErrorWorkDays float64 `json:"median_error_workdays"`
	Lamps               int     `json:"lamps"`
	UnplannedStops      int     `json:"unplanned_stops"`
	// HoursThrownAway is the lit hours short of the rated life at which lamps that
	// were still good were changed; HoursOverdue those beyond it.
	HoursThrownAway float64 `json:"hours_thrown_away"`
	HoursOverdue    float64 `json:"hours_overdue"`
}

// Result is what the test has found.
type Result struct {
	Plants    int `json:"plants"`
	Years     int `json:"years"`
	LeadDays  int `json:"lead_days"`
	Forecasts int `json:"forecasts"`
	// Coverage is how often P10 to P90 held the true day; Early and Late how often
	// that lay before and after.
	Coverage float64 `json:"coverage"`
	Early    float64 `json:"early"`
	Late     float64 `json:"late"`
	// Rules has the forecast first, then the two rules of thumb.
	Rules []Rule `json:"rules"`
}

// limits are the lit hours of the tasks that are tried: cleaning, turning, change.
func limits() []float64 { return []float64{250, 500, ratedHours} }

// warmUp is how many days of history come before the first task counts.
const warmUp = 90

// wayNames are the ways to plan: the forecast and the two rules of thumb.
func wayNames() [3]string { return [3]string{"forecast", "rated hours by average", "fixed days"} }

// Run lays out the plants and tries the dates on them.
func Run(o Options) Result {
	r := Result{Plants: o.Plants, Years: o.Years, LeadDays: o.Lead}
	var t tally
	var ways [3]Rule
	for i, name := range wayNames() {
		ways[i].Name = name
	}
	for n := range o.Plants {
		w := lay(o.Seed+uint64(n), o.Years)
		for i, limit := range limits() {
			w.try(limit, o.Lead, forecast.Seed("calibration", string(rune('a'+n)), string(rune('a'+i))), &t)
		}
		w.changeLamps(&ways)
	}
	r.Forecasts = t.asked()
	r.Coverage, r.Early, r.Late = t.shares()
	for i, e := range t.off {
		ways[i].MedianErrorWorkDays = stats.Median(e)
	}
	r.Rules = ways[:]
	return r
}

const (
	ratedHours = 1500.0
	// The life of an arc lamp: Weibull, and a share of early failures.
	lifeShape, lifeScale     = 3.0, 2200.0
	infantShare, infantHours = 0.03, 100.0
)

// changeLamps runs lamps through the years by each way: changed in the stop of
// each Monday when the date falls before the next, or when they fail.
func (w *world) changeLamps(ways *[3]Rule) {
	var lives []float64
	for range 200 {
		life := lifeScale * math.Pow(w.rng.ExpFloat64(), 1/lifeShape)
		if w.rng.Float64() < infantShare {
			life = infantHours * w.rng.ExpFloat64()
		}
		lives = append(lives, life)
	}
	for i := range ways {
		w.changeBy(i, &ways[i], slices.Values(lives))
	}
}

func (w *world) changeBy(way int, r *Rule, lives func(func(float64) bool)) {
	from := warmUp
	for life := range lives {
		age, fitted := 0.0, from
		for ; from < len(w.days); from++ {
			if w.days[from].Weekday() == time.Monday && from > fitted && w.change(way, fitted, from, age) {
				r.Lamps++
				r.HoursThrownAway += max(0, ratedHours-age)
				r.HoursOverdue += max(0, age-ratedHours)
				break
			}
			if age += w.hours[from]; age >= life {
				r.Lamps++
				r.UnplannedStops++
				r.HoursOverdue += max(0, life-ratedHours)
				break
			}
		}
		if from >= len(w.days) {
			return
		}
	}
}

// change says whether a lamp is changed on a Monday by one of the ways.
func (w *world) change(way, fitted, monday int, age float64) bool {
	next := w.days[monday].AddDate(0, 0, 7)
	switch way {
	case 0:
		if age < 0.85*ratedHours {
			return false // more than a week of any shifts is left
		}
		d := w.ask(fitted, monday, ratedHours, 1)
		return d.Known() && d.P50.Before(next)
	case 1:
		return w.byAverage(fitted, ratedHours).Before(next)
	default:
		return w.byDays(fitted, ratedHours).Before(next)
	}
}

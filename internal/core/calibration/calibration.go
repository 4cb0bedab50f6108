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

// misses are the distances of the three ways, in workdays.
type misses struct{ forecast, average, calendar []float64 }

// Run lays out the plants and tries the dates on them.
func Run(o Options) Result {
	r := Result{Plants: o.Plants, Years: o.Years, LeadDays: o.Lead}
	var off misses
	var held, early, late int
	ways := [3]Rule{{Name: "forecast"}, {Name: "rated hours by average"}, {Name: "fixed days"}}
	for n := range o.Plants {
		w := lay(o.Seed+uint64(n), o.Years)
		for i, limit := range limits() {
			for from := warmUp; ; {
				truth, ok := w.reached(from, limit)
				if !ok {
					break
				}
				if asked := truth - o.Lead; asked >= from {
					d := w.ask(from, asked, limit, forecast.Seed("calibration", string(rune('a'+n)), string(rune('a'+i))))
					switch day := w.days[truth]; {
					case day.Before(d.P10):
						early++
					case !d.P90.IsZero() && day.After(d.P90):
						late++
					default:
						held++
					}
					off.forecast = append(off.forecast, w.workdays(d.P50, truth))
					off.average = append(off.average, w.workdays(w.byAverage(from, limit), truth))
					off.calendar = append(off.calendar, w.workdays(w.byDays(from, limit), truth))
				}
				from = truth + 1
			}
		}
		w.changeLamps(&ways)
	}
	r.Forecasts = held + early + late
	all := float64(r.Forecasts)
	r.Coverage, r.Early, r.Late = float64(held)/all, float64(early)/all, float64(late)/all
	for i, e := range [][]float64{off.forecast, off.average, off.calendar} {
		ways[i].MedianErrorWorkDays = stats.Median(e)
	}
	r.Rules = ways[:]
	return r
}

// ask gives the dates as they stand at the begin of a day for what has counted
// since another.
func (w *world) ask(from, at int, limit float64, seed uint64) forecast.Dates {
	h := forecast.Around(w.plant, press, w.days[at])
	var use []forecast.Use
	for i := max(0, at-130); i < at; i++ {
		use = append(use, forecast.Use{Day: w.days[i], Amount: w.hours[i]})
	}
	for i := from; i < at; i++ {
		limit -= w.hours[i]
	}
	return h.Due(limit, h.Rate(use), seed)
}

// byAverage is the date that the limit gives divided by the mean use of all
// calendar days before the task began.
func (w *world) byAverage(from int, limit float64) time.Time {
	sum := 0.0
	for i := range from {
		sum += w.hours[i]
	}
	return w.after(from, limit/(sum/float64(from)))
}

// byDays is the date of a plan of fixed days, made once from the shifts.
func (w *world) byDays(from int, limit float64) time.Time { return w.after(from, limit/w.nominal) }

func (w *world) after(from int, days float64) time.Time {
	return w.days[from].AddDate(0, 0, int(math.Min(days, 36500)))
}

// workdays counts the days of work between a date and the day of an index.
func (w *world) workdays(date time.Time, truth int) float64 {
	if date.IsZero() {
		return math.Inf(1)
	}
	low, high := date, w.days[truth]
	if high.Before(low) {
		low, high = high, low
	}
	n := 0
	for day := low; day.Before(high); day = day.AddDate(0, 0, 1) {
		if w.cal.Hours(day) > 0 {
			n++
		}
	}
	return float64(n)
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

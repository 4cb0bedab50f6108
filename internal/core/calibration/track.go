package calibration

import (
	"math"
	"time"

	"curetally/internal/core/forecast"
	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
)

// track is the use of one station, day by day without a gap.
type track struct {
	plant *plant.Plant
	press plant.PressID
	cal   *presscalendar.Calendar
	days  []time.Time
	hours []float64 // lit hours of each day
	// nominal is what a planner would take for the mean use of a calendar day: the
	// hours of the shifts times a usual share.
	nominal float64
}

// tally counts how dates did.
type tally struct {
	held, early, late int
	off               [3][]float64 // by the forecast and the two rules of thumb, in workdays
}

func (t *tally) asked() int { return t.held + t.early + t.late }

// shares gives how often the interval held the true day, and how often that lay
// before and after; nothing without a date.
func (t *tally) shares() (held, early, late float64) {
	all := float64(t.asked())
	if all == 0 {
		return 0, 0, 0
	}
	return float64(t.held) / all, float64(t.early) / all, float64(t.late) / all
}

// try lets a task of a limit fall due again and again, each from the end of the one
// before, and holds the dates that stood some days before against the true day.
func (w *track) try(limit float64, lead int, seed uint64, t *tally) {
	for from := warmUp; ; {
		truth, ok := w.reached(from, limit)
		if !ok {
			return
		}
		if asked := truth - lead; asked >= from {
			d := w.ask(from, asked, limit, seed)
			switch day := w.days[truth]; {
			case day.Before(d.P10):
				t.early++
			case !d.P90.IsZero() && day.After(d.P90):
				t.late++
			default:
				t.held++
			}
			for i, date := range []time.Time{d.P50, w.byAverage(from, limit), w.byDays(from, limit)} {
				t.off[i] = append(t.off[i], w.workdays(date, truth))
			}
		}
		from = truth + 1
	}
}

// ask gives the dates as they stand at the begin of a day for what has counted
// since another.
func (w *track) ask(from, at int, limit float64, seed uint64) forecast.Dates {
	h := forecast.Around(w.plant, w.press, w.days[at])
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
func (w *track) byAverage(from int, limit float64) time.Time {
	sum := 0.0
	for i := range from {
		sum += w.hours[i]
	}
	return w.after(from, limit/(sum/float64(from)))
}

// byDays is the date of a plan of fixed days, made once from the shifts.
func (w *track) byDays(from int, limit float64) time.Time { return w.after(from, limit/w.nominal) }

func (w *track) after(from int, days float64) time.Time {
	return w.days[from].AddDate(0, 0, int(math.Min(days, 36500)))
}

// workdays counts the days of work between a date and the day of an index.
func (w *track) workdays(date time.Time, truth int) float64 {
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

// reached gives the index of the day on which the hours since the begin of a day
// reach a limit, and false beyond the end.
func (w *track) reached(from int, limit float64) (int, bool) {
	for i := from; i < len(w.hours); i++ {
		if limit -= w.hours[i]; limit <= 0 {
			return i, true
		}
	}
	return 0, false
}

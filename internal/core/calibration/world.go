package calibration

import (
	"math"
	"math/rand/v2"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
)

// press is the name of the press of every virtual plant.
const press = plant.PressID("heron")

// world is one station of a virtual plant, day by day.
type world struct {
	track
	rng *rand.Rand
}

// usualShare is the share of the shifts in which an arc lamp is lit.
const usualShare = 0.85

// weekShape and monthShape are the relative loads of days, Sunday first, and of
// months.
func weekShape(d time.Weekday) float64 {
	return [...]float64{1, 0.95, 1.05, 1.05, 1.05, 0.90, 0.9}[d]
}

func monthShape(m time.Month) float64 {
	return [...]float64{0.92, 1.00, 1.03, 1.03, 1.03, 1.03, 0.90, 0.90, 1.10, 1.10, 1.10, 0.88}[m-1]
}

// lay makes a plant and its use over the years.
func lay(seed uint64, years int) *world {
	w := &world{rng: rand.New(rand.NewPCG(seed, 0xa0761d6478bd642f))}
	begin := time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC)
	end := begin.AddDate(years, 0, 0)
	w.plant = &plant.Plant{Name: "Alder Lane Labels", TimeZone: time.UTC}
	w.plant.Holidays = w.holidays(begin, end)
	w.plant.Presses = []plant.Press{{ID: press, Calendar: w.calendar(begin, end)}}
	w.press, w.cal = press, presscalendar.Of(w.plant, press)
	week := 0.0
	for d := range 7 {
		for _, s := range w.plant.Presses[0].Calendar.Patterns[0].Shifts {
			if s.Day == time.Weekday(d) {
				week += (s.To - s.From).Hours()
			}
		}
	}
	w.nominal = week * usualShare / 7
	w.use(begin, end)
	return w
}

// holidays lists single days, two weeks of summer and the days around the new year.
func (w *world) holidays(begin, end time.Time) []time.Time {
	var out []time.Time
	summer := 29 + w.rng.IntN(4)
	for day := begin; day.Before(end); day = day.AddDate(0, 0, 1) {
		_, week := day.ISOWeek()
		single := w.rng.Float64() < 8.0/365
		if single || week == summer || week == summer+1 || day.Month() == time.December && day.Day() >= 24 {
			out = append(out, day)
		}
	}
	return out
}

// calendar chooses the shifts; one plant in four takes up others in its course.
func (w *world) calendar(begin, end time.Time) plant.PressCalendar {
	kinds := [][]plant.Shift{
		shifts(6, 14, 1, 5), shifts(6, 16, 1, 4), append(shifts(6, 14, 1, 5), shifts(14, 22, 1, 5)...),
		append(append(shifts(6, 14, 1, 5), shifts(14, 22, 1, 5)...), shifts(22, 30, 1, 5)...),
	}
	first := w.rng.IntN(len(kinds))
	c := plant.PressCalendar{Patterns: []plant.Pattern{{Shifts: kinds[first]}}}
	if w.rng.Float64() < 0.25 {
		span := int(end.Sub(begin).Hours() / 24)
		at := begin.AddDate(0, 0, span/4+w.rng.IntN(span/2))
		c.Patterns = append(c.Patterns, plant.Pattern{From: at, Shifts: kinds[(first+1+w.rng.IntN(len(kinds)-1))%len(kinds)]})
	}
	return c
}

func shifts(from, to int, first, last time.Weekday) []plant.Shift {
	var out []plant.Shift
	for d := first; d <= last; d++ {
		out = append(out, plant.Shift{Day: d, From: time.Duration(from) * time.Hour, To: time.Duration(to) * time.Hour})
	}
	return out
}

// use lays the lit hours of each day: the hours of work times the habit of the
// plant, the season, orders that come and go over weeks and drift over months, and
// single days, on some of which the deck is not used. Now and then somebody works
// on a Saturday.
func (w *world) use(begin, end time.Time) {
	habit := 0.55 + 0.4*w.rng.Float64()
	idle := 0.25 * w.rng.Float64()
	saturday := 0.2 * w.rng.Float64()
	orders, drift := 0.0, 0.0
	for day := begin; day.Before(end); day = day.AddDate(0, 0, 1) {
		if day.Weekday() == time.Monday {
			orders = 0.75*orders + 0.08*w.rng.NormFloat64()
			drift += 0.012 * w.rng.NormFloat64()
		}
		level := habit * monthShape(day.Month()) * math.Exp(orders+drift+0.25*w.rng.NormFloat64())
		hours, unused, overtime := w.cal.Hours(day), w.rng.Float64() < idle, w.rng.Float64() < saturday
		var lit float64
		switch {
		case hours > 0 && !unused:
			lit = min(hours, hours*level*weekShape(day.Weekday()))
		case hours == 0 && day.Weekday() == time.Saturday && overtime:
			lit = 6 * level
		}
		w.days = append(w.days, day)
		w.hours = append(w.hours, lit)
	}
}

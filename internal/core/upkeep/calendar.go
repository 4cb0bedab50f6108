package upkeep

import (
	"fmt"
	"time"

	"curetally/internal/core/forecast"
	"curetally/internal/core/plant"
)

// calendar is the plant's days around one instant.
type calendar struct {
	plant    *plant.Plant
	now      time.Time
	today    time.Time
	horizons map[plant.PressID]*forecast.Horizon
}

func newCalendar(p *plant.Plant, now time.Time) *calendar {
	return &calendar{plant: p, now: now, today: p.Day(now, 0), horizons: map[plant.PressID]*forecast.Horizon{}}
}

// horizon gives the days of a press.
func (c *calendar) horizon(press plant.PressID) *forecast.Horizon {
	h, ok := c.horizons[press]
	if !ok {
		h = forecast.Around(c.plant, press, c.now)
		c.horizons[press] = h
	}
	return h
}

// date writes a local day as in "Tue 9 Mar", with the year when it is another
// than the present one.
func (c *calendar) date(day time.Time) string {
	day = day.In(c.plant.TimeZone)
	if day.Year() != c.today.In(c.plant.TimeZone).Year() {
		return day.Format("Mon 2 Jan 2006")
	}
	return day.Format("Mon 2 Jan")
}

// Likely writes the days between which a date lies with a probability of 80 %, as
// in "likely 5-15 Mar"; nothing where they are one, or not known. The year is
// written where it is another than that of now.
func Likely(d forecast.Dates, now time.Time, zone *time.Location) string {
	switch {
	case d.P10.IsZero() || d.P10.Equal(d.P90):
		return ""
	case d.P90.IsZero():
		return "likely " + short(d.P10.In(zone), now.In(zone).Year()) + " or later"
	}
	low, high := d.P10.In(zone), d.P90.In(zone)
	to := short(high, now.In(zone).Year())
	switch {
	case low.Year() != high.Year():
		return fmt.Sprintf("likely %s-%s", low.Format("2 Jan 2006"), high.Format("2 Jan 2006"))
	case low.Month() != high.Month():
		return fmt.Sprintf("likely %s-%s", low.Format("2 Jan"), to)
	default:
		return fmt.Sprintf("likely %d-%s", low.Day(), to)
	}
}

func short(day time.Time, thisYear int) string {
	if day.Year() != thisYear {
		return day.Format("2 Jan 2006")
	}
	return day.Format("2 Jan")
}

// daysBetween counts local calendar days from one instant's day to another's.
func (c *calendar) daysBetween(from, to time.Time) int {
	civil := func(t time.Time) time.Time {
		y, m, d := t.In(c.plant.TimeZone).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	}
	return int(civil(to).Sub(civil(from)) / (24 * time.Hour))
}

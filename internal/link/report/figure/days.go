package figure

import (
	"math"
	"time"
)

// Dates writes dates on an axis.
type Dates interface {
	DayMonth(t time.Time) string
	Month(t time.Time, year bool) string
}

// Calendar is an axis of local days, counted from its first one. A day of 23 or 25
// hours is one day wide.
type Calendar struct {
	zone  *time.Location
	first time.Time // UTC midnight of the first date
}

// NewCalendar begins an axis with the local date of an instant.
func NewCalendar(first time.Time, zone *time.Location) Calendar {
	return Calendar{zone, civil(first, zone)}
}

func civil(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// At is the place of the local date of an instant: whole days since the first.
func (c Calendar) At(t time.Time) float64 {
	return math.Round(civil(t, c.zone).Sub(c.first).Hours() / 24)
}

// Date is the date at a place, as a UTC midnight.
func (c Calendar) Date(at float64) time.Time { return c.first.AddDate(0, 0, int(math.Round(at))) }

// Ticks label the first of each month, or Mondays when the axis is shorter than six
// weeks.
func (c Calendar) Ticks(low, high float64, say Dates) []Tick {
	weekly := high-low < 42
	var ticks []Tick
	for k := math.Ceil(low); k <= high; k++ {
		day := c.Date(k)
		switch {
		case weekly && day.Weekday() == time.Monday:
			ticks = append(ticks, Tick{k, say.DayMonth(day)})
		case weekly || day.Day() != 1:
		default:
			ticks = append(ticks, Tick{k, say.Month(day, day.Month() == time.January || len(ticks) == 0)})
		}
	}
	if len(ticks) == 0 { // a few days in the middle of a week
		ticks = append(ticks, Tick{math.Ceil(low), say.DayMonth(c.Date(math.Ceil(low)))})
	}
	return ticks
}

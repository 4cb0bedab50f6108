package upkeep

import (
	"math"
	"time"

	"curetally/internal/core/plant"
)

const (
	// paceDays is the number of working days whose use makes the mean.
	paceDays = 28
	// sureDays is the least number of them for a date that is no guess.
	sureDays = 10
	// pastDays bounds the search for working days in the past, for a plant that
	// has stood still.
	pastDays = 400
	// horizonDays bounds the projection: ten years.
	horizonDays = 3653
)

// calendar is the plant's working days around one instant.
type calendar struct {
	plant    *plant.Plant
	now      time.Time
	today    time.Time
	past     []time.Time // the last working days before today, newest first
	ahead    []time.Time // working days after today, found so far
	searched int         // days after today that ahead covers
	// left is the share of today that is still to come, 0 when the plant does
	// not work today.
	left float64
}

func newCalendar(p *plant.Plant, now time.Time) *calendar {
	c := &calendar{plant: p, now: now, today: p.Day(now, 0)}
	tomorrow := p.Day(now, 1)
	if p.WorkDay(now) {
		c.left = float64(tomorrow.Sub(now)) / float64(tomorrow.Sub(c.today))
	}
	for n := 1; n <= pastDays && len(c.past) < paceDays; n++ {
		if day := p.Day(now, -n); p.WorkDay(day) {
			c.past = append(c.past, day)
		}
	}
	return c
}

// after gives the local day on which the given number of working days is used
// up, counting what is left of today first. It is zero beyond ten years.
func (c *calendar) after(workDays float64) time.Time {
	// The tolerance keeps 10 × 0.1 from needing an eleventh day.
	need := math.Ceil(workDays - c.left - 1e-9)
	if need <= 0 {
		return c.today
	}
	if need > horizonDays {
		return time.Time{}
	}
	for len(c.ahead) < int(need) {
		if c.searched == horizonDays {
			return time.Time{}
		}
		c.searched++
		if day := c.plant.Day(c.now, c.searched); c.plant.WorkDay(day) {
			c.ahead = append(c.ahead, day)
		}
	}
	return c.ahead[int(need)-1]
}

// date writes a local day as in "Tue 9 Mar", with the year when it is another
// than the present one.
func (c *calendar) date(day time.Time) string {
	day = day.In(c.plant.TimeZone)
	if day.Year() != c.today.Year() {
		return day.Format("Mon 2 Jan 2006")
	}
	return day.Format("Mon 2 Jan")
}

// daysBetween counts local calendar days from one instant's day to another's.
func (c *calendar) daysBetween(from, to time.Time) int {
	civil := func(t time.Time) time.Time {
		y, m, d := t.In(c.plant.TimeZone).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	}
	return int(civil(to).Sub(civil(from)) / (24 * time.Hour))
}

// pace is the mean use of a working day.
type pace struct {
	lit    float64 // hours
	starts float64
	days   int // working days it is made of
}

// pace gives the mean use over the last working days that lie within the use on
// record. Today is not over and does not count.
func (c *calendar) pace(use []Use) pace {
	if len(use) == 0 {
		return pace{}
	}
	first := use[0].Day
	for _, u := range use {
		if u.Day.Before(first) {
			first = u.Day
		}
	}
	var p pace
	begin := first
	for _, day := range c.past {
		if day.Before(first) {
			break
		}
		p.days++
		if p.days == paceDays {
			begin = day
		}
	}
	if p.days == 0 {
		return pace{}
	}
	for _, u := range use {
		if !u.Day.Before(begin) && u.Day.Before(c.today) {
			p.lit += u.litHours()
			p.starts += float64(u.Starts)
		}
	}
	p.lit /= float64(p.days)
	p.starts /= float64(p.days)
	return p
}

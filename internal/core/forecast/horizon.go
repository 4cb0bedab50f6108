package forecast

import (
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
)

const (
	// pastDays is how many days back are looked at: 60 workdays with free days and
	// a shutdown between them.
	pastDays = 130
	// mostWorkDays is how many workdays back count.
	mostWorkDays = 60
	// horizonDays bounds a forecast: ten years.
	horizonDays = 3653
)

// kind is the type of a day.
type kind uint8

const (
	workedWeekday kind = iota
	workedSaturday
	workedSunday
	freeSaturday
	freeDay // Sundays, holidays, days off
	kinds
)

func (k kind) worked() bool { return k <= workedSunday }

// calendarDay is one local day of a press.
type calendarDay struct {
	day     time.Time
	kind    kind
	size    float64 // hours of work, or 1 for a free day
	pattern int
}

// Horizon is the calendar of a press around one instant. It grows as it is asked
// and is not safe for concurrent use.
type Horizon struct {
	plant *plant.Plant
	cal   *presscalendar.Calendar
	now   time.Time
	today calendarDay
	left  float64       // share of today that is to come
	past  []calendarDay // before today, newest first
	ahead []calendarDay // after today, as far as was asked
}

// Around gives the horizon of a press at an instant; no press is the plant as a
// whole.
func Around(p *plant.Plant, press plant.PressID, now time.Time) *Horizon {
	h := &Horizon{plant: p, cal: presscalendar.Of(p, press), now: now}
	h.today = h.at(p.Day(now, 0))
	if h.today.kind.worked() {
		h.left = h.cal.HoursLeft(now) / h.today.size
	} else {
		tomorrow := p.Day(now, 1)
		h.left = float64(tomorrow.Sub(now)) / float64(tomorrow.Sub(h.today.day))
	}
	for n := 1; n <= pastDays; n++ {
		h.past = append(h.past, h.at(p.Day(now, -n)))
	}
	return h
}

// Changed says whether the shifts of the press have changed within the days that
// are looked at.
func (h *Horizon) Changed() bool {
	return h.past[len(h.past)-1].pattern != h.today.pattern
}

func (h *Horizon) at(day time.Time) calendarDay {
	d := calendarDay{day: day, size: h.cal.Hours(day), pattern: h.cal.Pattern(day)}
	weekday := day.In(h.plant.TimeZone).Weekday()
	switch {
	case d.size > 0 && weekday == time.Saturday:
		d.kind = workedSaturday
	case d.size > 0 && weekday == time.Sunday:
		d.kind = workedSunday
	case d.size > 0:
		d.kind = workedWeekday
	case weekday == time.Saturday:
		d.kind = freeSaturday
	default:
		d.kind = freeDay
	}
	if d.size == 0 {
		d.size = 1
	}
	return d
}

// dayAfter gives the n-th day after today, 1 for tomorrow.
func (h *Horizon) dayAfter(n int) calendarDay {
	for len(h.ahead) < n {
		h.ahead = append(h.ahead, h.at(h.plant.Day(h.now, len(h.ahead)+1)))
	}
	return h.ahead[n-1]
}

// workDay is how long the press works on a usual workday from today on.
func (h *Horizon) workDay() float64 {
	sum, n := 0.0, 0
	for i := 1; i <= 28; i++ {
		if d := h.dayAfter(i); d.kind == workedWeekday {
			sum += d.size
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

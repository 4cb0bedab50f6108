// Package presscalendar says when a press works: shifts of the week with changes
// of pattern by date, holidays, and planned stops. It answers in instants, so
// that a shift over a clock change lasts the hour more or less that it really
// lasts, and by local days, as use of stations is counted.
//
// A press without shifts works on the plant's work days from midnight to midnight.
// A holiday takes away the shifts that begin on it; a night shift that began the
// evening before still ends. Within a planned stop the press does not work.
//
// A Calendar is made of configuration alone, remembers nothing and may be shared.
package presscalendar

import (
	"cmp"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Window is a half-open stretch of time.
type Window struct{ From, To time.Time }

// Calendar is that of one press.
type Calendar struct {
	plant *plant.Plant
	press plant.PressID
	own   plant.PressCalendar
}

// Of gives the calendar of a press. That of an unknown press, and of none, is
// the plant's work days.
func Of(p *plant.Plant, press plant.PressID) *Calendar {
	pr, _ := p.FindPress(press)
	return &Calendar{plant: p, press: press, own: pr.Calendar}
}

// Pattern gives the number of the pattern in force on the local day of t, from
// 0; all days of a press without shifts have the same.
func (c *Calendar) Pattern(t time.Time) int {
	n := 0
	for i, p := range c.own.Patterns {
		if !p.From.After(t) {
			n = i
		}
	}
	return n
}

// Windows lists when the press works within the local day of t, in order.
func (c *Calendar) Windows(t time.Time) []Window {
	day, next := c.plant.Day(t, 0), c.plant.Day(t, 1)
	var out []Window
	if len(c.own.Patterns) == 0 {
		if c.plant.WorkDay(day) && !c.plant.Holiday(day, c.own.Holidays) {
			out = append(out, Window{day, next})
		}
	} else {
		for _, began := range []time.Time{c.plant.Day(t, -1), day} {
			out = append(out, c.shifts(began)...)
		}
		out = clip(out, day, next)
	}
	for _, s := range c.Stops(day, next) {
		out = without(out, s)
	}
	slices.SortFunc(out, func(a, b Window) int { return a.From.Compare(b.From) })
	return out
}

// shifts lists the shifts that begin on a local day.
func (c *Calendar) shifts(day time.Time) []Window {
	if c.plant.Holiday(day, c.plant.Holidays) || c.plant.Holiday(day, c.own.Holidays) {
		return nil
	}
	var out []Window
	for _, s := range c.own.Patterns[c.Pattern(day)].Shifts {
		if s.Day == day.In(c.plant.TimeZone).Weekday() {
			out = append(out, Window{c.clock(day, s.From), c.clock(day, s.To)})
		}
	}
	return out
}

// clock gives the instant at which the local clock shows a time since midnight
// of the day.
func (c *Calendar) clock(day time.Time, since time.Duration) time.Time {
	y, m, d := day.In(c.plant.TimeZone).Date()
	return time.Date(y, m, d, 0, int(since/time.Minute), 0, 0, c.plant.TimeZone)
}

func clip(list []Window, from, to time.Time) []Window {
	var out []Window
	for _, w := range list {
		w.From, w.To = plant.Later(w.From, from), plant.Earlier(w.To, to)
		if w.From.Before(w.To) {
			out = append(out, w)
		}
	}
	return out
}

// without takes a planned stop out of windows.
func without(list []Window, s plant.PlannedStop) []Window {
	var out []Window
	for _, w := range list {
		out = append(out, clip([]Window{{w.From, plant.Earlier(w.To, s.From)}, {plant.Later(w.From, s.To), w.To}}, w.From, w.To)...)
	}
	return out
}

// ShiftAt gives the whole shift that an instant lies in, whatever planned stop cuts it;
// false outside shifts. Of a press without shifts it is the work day.
func (c *Calendar) ShiftAt(t time.Time) (Window, bool) {
	day := c.plant.Day(t, 0)
	if len(c.own.Patterns) == 0 {
		works := c.plant.WorkDay(day) && !c.plant.Holiday(day, c.own.Holidays)
		return Window{day, c.plant.Day(t, 1)}, works
	}
	for _, began := range []time.Time{c.plant.Day(t, -1), day} {
		for _, w := range c.shifts(began) {
			if !t.Before(w.From) && t.Before(w.To) {
				return w, true
			}
		}
	}
	return Window{}, false
}

// Hours is how long the press works within the local day of t.
func (c *Calendar) Hours(t time.Time) float64 {
	var sum time.Duration
	for _, w := range c.Windows(t) {
		sum += w.To.Sub(w.From)
	}
	return sum.Hours()
}

// HoursLeft is how long it still works within the local day of t, after t.
func (c *Calendar) HoursLeft(t time.Time) float64 {
	var sum time.Duration
	for _, w := range clip(c.Windows(t), t, c.plant.Day(t, 1)) {
		sum += w.To.Sub(w.From)
	}
	return sum.Hours()
}

// Works says whether the press works at an instant.
func (c *Calendar) Works(t time.Time) bool {
	return slices.ContainsFunc(c.Windows(t), func(w Window) bool { return !t.Before(w.From) && t.Before(w.To) })
}

// Stops lists the planned stops that touch [from, to), single and weekly ones,
// in order of their begin.
func (c *Calendar) Stops(from, to time.Time) []plant.PlannedStop {
	var out []plant.PlannedStop
	add := func(s plant.PlannedStop) {
		if s.From.Before(to) && s.To.After(from) {
			out = append(out, s)
		}
	}
	for _, s := range c.own.Stops {
		add(s)
	}
	if len(c.own.Weekly) > 0 {
		for day := c.plant.Day(from, -1); day.Before(to); day = c.plant.Day(day, 1) {
			for _, w := range c.own.Weekly {
				if w.Day == day.In(c.plant.TimeZone).Weekday() {
					add(plant.PlannedStop{
						Press: c.press, From: c.clock(day, w.From), To: c.clock(day, w.To),
						Minutes: w.Minutes, People: w.People, Note: w.Note,
					})
				}
			}
		}
	}
	slices.SortStableFunc(out, func(a, b plant.PlannedStop) int {
		return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To))
	})
	return out
}

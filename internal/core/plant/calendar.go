package plant

import "time"

// Shift is a stretch of work that comes back every week. From and To are times
// of the local clock, counted from midnight of the day on which it begins; To is
// past 24 h where the shift ends on the next day. On the days of a clock change
// it lasts an hour more or less.
type Shift struct {
	Day      time.Weekday
	From, To time.Duration // whole minutes, 0 ≤ From < 24 h, From < To ≤ From + 24 h
}

// Pattern is the weekly work of a press from a local day on. Shifts do not
// overlap; none means that the press stands.
type Pattern struct {
	From   time.Time // local midnight; zero for the first
	Shifts []Shift
}

// PlannedStop is a window in which a press stands for upkeep: nothing is printed
// in [From, To).
type PlannedStop struct {
	Press    PressID
	From, To time.Time
	Minutes  int // of work that fit into it, for each person
	People   int // who are there to work
	Note     string
}

// WeeklyStop is a planned stop that comes back every week. From and To are as
// with Shift.
type WeeklyStop struct {
	Day      time.Weekday
	From, To time.Duration
	Minutes  int
	People   int
	Note     string
}

// PressCalendar says when a press works. Package presscalendar reads it.
type PressCalendar struct {
	// Patterns by date, oldest first; none means the plant's work days, from
	// midnight to midnight.
	Patterns []Pattern
	Holidays []time.Time // local midnights, beside those of the plant
	Stops    []PlannedStop
	Weekly   []WeeklyStop
}

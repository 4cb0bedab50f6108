// Package civil has the days, instants, times of day and weeks of a configuration
// as people write them: without a zone, which the site gives.
//
// Values are read strictly and a mistake says how it is written. A day of no year
// that a plant can mean is refused. Local puts the site's zone to what was read.
package civil

import (
	"strconv"
	"strings"
	"time"

	"curetally/internal/link/config/strictyaml"
)

// Date is a calendar day; in UTC until the time zone is known. Zero means none.
type Date struct{ time.Time }

// UnmarshalText reads it as people write it.
func (d *Date) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.DateOnly, string(text))
	if err != nil || t.Year() < 1970 || t.Year() > 2200 {
		return &strictyaml.Mistake{Problem: "expected a date", Remedy: "write it as 2026-01-31"}
	}
	d.Time = t
	return nil
}

// Moment is a date, or a date with the time of day, in the site's zone.
type Moment struct{ time.Time }

// UnmarshalText reads it as people write it.
func (m *Moment) UnmarshalText(text []byte) error {
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.Parse(layout, string(text)); err == nil && t.Year() >= 1970 && t.Year() <= 2200 {
			m.Time = t
			return nil
		}
	}
	return &strictyaml.Mistake{Problem: "expected a date, or a date with local time", Remedy: "write it as 2026-03-14 or 2026-03-14 06:00"}
}

// Local takes a clock time read without zone as that time in the site's zone.
func Local(t time.Time, zone *time.Location) time.Time {
	if t.IsZero() {
		return t
	}
	y, m, d := t.Date()
	return time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, zone)
}

// Week is a week, Sunday first, written as "Mon-Fri" or "Mon,Wed,Sat".
type Week [7]bool

// UnmarshalText reads it as people write it.
func (w *Week) UnmarshalText(text []byte) error {
	day := func(s string) int {
		for i := range 7 {
			if strings.EqualFold(strings.TrimSpace(s), time.Weekday(i).String()[:3]) {
				return i
			}
		}
		return -1
	}
	var week Week
	for part := range strings.SplitSeq(string(text), ",") {
		from, to, isRange := strings.Cut(part, "-")
		if !isRange {
			to = from
		}
		first, last := day(from), day(to)
		if first < 0 || last < 0 {
			return &strictyaml.Mistake{Problem: "expected days of the week", Remedy: "write Mon-Fri, or Mon,Tue,Sat; the days are Sun Mon Tue Wed Thu Fri Sat"}
		}
		for i := first; ; i = (i + 1) % 7 {
			week[i] = true
			if i == last {
				break
			}
		}
	}
	*w = week
	return nil
}

// Clock is a time of the local clock since midnight, written as "06:00"; "24:00"
// is the end of the day.
type Clock time.Duration

// UnmarshalText reads it as people write it.
func (c *Clock) UnmarshalText(text []byte) error {
	hours, minutes, ok := strings.Cut(string(text), ":")
	h, err := strconv.Atoi(hours)
	m, bad := strconv.Atoi(minutes)
	if !ok || err != nil || bad != nil || len(minutes) != 2 || h < 0 || m < 0 || m > 59 || h*60+m > 24*60 {
		return &strictyaml.Mistake{Problem: "expected a time of day", Remedy: `write it as "06:00", or "24:00" for the end of the day`}
	}
	*c = Clock(time.Duration(h*60+m) * time.Minute)
	return nil
}

package savings

import (
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Period is a part of the reporting period that a statement is about: a day, a
// calendar month, or everything to a date. A week or month that is a row of the
// model belongs to the period in which it begins, so that successive statements
// add up. The zero value is all of the reporting period.
type Period struct {
	from, to time.Time // local midnights, to exclusive; zero is open
	name     string
}

// ToDate is everything up to a last local day.
func ToDate(last time.Time) Period {
	y, m, d := last.Date()
	return Period{to: time.Date(y, m, d+1, 0, 0, 0, 0, last.Location()), name: "to " + last.Format(time.DateOnly)}
}

// ParsePeriod reads a month such as 2026-03 or a day such as 2026-03-09 in the
// plant's zone.
func ParsePeriod(text string, p *plant.Plant) (Period, error) {
	if t, err := time.ParseInLocation("2006-01", text, p.TimeZone); err == nil {
		from, to := plant.Monthly.Period(t)
		return Period{from, to, text}, nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, p.TimeZone); err == nil {
		return Period{p.Day(t, 0), p.Day(t, 1), text}, nil
	}
	return Period{}, fmt.Errorf("%q is no period: expected a month such as 2026-03 or a day such as 2026-03-09", text)
}

// String names the period: "2026-03", "2026-03-09", "to 2026-03-31", or "to date".
func (p Period) String() string {
	if p.name == "" {
		return "to date"
	}
	return p.name
}

// Over says whether the period has ended at an instant.
func (p Period) Over(at time.Time) bool { return !p.to.IsZero() && !at.Before(p.to) }

func (p Period) holds(day time.Time) bool {
	return (p.from.IsZero() || !day.Before(p.from)) && (p.to.IsZero() || day.Before(p.to))
}

func (p Period) excluded(all []ExcludedDay) []ExcludedDay {
	return slices.DeleteFunc(all, func(d ExcludedDay) bool { return !p.holds(d.Day) })
}

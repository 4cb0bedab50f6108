package notice

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/robfig/cron/v3"
)

// Schedule is a cron expression of five fields, read on the wall clock of a zone.
// Every time that it names comes exactly once: one that the clocks jump over comes
// at the jump, one that they show twice at the first.
type Schedule struct {
	text string
	spec cron.Schedule
	zone *time.Location
}

// ParseSchedule reads minute, hour, day of the month, month and day of the week,
// or @hourly, @daily, @weekly, @monthly.
func ParseSchedule(text string, zone *time.Location) (*Schedule, error) {
	// The parser panics on a zone without fields, and a zone is the site's anyway.
	if strings.Contains(text, "=") {
		return nil, errors.New("expected no zone: times are the site's")
	}
	if strings.HasPrefix(strings.TrimSpace(text), "@every") {
		return nil, errors.New("expected times of day, not a distance")
	}
	spec, err := cron.ParseStandard(strings.TrimSpace(text))
	if err != nil {
		return nil, fmt.Errorf("expected five fields, minute hour day month weekday, for example 30 6 * * 1-5: %w", err)
	}
	s := &Schedule{text: text, spec: spec, zone: zone}
	if _, ok := s.Next(time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)); !ok {
		return nil, errors.New("names no day that exists")
	}
	return s, nil
}

// String is the expression.
func (s *Schedule) String() string { return s.text }

// Next gives the first instant after one; false when there is none.
func (s *Schedule) Next(t time.Time) (time.Time, bool) {
	// The library skips times in a gap and repeats those of a double hour. So it
	// walks a clock that never changes, and the result is placed in the zone. It
	// starts a day early, because the wall clock may have been ahead before t.
	for w := wall(t.In(s.zone)).Add(-24 * time.Hour); ; {
		w = s.spec.Next(w)
		if w.IsZero() {
			return time.Time{}, false
		}
		y, m, d := w.Date()
		if at := wallClock(y, m, d, w.Hour()*60+w.Minute(), s.zone); at.After(t) {
			return at, true
		}
	}
}

package sheet

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// clock turns what is written into instants. It remembers the stretch of time in
// which the zone's offset did not change, since successive rows mostly share it.
type clock struct {
	layout string
	offset bool // the layout holds an offset
	zone   *time.Location
	twice  Twice
	// Local times in [from, to), read as if they were UTC, have this one offset.
	from, to time.Time
	seconds  int
}

func newClock(f Format) clock {
	return clock{layout: f.TimeLayout, offset: strings.Contains(f.TimeLayout, "07"), zone: f.Zone, twice: f.Twice}
}

var errInstant = errors.New("expected an instant such as 2026-03-02T06:00:00Z, or 2026-03-02 07:00 in a time zone that is stated")

// parse reads an instant, in UTC.
func (c *clock) parse(text string) (time.Time, error) {
	if c.layout != "" {
		at, err := time.Parse(c.layout, text)
		if err != nil {
			return time.Time{}, fmt.Errorf("%q is not written as %q", text, c.layout)
		}
		if c.offset {
			return at.UTC(), nil
		}
		return c.local(at)
	}
	wall, rest, ok := isoLocal(text)
	if !ok {
		return time.Time{}, fmt.Errorf("%q is no instant: %w", text, errInstant)
	}
	if rest == "" {
		return c.local(wall)
	}
	seconds, ok := isoOffset(rest)
	if !ok {
		return time.Time{}, fmt.Errorf("%q is no instant: %w", text, errInstant)
	}
	return wall.Add(-time.Duration(seconds) * time.Second), nil
}

// margin is more than any clock was ever set forward or back at once.
const margin = 50 * time.Hour

// local gives the instant of a local time, which is given as if it were UTC.
func (c *clock) local(wall time.Time) (time.Time, error) {
	if c.zone == nil {
		return time.Time{}, fmt.Errorf("%s has no offset and no time zone is stated", wall.Format(time.DateTime))
	}
	if !c.from.After(wall) && wall.Before(c.to) {
		return wall.Add(-time.Duration(c.seconds) * time.Second), nil
	}
	var found []time.Time
	for at := wall.Add(-margin); !at.After(wall.Add(margin)); {
		_, seconds := at.In(c.zone).Zone()
		start, end := at.In(c.zone).ZoneBounds()
		t := wall.Add(-time.Duration(seconds) * time.Second)
		if !t.Before(start) && (end.IsZero() || t.Before(end)) {
			found = append(found, t)
		}
		if end.IsZero() || end.After(wall.Add(margin)) {
			if len(found) == 1 && (start.IsZero() || !start.After(wall.Add(-margin))) {
				c.remember(start, end, seconds)
			}
			break
		}
		at = end
	}
	switch {
	case len(found) == 0:
		return time.Time{}, fmt.Errorf("%s does not exist in %s: clocks are set forward over it — state the zone in which the file was written with --zone, or write offsets",
			wall.Format(time.DateTime), c.zone)
	case len(found) == 1, c.twice == TwiceEarlier:
		return found[0], nil
	case c.twice == TwiceLater:
		return found[len(found)-1], nil
	default:
		return time.Time{}, fmt.Errorf("%s exists twice in %s, because clocks are set back: say which is meant with --ambiguous, or write offsets",
			wall.Format(time.DateTime), c.zone)
	}
}

// remember keeps the stretch of local times that are surely those of one offset.
func (c *clock) remember(start, end time.Time, seconds int) {
	c.from, c.to, c.seconds = time.Time{}, time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), seconds
	if !start.IsZero() {
		c.from = start.UTC().Add(margin)
	}
	if !end.IsZero() {
		c.to = end.UTC().Add(-margin)
	}
}

// isoLocal reads YYYY-MM-DD, a T or blank, hh:mm, and :ss with a fraction where
// there are, as if it were UTC; rest is what follows.
func isoLocal(s string) (wall time.Time, rest string, ok bool) {
	if len(s) < 16 || s[4] != '-' || s[7] != '-' || (s[10] != 'T' && s[10] != 't' && s[10] != ' ') || s[13] != ':' {
		return wall, "", false
	}
	n := [6]int{}
	for i, at := range [...][2]int{{0, 4}, {5, 7}, {8, 10}, {11, 13}, {14, 16}} {
		if n[i], ok = digits(s[at[0]:at[1]]); !ok {
			return wall, "", false
		}
	}
	rest = s[16:]
	nanos := 0
	if strings.HasPrefix(rest, ":") {
		if len(rest) < 3 {
			return wall, "", false
		}
		if n[5], ok = digits(rest[1:3]); !ok {
			return wall, "", false
		}
		if nanos, rest, ok = fraction(rest[3:]); !ok {
			return wall, "", false
		}
	}
	if n[3] > 23 || n[4] > 59 || n[5] > 59 {
		return wall, "", false
	}
	wall = time.Date(n[0], time.Month(n[1]), n[2], n[3], n[4], n[5], nanos, time.UTC)
	_, m, d := wall.Date()
	return wall, rest, int(m) == n[1] && d == n[2] // else such a day does not exist
}

// fraction reads a decimal mark with one to nine digits, where there is one.
func fraction(s string) (nanos int, rest string, ok bool) {
	if s == "" || (s[0] != '.' && s[0] != ',') {
		return 0, s, true
	}
	i, scale := 1, 100_000_000
	for ; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
		nanos += int(s[i]-'0') * scale
		scale /= 10
	}
	return nanos, s[i:], i > 1 && i <= 10
}

// isoOffset reads Z, ±hh, ±hhmm or ±hh:mm, in seconds east of UTC.
func isoOffset(s string) (seconds int, ok bool) {
	if s == "Z" || s == "z" {
		return 0, true
	}
	if s[0] != '+' && s[0] != '-' {
		return 0, false
	}
	hours, minutes := s[1:], "00"
	switch {
	case len(s) == 6 && s[3] == ':':
		hours, minutes = s[1:3], s[4:]
	case len(s) == 5:
		hours, minutes = s[1:3], s[3:]
	case len(s) != 3:
		return 0, false
	}
	h, ok1 := digits(hours)
	m, ok2 := digits(minutes)
	if !ok1 || !ok2 || h > 15 || m > 59 {
		return 0, false
	}
	seconds = h*3600 + m*60
	if s[0] == '-' {
		seconds = -seconds
	}
	return seconds, true
}

// digits reads a number of digits alone.
func digits(s string) (n int, ok bool) {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, true
}

// Zone finds a time zone by its name, or takes an offset such as +01:00 for a
// zone of that offset all year.
func Zone(name string) (*time.Location, error) {
	if name != "" && (name[0] == '+' || name[0] == '-') {
		seconds, ok := isoOffset(name)
		if !ok {
			return nil, fmt.Errorf("time zone %q: expected an offset such as +01:00", name)
		}
		return time.FixedZone(name, seconds), nil
	}
	zone, err := time.LoadLocation(name)
	if err != nil || name == "" || name == "Local" {
		return nil, fmt.Errorf("time zone %q is not known: expected a name such as Europe/Berlin or UTC, or an offset such as +01:00", name)
	}
	return zone, nil
}

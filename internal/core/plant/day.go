package plant

import "time"

// Earlier gives the earlier of two instants.
func Earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// Later gives the later of two instants.
func Later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Day gives the first instant of the local day that lies n days after the local
// day of t. It counts calendar days, so a day may last 23, 24 or 25 hours; where
// a clock change takes midnight away, the day begins with the first instant
// after the change.
func (p *Plant) Day(t time.Time, n int) time.Time {
	y, m, d := t.In(p.TimeZone).Date()
	want := time.Date(y, m, d+n, 12, 0, 0, 0, p.TimeZone).Day()
	start := time.Date(y, m, d+n, 0, 0, 0, 0, p.TimeZone)
	if start.Day() != want {
		_, start = start.ZoneBounds()
	}
	return start
}

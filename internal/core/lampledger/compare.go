package lampledger

import (
	"fmt"
	"math"
	"time"

	"curetally/internal/core/unit"
)

// Tally is what one way of counting says of the lit time of a station, in
// milliseconds. Where it could not see all the time, AtMost is above AtLeast by
// what it did not see.
type Tally struct {
	What            string // in words, for example "by its hour meter"
	AtLeast, AtMost int64
}

// Exactly makes the tally of a counter that missed nothing.
func Exactly(what string, millis int64) Tally { return Tally{what, millis, millis} }

// Disagreement is that two ways of counting tell different lit times of the same
// stretch of time.
type Disagreement struct {
	From, To time.Time
	A, B     Tally
	// Hours is by how much they differ at least, and Share that as a part of the
	// smaller of the two.
	Hours, Share float64
}

// Limits from which two counters disagree. Source of both: the hour meters of
// supplies, presses and controllers count different things, so a small difference
// is usual. Common practice, no source.
const (
	mostShare = 0.03
	mostHours = 10
	// leastHours is never worth a word: hour meters count whole hours.
	leastHours = 1
)

// Compare says whether two tallies of one stretch of time disagree: by more than
// 10 hours, or by more than 3 % and an hour. What either did not see counts for
// agreement.
func Compare(a, b Tally, from, to time.Time) (Disagreement, bool) {
	d := Disagreement{From: from, To: to, A: a, B: b}
	apart := max(a.AtLeast-b.AtMost, b.AtLeast-a.AtMost, 0)
	d.Hours = unit.HoursFromMillis(apart)
	d.Share = math.Inf(1)
	if base := min(a.AtLeast, b.AtLeast); base > 0 {
		d.Share = float64(apart) / float64(base)
	}
	return d, d.Hours > leastHours && (d.Hours > mostHours || d.Share > mostShare)
}

// String says both figures and by how much they differ.
func (d Disagreement) String() string {
	share := ""
	if !math.IsInf(d.Share, 0) {
		share = fmt.Sprintf(" (%.1f %%)", 100*d.Share)
	}
	return fmt.Sprintf("lit %s, %s; they differ by %s h%s", d.A, d.B, unit.Group(d.Hours, 1), share)
}

// String says how long and by what.
func (t Tally) String() string {
	if t.AtMost > t.AtLeast {
		return fmt.Sprintf("%s to %s h %s", unit.Group(unit.HoursFromMillis(t.AtLeast), 1), unit.Group(unit.HoursFromMillis(t.AtMost), 1), t.What)
	}
	return fmt.Sprintf("%s h %s", unit.Group(unit.HoursFromMillis(t.AtLeast), 1), t.What)
}

package upkeep

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/condition"
	"curetally/internal/core/forecast"
	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Use is what a subject's station did on one local day.
type Use struct {
	Day       time.Time // first instant of the local day
	LitMillis int64
	// WornMillis is lit time as it wears the lamp; see plant.LampTotal.
	WornMillis int64
	Starts     int64
	AreaCm2    int64 // printed by the press, square centimetres
}

func (u Use) litHours() float64 { return unit.HoursFromMillis(u.LitMillis) }

// Subject is one thing that a rule is applied to, with its counts.
type Subject struct {
	Rule       plant.TaskRule
	Name       string // of the station or press, as records of done tasks name it
	Station    plant.StationID
	Press      plant.PressID
	Lamp       plant.LampSerial
	Technology plant.Technology
	// Anchor is the instant from which the task counts: when it was last done if
	// AnchorKnown, else since when it is counted. Zero means that there is no
	// record at all.
	Anchor      time.Time
	AnchorKnown bool
	// Counts since the anchor; of a lamp whose task was never done, over its life.
	LitSince, StartsSince int64
	AreaSince             int64   // square centimetres
	AreaKnown             bool    // the press counts what it prints
	EquivalentSince       float64 // equivalent hours of the lamp
	RatedHours            float64 // of the lamp's kind
	HoursPerStart         float64 // of the lamp's kind, equivalent hours
	// Skipped says that it was left out at the anchor and not done.
	Skipped bool
	// Put is the postponement that holds since the anchor; zero for none.
	Put plant.TaskAct
	// Use is recent history by day, in any order, also from before the anchor.
	Use []Use
	// Signals has the readings since the anchor of the signals that the rule looks
	// at, by name.
	Signals map[string][]condition.Reading
}

// Status says how urgent a task is.
type Status string

// The statuses, least urgent first.
const (
	OK       Status = "ok"
	Upcoming Status = "upcoming" // within the rule's lead days before the due date
	Due      Status = "due"      // on the due date and the grace days after it
	Overdue  Status = "overdue"
)

// urgency orders statuses, most urgent first.
func (s Status) urgency() int {
	return slices.Index([]Status{Overdue, Due, Upcoming, OK}, s)
}

// Task is what a rule says about one subject at one instant.
type Task struct {
	Rule       plant.RuleID     `json:"rule"`
	Title      string           `json:"title"`
	Subject    string           `json:"subject"`
	Station    plant.StationID  `json:"station,omitempty"`
	Press      plant.PressID    `json:"press,omitempty"`
	Lamp       plant.LampSerial `json:"lamp,omitempty"`
	Technology plant.Technology `json:"-"`
	Status     Status           `json:"status"`
	// PostponedUntil is the local day to which a person has put it off; it is then
	// Due, and OriginalDue is when it would fall due.
	PostponedUntil time.Time `json:"postponed_until,omitzero"`
	OriginalDue    time.Time `json:"original_due,omitzero"`
	Due            time.Time `json:"due,omitzero"` // local day; zero means no date
	// DueP10 and DueP90 are the local days between which it falls due with a
	// probability of 80 %, DueP50 is the likely one; zero means no date, of DueP90
	// also that it is beyond ten years.
	DueP10 time.Time `json:"due_p10,omitzero"`
	DueP50 time.Time `json:"due_p50,omitzero"`
	DueP90 time.Time `json:"due_p90,omitzero"`
	// Guess marks a due date that rests on fewer than 10 workdays of use.
	Guess  bool   `json:"guess"`
	Reason string `json:"reason"`
	// UsedFraction is the share of the deciding limit that is used; 1 is the
	// limit.
	UsedFraction float64 `json:"used_fraction"`
	// Remaining is what is left to the deciding limit, in words; negative past
	// it.
	Remaining string    `json:"remaining"`
	Minutes   int       `json:"minutes"`
	Parts     []string  `json:"parts"`
	Cautions  []Card    `json:"cautions"` // ends with the sentence that defers to site rules
	Anchor    time.Time `json:"anchor,omitzero"`
	// Unheard names signals and counters that the rule looks at and nobody sends.
	Unheard []string `json:"unheard,omitempty"`
}

// Applies says whether a rule is for subjects of a technology.
func Applies(r plant.TaskRule, t plant.Technology) bool {
	return r.Technology == plant.TechnologyNone || r.Technology == t
}

// Tasks gives the task of every subject whose rule applies to its technology,
// the most urgent first, then by due date, then by use.
func Tasks(p *plant.Plant, subjects []Subject, now time.Time) []Task {
	c := newCalendar(p, now)
	out := []Task{}
	for _, s := range subjects {
		if Applies(s.Rule, s.Technology) {
			out = append(out, c.forecast(s))
		}
	}
	slices.SortStableFunc(out, func(a, b Task) int {
		return cmp.Or(
			cmp.Compare(a.Status.urgency(), b.Status.urgency()),
			byDue(a.Due, b.Due),
			cmp.Compare(b.UsedFraction, a.UsedFraction),
			cmp.Compare(a.Subject, b.Subject),
			cmp.Compare(a.Rule, b.Rule),
		)
	})
	return out
}

// byDue orders dates; no date comes last.
func byDue(a, b time.Time) int {
	if a.IsZero() != b.IsZero() {
		if a.IsZero() {
			return 1
		}
		return -1
	}
	return a.Compare(b)
}

// Forecast gives the task of one subject at an instant.
func Forecast(p *plant.Plant, s Subject, now time.Time) Task {
	return newCalendar(p, now).forecast(s)
}

func (c *calendar) forecast(s Subject) Task {
	t := Task{
		Rule: s.Rule.ID, Title: s.Rule.Title, Subject: s.Name, Station: s.Station, Press: s.Press,
		Lamp: s.Lamp, Technology: s.Technology, Anchor: s.Anchor,
		Minutes: s.Rule.Minutes, Parts: slices.Clone(s.Rule.Parts), Cautions: Cards(s.Rule.Cautions),
		Status: OK, Reason: "no limit that can be counted",
	}
	t.Unheard = unheard(s)
	limits := c.limits(s)
	if len(limits) == 0 {
		switch {
		case s.Rule.LifeFraction > 0:
			t.Reason = "the lamp's kind states no rated hours: no date"
		case len(t.Unheard) > 0:
			t.Reason = "nobody sends " + strings.Join(t.Unheard, " or ") + ": no date"
		}
		return t
	}
	first := slices.MinFunc(limits, func(a, b limit) int {
		return cmp.Or(byDue(a.due.P50, b.due.P50), cmp.Compare(b.used, a.used))
	})
	due := first.due
	for _, l := range limits {
		// Another limit may come first where this one is late.
		due.P10, due.P90 = sooner(due.P10, l.due.P10), sooner(due.P90, l.due.P90)
	}
	t.Due, t.DueP10, t.DueP50, t.DueP90 = due.P50, due.P10, due.P50, due.P90
	t.Guess, t.Reason, t.UsedFraction, t.Remaining = first.guess, first.reason, first.used, first.remaining
	if likely := Likely(due, c.now, c.plant.TimeZone); likely != "" {
		t.Reason += ", " + likely
	}
	if first.note != "" {
		t.Reason += " (" + first.note + ")"
	}
	c.postpone(&t, s.Put)
	t.Status = c.status(s.Rule, t.Due)
	return t
}

// postpone puts a task off to the day that a person named. The day on which it
// would fall due stays beside it.
func (c *calendar) postpone(t *Task, put plant.TaskAct) {
	if t.Due.IsZero() || !put.Until.After(t.Due) {
		return
	}
	until := c.plant.Day(put.Until, 0)
	t.OriginalDue, t.PostponedUntil, t.Due = t.Due, until, until
	t.Reason += fmt.Sprintf("; put off to %s by %s (%s)", c.date(put.Until), put.By, put.Note)
}

// sooner gives the earlier of two days, of which zero is none.
func sooner(a, b time.Time) time.Time {
	if byDue(a, b) <= 0 {
		return a
	}
	return b
}

func (c *calendar) status(r plant.TaskRule, due time.Time) Status {
	switch {
	case due.IsZero():
		return OK
	case c.today.After(c.plant.Day(due, r.Grace)):
		return Overdue
	case !c.today.Before(due):
		return Due
	case !c.today.Before(c.plant.Day(due, -r.Lead)):
		return Upcoming
	default:
		return OK
	}
}

// limit is one limit of a rule, with the day on which it is reached.
type limit struct {
	due       forecast.Dates // zero: no date
	used      float64        // share used
	guess     bool
	reason    string
	note      string // what is to be known of the date
	remaining string
}

// limits lists the limits of a subject's rule that can be counted.
func (c *calendar) limits(s Subject) []limit {
	var out []limit
	if end := s.Rule.LifeFraction * s.RatedHours; end > 0 {
		says := fmt.Sprintf("%.0f %% of rated hours", 100*s.EquivalentSince/s.RatedHours)
		if s.Rule.LifeFraction != 1 {
			says += fmt.Sprintf(" (limit %.0f %%)", 100*s.Rule.LifeFraction)
		}
		out = append(out, c.byUse(s, count{
			says: says, since: s.EquivalentSince, end: end, unit: " h",
			of: func(u Use) float64 { return lamplife.EquivalentHours(u.WornMillis, u.Starts, s.HoursPerStart) },
		}))
	}
	if s.Rule.LitHours > 0 {
		lit := unit.HoursFromMillis(s.LitSince)
		out = append(out, c.byUse(s, count{
			says:  fmt.Sprintf("%s of %s lit hours", unit.Group(lit, 0), unit.Group(s.Rule.LitHours, 0)),
			since: lit, end: s.Rule.LitHours, unit: " h", of: Use.litHours,
		}))
	}
	if s.Rule.Starts > 0 {
		out = append(out, c.byUse(s, count{
			says:  fmt.Sprintf("%s of %s starts", unit.Group(float64(s.StartsSince), 0), unit.Group(float64(s.Rule.Starts), 0)),
			since: float64(s.StartsSince), end: float64(s.Rule.Starts), unit: " starts",
			of: func(u Use) float64 { return float64(u.Starts) },
		}))
	}
	if s.Rule.AreaM2 > 0 && s.AreaKnown {
		area := float64(s.AreaSince) / plant.QuantityArea.PerDisplay()
		out = append(out, c.byUse(s, count{
			says:  fmt.Sprintf("%s of %s m² printed", unit.Group(area, 0), unit.Group(s.Rule.AreaM2, 0)),
			since: area, end: s.Rule.AreaM2, unit: " m²",
			of: func(u Use) float64 { return float64(u.AreaCm2) / plant.QuantityArea.PerDisplay() },
		}))
	}
	if s.Rule.Days > 0 {
		out = append(out, c.byCalendar(s))
	}
	for _, cond := range s.Rule.Conditions {
		if v := condition.Judge(cond, s.Signals[cond.Signal], c.now); v.Readings > 0 {
			out = append(out, c.bySignal(cond, v))
		}
	}
	return out
}

// count is a limit on something that is counted.
type count struct {
	says       string            // how far it has come, in words
	since, end float64           // counted so far, and the limit
	unit       string            // with its leading space
	of         func(Use) float64 // what a day adds
}

func (c *calendar) byUse(s Subject, n count) limit {
	l := limit{used: n.since / n.end, remaining: unit.Group(n.end-n.since, 0) + n.unit}
	if n.since >= n.end {
		day := c.reached(s, n)
		l.due = forecast.On(day)
		l.reason = n.says + "; reached " + c.date(day)
		return l
	}
	h := c.horizon(s.Press)
	use := make([]forecast.Use, len(s.Use))
	for i, u := range s.Use {
		use[i] = forecast.Use{Day: u.Day, Amount: n.of(u)}
	}
	r := h.Rate(use)
	if !r.Any() {
		l.reason = n.says + "; no use, no date"
		return l
	}
	l.due = h.Due(n.end-n.since, r, forecast.Seed(string(s.Rule.ID), s.Name))
	at := fmt.Sprintf("; at %s%s per workday", unit.Group(r.PerWorkDay, 1), n.unit)
	if r.PerSaturday > 0.1*r.PerWorkDay {
		at += fmt.Sprintf(" and %s on a Saturday", unit.Group(r.PerSaturday, 1))
	}
	if !l.due.Known() {
		l.reason = n.says + at + " not due within ten years"
		return l
	}
	l.reason = n.says + at + " due " + c.date(l.due.P50)
	if r.Guess {
		l.guess = true
		l.note = fmt.Sprintf("a guess: only %s on record", plural(r.WorkDays, "workday"))
		if c.horizon(s.Press).Changed() {
			l.note = "a guess: the shifts have changed, and only few workdays of the present ones are on record"
		}
	}
	return l
}

// reached gives the local day on which a limit that is passed was reached, going
// back over the use on record but not behind the anchor.
func (c *calendar) reached(s Subject, n count) time.Time {
	use := slices.SortedFunc(slices.Values(s.Use), func(a, b Use) int { return b.Day.Compare(a.Day) })
	anchor := time.Time{}
	if !s.Anchor.IsZero() {
		anchor = c.plant.Day(s.Anchor, 0)
	}
	day, counted := c.today, n.since
	for _, u := range use {
		if u.Day.Before(anchor) || u.Day.After(c.today) {
			continue
		}
		day = c.plant.Day(u.Day, 0)
		if counted -= n.of(u); counted < n.end {
			break
		}
	}
	return day
}

func (c *calendar) byCalendar(s Subject) limit {
	if s.Anchor.IsZero() {
		return limit{
			due: forecast.On(c.today), used: 1, remaining: plural(0, "day"),
			reason: fmt.Sprintf("every %s, no record of when it was last done", plural(s.Rule.Days, "day")),
		}
	}
	since := "counted since "
	switch {
	case s.Skipped:
		since = "skipped "
	case s.AnchorKnown:
		since = "last done "
	}
	due := c.plant.Day(s.Anchor, s.Rule.Days)
	return limit{
		due:       forecast.On(due),
		used:      float64(c.daysBetween(s.Anchor, c.now)) / float64(s.Rule.Days),
		remaining: plural(c.daysBetween(c.now, due), "day"),
		reason:    fmt.Sprintf("every %s, %s%s; due %s", plural(s.Rule.Days, "day"), since, c.date(s.Anchor), c.date(due)),
	}
}

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return unit.Group(float64(n), 0) + " " + noun + "s"
}

package upkeep_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/forecast"
	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
)

const hour = 3_600_000

// fiveDays is a plant in Berlin that works Monday to Friday.
func fiveDays(t *testing.T) *plant.Plant {
	t.Helper()
	tz, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return &plant.Plant{TimeZone: tz, WorkDays: [7]bool{false, true, true, true, true, true, false}}
}

func at(p *plant.Plant, text string) time.Time {
	t, err := time.ParseInLocation("2006-01-02 15:04", text, p.TimeZone)
	if err != nil {
		panic(err)
	}
	return t
}

func day(p *plant.Plant, text string) time.Time { return at(p, text+" 00:00") }

// history gives the same use on every working day of the days before now.
func history(p *plant.Plant, now time.Time, days int, litHours float64, starts int64) (use []upkeep.Use) {
	for n := days; n > 0; n-- {
		u := upkeep.Use{Day: p.Day(now, -n)}
		if p.WorkDay(u.Day) {
			u.LitMillis, u.Starts = int64(math.Round(litHours*hour)), starts
			u.WornMillis = u.LitMillis
		}
		use = append(use, u)
	}
	return use
}

func lampRule() plant.TaskRule {
	return plant.TaskRule{
		ID: "lamp-change", Title: "Change lamp", Scope: plant.PerLamp, Technology: plant.TechnologyArc,
		LifeFraction: 1, Lead: 14, Grace: 3, Minutes: 30, Parts: []string{"lamp", "gloves"},
		Cautions: []string{"C1", "C12"},
	}
}

func lamp(p *plant.Plant, now time.Time, equivalent float64) upkeep.Subject {
	return upkeep.Subject{
		Rule: lampRule(), Name: "heron-3", Station: "heron-3", Press: "heron", Lamp: "L-0042",
		Technology: plant.TechnologyArc, Anchor: day(p, "2026-01-05"), AnchorKnown: true,
		EquivalentSince: equivalent, RatedHours: 1500, HoursPerStart: 1,
		Use: history(p, now, 70, 8.2, 1), // 9.2 equivalent hours a working day
	}
}

func wantDue(t *testing.T, p *plant.Plant, got upkeep.Task, want string) {
	t.Helper()
	if s := got.Due.In(p.TimeZone).Format("2006-01-02 15:04"); s != want+" 00:00" {
		t.Errorf("due %s, want %s (%s)", s, want, got.Reason)
	}
}

// 120 equivalent hours left at 9.2 a working day are 13.04 working days: due on
// the 14th. The first is today while today lies ahead, else tomorrow.
// Source: own computation.
func TestDueOnTheFourteenthWorkday(t *testing.T) {
	p := fiveDays(t)
	for _, tt := range []struct{ now, want string }{
		{"2026-06-01 00:00", "2026-06-18"}, // Monday; 14 working days are 1-5, 8-12, 15-18 June
		{"2026-06-01 06:00", "2026-06-18"},
		{"2026-06-01 23:30", "2026-06-19"}, // Tuesday is the first
		{"2026-05-30 12:00", "2026-06-18"}, // Saturday
	} {
		now := at(p, tt.now)
		task := upkeep.Forecast(p, lamp(p, now, 1380), now)
		wantDue(t, p, task, tt.want)
		if math.Abs(task.UsedFraction-0.92) > 1e-12 || task.Guess || task.Remaining != "120 h" {
			t.Errorf("used %v, guess %v, remaining %q", task.UsedFraction, task.Guess, task.Remaining)
		}
		if want := "92 % of rated hours; at 9.2 h per workday due "; !strings.HasPrefix(task.Reason, want) {
			t.Errorf("reason %q, want %q …", task.Reason, want)
		}
	}
}

func TestTaskCarriesItsRuleAndSubject(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 06:00")
	got := upkeep.Forecast(p, lamp(p, now, 1380), now)
	if got.Rule != "lamp-change" || got.Title != "Change lamp" || got.Subject != "heron-3" || got.Lamp != "L-0042" ||
		got.Minutes != 30 || !slices.Equal(got.Parts, []string{"lamp", "gloves"}) || !got.Anchor.Equal(day(p, "2026-01-05")) {
		t.Errorf("task %+v", got)
	}
	if n := len(got.Cautions); n != 3 || got.Cautions[0].Code != "C1" || got.Cautions[1].Code != "C12" || got.Cautions[2].Text != upkeep.Deferral {
		t.Errorf("cautions %+v", got.Cautions)
	}
}

// A holiday moves the due date, not the rate.
func TestHolidaysMoveTheDate(t *testing.T) {
	p := fiveDays(t)
	p.Holidays = []time.Time{day(p, "2026-06-04"), day(p, "2026-06-05")}
	now := at(p, "2026-06-01 00:00")
	task := upkeep.Forecast(p, lamp(p, now, 1380), now)
	wantDue(t, p, task, "2026-06-22")
	if !strings.Contains(task.Reason, "at 9.2 h per workday") {
		t.Errorf("reason %q", task.Reason)
	}
}

// Overtime on Saturdays comes again on Saturdays: 9.2 on every one of the last 60
// workdays make 9.2 on the Saturdays ahead, 6 and 13 June, and the limit falls on
// the 14th day of work, 16 June.
func TestWeekendUseIsNotLost(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 00:00") // Monday
	s := lamp(p, now, 1380)
	for i := range s.Use {
		if s.Use[i].Day.Weekday() == time.Saturday {
			s.Use[i].LitMillis = int64(9.2 * hour)
			s.Use[i].WornMillis = s.Use[i].LitMillis
		}
	}
	task := upkeep.Forecast(p, s, now)
	wantDue(t, p, task, "2026-06-16")
	if want := "at 9.2 h per workday and 9.2 on a Saturday due Tue 16 Jun"; !strings.Contains(task.Reason, want) {
		t.Errorf("reason %q, want %q in it", task.Reason, want)
	}
}

// Newer workdays weigh more, half as much for each 15 back; today does not count.
// 30 days at 4 after 30 at 21 give 4 + 17 × (¼ − 1/16) / (1 − 1/16) = 7.4.
// Source: own computation.
func TestNewerDaysWeighMore(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 00:00")
	s := lamp(p, now, 1000)
	s.HoursPerStart = 0
	s.Use = append(history(p, now, 120, 21, 0), upkeep.Use{Day: day(p, "2026-06-01"), LitMillis: 99 * hour, WornMillis: 99 * hour})
	for i := range s.Use {
		// The 30th workday before Monday 1 June is Monday 20 April.
		if !s.Use[i].Day.Before(day(p, "2026-04-20")) && s.Use[i].Day.Before(now) && s.Use[i].LitMillis > 0 {
			s.Use[i].LitMillis = 4 * hour
			s.Use[i].WornMillis = s.Use[i].LitMillis
		}
	}
	if task := upkeep.Forecast(p, s, now); !strings.Contains(task.Reason, "at 7.4 h per workday") {
		t.Errorf("reason %q, want 7.4 h per workday", task.Reason)
	}
}

// A second shift from a day on moves the date by its hours from that day; once ten
// of its workdays are on record the old ones no longer count.
func TestChangeOfShifts(t *testing.T) {
	p := fiveDays(t)
	days := func(to time.Duration) (out []plant.Shift) {
		for d := time.Monday; d <= time.Friday; d++ {
			out = append(out, plant.Shift{Day: d, From: 6 * time.Hour, To: to})
		}
		return out
	}
	p.Presses = []plant.Press{{ID: "heron", Calendar: plant.PressCalendar{Patterns: []plant.Pattern{
		{Shifts: days(14 * time.Hour)}, {From: day(p, "2026-06-08"), Shifts: days(22 * time.Hour)},
	}}}}
	now := at(p, "2026-06-01 00:00")
	s := lamp(p, now, 1380) // 120 left: 5 days of 9.2, then 18.4 a day: 46 + 4 × 18.4 < 120 < 46 + 5 × 18.4
	task := upkeep.Forecast(p, s, now)
	wantDue(t, p, task, "2026-06-12")
	if task.Guess {
		t.Errorf("%q", task.Reason)
	}
	// In the new pattern's first week the rate is still that of the old one's hours.
	now = at(p, "2026-06-11 00:00")
	s = lamp(p, now, 1390)
	for i := range s.Use {
		if !s.Use[i].Day.Before(day(p, "2026-06-08")) {
			s.Use[i].LitMillis *= 3
			s.Use[i].WornMillis = s.Use[i].LitMillis
		}
	}
	if task = upkeep.Forecast(p, s, now); !task.Guess || !strings.Contains(task.Reason, "the shifts have changed") {
		t.Errorf("%q", task.Reason)
	}
	// 8.2 × 3 and a start, whatever was before.
	now = at(p, "2026-06-22 00:00")
	s = lamp(p, now, 1390)
	for i := range s.Use {
		if !s.Use[i].Day.Before(day(p, "2026-06-08")) {
			s.Use[i].LitMillis *= 3
			s.Use[i].WornMillis = s.Use[i].LitMillis
		}
	}
	if task = upkeep.Forecast(p, s, now); task.Guess || !strings.Contains(task.Reason, "at 25.6 h per workday") {
		t.Errorf("%q", task.Reason)
	}
}

// The spread is one of days in order, the same at each asking, wider for wild use
// than for steady, and said in the reason.
func TestSpreadOfTheDate(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 00:00")
	steady, wild := lamp(p, now, 1300), lamp(p, now, 1300)
	for i := range wild.Use {
		wild.Use[i].LitMillis *= int64(i % 2 * 2)
		wild.Use[i].WornMillis = wild.Use[i].LitMillis
	}
	a, b := upkeep.Forecast(p, steady, now), upkeep.Forecast(p, wild, now)
	for _, task := range []upkeep.Task{a, b} {
		if task.DueP10.After(task.DueP50) || task.DueP50.After(task.DueP90) || !task.Due.Equal(task.DueP50) || task.DueP10.IsZero() {
			t.Errorf("%v, %v, %v, due %v", task.DueP10, task.DueP50, task.DueP90, task.Due)
		}
		if _, likely, ok := strings.Cut(task.Reason, ", likely "); !ok || !strings.HasSuffix(likely, task.DueP90.In(p.TimeZone).Format("2 Jan")) {
			t.Errorf("reason %q", task.Reason)
		}
	}
	if !b.DueP90.After(a.DueP90) || !b.DueP10.Before(a.DueP10) {
		t.Errorf("steady %q, wild %q", a.Reason, b.Reason)
	}
	if again := upkeep.Forecast(p, wild, now); again.Reason != b.Reason {
		t.Errorf("asked again: %q, then %q", b.Reason, again.Reason)
	}
	s := upkeep.Subject{Rule: plant.TaskRule{Days: 30}, Name: "heron", Anchor: now, AnchorKnown: true}
	if task := upkeep.Forecast(p, s, now); !task.DueP10.Equal(task.Due) || !task.DueP90.Equal(task.Due) || strings.Contains(task.Reason, "likely") {
		t.Errorf("a calendar date has no spread: %+v", task)
	}
}

func TestLikely(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 00:00")
	d := func(text string) time.Time {
		if text == "" {
			return time.Time{}
		}
		return day(p, text)
	}
	for _, tt := range []struct{ low, high, want string }{
		{"2026-03-05", "2026-03-15", "likely 5-15 Mar"},
		{"2026-03-28", "2026-04-02", "likely 28 Mar-2 Apr"},
		{"2026-12-28", "2027-01-04", "likely 28 Dec 2026-4 Jan 2027"},
		{"2027-03-05", "2027-03-15", "likely 5-15 Mar 2027"},
		{"2026-03-05", "2026-03-05", ""},
		{"2026-03-05", "", "likely 5 Mar or later"},
		{"", "", ""},
	} {
		if got := upkeep.Likely(forecast.Dates{P10: d(tt.low), P90: d(tt.high)}, now, p.TimeZone); got != tt.want {
			t.Errorf("%s to %s: %q, want %q", tt.low, tt.high, got, tt.want)
		}
	}
}

func TestStatusByLeadAndGrace(t *testing.T) {
	p := fiveDays(t)
	rule := plant.TaskRule{ID: "coolant", Title: "Test coolant", Days: 90, Lead: 7, Grace: 3}
	s := upkeep.Subject{Rule: rule, Name: "heron", Anchor: at(p, "2026-01-10 15:00"), AnchorKnown: true}
	for _, tt := range []struct {
		now  string
		want upkeep.Status
	}{
		{"2026-04-02 23:59", upkeep.OK}, // due on 10 April
		{"2026-04-03 00:00", upkeep.Upcoming},
		{"2026-04-09 23:59", upkeep.Upcoming},
		{"2026-04-10 00:00", upkeep.Due},
		{"2026-04-13 23:59", upkeep.Due},
		{"2026-04-14 00:00", upkeep.Overdue},
	} {
		task := upkeep.Forecast(p, s, at(p, tt.now))
		wantDue(t, p, task, "2026-04-10")
		if task.Status != tt.want {
			t.Errorf("%s: %s, want %s", tt.now, task.Status, tt.want)
		}
	}
	task := upkeep.Forecast(p, s, at(p, "2026-04-09 12:00"))
	if want := "every 90 days, last done Sat 10 Jan; due Fri 10 Apr"; task.Reason != want {
		t.Errorf("reason %q, want %q", task.Reason, want)
	}
	if task.Remaining != "1 day" || math.Abs(task.UsedFraction-89.0/90) > 1e-12 {
		t.Errorf("remaining %q, used %v", task.Remaining, task.UsedFraction)
	}
	s.AnchorKnown = false
	if got := upkeep.Forecast(p, s, at(p, "2025-12-31 12:00")).Reason; got != "every 90 days, counted since Sat 10 Jan 2026; due Fri 10 Apr 2026" {
		t.Errorf("reason %q", got)
	}
}

// Calendar days are local days: over a clock change the due date stays a local
// midnight, and the day itself begins and ends with local midnight.
// Source: IANA time zone database: Berlin changes on 29 March and 25 October 2026.
func TestCalendarOverClockChange(t *testing.T) {
	p := fiveDays(t)
	for _, tt := range []struct {
		anchor, want string
		days         int
	}{
		{"2026-03-28 23:30", "2026-03-29", 1},
		{"2026-03-28 23:30", "2026-03-30", 2},
		{"2026-03-01 00:00", "2026-03-31", 30},
		{"2026-10-24 23:30", "2026-10-26", 2},
		{"2026-10-25 02:30", "2026-11-01", 7},
		{"2024-02-29 12:00", "2025-02-28", 365},
	} {
		s := upkeep.Subject{Rule: plant.TaskRule{Days: tt.days}, Anchor: at(p, tt.anchor), AnchorKnown: true}
		wantDue(t, p, upkeep.Forecast(p, s, at(p, tt.anchor)), tt.want)
	}
}

// A projection over both clock changes lands on the same working day as one
// that counts dates.
func TestProjectionOverClockChange(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-03-27 00:00") // Friday before the change
	s := lamp(p, now, 1500-9.2*3)
	wantDue(t, p, upkeep.Forecast(p, s, now), "2026-03-31")
	now = at(p, "2026-10-23 00:00")
	s = lamp(p, now, 1500-9.2*3)
	wantDue(t, p, upkeep.Forecast(p, s, now), "2026-10-27")
}

func TestFirstLimitDecides(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 00:00")
	base := upkeep.Subject{
		Name: "heron-3", Anchor: day(p, "2026-05-25"), AnchorKnown: true,
		LitSince: 40 * hour, StartsSince: 20, Use: history(p, now, 60, 8, 4),
	}
	for name, tt := range map[string]struct {
		rule   plant.TaskRule
		due    string
		reason string
	}{
		"lit hours": {plant.TaskRule{LitHours: 60, Starts: 500, Days: 60}, "2026-06-03", "40 of 60 lit hours; at 8.0 h per workday due Wed 3 Jun"},
		"starts":    {plant.TaskRule{LitHours: 600, Starts: 24, Days: 60}, "2026-06-01", "20 of 24 starts; at 4.0 starts per workday due Mon 1 Jun, likely 1-2 Jun"},
		"days":      {plant.TaskRule{LitHours: 600, Starts: 500, Days: 9}, "2026-06-03", "every 9 days, last done Mon 25 May; due Wed 3 Jun"},
	} {
		s := base
		s.Rule = tt.rule
		task := upkeep.Forecast(p, s, now)
		wantDue(t, p, task, tt.due)
		if task.Reason != tt.reason {
			t.Errorf("%s: reason %q, want %q", name, task.Reason, tt.reason)
		}
	}
}

// An unused station has no forecast, but calendar limits fall due.
func TestUnusedStation(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 06:00")
	for name, use := range map[string][]upkeep.Use{
		"no record": nil, "dark": history(p, now, 60, 0, 0), "only today": {{Day: day(p, "2026-06-01"), LitMillis: hour}},
	} {
		s := lamp(p, now, 1380)
		s.Use = use
		task := upkeep.Forecast(p, s, now)
		if !task.Due.IsZero() || task.Status != upkeep.OK || task.Reason != "92 % of rated hours; no use, no date" {
			t.Errorf("%s: due %v, %s, %q", name, task.Due, task.Status, task.Reason)
		}
		s.Rule.Days = 365
		task = upkeep.Forecast(p, s, now)
		wantDue(t, p, task, "2027-01-05")
	}
}

func TestFewDaysAreAGuess(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-15 00:00") // Monday
	for _, tt := range []struct {
		days  int
		guess bool
	}{{3, true}, {11, true}, {14, false}, {60, false}} { // 1, 9, 10 and 28 working days
		s := lamp(p, now, 1380)
		s.Use = history(p, now, tt.days, 8.2, 1)
		task := upkeep.Forecast(p, s, now)
		if task.Guess != tt.guess || task.Due.IsZero() || strings.Contains(task.Reason, "guess") != tt.guess {
			t.Errorf("%d days: guess %v, %q", tt.days, task.Guess, task.Reason)
		}
	}
	s := lamp(p, now, 1380)
	s.Use = history(p, now, 3, 8.2, 1)
	if got := upkeep.Forecast(p, s, now).Reason; !strings.HasSuffix(got, "(a guess: only 1 workday on record)") {
		t.Errorf("reason %q", got)
	}
}

// A limit that was passed is dated by the use since, so that the task grows
// overdue while nothing happens to the counter.
func TestReachedLimitKeepsItsDate(t *testing.T) {
	p := fiveDays(t)
	// 9.2 a working day. On Monday 1 June the lamp stands 30 h over: it passed
	// the limit on Tuesday 26 May (four working days back).
	now := at(p, "2026-06-01 06:00")
	s := lamp(p, now, 1530)
	task := upkeep.Forecast(p, s, now)
	wantDue(t, p, task, "2026-05-26")
	if task.Status != upkeep.Overdue || task.Reason != "102 % of rated hours; reached Tue 26 May" || task.Remaining != "−30 h" {
		t.Errorf("%s, %q, %q", task.Status, task.Reason, task.Remaining)
	}
	// A week later without use the date is the same.
	later := at(p, "2026-06-08 06:00")
	task = upkeep.Forecast(p, s, later)
	wantDue(t, p, task, "2026-05-26")
	// Without use on record the limit counts as reached today.
	s.Use = nil
	task = upkeep.Forecast(p, s, now)
	wantDue(t, p, task, "2026-06-01")
	if task.Status != upkeep.Due {
		t.Errorf("status %s", task.Status)
	}
	// Use from before the anchor is of the lamp before.
	s = lamp(p, now, 1530)
	s.Anchor = at(p, "2026-05-28 10:00")
	wantDue(t, p, upkeep.Forecast(p, s, now), "2026-05-28")
}

// A postponement moves the date and keeps the one on which the task would fall due;
// one to a day before that has no effect.
func TestPostponed(t *testing.T) {
	p := fiveDays(t)
	rule := plant.TaskRule{ID: "coolant", Days: 90, Lead: 7, Grace: 3}
	s := upkeep.Subject{Rule: rule, Name: "heron", Anchor: at(p, "2026-01-10 15:00"), AnchorKnown: true}
	s.Put = plant.TaskAct{Kind: plant.TaskPostpone, Until: day(p, "2026-04-20"), By: "Ben", Note: "no strips"}
	for now, want := range map[string]upkeep.Status{"2026-04-12 08:00": upkeep.OK, "2026-04-13 08:00": upkeep.Upcoming, "2026-04-21 08:00": upkeep.Due, "2026-04-24 08:00": upkeep.Overdue} {
		task := upkeep.Forecast(p, s, at(p, now))
		wantDue(t, p, task, "2026-04-20")
		if task.Status != want || !task.OriginalDue.Equal(day(p, "2026-04-10")) || !task.DueP50.Equal(task.OriginalDue) || !task.PostponedUntil.Equal(task.Due) {
			t.Errorf("%s: %+v", now, task)
		}
	}
	if got := upkeep.Forecast(p, s, at(p, "2026-04-12 08:00")).Reason; got != "every 90 days, last done Sat 10 Jan; due Fri 10 Apr; put off to Mon 20 Apr by Ben (no strips)" {
		t.Errorf("reason %q", got)
	}
	s.Put.Until = day(p, "2026-04-10")
	if task := upkeep.Forecast(p, s, at(p, "2026-04-12 08:00")); !task.OriginalDue.IsZero() || !task.Due.Equal(day(p, "2026-04-10")) {
		t.Errorf("%+v", task)
	}
}

func TestNoRecordIsDueNow(t *testing.T) {
	p := fiveDays(t)
	s := upkeep.Subject{Rule: plant.TaskRule{Days: 30, Grace: 5}, Name: "heron"}
	task := upkeep.Forecast(p, s, at(p, "2026-06-01 06:00"))
	wantDue(t, p, task, "2026-06-01")
	if task.Status != upkeep.Due || task.Reason != "every 30 days, no record of when it was last done" {
		t.Errorf("%s, %q", task.Status, task.Reason)
	}
}

func TestLimitsThatCannotBeCounted(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 06:00")
	s := lamp(p, now, 100)
	s.RatedHours = 0
	if task := upkeep.Forecast(p, s, now); !task.Due.IsZero() || task.Reason != "the lamp's kind states no rated hours: no date" {
		t.Errorf("%v, %q", task.Due, task.Reason)
	}
	s = lamp(p, now, 100)
	s.Use = history(p, now, 60, 0.1, 0)
	if task := upkeep.Forecast(p, s, now); !task.Due.IsZero() || !strings.HasSuffix(task.Reason, "not due within ten years") {
		t.Errorf("%v, %q", task.Due, task.Reason)
	}
	p.WorkDays = [7]bool{}
	s = lamp(p, now, 100)
	if task := upkeep.Forecast(p, s, now); !task.Due.IsZero() || !strings.HasSuffix(task.Reason, "no use, no date") {
		t.Errorf("a plant that never works: %v, %q", task.Due, task.Reason)
	}
	if task := upkeep.Forecast(p, upkeep.Subject{}, now); task.Status != upkeep.OK || task.Reason != "no limit that can be counted" {
		t.Errorf("empty rule: %+v", task)
	}
}

func TestShareOfLife(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 00:00")
	s := lamp(p, now, 1230)
	s.Rule.LifeFraction = 0.9
	task := upkeep.Forecast(p, s, now)
	if !strings.HasPrefix(task.Reason, "82 % of rated hours (limit 90 %); at 9.2 h") || math.Abs(task.UsedFraction-1230/1350.0) > 1e-12 {
		t.Errorf("%q, used %v", task.Reason, task.UsedFraction)
	}
}

func TestTasksByTechnologyAndUrgency(t *testing.T) {
	p := fiveDays(t)
	now := at(p, "2026-06-01 06:00")
	every := func(name, anchor string, tech, ruleTech plant.Technology) upkeep.Subject {
		return upkeep.Subject{
			Rule: plant.TaskRule{ID: "check", Technology: ruleTech, Days: 30, Lead: 7, Grace: 2},
			Name: name, Technology: tech, Anchor: day(p, anchor), AnchorKnown: true,
		}
	}
	const none, arc, led = plant.TechnologyNone, plant.TechnologyArc, plant.TechnologyLED
	idle := lamp(p, now, 700)
	idle.Use = nil
	tasks := upkeep.Tasks(p, []upkeep.Subject{
		idle,
		every("ok-late", "2026-05-30", arc, none),
		every("upcoming", "2026-05-06", led, led),
		every("arc rule on led", "2026-01-01", led, arc),
		every("due", "2026-05-01", arc, arc),
		every("overdue-b", "2026-04-02", led, none),
		every("overdue-a", "2026-04-01", arc, none),
		every("ok-soon", "2026-05-20", arc, none),
	}, now)
	var got []string
	for _, task := range tasks {
		got = append(got, task.Subject+" "+string(task.Status))
	}
	want := []string{
		"overdue-a overdue", "overdue-b overdue", "due due", "upcoming upcoming", "ok-soon ok", "ok-late ok", "heron-3 ok",
	}
	if !slices.Equal(got, want) {
		t.Errorf("order %q, want %q", got, want)
	}
}

// Every projected date is a working day, not in the past, and the more is left
// the later it is.
func TestProjectionProperties(t *testing.T) {
	p := fiveDays(t)
	p.Holidays = []time.Time{day(p, "2026-12-25"), day(p, "2027-01-01")}
	start := at(p, "2026-01-01 00:00")
	rapid.Check(t, func(rt *rapid.T) {
		now := start.Add(time.Duration(rapid.Int64Range(0, 525_600).Draw(rt, "minute")) * time.Minute)
		used := rapid.Float64Range(0, 1499).Draw(rt, "used")
		s := lamp(p, now, used)
		s.Use = history(p, now, rapid.IntRange(5, 60).Draw(rt, "days"), rapid.Float64Range(5, 24).Draw(rt, "hours"), 0)
		due := upkeep.Forecast(p, s, now).Due
		if due.IsZero() {
			rt.Fatal("no date in spite of use")
		}
		if !p.WorkDay(due) && !due.Equal(p.Day(now, 0)) {
			rt.Fatalf("due on %v, not a working day", due)
		}
		if due.Before(p.Day(now, 0)) || !due.Equal(p.Day(due, 0)) {
			rt.Fatalf("due %v at %v", due, now)
		}
		s.EquivalentSince = used / 2
		if earlier := upkeep.Forecast(p, s, now).Due; !earlier.IsZero() && earlier.Before(due) {
			rt.Fatalf("more left, but due %v instead of %v", earlier, due)
		}
	})
}

func TestCards(t *testing.T) {
	var codes []string
	for n := 1; n <= 20; n++ {
		codes = append(codes, fmt.Sprintf("C%d", n))
	}
	cards := upkeep.Cards(codes)
	if len(cards) != 21 || cards[20] != (upkeep.Card{Text: upkeep.Deferral}) {
		t.Fatalf("%d cards, last %+v", len(cards), cards[len(cards)-1])
	}
	seen := map[string]bool{}
	for i, c := range cards[:20] {
		if c.Code != codes[i] || len(c.Text) < 30 || strings.Contains(c.Text, "No card") || seen[c.Text] {
			t.Errorf("card %+v", c)
		}
		seen[c.Text] = true
	}
	if got := upkeep.Cards(nil); len(got) != 1 || got[0].Text != upkeep.Deferral {
		t.Errorf("no codes: %+v", got)
	}
	if got := upkeep.Cards([]string{"C99"}); len(got) != 2 || !strings.Contains(got[0].Text, "manual") {
		t.Errorf("unknown code: %+v", got)
	}
}

package notice

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// book keeps records as the store does.
type book map[string]Record

func (b book) look(now []Condition, at time.Time, l Limits) []Notice {
	var all []Record
	for _, r := range b {
		all = append(all, r)
	}
	step := Next(all, now, at, l)
	for _, r := range step.Records {
		b[r.Subject] = r
	}
	return step.Notices
}

var limits = Limits{Settle: 3 * time.Minute, Clear: 10 * time.Minute, Unanswered: 24 * time.Hour}

func TestNext_FindingMustLastAndStayAway(t *testing.T) {
	b := book{}
	silent := []Condition{{Form: Finding, Subject: "finding silent meter/heron-1", Title: "Silent meter"}}
	var got []string
	for minute := range 60 {
		now := silent
		switch {
		case minute == 1: // flickers before it has begun: the count starts anew
			now = nil
		case minute >= 20 && minute < 25: // away, but not long enough to have ended
			now = nil
		case minute >= 40:
			now = nil
		}
		at := start.Add(time.Duration(minute) * time.Minute)
		for _, n := range b.look(now, at, limits) {
			got = append(got, n.Transition+" "+n.At.Format("15:04"))
		}
	}
	want := []string{"begun 1 08:05", "ended 1 08:50"}
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("told %q, want %q", got, want)
	}
}

func TestNext_TaskFromUpcomingToUnanswered(t *testing.T) {
	b := book{}
	task := Condition{Form: Task, Subject: "task lamp-change/heron-1 since 0", Status: "ok", Due: start.AddDate(0, 0, 20)}
	expect := func(at time.Time, want ...Kind) {
		t.Helper()
		got := b.look([]Condition{task}, at, limits)
		if len(got) != len(want) {
			t.Fatalf("told %+v, want %v", got, want)
		}
		for i, n := range got {
			if n.Kind != want[i] {
				t.Errorf("kind %s, want %s", n.Kind, want[i])
			}
		}
		if again := b.look([]Condition{task}, at, limits); len(again) > 0 {
			t.Errorf("told twice: %+v", again)
		}
	}
	expect(start)
	task.Status = "upcoming"
	expect(start.Add(time.Hour), TaskUpcoming)
	task.Due = task.Due.AddDate(0, 0, -3)
	expect(start.Add(2 * time.Hour))
	if r := b[task.Subject]; r.Revision != 1 || !r.Changed.Equal(start.Add(2*time.Hour)) {
		t.Errorf("the day moved: %+v", r)
	}
	task.Status = "overdue"
	expect(start.Add(3*time.Hour), TaskOverdue)
	expect(start.Add(26 * time.Hour))
	expect(start.Add(27*time.Hour), TaskUnanswered)
	expect(start.Add(99 * time.Hour))
	task.Status, task.Round = "overdue", "2026-03-20"
	expect(start.Add(100*time.Hour), TaskOverdue)
	r := b[task.Subject]
	r.Acknowledged = true
	b[task.Subject] = r
	expect(start.Add(200 * time.Hour))
}

// Whatever comes and goes, no subject and transition is told twice, and a finding
// ends only after it has begun.
func TestNext_OnceProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, told, at := book{}, map[string]bool{}, start
		for range rapid.IntRange(1, 200).Draw(t, "looks") {
			at = at.Add(time.Duration(rapid.IntRange(1, 400).Draw(t, "seconds")) * time.Second)
			var now []Condition
			for _, s := range []string{"a", "b"} {
				if rapid.Bool().Draw(t, s) {
					now = append(now, Condition{Form: Finding, Subject: s})
				}
			}
			for _, n := range b.look(now, at, limits) {
				key := n.Subject + " " + n.Transition
				if told[key] {
					t.Fatalf("%s told twice", key)
				}
				if n.Kind == FindingEnded && !told[n.Subject+" begun "+n.Transition[len("ended "):]] {
					t.Fatalf("%s ended before it began", key)
				}
				told[key] = true
			}
		}
	})
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Source: tz database. Berlin: 29 March 2026 02:00 jumps to 03:00, on 25 October
// 03:00 is set back to 02:00. Cairo: 24 April 2026 has no midnight.
func TestSchedule_ClockChanges(t *testing.T) {
	for _, c := range []struct{ zone, spec, after, want string }{
		{"Europe/Berlin", "30 2 * * *", "2026-03-28T12:00:00Z", "2026-03-29T01:00:00Z"}, // at the jump
		{"Europe/Berlin", "30 2 * * *", "2026-03-29T01:00:00Z", "2026-03-30T00:30:00Z"},
		{"Europe/Berlin", "30 2 * * *", "2026-10-24T12:00:00Z", "2026-10-25T00:30:00Z"}, // the first of two
		{"Europe/Berlin", "30 2 * * *", "2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"}, // and not the second
		{"Africa/Cairo", "0 0 * * *", "2026-04-23T12:00:00Z", "2026-04-23T22:00:00Z"},
		{"Asia/Kathmandu", "30 6 * * 1-5", "2026-11-20T12:00:00Z", "2026-11-23T00:45:00Z"},
	} {
		s, err := ParseSchedule(c.spec, zone(t, c.zone))
		if err != nil {
			t.Fatal(err)
		}
		after, err := time.Parse(time.RFC3339, c.after)
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := s.Next(after); !ok || got.UTC().Format(time.RFC3339) != c.want {
			t.Errorf("%s %s after %s: %s, want %s", c.zone, c.spec, c.after, got.UTC().Format(time.RFC3339), c.want)
		}
	}
	for _, bad := range []string{"", "TZ=UTC", "CRON_TZ=UTC * * * * *", "0 0 30 2 *", "@every 1s", "61 * * * *"} {
		if _, err := ParseSchedule(bad, time.UTC); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

// A daily digest comes once on each local day, whatever the clocks do.
func TestSchedule_OncePerDay(t *testing.T) {
	zones := []string{"Europe/Berlin", "America/Sao_Paulo", "Africa/Cairo", "Australia/Lord_Howe", "Asia/Kathmandu", "America/St_Johns", "UTC", "Pacific/Apia", "Asia/Tehran", "Pacific/Chatham"}
	rapid.Check(t, func(t *rapid.T) {
		z, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		minute, hour := rapid.IntRange(0, 59).Draw(t, "minute"), rapid.IntRange(0, 23).Draw(t, "hour")
		day := time.Date(rapid.IntRange(2012, 2026).Draw(t, "year"), 1, rapid.IntRange(1, 360).Draw(t, "day"), 12, 0, 0, 0, time.UTC)
		for range 20 {
			y, m, d := day.Date()
			first := wallClock(y, m, d, hour*60+minute, z)
			s := Schedule{zone: z, spec: mustDaily(t, minute, hour)}
			got, ok := s.Next(first.Add(-time.Nanosecond))
			if !ok || !got.Equal(first) {
				t.Fatalf("%v: next is %v, want %v", day, got, first)
			}
			if next, _ := s.Next(got); next.Sub(got) < 20*time.Hour && z.String() != "Pacific/Apia" {
				t.Fatalf("%v, then %v", got, next)
			}
			day = day.AddDate(0, 0, 1)
		}
	})
}

func mustDaily(t *rapid.T, minute, hour int) interface{ Next(time.Time) time.Time } {
	s, err := ParseSchedule(time.Date(0, 1, 1, hour, minute, 0, 0, time.UTC).Format("4 15")+" * * *", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	return s.spec
}

func TestRoute_When(t *testing.T) {
	berlin := zone(t, "Europe/Berlin")
	r := Route{Hours: Hours{Zone: berlin, QuietFrom: 20 * 60, QuietTo: 6 * 60, Works: func(day time.Time) bool {
		wd := day.In(berlin).Weekday()
		return wd != time.Saturday && wd != time.Sunday
	}}}
	for at, want := range map[string]string{
		"2026-03-02T11:00:00Z": "2026-03-02T11:00:00Z", // Monday noon
		"2026-03-02T21:00:00Z": "2026-03-03T05:00:00Z",
		"2026-03-03T04:59:00Z": "2026-03-03T05:00:00Z",
		"2026-03-06T20:00:00Z": "2026-03-09T05:00:00Z", // Friday evening to Monday
		"2026-03-27T20:00:00Z": "2026-03-30T04:00:00Z", // over the clock change
	} {
		from, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := r.When(from); !ok || got.UTC().Format(time.RFC3339) != want {
			t.Errorf("at %s: %v, want %s", at, got.UTC(), want)
		}
	}
	r.Hours.Works = func(time.Time) bool { return false }
	if got, ok := r.When(start); ok {
		t.Errorf("a plant that never works is told at %v", got)
	}
}

func TestRoute_Takes(t *testing.T) {
	task := Notice{Kind: TaskDue, Topic: Upkeep, Press: "heron"}
	late := Notice{Kind: TaskUnanswered, Topic: Upkeep, Press: "heron"}
	whole := Notice{Kind: FindingBegun, Topic: Metering}
	for name, c := range map[string]struct {
		r    Route
		want [3]bool
	}{
		"everything": {Route{}, [3]bool{true, false, true}},
		"planner":    {Route{Topics: []Topic{Upkeep}}, [3]bool{true, false, false}},
		"boss":       {Route{Kinds: []Kind{TaskUnanswered}}, [3]bool{false, true, false}},
		"unanswered": {Route{Topics: []Topic{Savings}, Unanswered: true}, [3]bool{false, true, false}},
		"one press":  {Route{Presses: nil, Kinds: []Kind{TaskDue, FindingBegun}}, [3]bool{true, false, true}},
		"another":    {Route{Presses: append(Route{}.Presses, "otter")}, [3]bool{false, false, true}},
	} {
		if got := [3]bool{c.r.Takes(task), c.r.Takes(late), c.r.Takes(whole)}; got != c.want {
			t.Errorf("%s takes %v, want %v", name, got, c.want)
		}
	}
}

func TestRetries(t *testing.T) {
	r := UsualRetries()
	d := Delivery{State: Waiting, First: start, Due: start}
	at, n := start, 0
	for d.State == Waiting {
		d.Attempt++
		if n++; n > 1000 {
			t.Fatal("never gives up")
		}
		d = r.Failed(d, at, 0.5, false)
		if d.State == Waiting && !d.Due.After(at) {
			t.Fatalf("next at %v, now %v", d.Due, at)
		}
		at = d.Due
	}
	if age := at.Sub(start); age < 96*time.Hour || age > 98*time.Hour {
		t.Errorf("given up after %v and %d attempts", age, n)
	}
	if d := r.Failed(Delivery{State: Waiting, First: start, Attempt: 1}, start, 0, true); d.State != Dead {
		t.Errorf("a refusal is %s", d.State)
	}
}

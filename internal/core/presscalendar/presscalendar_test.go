package presscalendar_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
)

func berlin(t *testing.T) *time.Location {
	t.Helper()
	tz, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return tz
}

func week(from, to time.Duration, days ...time.Weekday) []plant.Shift {
	var out []plant.Shift
	for _, d := range days {
		out = append(out, plant.Shift{Day: d, From: from, To: to})
	}
	return out
}

// threeShifts works around the clock from Monday 06:00 to Saturday 06:00, and
// from September on in the early shift alone.
func threeShifts(t *testing.T) *plant.Plant {
	t.Helper()
	tz := berlin(t)
	const h = time.Hour
	days := []time.Weekday{time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday}
	around := slices.Concat(week(6*h, 14*h, days...), week(14*h, 22*h, days...), week(22*h, 30*h, days...))
	return &plant.Plant{
		TimeZone: tz, Holidays: []time.Time{time.Date(2026, 5, 1, 0, 0, 0, 0, tz)},
		Presses: []plant.Press{{ID: "heron", Calendar: plant.PressCalendar{
			Patterns: []plant.Pattern{{Shifts: around}, {From: time.Date(2026, 9, 1, 0, 0, 0, 0, tz), Shifts: week(6*h, 14*h, days...)}},
			Stops: []plant.PlannedStop{{
				Press: "heron", From: time.Date(2026, 6, 3, 12, 0, 0, 0, tz), To: time.Date(2026, 6, 3, 16, 0, 0, 0, tz), Minutes: 200, People: 2, Note: "duct",
			}},
			Weekly: []plant.WeeklyStop{{Day: time.Monday, From: 6 * h, To: 8 * h, Minutes: 100, People: 1}},
		}}},
	}
}

func shown(windows []presscalendar.Window) string {
	var out []string
	for _, w := range windows {
		out = append(out, w.From.Format("02T15:04")+"-"+w.To.Format("02T15:04"))
	}
	return strings.Join(out, " ")
}

func TestWindows(t *testing.T) {
	p := threeShifts(t)
	c := presscalendar.Of(p, "heron")
	for _, tt := range []struct {
		day, want string
		hours     float64
	}{
		{"2026-06-01", "01T08:00-01T14:00 01T14:00-01T22:00 01T22:00-02T00:00", 16}, // Monday, less its weekly stop
		{"2026-06-02", "02T00:00-02T06:00 02T06:00-02T14:00 02T14:00-02T22:00 02T22:00-03T00:00", 24},
		{"2026-06-03", "03T00:00-03T06:00 03T06:00-03T12:00 03T16:00-03T22:00 03T22:00-04T00:00", 20}, // planned stop
		{"2026-06-06", "06T00:00-06T06:00", 6},                                                        // end of Friday's night shift
		{"2026-06-07", "", 0},
		{"2026-05-01", "01T00:00-01T06:00", 6}, // holiday: the night before still ends
		{"2026-08-31", "31T08:00-31T14:00 31T14:00-31T22:00 31T22:00-01T00:00", 16},
		{"2026-09-01", "01T00:00-01T06:00 01T06:00-01T14:00", 14}, // last night of the old pattern
		{"2026-09-02", "02T06:00-02T14:00", 8},
	} {
		day, err := time.ParseInLocation(time.DateOnly, tt.day, p.TimeZone)
		if err != nil {
			t.Fatal(err)
		}
		if got := shown(c.Windows(day.Add(13 * time.Hour))); got != tt.want {
			t.Errorf("%s: %s, want %s", tt.day, got, tt.want)
		}
		if got := c.Hours(day); got != tt.hours {
			t.Errorf("%s: %v h, want %v", tt.day, got, tt.hours)
		}
	}
}

// Source: IANA time zone database: Berlin changes on 29 March and 25 October
// 2026; a night shift from 22:00 to 06:00 lasts 7 and 9 hours then.
func TestShiftsOverClockChange(t *testing.T) {
	tz := berlin(t)
	p := &plant.Plant{TimeZone: tz, Presses: []plant.Press{{ID: "heron", Calendar: plant.PressCalendar{
		Patterns: []plant.Pattern{{Shifts: week(22*time.Hour, 30*time.Hour, time.Saturday)}},
	}}}}
	c := presscalendar.Of(p, "heron")
	for _, tt := range []struct {
		day  time.Time
		want float64
	}{{time.Date(2026, 3, 28, 12, 0, 0, 0, tz), 7}, {time.Date(2026, 10, 24, 12, 0, 0, 0, tz), 9}, {time.Date(2026, 4, 4, 12, 0, 0, 0, tz), 8}} {
		if got := c.Hours(tt.day) + c.Hours(p.Day(tt.day, 1)); got != tt.want {
			t.Errorf("night of %s lasts %v h, want %v", tt.day.Format(time.DateOnly), got, tt.want)
		}
	}
}

func TestWorksAndLeft(t *testing.T) {
	p := threeShifts(t)
	c := presscalendar.Of(p, "heron")
	at := func(clock string) time.Time {
		v, err := time.ParseInLocation("2006-01-02 15:04", "2026-06-03 "+clock, p.TimeZone)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for clock, want := range map[string]bool{"11:59": true, "12:00": false, "15:59": false, "16:00": true} {
		if c.Works(at(clock)) != want {
			t.Errorf("at %s it works: %v", clock, !want)
		}
	}
	if got := c.HoursLeft(at("11:00")); got != 9 {
		t.Errorf("%v h left at eleven, want 1 + 8", got)
	}
	stops := c.Stops(at("00:00"), at("00:00").AddDate(0, 0, 7))
	if len(stops) != 2 || stops[0].Note != "duct" || stops[1].From.Weekday() != time.Monday || stops[1].Minutes != 100 || stops[1].Press != "heron" {
		t.Errorf("stops %+v", stops)
	}
}

// Without shifts, and for a press that is not known, the work days of the plant
// count.
func TestWorkDaysOfThePlant(t *testing.T) {
	tz := berlin(t)
	p := &plant.Plant{TimeZone: tz, WorkDays: [7]bool{false, true}, Holidays: []time.Time{time.Date(2026, 6, 8, 0, 0, 0, 0, tz)}}
	c := presscalendar.Of(p, "")
	for day, want := range map[int]float64{1: 24, 2: 0, 8: 0, 15: 24} {
		if got := c.Hours(time.Date(2026, 6, day, 9, 0, 0, 0, tz)); got != want {
			t.Errorf("%d June: %v h, want %v", day, got, want)
		}
	}
	if got := c.HoursLeft(time.Date(2026, 6, 1, 18, 0, 0, 0, tz)); got != 6 {
		t.Errorf("%v h left", got)
	}
}

// However shifts and stops lie, the windows of a day are in order, do not
// overlap and lie within it, and the press works exactly within them.
func TestWindowsTile(t *testing.T) {
	tz := berlin(t)
	rapid.Check(t, func(rt *rapid.T) {
		var shifts []plant.Shift
		for d := range 7 {
			from := time.Duration(rapid.IntRange(0, 12*60).Draw(rt, fmt.Sprint("from", d))) * time.Minute
			length := time.Duration(rapid.IntRange(1, 12*60).Draw(rt, fmt.Sprint("length", d))) * time.Minute
			shifts = append(shifts, plant.Shift{Day: time.Weekday(d), From: from, To: from + length})
		}
		base := time.Date(2026, 3, 1, 0, 0, 0, 0, tz)
		var stops []plant.PlannedStop
		for i := range rapid.IntRange(0, 4).Draw(rt, "stops") {
			from := base.Add(time.Duration(rapid.IntRange(0, 60*24*60).Draw(rt, fmt.Sprint("stop", i))) * time.Minute)
			stops = append(stops, plant.PlannedStop{From: from, To: from.Add(time.Duration(rapid.IntRange(1, 3000).Draw(rt, fmt.Sprint("lasts", i))) * time.Minute)})
		}
		p := &plant.Plant{TimeZone: tz, Presses: []plant.Press{{ID: "p", Calendar: plant.PressCalendar{Patterns: []plant.Pattern{{Shifts: shifts}}, Stops: stops}}}}
		c := presscalendar.Of(p, "p")
		day := p.Day(base, rapid.IntRange(0, 60).Draw(rt, "day"))
		last, sum := day, 0.0
		for _, w := range c.Windows(day) {
			if w.From.Before(last) || !w.To.After(w.From) || w.To.After(p.Day(day, 1)) {
				rt.Fatalf("window %v to %v on %v", w.From, w.To, day)
			}
			if !c.Works(w.From) || !c.Works(w.To.Add(-time.Second)) {
				rt.Fatalf("it does not work in its window %v to %v", w.From, w.To)
			}
			last = w.To
			sum += w.To.Sub(w.From).Hours()
		}
		for _, s := range stops {
			if c.Works(s.From) || c.Works(s.To.Add(-time.Second)) {
				rt.Fatalf("it works in its stop %v to %v", s.From, s.To)
			}
		}
		if math.Abs(c.Hours(day)-sum) > 1e-9 || math.Abs(c.HoursLeft(day)-sum) > 1e-9 {
			rt.Fatalf("%v h, windows add up to %v", c.Hours(day), sum)
		}
	})
}

// A night shift belongs to the evening on which it began, a planned stop cuts no shift,
// and a holiday has none.
func TestShiftAt(t *testing.T) {
	p := threeShifts(t)
	c := presscalendar.Of(p, "heron")
	for _, tt := range []struct{ at, want string }{
		{"2026-06-03T13:00", "03T06:00-03T14:00"},
		{"2026-06-03T14:00", "03T14:00-03T22:00"},
		{"2026-06-06T05:59", "05T22:00-06T06:00"},
		{"2026-06-06T06:00", ""},
		{"2026-05-01T13:00", ""},
		{"2026-05-01T05:00", "30T22:00-01T06:00"},
		{"2026-09-02T15:00", ""},
	} {
		at, err := time.ParseInLocation("2006-01-02T15:04", tt.at, p.TimeZone)
		if err != nil {
			t.Fatal(err)
		}
		var got string
		if w, ok := c.ShiftAt(at); ok {
			got = shown([]presscalendar.Window{w})
		}
		if got != tt.want {
			t.Errorf("%s: %q, want %q", tt.at, got, tt.want)
		}
	}
	bare := &plant.Plant{TimeZone: p.TimeZone, WorkDays: [7]bool{time.Monday: true}}
	if w, ok := presscalendar.Of(bare, "heron").ShiftAt(time.Date(2026, 6, 1, 12, 0, 0, 0, p.TimeZone)); !ok || w.To.Sub(w.From) != 24*time.Hour {
		t.Errorf("work day %+v, %v", w, ok)
	}
	if _, ok := presscalendar.Of(bare, "heron").ShiftAt(time.Date(2026, 6, 2, 12, 0, 0, 0, p.TimeZone)); ok {
		t.Error("a day without work has a shift")
	}
}

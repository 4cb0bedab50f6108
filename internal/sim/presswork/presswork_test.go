package presswork_test

import (
	"math/bits"
	"testing"
	"time"

	"curetally/internal/sim/presswork"
)

// Common practice, no source: of 5 760 scheduled hours a year 50 % run, 28 %
// make-ready of which a quarter with moving web, 14 % short stops, 8 % off; six
// of eight stations in use; web speed 80 m/min on average.
func TestSharesOfAYear(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatalf("time zone data: %v: install tzdata", err)
	}
	from := time.Date(2026, 1, 5, 0, 0, 0, 0, zone)
	to := from.AddDate(0, 0, 364)
	for seed := range uint64(3) {
		phases := presswork.Lay(seed, zone, from, to)
		hours := map[presswork.Kind]float64{}
		decks, use, way := 0.0, 0.0, 0.0
		for i, p := range phases {
			end := to.UnixMilli()
			if i+1 < len(phases) {
				end = phases[i+1].From
			}
			h := float64(end-p.From) / 3.6e6
			if h < 0 {
				t.Fatalf("phase %d ends %v h before it begins", i, -h)
			}
			hours[p.Kind] += h
			if p.Kind >= presswork.Stand {
				use += h
				decks += h * float64(bits.OnesCount8(p.Decks))
			}
			if p.Kind == presswork.Run {
				way += h * float64(p.Speed) / 1000
			}
		}
		scheduled := 364*24 - hours[presswork.Closed]
		ready := hours[presswork.Stand] + hours[presswork.Move]
		for name, c := range map[string]struct{ got, want, tolerance float64 }{
			"scheduled hours":      {scheduled, 5760, 1e-6},
			"run share":            {hours[presswork.Run] / scheduled, 0.50, 0.01},
			"make-ready share":     {ready / scheduled, 0.28, 0.01},
			"moving in make-ready": {hours[presswork.Move] / ready, 0.25, 1e-3},
			"stop share":           {hours[presswork.Stop] / scheduled, 0.14, 0.01},
			"off share":            {hours[presswork.Off] / scheduled, 0.08, 0.05},
			"stations in use":      {decks / use, 6, 0.01},
			"mean speed":           {way / hours[presswork.Run], 80, 0.03},
		} {
			if d := c.got/c.want - 1; d > c.tolerance || d < -c.tolerance {
				t.Errorf("seed %d: %s = %v, want %v", seed, name, c.got, c.want)
			}
		}
	}
}

func TestClosedWeeks(t *testing.T) {
	for day, want := range map[string]bool{
		"2026-12-21": true, "2026-12-28": true, "2026-12-14": false, "2027-01-04": false,
		"2026-08-03": true, "2026-08-10": true, "2026-08-17": false, "2026-07-27": false,
	} {
		monday, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		if got := presswork.ClosedWeek(presswork.MondayOf(monday.Add(7*time.Hour), time.UTC)); got != want {
			t.Errorf("week of %s closed = %v, want %v", day, got, want)
		}
	}
}

// The working week has 120 h of its own in weeks with a clock change too: both
// changes lie on the Sunday between two weeks.
func TestClockChange(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatalf("time zone data: %v: install tzdata", err)
	}
	from := time.Date(2026, 3, 23, 0, 0, 0, 0, zone)
	for _, p := range presswork.Lay(1, zone, from, from.AddDate(0, 0, 14)) {
		if at := time.UnixMilli(p.From).In(zone); p.Kind == presswork.Closed && !at.Equal(from) &&
			(at.Weekday() != time.Saturday || at.Hour() != 6 || at.Minute() != 0) {
			t.Errorf("the week ends %v, want Saturday 06:00 local", at)
		}
	}
}

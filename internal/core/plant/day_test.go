package plant_test

import (
	"testing"
	"time"

	"curetally/internal/core/plant"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Source: IANA time zone database: changes of 2026 in Berlin, Lord Howe (half an
// hour) and Santiago (midnight does not exist on 6 September), and Kathmandu's
// offset of 5:45.
func TestDay(t *testing.T) {
	for _, tt := range []struct {
		zone, at string
		n        int
		want     string
		hours    float64 // length of that day
	}{
		{"Europe/Berlin", "2026-03-28T22:59:59Z", 1, "2026-03-29T00:00:00+01:00", 23},
		{"Europe/Berlin", "2026-03-28T23:00:00Z", 0, "2026-03-29T00:00:00+01:00", 23},
		{"Europe/Berlin", "2026-03-29T21:59:59Z", 1, "2026-03-30T00:00:00+02:00", 24},
		{"Europe/Berlin", "2026-10-24T12:00:00Z", 1, "2026-10-25T00:00:00+02:00", 25},
		{"Australia/Lord_Howe", "2026-04-04T00:00:00Z", 1, "2026-04-05T00:00:00+11:00", 24.5},
		{"America/Santiago", "2026-09-05T12:00:00Z", 1, "2026-09-06T01:00:00-03:00", 23},
		{"Asia/Kathmandu", "2026-01-01T18:14:59Z", 0, "2026-01-01T00:00:00+05:45", 24},
		{"Asia/Kathmandu", "2026-01-01T18:15:00Z", -1, "2026-01-01T00:00:00+05:45", 24},
		{"UTC", "2026-01-31T10:00:00Z", 29, "2026-03-01T00:00:00Z", 24},
	} {
		p := plant.Plant{TimeZone: zone(t, tt.zone)}
		at, err := time.Parse(time.RFC3339, tt.at)
		if err != nil {
			t.Fatal(err)
		}
		got := p.Day(at, tt.n)
		if s := got.Format(time.RFC3339); s != tt.want {
			t.Errorf("%s, %s, %d: got %s, want %s", tt.zone, tt.at, tt.n, s, tt.want)
		}
		if h := p.Day(got, 1).Sub(got).Hours(); h != tt.hours {
			t.Errorf("%s: %s lasts %v h, want %v", tt.zone, tt.want, h, tt.hours)
		}
	}
}

// Walking day by day never skips or repeats a date, in any zone.
func TestDayWalksTheCalendar(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/Santiago", "Australia/Lord_Howe", "Asia/Beirut", "America/New_York"} {
		p := plant.Plant{TimeZone: zone(t, name)}
		day := p.Day(time.Date(2025, 1, 1, 12, 0, 0, 0, time.UTC), 0)
		y, m, d := day.Date()
		for n := range 800 {
			want := time.Date(y, m, d+n, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
			if got := day.Format(time.DateOnly); got != want {
				t.Fatalf("%s: day %d is %s, want %s", name, n, got, want)
			}
			day = p.Day(day, 1)
		}
	}
}

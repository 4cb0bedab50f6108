package web

import (
	"math"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

func TestInstantsAreShownInTheSitesZone(t *testing.T) {
	z := berlin(t)
	c := clock{now: time.Date(2026, 3, 29, 12, 0, 0, 0, time.UTC), zone: z} // the day clocks go forward
	for _, k := range []struct {
		at   time.Time
		text string
	}{
		{time.Date(2026, 3, 29, 0, 59, 0, 0, time.UTC), "today, 01:59"},
		{time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), "today, 03:00"},
		{time.Date(2026, 3, 28, 22, 59, 0, 0, time.UTC), "Sat 28 Mar 2026, 23:59"},
		{time.Date(2025, 3, 29, 12, 0, 0, 0, time.UTC), "Sat 29 Mar 2025, 13:00"},
		{time.Time{}, "not known"},
	} {
		if got := c.at(k.at).Text; got != k.text {
			t.Errorf("%v: %q, want %q", k.at, got, k.text)
		}
	}
	if got := c.zoneName(); got != "Europe/Berlin, CEST" {
		t.Errorf("zone %q", got)
	}
	kathmandu, err := time.LoadLocation("Asia/Kathmandu")
	if err != nil {
		t.Fatal(err)
	}
	if got := (clock{c.now, kathmandu}).zoneName(); got != "Asia/Kathmandu" {
		t.Errorf("zone without an abbreviation: %q", got)
	}
}

func TestHowLong(t *testing.T) {
	c := clock{now: time.Date(2026, 3, 29, 12, 0, 0, 0, time.UTC), zone: time.UTC}
	for d, want := range map[time.Duration]string{
		0: "under a minute", 59 * time.Second: "under a minute", time.Minute: "1 min", 59 * time.Minute: "59 min",
		time.Hour: "1 h 00 min", 47*time.Hour + 59*time.Minute: "47 h 59 min", 48 * time.Hour: "2 days", -time.Second: "",
	} {
		if got := c.since(c.now.Add(-d)); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
	if got := c.since(time.Time{}); got != "" {
		t.Errorf("no instant: %q", got)
	}
}

func TestLifeBarStaysInItsFrame(t *testing.T) {
	c := clock{zone: time.UTC}
	for used, want := range map[float64]string{-0.1: "0.0", 0: "0.0", 0.5: "50.0", 1: "100.0", 1.2: "120.0", 7: "125.0"} {
		row := c.station(StationView{Lamp: &LampView{RatedHours: 1500, UsedFraction: used}})
		if row.Lamp.Bar != want {
			t.Errorf("used %v: bar %q, want %q", used, row.Lamp.Bar, want)
		}
	}
	for _, l := range []LampView{{EquivalentHours: 12}, {RatedHours: 100, UsedFraction: math.NaN()}} {
		if row := c.station(StationView{Lamp: &l}); row.Lamp.Bar != "" || row.Lamp.Used != "" {
			t.Errorf("%+v: bar %q and %q, want none", l, row.Lamp.Bar, row.Lamp.Used)
		}
	}
}

func TestAStationWithoutStateIsUnknown(t *testing.T) {
	if row := (clock{zone: time.UTC}).station(StationView{State: plant.StateNone}); row.State != "unknown" {
		t.Errorf("state %q", row.State)
	}
}

func TestASavingWithoutUncertaintyClaimsNone(t *testing.T) {
	s := (clock{zone: time.UTC}).statement(SavingsView{Saved: -40.4, Fraction: math.NaN(), HalfWidth: math.NaN(), ExcludedDays: 1, OutsideRange: 3})
	if s.HalfWidth != "" || s.Percent != "" || s.Confidence != "" {
		t.Errorf("half-width %q, fraction %q, confidence %q: want none", s.HalfWidth, s.Percent, s.Confidence)
	}
	if s.Saved != "−40" {
		t.Errorf("saved %q", s.Saved)
	}
	if len(s.Notes) != 2 || s.Notes[0] != "1 day was left out because facts are missing or doubtful." {
		t.Errorf("notes %q", s.Notes)
	}
}

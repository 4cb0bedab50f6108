package spares_test

import (
	"math"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
)

func TestPosition_PlannedChanges(t *testing.T) {
	now := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	f := spares.Fitted{
		P10: now.AddDate(0, 0, 14), P50: now.AddDate(0, 0, 21), P90: now.AddDate(0, 0, 28),
		ChangeAge: 1000, PerDay: 1000.0 / 70, Age: 700, // ten weeks a lamp
	}
	p, ok := f.Position(now, 24)
	if !ok {
		t.Fatal("no chances")
	}
	counts := need(t, []spares.Position{p}, 24)
	for week, want := range map[int]float64{1: 0.1, 2: 0.5, 3: 0.9, 4: 1} {
		near(t, "changes", counts[week].Mean(), want, 1e-9)
	}
	// The second change lies ten weeks after the first, on day 91, the third on day
	// 161; weeks are whole, so they come up to half a week early.
	near(t, "second change", counts[12].Mean(), 1.5+0.08, 0.08)
	near(t, "third change", counts[22].Mean(), 2.5+0.13, 0.13)

	f.P90 = time.Time{}
	open, _ := f.Position(now, 24)
	near(t, "P90 as far after", open.First[3], p.First[3], 1e-12)
}

// A failure comes before the planned change with the chance that the life says.
func TestPosition_FailuresComeSooner(t *testing.T) {
	now := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	steady := func(_, further float64) float64 { return 1 - math.Exp(-further/1000) }
	f := spares.Fitted{PerDay: 10, Age: 300, Fails: steady}
	p, ok := f.Position(now, 30)
	if !ok {
		t.Fatal("no chances")
	}
	// Failures without ageing are a Poisson process: 70 h a week, one in 1000 h.
	for week, c := range need(t, []spares.Position{p}, 30) {
		near(t, "failures", c.Mean(), 0.07*float64(week+1), 0.05*0.07*float64(week+1))
	}
	f.P10, f.P50, f.P90 = now.AddDate(0, 0, 7), now.AddDate(0, 0, 7), now.AddDate(0, 0, 7)
	p, _ = f.Position(now, 30)
	near(t, "changed in the first week", p.First[0], 1, 1e-12)
}

func TestPosition_NothingKnown(t *testing.T) {
	for _, f := range []spares.Fitted{{}, {PerDay: 8, ChangeAge: 1000}, {Fails: func(float64, float64) float64 { return 1 }}} {
		if p, ok := f.Position(time.Now(), 4); ok {
			t.Errorf("%+v", p)
		}
	}
}

func TestLeadDays(t *testing.T) {
	for _, tt := range []struct {
		kind    plant.LampKind
		days    int
		assumed bool
	}{
		{plant.LampKind{Technology: plant.TechnologyArc, LeadDays: 14}, 14, false},
		{plant.LampKind{Technology: plant.TechnologyArc}, 21, true},
		{plant.LampKind{Technology: plant.TechnologyLED}, 84, true},
	} {
		if days, assumed := spares.LeadDays(tt.kind); days != tt.days || assumed != tt.assumed {
			t.Errorf("%+v: %d, %v", tt.kind, days, assumed)
		}
	}
}

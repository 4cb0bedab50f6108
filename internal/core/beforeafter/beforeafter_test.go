package beforeafter_test

import (
	"strings"
	"testing"
	"time"

	"curetally/internal/core/beforeafter"
	"curetally/internal/core/plant"
)

func find(t *testing.T, rows []beforeafter.Row, key string) beforeafter.Row {
	t.Helper()
	for _, r := range rows {
		if r.Key == key {
			return r
		}
	}
	t.Fatalf("no row %s", key)
	return beforeafter.Row{}
}

// What is measured comes before what was entered by hand, side by side of one row too,
// and what nobody knows says what to do.
func TestTable(t *testing.T) {
	hand := &beforeafter.ByHand{Value: 78, Date: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), Instrument: "sound level meter 2"}
	sig := beforeafter.Signal{Subject: "heron-1", Name: "housing_celsius"}
	rows := beforeafter.Table(
		[]beforeafter.Entry{{Quantity: "noise_dba", Before: hand}, {Quantity: "housing_celsius", Signal: &sig, Before: hand, After: hand}},
		map[string]beforeafter.Sides{"housing_celsius": {Before: beforeafter.Measured(sig, nil), After: beforeafter.Measured(sig, []float64{50, 41, 44, 45})}},
	)
	if len(rows) != len(beforeafter.Quantities()) {
		t.Fatalf("%d rows", len(rows))
	}
	noise := find(t, rows, "noise_dba")
	if c := noise.Before; !c.Known || c.Value != 78 || c.From != "by hand, 2026-03-02, sound level meter 2" {
		t.Errorf("noise before %+v", c)
	}
	if c := noise.After; c.Known || !strings.Contains(c.From, "not known: give a signal, or a value with date and instrument") {
		t.Errorf("noise after %+v", c)
	}
	housing := find(t, rows, "housing_celsius")
	if housing.Before.Value != 78 || housing.After.Value != 44.5 || !strings.HasPrefix(housing.After.From, "measured, heron-1/housing_celsius: of 4 days") {
		t.Errorf("housing %+v", housing)
	}
}

// From memory: ISO 13732-1, bare smooth metal: about 1 s at 65 °C, 10 s at 55, 1 min at 51,
// 10 min at 48, 8 h at 43.
func TestBurnNote(t *testing.T) {
	for celsius, want := range map[float64]string{
		80: "within about 1 s", 65: "within about 1 s", 64: "within 10 s", 52: "within 1 min", 48: "within 10 min", 43: "within 8 h", 40: "no burn threshold",
	} {
		rows := beforeafter.Table([]beforeafter.Entry{{Quantity: "housing_celsius", After: &beforeafter.ByHand{Value: celsius}}}, nil)
		notes := find(t, rows, "housing_celsius").Notes
		if len(notes) != 2 || !strings.Contains(notes[0], want) || !strings.HasPrefix(notes[1], "From memory") {
			t.Errorf("%v °C: %q, want %q", celsius, notes, want)
		}
	}
}

// 3 in 40 days are 27.4 in a year of 365.25 days.
func TestCounted(t *testing.T) {
	if c := beforeafter.Counted(3, 40, "3 lamps"); !c.Known || c.Value != 27.39375 || c.From != "records: 3 lamps in 40 days" {
		t.Errorf("%+v", c)
	}
	if c := beforeafter.Counted(3, 0, "3 lamps"); c.Known {
		t.Errorf("of no days: %+v", c)
	}
}

// Mercury follows from the lamps that were changed and what a lamp of their kind holds:
// 2 lamps of 60 mg in 40 days are 1,095.75 mg in a year of 365.25 days.
func TestMercury(t *testing.T) {
	stated := plant.LampKind{Technology: plant.TechnologyArc, MercuryMilligrams: 60}
	before := beforeafter.Mercury([]plant.LampKind{stated, stated}, 40)
	if !before.Known || before.Value != 1095.75 || before.From != "records: 2 lamps with 120 mg of mercury in 40 days" {
		t.Errorf("%+v", before)
	}
	sized := beforeafter.Mercury([]plant.LampKind{{Technology: plant.TechnologyArc, ArcCentimeters: 40}}, 10)
	if sized.From != "records: 1 lamp with 130 mg of mercury (80 to 180 by the length of the arc) in 10 days" || sized.Value != 130*36.525 {
		t.Errorf("%+v", sized)
	}
	if c := beforeafter.Mercury([]plant.LampKind{stated, {Technology: plant.TechnologyArc}}, 40); c.Known || c.From != "the mercury of 1 of 2 lamps is not stated: give mercury_mg or arc_cm of their kind" {
		t.Errorf("%+v", c)
	}
	rows := beforeafter.Table(nil, map[string]beforeafter.Sides{beforeafter.MercuryYear: {Before: before, After: beforeafter.Mercury([]plant.LampKind{{Technology: plant.TechnologyLED}}, 40)}})
	if r := find(t, rows, beforeafter.MercuryYear); len(r.Notes) != 1 || r.Notes[0] != "mercury avoided: 1.10 g a year" {
		t.Errorf("%+v", r)
	}
}

package calibration

import (
	"reflect"
	"testing"
)

// The dates hold on plants that they were never fitted to: a third of the full test
// of 50 plants, with other seeds.
func TestDatesHold(t *testing.T) {
	r := Run(Options{Seed: 1000, Plants: 16, Years: 3, Lead: 30})
	t.Logf("%+v", r)
	if r.Forecasts < 300 {
		t.Fatalf("only %d dates were asked for", r.Forecasts)
	}
	if r.Coverage < 0.75 || r.Coverage > 0.85 {
		t.Errorf("P10 to P90 held the true day in %.1f %% of cases, want 75 to 85", 100*r.Coverage)
	}
	if r.Early > 0.15 || r.Late > 0.15 {
		t.Errorf("%.1f %% came before P10, %.1f %% after P90: it leans", 100*r.Early, 100*r.Late)
	}
	f := r.Rules[0]
	if f.MedianErrorWorkDays > 2 {
		t.Errorf("the date is off by %v workdays, want at most 2", f.MedianErrorWorkDays)
	}
	for _, other := range r.Rules[1:] {
		if other.MedianErrorWorkDays <= f.MedianErrorWorkDays || other.HoursThrownAway+other.HoursOverdue <= f.HoursThrownAway+f.HoursOverdue {
			t.Errorf("%s does as well as the forecast: %+v, %+v", other.Name, other, f)
		}
	}
}

func TestRunIsRepeatable(t *testing.T) {
	o := Options{Seed: 3, Plants: 1, Years: 2, Lead: 30}
	if a, b := Run(o), Run(o); !reflect.DeepEqual(a, b) {
		t.Errorf("%+v, then %+v", a, b)
	}
}

// A lamp counts to one way and one end only, and the plant's use stays within its
// hours of work.
func TestWorldIsPlausible(t *testing.T) {
	for seed := range uint64(8) {
		w := lay(seed, 3)
		lit, worked := 0.0, 0.0
		for i, h := range w.hours {
			if h < 0 || h > 24 || h > w.cal.Hours(w.days[i]) && w.cal.Hours(w.days[i]) > 0 {
				t.Fatalf("seed %d: %v lit hours on %v", seed, h, w.days[i])
			}
			lit += h
			worked += w.cal.Hours(w.days[i])
		}
		if share := lit / worked; share < 0.3 || share > 1 {
			t.Errorf("seed %d: lit in %.2f of the hours of work", seed, share)
		}
	}
}

package lamplife_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/stats"
)

func allowed() lamplife.Allowed {
	return lamplife.Allowed{Dirt: 0.06, Threshold: 0.8, Confidence: 0.9}
}

// fourStretches is the sawtooth with its cleanings in a log, not in the readings.
func fourStretches() []lamplife.Reading {
	all := sawtooth()
	for i := range all {
		all[i].Cleaned = false
	}
	all[0].Since = 10
	return all
}

// Source: least squares of the same readings in SciPy, cleaned at 0, 500, 1000 and
// 1500 h.
func TestWatch_CleaningsFromTheLog(t *testing.T) {
	w, err := lamplife.Watch(fourStretches(), []float64{1500, 500, 1000}, 1990, allowed())
	if err != nil {
		t.Fatal(err)
	}
	nearRel(t, "initial", w.Decline.Initial, 15.205413094955, 1e-10)
	nearRel(t, "ageing", w.Decline.Decay, 2.982522640894e-05, 1e-9)
	nearRel(t, "dirt", w.Decline.Dirt, 1.612921136770e-04, 1e-9)
	nearRel(t, "recoverable", w.Recoverable, -math.Expm1(-1.612921136770e-04*490), 1e-9)
	nearRel(t, "cleaning at", w.CleaningAt, 1500+383.623243, 1e-7)
	nearRel(t, "end", w.End.Calculated, 7481.705193, 1e-9)
	if !w.CleaningDue || w.CleaningCapped || w.CleanedAt != 1500 || w.Decline.Cleanings != 3 {
		t.Errorf("cleaned at %v h, due %v, capped %v, %d cleanings", w.CleanedAt, w.CleaningDue, w.CleaningCapped, w.Decline.Cleanings)
	}
	// A cleaning after the last reading: the lens is clean again, and nothing else changes.
	again, err := lamplife.Watch(fourStretches(), []float64{1500, 500, 1000, 1995}, 2000, allowed())
	if err != nil {
		t.Fatal(err)
	}
	nearRel(t, "ageing", again.Decline.Decay, w.Decline.Decay, 1e-15)
	nearRel(t, "recoverable after 5 h", again.Recoverable, -math.Expm1(-w.Decline.Dirt*5), 1e-12)
	if again.CleaningDue {
		t.Error("a lens that was cleaned 5 h ago is due")
	}
}

func TestWatch_OneCleaningTellsNothingApart(t *testing.T) {
	w, err := lamplife.Watch(fourStretches()[:12], []float64{500}, 1000, allowed())
	if err != nil {
		t.Fatal(err)
	}
	unknown(t, map[string]float64{"recoverable": w.Recoverable, "cleaning at": w.CleaningAt})
	if w.Decline.Separated || w.CleaningDue || w.Decline.Cleanings != 1 {
		t.Errorf("separated %v, due %v, %d cleanings", w.Decline.Separated, w.CleaningDue, w.Decline.Cleanings)
	}
}

func TestWatch_Refuses(t *testing.T) {
	for name, c := range map[string]struct {
		age    float64
		change func(*lamplife.Allowed)
	}{
		"age before the last reading": {900, func(*lamplife.Allowed) {}},
		"age not a number":            {math.NaN(), func(*lamplife.Allowed) {}},
		"dirt of everything":          {2000, func(a *lamplife.Allowed) { a.Dirt = 1 }},
		"threshold of 0":              {2000, func(a *lamplife.Allowed) { a.Threshold = 0 }},
		"confidence of 1":             {2000, func(a *lamplife.Allowed) { a.Confidence = 1 }},
	} {
		a := allowed()
		c.change(&a)
		if _, err := lamplife.Watch(fourStretches(), nil, c.age, a); !errors.Is(err, stats.ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := lamplife.Watch(fourStretches()[:2], nil, 2000, allowed()); !errors.Is(err, lamplife.ErrFewReadings) {
		t.Errorf("two readings: %v", err)
	}
	early := fourStretches()
	early[0].Since = 11
	if _, err := lamplife.Watch(early, nil, 2000, allowed()); !errors.Is(err, stats.ErrInput) {
		t.Errorf("cleaned before the lamp was lit: %v", err)
	}
}

// Whatever was seen, nothing is told beyond the limit of the projection.
func TestWatch_NeverBeyondItsLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ageing := rapid.Float64Range(-1e-4, 1e-3).Draw(t, "ageing")
		dirt := rapid.Float64Range(0, 1e-3).Draw(t, "dirt")
		var readings []lamplife.Reading
		var cleanings []float64
		cleaned := 0.0
		hours := 0.0
		for range rapid.IntRange(3, 40).Draw(t, "readings") {
			hours += rapid.Float64Range(1, 200).Draw(t, "step")
			if rapid.IntRange(0, 4).Draw(t, "clean") == 0 {
				cleaned = hours - 0.5
				cleanings = append(cleanings, cleaned)
			}
			noise := rapid.Float64Range(0.98, 1.02).Draw(t, "noise")
			readings = append(readings, lamplife.Reading{Hours: hours, Output: 10 * noise * math.Exp(-ageing*hours-dirt*(hours-cleaned))})
		}
		w, err := lamplife.Watch(readings, cleanings, hours+rapid.Float64Range(0, 500).Draw(t, "more"), allowed())
		if errors.Is(err, lamplife.ErrFewReadings) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		limit := w.Decline.Limit()
		if w.End.Hours > limit || w.CleaningAt > limit || w.CleanedAt > w.Age {
			t.Fatalf("limit %v: end %v, cleaning %v, cleaned %v", limit, w.End.Hours, w.CleaningAt, w.CleanedAt)
		}
		if w.Decline.Separated != !math.IsNaN(w.Recoverable) || w.Recoverable < 0 || w.Recoverable > 1 {
			t.Fatalf("separated %v, recoverable %v", w.Decline.Separated, w.Recoverable)
		}
		if w.CleaningDue && w.CleaningAt > w.Age*(1+1e-9)+1e-9 {
			t.Fatalf("due at %v h and only reached at %v h", w.Age, w.CleaningAt)
		}
	})
}

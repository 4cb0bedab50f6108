package settle

import (
	"log/slog"
	"math/rand/v2"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

func stationSays(after time.Duration, state plant.State, boot string) plant.StationEvent {
	at := begin.Add(after)
	return plant.StationEvent{Station: "s", At: at, Arrived: at, State: state, Boot: boot, Sequence: at.UnixMilli(), LitMillis: -1, Starts: -1}
}

// While a station is silent its hours come from what was concluded from power, marked
// so; what it said itself takes their place when it arrives late, over all of the
// time for which it holds.
func TestRound_WhatTheStationSaidLateTakesThePlaceOfConclusions(t *testing.T) {
	p := little(false) // silence 20 min, intervals of 15
	m := newMemory()
	s := New(Options{Plant: p, Store: m, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
	settleAll := func(events ...plant.StationEvent) {
		t.Helper()
		m.take(plant.Facts{Events: events})
		for {
			found, err := s.Round(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if found == 0 {
				return
			}
		}
	}
	// minutes gives the time in a state, by quality.
	minutes := func(state plant.State, q plant.Quality) (sum int64) {
		t.Helper()
		entries, err := m.Entries(t.Context(), "s/time", begin, begin.Add(24*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if e.State == state && e.Quality == q {
				sum += e.Amount / time.Minute.Milliseconds()
			}
		}
		return sum
	}
	sound := func() {
		t.Helper()
		for _, reg := range p.Registers {
			f, err := Audit(t.Context(), m, p, reg)
			if err != nil || f.Differing != 0 {
				t.Errorf("audit of %s: %+v, %v", reg.ID, f, err)
			}
		}
	}
	settleAll(stationSays(0, plant.StateOff, "b"))
	var concluded []plant.StationEvent
	for n := range 60 {
		concluded = append(concluded, stationSays(time.Duration(25+n)*time.Minute, plant.StateCuring, plant.BootInferred))
	}
	settleAll(concluded...)
	if off, unknown, lit := minutes(plant.StateOff, plant.QualityMeasured), minutes(plant.StateUnknown, plant.QualityUnknown), minutes(plant.StateCuring, plant.QualityInferred); off != 20 || unknown != 5 || lit != 59 {
		t.Errorf("off %d min, unknown %d, curing by power %d", off, unknown, lit)
	}
	sound()
	settleAll(stationSays(26*time.Minute, plant.StateStandby, "b"))
	if standby := minutes(plant.StateStandby, plant.QualityMeasured); standby != 20 {
		t.Errorf("standby by its own word for %d min, want 20", standby)
	}
	sound()
}

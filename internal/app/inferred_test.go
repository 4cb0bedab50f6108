package app

import (
	"testing"
	"time"

	"curetally/internal/core/plant"
)

// A last will says that a station is gone, so it does not count as its word; what is
// concluded travels with the sample that it rests on.
func TestInferred_ConclusionsTravelWithTheirSamples(t *testing.T) {
	start := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	i := newInferred(&plant.Plant{
		TimeZone: time.UTC,
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{
			{ID: "heron-1", Press: "heron", Silence: 2 * time.Minute, Technology: []plant.TechnologyFrom{{Technology: plant.TechnologyArc}}},
		}}},
		Buses: []plant.Bus{{Meters: []plant.Meter{{ID: "m", Station: "heron-1", MaxPower: 9000}}}},
	}, start)
	facts := func(after time.Duration) plant.Facts {
		return plant.Facts{Signals: []plant.Signal{{Subject: "m", Name: plant.SignalPower, At: start.Add(after), Value: 8000}}}
	}
	spoken := facts(time.Minute)
	i.conclude(&spoken)
	i.heard([]plant.StationEvent{{Station: "heron-1", At: start.Add(4 * time.Minute), LastWill: true, State: plant.StateUnknown}})
	silent := facts(5 * time.Minute)
	i.conclude(&silent)
	if len(spoken.Events) != 0 || len(silent.Events) != 1 || silent.Events[0].State != plant.StateCuring || !silent.Events[0].Inferred() {
		t.Errorf("while it speaks %v, while it is silent %v", spoken.Events, silent.Events)
	}
	i.heard([]plant.StationEvent{{Station: "heron-1", At: start.Add(6 * time.Minute), State: plant.StateStandby}})
	again := facts(7 * time.Minute)
	if i.conclude(&again); len(again.Events) != 0 {
		t.Errorf("after its word: %v", again.Events)
	}
}

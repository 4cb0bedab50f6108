package thinning_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/core/thinning"
)

const quarter = 15 * time.Minute

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// minute makes a batch as a minute of polling does: a reading and a power sample of
// one meter.
func minute(n int, value int64) plant.Facts {
	at := start.Add(time.Duration(n) * time.Minute)
	return plant.Facts{
		Readings: []plant.Reading{{Register: "heron-1-meter/import", At: at, Value: value}},
		Signals:  []plant.Signal{{Subject: "heron-1-meter", Name: "power_watts", At: at, Value: 4000}},
	}
}

func TestThin_GivesUpSamplesFirstReadingsNext(t *testing.T) {
	var batches []plant.Facts
	for n := range 60 {
		batches = append(batches, minute(n, int64(n)))
	}
	batches[7].Events = []plant.StationEvent{{Station: "heron-1", At: start, State: plant.StateCuring}}
	for _, c := range []struct {
		grade             thinning.Grade
		readings, signals int
	}{{thinning.Whole, 60, 60}, {thinning.Samples, 60, 4}, {thinning.Intervals, 5, 4}, {thinning.Days, 2, 0}} {
		out, changed, dropped := thinning.Thin(batches, c.grade, quarter)
		var all plant.Facts
		for i, b := range out {
			all.Add(b)
			if changed[i] != (b.Len() != batches[i].Len()) {
				t.Errorf("grade %d: batch %d: changed is %v", c.grade, i, changed[i])
			}
		}
		if len(out) != len(batches) || len(all.Readings) != c.readings || len(all.Signals) != c.signals || len(all.Events) != 1 {
			t.Errorf("grade %d keeps %d batches, %d readings, %d signals, %d events; want %d, %d, %d, 1",
				c.grade, len(out), len(all.Readings), len(all.Signals), len(all.Events), len(batches), c.readings, c.signals)
		}
		if dropped.Readings != 60-c.readings || dropped.Signals != 60-c.signals {
			t.Errorf("grade %d says that it dropped %+v", c.grade, dropped)
		}
	}
}

func TestThin_KeepsTheFirstOfAllAndTheLastOfEachInterval(t *testing.T) {
	out, _, _ := thinning.Thin([]plant.Facts{minute(0, 0), minute(14, 14), minute(15, 15), minute(20, 20)}, thinning.Intervals, quarter)
	var kept []int64
	for _, b := range out {
		for _, r := range b.Readings {
			kept = append(kept, r.Value)
		}
	}
	if want := []int64{0, 14, 20}; !cmp.Equal(kept, want) {
		t.Errorf("kept %v, want %v", kept, want)
	}
}

// What the registers prove stays: their oldest and newest reading, and the values
// before and after each fall, at every grade, whatever the batches look like.
func TestThin_LosesNoEnergyAndNoEvent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		registers := rapid.IntRange(1, 3).Draw(t, "registers")
		value := make([]int64, registers)
		at := start
		var batches []plant.Facts
		for range rapid.IntRange(0, 40).Draw(t, "batches") {
			var b plant.Facts
			for range rapid.IntRange(0, 4).Draw(t, "readings") {
				i := rapid.IntRange(0, registers-1).Draw(t, "register")
				at = at.Add(time.Duration(rapid.IntRange(1, 2000).Draw(t, "seconds")) * time.Second)
				if value[i] += rapid.Int64Range(0, 50).Draw(t, "step"); rapid.IntRange(0, 9).Draw(t, "reset") == 0 {
					value[i] = rapid.Int64Range(0, 5).Draw(t, "after reset")
				}
				b.Readings = append(b.Readings, plant.Reading{Register: plant.RegisterID(fmt.Sprint(i)), At: at, Value: value[i]})
			}
			for range rapid.IntRange(0, 2).Draw(t, "events") {
				b.Events = append(b.Events, plant.StationEvent{Station: "heron-1", At: at, Sequence: rapid.Int64().Draw(t, "sequence")})
			}
			batches = append(batches, b)
		}
		grade := thinning.Grade(rapid.IntRange(0, 3).Draw(t, "grade"))
		out, _, _ := thinning.Thin(batches, grade, quarter)
		if diff := cmp.Diff(proof(batches), proof(out)); diff != "" {
			t.Fatalf("grade %d (-before +after):\n%s", grade, diff)
		}
	})
}

// proved is what readings and events say for certain.
type proved struct {
	Oldest map[plant.RegisterID]int64
	Newest map[plant.RegisterID]int64
	Falls  map[plant.RegisterID][]int64 // before, after, before, after …
	Events []plant.StationEvent
}

// proof gathers it. Between two falls a curve only rises, so what it counted is the
// difference of the ends.
func proof(batches []plant.Facts) proved {
	p := proved{map[plant.RegisterID]int64{}, map[plant.RegisterID]int64{}, map[plant.RegisterID][]int64{}, nil}
	for _, b := range batches {
		p.Events = append(p.Events, b.Events...)
		for _, r := range b.Readings {
			switch last, ok := p.Newest[r.Register]; {
			case !ok:
				p.Oldest[r.Register] = r.Value
			case r.Value < last:
				p.Falls[r.Register] = append(p.Falls[r.Register], last, r.Value)
			}
			p.Newest[r.Register] = r.Value
		}
	}
	return p
}

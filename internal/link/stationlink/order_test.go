package stationlink

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

func TestOrder_AClockSetBackCountsByArrival(t *testing.T) {
	o := order{last: map[plant.StationID]plant.StationEvent{}}
	take := func(boot string, seq int64, at, arrived time.Duration, age Age) (plant.StationEvent, plant.Signal) {
		f := plant.Facts{
			Events:  []plant.StationEvent{{Station: "heron-1", Boot: boot, Sequence: seq, At: cut.Add(at), Arrived: cut.Add(arrived)}},
			Signals: []plant.Signal{{Subject: "heron-1", Name: "lamp_power_percent", At: cut.Add(at)}, {Subject: "heron", At: cut.Add(at)}},
		}
		o.straighten(f, age)
		if !f.Signals[1].At.Equal(cut.Add(at)) {
			t.Errorf("the signal of another subject moved to %v", f.Signals[1].At)
		}
		return f.Events[0], f.Signals[0]
	}
	for _, c := range []struct {
		name        string
		boot        string
		seq         int64
		at, arrived time.Duration
		age         Age
		want        time.Duration
		distrusted  bool
	}{
		{"the first", "b", 1, 0, time.Second, Fresh, 0, false},
		{"in order", "b", 2, 10 * time.Second, 11 * time.Second, Fresh, 10 * time.Second, false},
		{"set back by five minutes", "b", 3, -290 * time.Second, 21 * time.Second, Fresh, 21 * time.Second, true},
		{"the one before, again", "b", 2, 10 * time.Second, 22 * time.Second, Repeated, 10 * time.Second, false},
		{"kept by the broker, newer by sequence", "b", 4, -280 * time.Second, 3600 * time.Second, Retained, 21 * time.Second, true},
		{"right again", "b", 5, 40 * time.Second, 41 * time.Second, Fresh, 40 * time.Second, false},
		{"another boot may be earlier: a stored message of before", "a", 90, -60 * time.Second, 42 * time.Second, Fresh, -60 * time.Second, false},
		{"no boot", "", 7, -600 * time.Second, 43 * time.Second, Fresh, -600 * time.Second, false},
	} {
		e, s := take(c.boot, c.seq, c.at, c.arrived, c.age)
		if !e.At.Equal(cut.Add(c.want)) || e.ClockDistrusted != c.distrusted || !s.At.Equal(e.At) {
			t.Errorf("%s: instant %v, distrusted %v, its signal at %v; want %v, %v", c.name, e.At.Sub(cut), e.ClockDistrusted, s.At.Sub(cut), c.want, c.distrusted)
		}
	}
}

// TestOrder_InstantsFollowTheSequence: however a device's clock is set, instants
// rise with the sequence, and none is later than its arrival.
func TestOrder_InstantsFollowTheSequence(t *testing.T) {
	m := mapper(t, aPlant())
	rapid.Check(t, func(t *rapid.T) {
		o := order{last: map[plant.StationID]plant.StationEvent{}}
		now, device := cut, time.Duration(0)
		last := time.Time{}
		for seq := range rapid.IntRange(2, 30).Draw(t, "events") {
			now = now.Add(time.Duration(rapid.IntRange(1, 600_000).Draw(t, "after")) * time.Millisecond)
			if rapid.Bool().Draw(t, "set") {
				device = time.Duration(rapid.IntRange(-900_000, 900_000).Draw(t, "device")) * time.Millisecond
			}
			f := m.Facts(statusAt, fmt.Appendf(nil, `{"ts":%q,"state":"curing","boot":"b7","seq":%d}`, now.Add(device).Format(time.RFC3339Nano), seq), now, Fresh)
			if len(f.Events) != 1 {
				t.Fatalf("facts %+v, want one event", f)
			}
			o.straighten(f, Fresh)
			e := f.Events[0]
			if e.At.Before(last) || e.At.After(e.Arrived) {
				t.Fatalf("event %d of %v, arrived %v, the one before of %v", seq, e.At, e.Arrived, last)
			}
			if e.ClockDistrusted && !e.At.Equal(e.Arrived) {
				t.Fatalf("event %d is not trusted and yet not of its arrival: %+v", seq, e)
			}
			last = e.At
		}
	})
}

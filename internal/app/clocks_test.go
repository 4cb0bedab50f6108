package app

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/store"
)

func TestWrongClocks(t *testing.T) {
	const limit = 2 * time.Minute
	for _, c := range []struct {
		name     string
		ahead    time.Duration
		stations []plant.StationClock
		want     []string // subject and a part of the text, of each finding
	}{
		{"all right", 0, []plant.StationClock{{Station: "heron-1", Behind: time.Second}, {Station: "heron-2", Behind: limit}}, nil},
		{"a correction by the network", time.Second, nil, nil},
		{"the machine's", 58 * time.Minute, nil, []string{"this machine: 58m0s ahead"}},
		{
			"of stations", 0,
			[]plant.StationClock{{Station: "heron-1", Distrusted: true}, {Station: "heron-2", Behind: 5*time.Hour + 300*time.Millisecond}},
			[]string{"heron-1: more than 2m0s ahead", "heron-2: at least 5h0m0s old"},
		},
	} {
		got := wrongClocks(limit, c.ahead, c.stations)
		if len(got) != len(c.want) {
			t.Errorf("%s: %d findings, want %d: %+v", c.name, len(got), len(c.want), got)
			continue
		}
		for i, f := range got {
			subject, text, _ := strings.Cut(c.want[i], ": ")
			if f.Kind != "wrong clock" || f.Subject != subject || !strings.Contains(f.Text, text) || f.Remedy == "" {
				t.Errorf("%s: finding %+v, want %q", c.name, f, c.want[i])
			}
		}
	}
}

// A daemon that starts while the machine's clock is behind the record goes on from
// the record; values of a press have clocks of their own and do not count.
func TestNewClock_GoesOnFromTheRecord(t *testing.T) {
	p := &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: time.UTC, Interval: 15 * time.Minute,
		Presses: []plant.Press{{ID: "heron"}},
		Buses:   []plant.Bus{{ID: "hall", Meters: []plant.Meter{{ID: "m", Bus: "hall"}}}},
		Registers: []plant.Register{
			{ID: "m/import", Quantity: plant.QuantityEnergy}, {ID: "heron/area", Quantity: plant.QuantityArea},
		},
	}
	db, err := store.Open(t.Context(), pgtest.New(t), store.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := db.Sync(t.Context(), p); err != nil {
		t.Fatal(err)
	}
	at := time.Now().Add(20 * time.Minute).UTC().Truncate(time.Microsecond)
	facts := plant.Facts{Readings: []plant.Reading{{Register: "m/import", At: at, Value: 1}, {Register: "heron/area", At: at.Add(time.Hour), Value: 1}}}
	if err := db.Apply(t.Context(), "0b6e0a52-4ac8-4a53-9d0c-2f6b34e4a8a1", []plant.Batch{{Sequence: 1, Facts: facts}}); err != nil {
		t.Fatal(err)
	}
	c, err := newClock(t.Context(), p, db, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if now := c.Now(); now.Before(at) || now.After(at.Add(10*time.Minute)) {
		t.Errorf("the clock shows %v, want to go on from %v", now, at)
	}
}

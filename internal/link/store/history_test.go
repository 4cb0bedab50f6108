package store

import (
	"errors"
	"iter"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"curetally/internal/core/plant"
)

// listed collects a sequence and fails the test with its error.
func listed[T any](t *testing.T, seq iter.Seq2[T, error]) []T {
	t.Helper()
	var all []T
	for v, err := range seq {
		must(t, err)
		all = append(all, v)
	}
	return all
}

func TestMatching_GivesWhatIsUnderTheSameKeys(t *testing.T) {
	db := open(t)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, facts())}))
	ask := facts()
	ask.Readings = append(ask.Readings, reading(meter, 3, 1), plant.Reading{Register: "kite/import", At: at(1)}, reading(chill, 2, 7))
	ask.Readings[0].Value = 101 // another value under a key on record
	ask.Events[1].State = plant.StateFault
	ask.Events = append(ask.Events, event(9, 9, plant.StateOff), plant.StationEvent{Station: "kite-1"}, plant.StationEvent{Station: "heron-1", Boot: "\x00"})
	ask.Signals = append(ask.Signals, plant.Signal{Subject: "heron-1", Name: "housing_celsius", At: at(3)}, plant.Signal{Subject: "heron-1", Name: "lamp_celsius", At: at(1)})
	got := get(db.Matching(t.Context(), ask))(t)
	want := facts()
	want.Refusals = nil
	sorted := []cmp.Option{
		cmpopts.SortSlices(func(a, b plant.Reading) bool { return a.At.Before(b.At) || a.At.Equal(b.At) && a.Register < b.Register }),
		cmpopts.SortSlices(func(a, b plant.StationEvent) bool { return a.Sequence < b.Sequence }),
		cmpopts.SortSlices(func(a, b plant.Signal) bool { return a.At.Before(b.At) }),
	}
	if d := cmp.Diff(want, got, sorted...); d != "" {
		t.Errorf("matching (-want +got):\n%s", d)
	}
	none := get(db.Matching(t.Context(), plant.Facts{Readings: []plant.Reading{reading(meter, 90, 1)}}))(t)
	same(t, "facts where none are on record", none.Len(), 0)
}

func TestHistory_MonthByMonthInOrder(t *testing.T) {
	db := open(t)
	var f plant.Facts
	day := func(n int) time.Time { return time.Date(2026, 1, 1, 6, 0, 0, 0, time.UTC).AddDate(0, 0, n) }
	for n := range 100 {
		at := day(n)
		f.Readings = append(f.Readings, plant.Reading{Register: meter, At: at, Value: int64(n)}, plant.Reading{Register: chill, At: at, Value: int64(n), Modulus: 1 << 40})
		f.Events = append(f.Events, plant.StationEvent{Station: "heron-1", At: at, Arrived: at, State: plant.StateCuring, Sequence: at.UnixMilli(), LitMillis: -1, Starts: int64(n)})
		f.Signals = append(f.Signals, plant.Signal{Subject: "heron", Name: "speed_mps", At: at, Value: 1.5})
	}
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	all := listed(t, db.AllReadings(t.Context(), Window{}))
	same(t, "number of all readings", len(all), 200)
	same(t, "first readings", all[:2], []plant.Reading{f.Readings[1], f.Readings[0]}) // chiller before heron-1-meter
	one := listed(t, db.AllReadings(t.Context(), Window{Names: []string{string(meter)}, From: day(30), To: day(62)}))
	same(t, "readings of a window", len(one), 32)
	same(t, "first of the window", one[0], f.Readings[60])
	same(t, "last of the window", one[31], f.Readings[122])
	same(t, "events", listed(t, db.AllEvents(t.Context(), Window{})), f.Events)
	same(t, "events of another station", len(listed(t, db.AllEvents(t.Context(), Window{Names: []string{"heron-2"}}))), 0)
	same(t, "signals", listed(t, db.AllSignals(t.Context(), Window{From: day(98)})), f.Signals[98:])
	same(t, "entries before any was settled", len(listed(t, db.AllEntries(t.Context(), Window{}))), 0)

	s := settlement(meter, day(0), 5, 6, 7)
	must(t, db.Replace(t.Context(), nil, []plant.Settlement{s}))
	same(t, "entries", listed(t, db.AllEntries(t.Context(), Window{})), s.Entries)
	for _, err := range db.AllReadings(t.Context(), Window{}) {
		must(t, err)
		break // who asks for no more gets no more, and the connection is free again
	}
	must(t, db.Ping(t.Context()))
}

func TestChangeLamps_AllOrNothing(t *testing.T) {
	db := open(t)
	must(t, db.FitLamp(t.Context(), plant.Fitting{Lamp: "L-1", Station: "heron-1", From: at(0), By: "Ann"}, "arc-lamp"))
	past := func(lamp string, from, to float64) LampChange {
		f := plant.Fitting{Lamp: plant.LampSerial(lamp), Station: "heron-1", From: at(from), By: "Ann"}
		if to != 0 {
			f.To, f.Reason = at(to), "failed"
		}
		return LampChange{Fitting: f, Kind: "arc-lamp", RemovedBy: "Bea"}
	}
	ends := LampChange{Fitting: plant.Fitting{Lamp: "L-1", To: at(60), Reason: "output"}, Recorded: true, RemovedBy: "Bea"}
	before := get(db.AllFittings(t.Context()))(t)
	audited := count(t, db, "SELECT count(*) FROM audit")
	if err := db.ChangeLamps(t.Context(), []LampChange{past("L-0", -60, -5), ends, past("L-2", 30, 0)}); !errors.Is(err, ErrConflict) {
		t.Errorf("an overlap: %v, want %v", err, ErrConflict)
	}
	same(t, "fittings after a refused change", get(db.AllFittings(t.Context()))(t), before)
	same(t, "audit after a refused change", count(t, db, "SELECT count(*) FROM audit"), audited)

	must(t, db.ChangeLamps(t.Context(), []LampChange{past("L-2", 60, 0), past("L-0", -60, -5), ends}))
	same(t, "fittings", get(db.AllFittings(t.Context()))(t), []plant.Fitting{
		{Lamp: "L-0", Station: "heron-1", From: at(-60), To: at(-5), Reason: "failed", By: "Ann"},
		{Lamp: "L-1", Station: "heron-1", From: at(0), To: at(60), Reason: "output", By: "Ann"},
		{Lamp: "L-2", Station: "heron-1", From: at(60), By: "Ann"},
	})
	same(t, "rows of the audit", count(t, db, "SELECT count(*) FROM audit"), audited+4)
}

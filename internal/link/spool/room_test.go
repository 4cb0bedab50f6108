package spool

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/thinning"
)

const quarter = 15 * time.Minute

func openBounded(t *testing.T, b Bounds, log *strings.Builder) *Spool {
	t.Helper()
	s, err := Open(t.TempDir(), b, slog.New(slog.NewTextHandler(log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// polling makes what eight meters give in ten minutes at one reading and one
// sample each second, and one event.
func polling(part int) plant.Facts {
	var f plant.Facts
	start := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).Add(time.Duration(part) * 10 * time.Minute)
	for second := range 600 {
		at := start.Add(time.Duration(second) * time.Second)
		for m := range 8 {
			meter := fmt.Sprintf("heron-%d-meter", m+1)
			f.Readings = append(f.Readings, plant.Reading{
				Register: plant.RegisterID(meter + "/import"), At: at, Value: int64(part)*600 + int64(second),
			})
			f.Signals = append(f.Signals, plant.Signal{Subject: meter, Name: "power_watts", At: at, Value: 4000})
		}
	}
	f.Events = []plant.StationEvent{{Station: "heron-1", At: start, Arrived: start, Boot: "b", Sequence: int64(part), State: plant.StateCuring, Technology: plant.TechnologyArc}}
	return f
}

// waiting reads everything in the spool.
func waiting(t *testing.T, s *Spool) (all plant.Facts, numbers []uint64) {
	t.Helper()
	batches, err := s.Read(t.Context(), 0, 1<<40)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range batches {
		all.Add(b.Facts)
		numbers = append(numbers, b.Sequence)
	}
	return all, numbers
}

// A long outage of the database: the spool stays at its bound, the order of giving
// up is kept, no number is missing, no event, and no register's newest reading.
func TestRoom_AtTheBoundSamplesGoFirstThenReadingsEventsNever(t *testing.T) {
	var log strings.Builder
	const limit, parts = 600_000, 45
	s := openBounded(t, Bounds{Bytes: limit, Interval: quarter}, &log)
	onlySamples := false
	for part := range parts {
		if _, err := s.Append(t.Context(), polling(part)); err != nil {
			t.Fatal(err)
		}
		room := s.Room()
		if room.Thinned.Signals > 0 && room.Thinned.Readings == 0 {
			onlySamples = true
		}
		// One step may be behind by what an append brings.
		if room.Used > limit*5/4 {
			t.Fatalf("after %d appends %d bytes are used, the bound is %d", part+1, room.Used, limit)
		}
	}
	room := s.Room()
	if !onlySamples || room.Thinned.Readings == 0 || room.Since.IsZero() || room.Limit != limit {
		t.Errorf("samples first: %v; %+v", onlySamples, room)
	}
	all, numbers := waiting(t, s)
	if len(all.Events) != parts {
		t.Errorf("%d events are left of %d", len(all.Events), parts)
	}
	for i, n := range numbers {
		if n != uint64(i+1) {
			t.Fatalf("batch %d has number %d", i, n)
		}
	}
	newest := map[plant.RegisterID]int64{}
	for _, r := range all.Readings {
		newest[r.Register] = r.Value
	}
	if len(newest) != 8 {
		t.Errorf("%d registers are left", len(newest))
	}
	for id, v := range newest {
		if v != parts*600-1 {
			t.Errorf("the newest reading of %s is %d", id, v)
		}
	}
	given := len(all.Readings) + room.Thinned.Readings
	if want := parts * 600 * 8; given != want {
		t.Errorf("%d readings are left and %d given up, %d came in", len(all.Readings), room.Thinned.Readings, want)
	}
	if n := strings.Count(log.String(), "the spool is at its bound"); n != 1 {
		t.Errorf("the log says it %d times:\n%s", n, log.String())
	}
	if err := s.Trim(t.Context(), parts); err != nil {
		t.Fatal(err)
	}
	if room := s.Room(); !room.Since.IsZero() || room.Thinned.Readings == 0 {
		t.Errorf("with an empty spool: %+v", room)
	}
}

// Only events come in: they are kept, and the spool grows past its bound.
func TestRoom_EventsAreKeptPastTheBound(t *testing.T) {
	var log strings.Builder
	s := openBounded(t, Bounds{Bytes: 100_000, Interval: quarter}, &log)
	const n, each = 60, 500
	for i := range n {
		var f plant.Facts
		for j := range each {
			f.Events = append(f.Events, plant.StationEvent{Station: "heron-1", At: time.Unix(int64(i*each+j), 0), Boot: "b", Sequence: int64(i*each + j)})
		}
		if _, err := s.Append(t.Context(), f); err != nil {
			t.Fatal(err)
		}
	}
	if all, _ := waiting(t, s); len(all.Events) != n*each {
		t.Errorf("%d events of %d", len(all.Events), n*each)
	}
	if room := s.Room(); room.Thinned.Total() != 0 || room.Used <= room.Limit {
		t.Errorf("%+v", room)
	}
}

// What has waited longer than the bound of age keeps one reading per interval; what
// is younger stays whole.
func TestRoom_WhatWaitedTooLongIsThinned(t *testing.T) {
	var log strings.Builder
	s := openBounded(t, Bounds{Age: 24 * time.Hour, Interval: quarter}, &log)
	old, young := polling(0), polling(1)
	if _, err := s.put([][]byte{append(stamp(time.Now().Add(-25*time.Hour)), encode(old)...)}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(t.Context(), young); err != nil {
		t.Fatal(err)
	}
	batches, err := s.Read(t.Context(), 0, 1<<40)
	if err != nil {
		t.Fatal(err)
	}
	want, _, _ := thinning.Thin([]plant.Facts{old}, thinning.Intervals, quarter)
	if len(batches) != 2 || batches[0].Facts.Len() != want[0].Len() || batches[1].Facts.Len() != young.Len() {
		t.Errorf("%d batches, %d and %d facts; want %d and %d", len(batches), batches[0].Facts.Len(), batches[1].Facts.Len(), want[0].Len(), young.Len())
	}
}

// Thinning passes over a damaged batch; reading still finds it and sets it aside.
func TestRoom_ADamagedBatchStaysForInspection(t *testing.T) {
	var log strings.Builder
	s := openBounded(t, Bounds{Bytes: 20_000, Interval: quarter}, &log)
	if _, err := s.put([][]byte{append(stamp(time.Now()), "not a batch"...)}); err != nil {
		t.Fatal(err)
	}
	for part := range 3 {
		if _, err := s.Append(t.Context(), polling(part)); err != nil {
			t.Fatal(err)
		}
	}
	all, numbers := waiting(t, s)
	if len(numbers) != 4 || len(all.Events) != 3 || s.Stats().Damaged != 1 || s.Room().Thinned.Total() == 0 {
		t.Errorf("numbers %v, %d events, %+v, %+v", numbers, len(all.Events), s.Stats(), s.Room())
	}
}

package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
)

func facts() plant.Facts {
	return plant.Facts{
		Readings: []plant.Reading{reading(meter, 1, 100), {Register: meter, At: at(2), Value: 200, Modulus: 1 << 40}, reading(chill, 1, 7)},
		Events:   []plant.StationEvent{event(1, 1, plant.StateStarting), event(2, 2, plant.StateCuring)},
		Signals:  []plant.Signal{{Subject: "heron-1", Name: "housing_celsius", At: at(1), Value: 41.5}, {Subject: "heron-1", Name: "housing_celsius", At: at(2), Value: 42}},
		Refusals: []plant.Refusal{{At: at(1), Source: "alder/heron/9/status", Reason: "no such station — add it", Payload: []byte("{}")}},
	}
}

// tally is what a repetition could change.
func tally(t *testing.T, db *DB) [5]int64 {
	t.Helper()
	return [5]int64{
		count(t, db, "SELECT count(*) FROM reading"), count(t, db, "SELECT count(*) FROM station_event"), count(t, db, "SELECT count(*) FROM signal"),
		count(t, db, "SELECT count(*) FROM unsettled"), get(db.RefusedTotal(t.Context()))(t),
	}
}

func TestApply_StoresFactsMarksAndWatermarkTogether(t *testing.T) {
	db := open(t)
	same(t, "watermark before", get(db.Watermark(t.Context(), spoolA))(t), 0)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, facts())}))
	same(t, "watermark", get(db.Watermark(t.Context(), spoolA))(t), 1)
	same(t, "tally", tally(t, db), [5]int64{3, 2, 2, 3, 1})
	same(t, "readings", get(db.Readings(t.Context(), meter, at(0), at(10)))(t), facts().Readings[:2])
	same(t, "events", get(db.Events(t.Context(), "heron-1", at(0), at(10)))(t), facts().Events)
	same(t, "newest signals", get(db.LatestSignals(t.Context()))(t), facts().Signals[1:])
	same(t, "refusals", get(db.Refusals(t.Context(), 10))(t), facts().Refusals)
	same(t, "newest event", get(db.LatestEvents(t.Context()))(t), map[plant.StationID]plant.StationEvent{"heron-1": facts().Events[1]})
	same(t, "newest readings", get(db.LatestReadings(t.Context()))(t), []plant.Reading{facts().Readings[2], facts().Readings[1]})
	marks := get(db.Unsettled(t.Context(), 100))(t)
	for i := range marks {
		marks[i].IDs = nil
	}
	same(t, "marks", marks, []plant.Mark{
		{Station: "heron-1", From: at(1), To: at(2)},
		{Register: chill, From: at(1), To: at(1)},
		{Register: meter, From: at(1), To: at(2)},
	})
}

func TestApply_RepeatedBatchesChangeNothing(t *testing.T) {
	db := open(t)
	batches := []plant.Batch{batch(5, facts()), batch(6, plant.Facts{Readings: []plant.Reading{reading(meter, 3, 300)}})}
	must(t, db.Apply(t.Context(), spoolA, batches[:1]))
	must(t, db.Apply(t.Context(), spoolA, batches))
	want := tally(t, db)
	must(t, db.Apply(t.Context(), spoolA, batches))
	must(t, db.Apply(t.Context(), spoolA, batches[:1]))
	same(t, "tally", tally(t, db), want)
	same(t, "readings", want[0], 4)
	same(t, "watermark", get(db.Watermark(t.Context(), spoolA))(t), 6)
}

func TestApply_GapIsRefused(t *testing.T) {
	db := open(t)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, facts())}))
	for _, b := range [][]plant.Batch{{batch(3, facts())}, {batch(2, facts()), batch(4, facts())}} {
		if err := db.Apply(t.Context(), spoolA, b); !errors.Is(err, ErrGap) {
			t.Errorf("Apply from %d: %v, expected ErrGap", b[0].Sequence, err)
		}
	}
	same(t, "watermark", get(db.Watermark(t.Context(), spoolA))(t), 1)
}

// A restored or copied spool brings the same facts under other numbers.
func TestApply_KnownFactsOfAnotherSpool(t *testing.T) {
	var log bytes.Buffer
	db := openAt(t, pgtest.New(t), alderLane(t, "Europe/London"), slog.New(slog.NewTextHandler(&log, nil)))
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, facts())}))
	more := facts()
	more.Refusals = nil
	more.Readings = append(more.Readings, reading(meter, 3, 300))
	more.Signals = append(more.Signals, plant.Signal{Subject: "heron", Name: "speed_metres_per_second", At: at(3), Value: 1.5})
	more.Events = append(more.Events, event(3, 3, plant.StateOff))
	must(t, db.Apply(t.Context(), spoolB, []plant.Batch{batch(1, more)}))
	got := tally(t, db)
	same(t, "readings, events, signals", [3]int64(got[:3]), [3]int64{4, 3, 3})
	same(t, "watermark", get(db.Watermark(t.Context(), spoolB))(t), 1)
	if !strings.Contains(log.String(), "stored already") || !strings.Contains(log.String(), spoolB) {
		t.Errorf("log says %q, expected the fallback and its spool", log.String())
	}
}

func TestApply_KeysTwiceInOneGroup(t *testing.T) {
	db := open(t)
	f := facts()
	f.Add(facts())
	f.Readings = append(f.Readings, reading(meter, 1, 999), reading(meter, 0.5, 50))
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f), batch(2, facts())}))
	got := tally(t, db)
	same(t, "readings, events, signals", [3]int64(got[:3]), [3]int64{4, 2, 2})
	same(t, "first value wins", get(db.Readings(t.Context(), meter, at(1), at(2)))(t)[1].Value, 100)
	same(t, "mark", get(db.Unsettled(t.Context(), 10))(t)[2].To, at(2))
}

func TestApply_RepeatedEventMarksNothing(t *testing.T) {
	db := open(t)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, plant.Facts{Events: []plant.StationEvent{event(1, 1, plant.StateOff)}})}))
	before := get(db.UnsettledCount(t.Context()))(t)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(2, plant.Facts{Events: []plant.StationEvent{event(1, 1, plant.StateOff)}})}))
	same(t, "marks", get(db.UnsettledCount(t.Context()))(t), before)
}

func TestApply_UnsoundFactsBecomeRefusals(t *testing.T) {
	db := open(t)
	bad := event(1, 1, plant.StateOff)
	bad.Boot = "b\x00"
	unknown := event(1, 1, plant.StateOff)
	unknown.Station = "heron-9"
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, plant.Facts{
		Readings: []plant.Reading{
			reading("nobody/import", 1, 5), reading(meter, 1, 100),
			{Register: meter, At: time.Unix(0, 0), Value: 1}, {Register: meter, At: time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC), Value: 1},
		},
		Events:  []plant.StationEvent{bad, unknown, event(1, 2, plant.StateOff)},
		Signals: []plant.Signal{{Subject: "heron-1", Name: "x", At: at(1), Value: math.NaN()}, {Subject: "a\xff", Name: "x", At: at(1)}},
		Refusals: []plant.Refusal{
			{At: time.Date(999999, 1, 1, 0, 0, 0, 0, time.UTC), Source: "t\x00\xff", Reason: "r", Payload: []byte{0, 255}},
		},
	})}))
	same(t, "tally", tally(t, db), [5]int64{1, 1, 0, 2, 8})
	for _, r := range get(db.Refusals(t.Context(), 100))(t) {
		if r.Reason == "" {
			t.Errorf("refusal of %q gives no reason", r.Source)
		}
	}
}

func TestApply_KeepsTheNewestRefusals(t *testing.T) {
	db := open(t)
	for b := range 3 {
		var f plant.Facts
		for i := range 700 {
			f.Refusals = append(f.Refusals, plant.Refusal{At: at(float64(b)), Source: "s", Reason: fmt.Sprint(b*700 + i)})
		}
		must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(uint64(b+1), f)}))
	}
	same(t, "total", get(db.RefusedTotal(t.Context()))(t), 2100)
	kept := get(db.Refusals(t.Context(), 5000))(t)
	same(t, "kept", len(kept), refusedKept)
	same(t, "newest", kept[0].Reason, "2099")
	same(t, "oldest", kept[len(kept)-1].Reason, "1100")
}

func TestApply_MakesPartitionsOverMonthsAndYears(t *testing.T) {
	db := open(t)
	borders := []time.Time{
		time.Date(2025, 11, 30, 23, 59, 59, 999_999_000, time.UTC), time.Date(2025, 12, 1, 0, 0, 0, 0, time.UTC),
		time.Date(2025, 12, 31, 23, 59, 59, 999_999_000, time.UTC), time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC),
		time.Date(2028, 2, 29, 12, 0, 0, 0, time.UTC), time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2099, 12, 31, 23, 0, 0, 0, time.UTC),
	}
	var f plant.Facts
	for i, b := range borders {
		f.Readings = append(f.Readings, plant.Reading{Register: meter, At: b, Value: int64(i)})
		f.Signals = append(f.Signals, plant.Signal{Subject: "heron", Name: "x", At: b.Truncate(time.Millisecond), Value: float64(i)})
	}
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	same(t, "readings by partition", [3]int64{
		count(t, db, "SELECT count(*) FROM reading_2025_11"), count(t, db, "SELECT count(*) FROM reading_2025_12"), count(t, db, "SELECT count(*) FROM reading_2026_01"),
	}, [3]int64{1, 2, 1})
	first, last, ok, err := db.FirstLast(t.Context(), meter)
	must(t, err)
	if !ok || !first.Equal(borders[5]) || !last.Equal(borders[6]) {
		t.Errorf("first and last are %v %v %v", first, last, ok)
	}
}

func TestApply_ProgramsMakePartitionsAtOnce(t *testing.T) {
	address := pgtest.New(t)
	var dbs [4]*DB
	for i := range dbs {
		dbs[i] = openAt(t, address, alderLane(t, "Europe/London"), nil)
	}
	errs := make(chan error, len(dbs))
	start := make(chan struct{})
	for i, db := range dbs {
		spool := fmt.Sprintf("00000000-0000-0000-0000-00000000000%d", i)
		go func() {
			<-start
			var f plant.Facts
			for m := range 12 {
				f.Readings = append(f.Readings, plant.Reading{Register: meter, At: morning.AddDate(0, m, i), Value: 1})
			}
			errs <- db.Apply(context.Background(), spool, []plant.Batch{batch(1, f)})
		}()
	}
	close(start)
	for range dbs {
		must(t, <-errs)
	}
	same(t, "readings", count(t, dbs[0], "SELECT count(*) FROM reading"), 48)
}

// cutter is a proxy in front of the server's socket that swallows the answer to
// the next COMMIT and closes the connection.
type cutter struct {
	armed atomic.Bool
	cut   atomic.Int64
}

func (c *cutter) serve(t *testing.T, target string) string {
	dir := t.TempDir()
	ln, err := net.Listen("unix", filepath.Join(dir, ".s.PGSQL.5432"))
	must(t, err)
	t.Cleanup(func() { ln.Close() })
	go func() {
		for {
			client, err := ln.Accept()
			if err != nil {
				return
			}
			server, err := net.Dial("unix", target)
			if err != nil {
				client.Close()
				return
			}
			var committing atomic.Bool
			go c.pump(server, client, func(p []byte) bool {
				if c.armed.Load() && bytes.Contains(bytes.ToLower(p), []byte("commit")) {
					committing.Store(true)
				}
				return false
			})
			go c.pump(client, server, func(p []byte) bool {
				return committing.Load() && bytes.Contains(p, []byte("COMMIT")) && c.armed.CompareAndSwap(true, false)
			})
		}
	}()
	return dir
}

// pump copies until an end or until stop says so; then both sides are closed.
func (c *cutter) pump(to, from net.Conn, stop func([]byte) bool) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 64<<10)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		if stop(buf[:n]) {
			c.cut.Add(1)
			return
		}
		if _, err := to.Write(buf[:n]); err != nil {
			return
		}
	}
}

func TestApply_OutcomeOfCommitUnknown(t *testing.T) {
	u, err := url.Parse(pgtest.New(t))
	must(t, err)
	q := u.Query()
	var c cutter
	q.Set("host", c.serve(t, filepath.Join(q.Get("host"), ".s.PGSQL.5432")))
	u.RawQuery = q.Encode()
	db := openAt(t, u.String(), alderLane(t, "Europe/London"), nil)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, plant.Facts{Readings: []plant.Reading{reading(meter, 0, 1)}, Signals: facts().Signals[:1]})}))

	b := []plant.Batch{batch(2, facts())}
	b[0].Facts.Signals = nil
	c.armed.Store(true)
	if err := db.Apply(t.Context(), spoolA, b); err == nil {
		t.Fatalf("Apply succeeded, expected the cut connection; cut %d, armed %v", c.cut.Load(), c.armed.Load())
	}
	same(t, "cut connections", c.cut.Load(), 1)
	want := tally(t, db)
	same(t, "watermark", get(db.Watermark(t.Context(), spoolA))(t), 2)
	must(t, db.Apply(t.Context(), spoolA, b))
	same(t, "tally", tally(t, db), want)
	same(t, "readings", want[0], 4)
}

func TestStatesSince(t *testing.T) {
	db := open(t)
	var f plant.Facts
	for i, state := range []plant.State{plant.StateOff, plant.StateCuring, plant.StateStandby, plant.StateCuring, plant.StateCuring, plant.StateCuring} {
		f.Events = append(f.Events, event(float64(i*10), int64(i+1), state))
	}
	same(t, "nothing heard", get(db.StatesSince(t.Context()))(t), map[plant.StationID]time.Time{})
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, plant.Facts{Events: f.Events[:1]})}))
	same(t, "first event", get(db.StatesSince(t.Context()))(t), map[plant.StationID]time.Time{"heron-1": at(0)})
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(2, f)}))
	same(t, "repeated states", get(db.StatesSince(t.Context()))(t), map[plant.StationID]time.Time{"heron-1": at(30)})
}

func TestStationClocks(t *testing.T) {
	db := open(t)
	var f plant.Facts
	add := func(st plant.StationID, i int, behind time.Duration, distrusted bool) {
		arrived := at(float64(i))
		f.Events = append(f.Events, plant.StationEvent{
			Station: st, At: arrived.Add(-behind), Arrived: arrived, State: plant.StateCuring, Boot: "b", Sequence: int64(i),
			LitMillis: -1, Starts: -1, ClockDistrusted: distrusted,
		})
	}
	for i := range 9 {
		// One message of each is of another kind than the others, and decides nothing.
		add("heron-1", i, map[bool]time.Duration{true: 3 * time.Hour, false: 40 * time.Second}[i == 8], false)
		add("heron-2", i, 0, i > 3)
	}
	f.Events = append(f.Events, plant.StationEvent{
		Station: "heron-2", At: at(9), Arrived: at(9), State: plant.StateUnknown, Sequence: at(9).UnixMilli(), LitMillis: -1, Starts: -1, LastWill: true,
	})
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	same(t, "clocks", get(db.StationClocks(t.Context()))(t), []plant.StationClock{
		{Station: "heron-1", Behind: 40 * time.Second}, {Station: "heron-2", Distrusted: true},
	})
}

package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"curetally/internal/core/plant"
)

var begin = time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)

// rows is a file of rows.
type rows []Row

func (s rows) Each(fn func(*Row) error) error {
	for i := range s {
		if err := fn(&s[i]); err != nil {
			return err
		}
	}
	return nil
}

// history is a file of n readings a minute apart.
func history(n int) rows {
	s := make(rows, n)
	for i := range s {
		s[i] = Row{Line: i + 2, Reading: plant.Reading{Register: "heron-1-meter/import", At: begin.Add(time.Duration(i) * time.Minute), Value: int64(i) * 1000}}
	}
	return s
}

// record keeps facts by key, each once, as the store does.
type record struct {
	facts    map[key]plant.Reading
	mark     map[string]uint64
	refusals []plant.Refusal
	applied  int
	fail     int // the call of Apply, from 1, that fails; 0 for none
	lost     bool
	settled  int
}

var errAway = errors.New("the database is away")

func newRecord() *record { return &record{facts: map[key]plant.Reading{}, mark: map[string]uint64{}} }

func (s *record) Watermark(_ context.Context, id string) (uint64, error) { return s.mark[id], nil }

func (s *record) Apply(_ context.Context, id string, batches []plant.Batch) error {
	s.applied++
	if s.applied == s.fail && !s.lost {
		return errAway
	}
	for _, b := range batches {
		if b.Sequence != s.mark[id]+1 {
			return fmt.Errorf("batch %d after %d", b.Sequence, s.mark[id])
		}
		s.mark[id] = b.Sequence
		for _, r := range b.Facts.Readings {
			if _, double := s.facts[readingKey(&r)]; double {
				return fmt.Errorf("%v is there already", r)
			}
			s.facts[readingKey(&r)] = r
		}
		s.refusals = append(s.refusals, b.Facts.Refusals...)
	}
	if s.applied == s.fail { // stored, but the answer was lost
		return errAway
	}
	return nil
}

func (s *record) Matching(_ context.Context, f plant.Facts) (found plant.Facts, err error) {
	for _, r := range f.Readings {
		if have, ok := s.facts[readingKey(&r)]; ok {
			found.Readings = append(found.Readings, have)
		}
	}
	return found, nil
}

func (s *record) settle(context.Context) error { s.settled++; return nil }

func options(s Source, to *record) Options {
	return Options{Source: s, Store: to, Name: "a.csv", Settle: to.settle, Now: begin, Show: func(r plant.Reading) string { return fmt.Sprintf("%d mWh", r.Value) }}
}

// counts leaves of a report what is counted.
func counts(r Report) Report {
	return Report{Rows: r.Rows, Taken: r.Taken, OnRecord: r.OnRecord, Repeated: r.Repeated, Conflicts: r.Conflicts, Refused: r.Refused, Resumed: r.Resumed}
}

func check(t *testing.T, got Report, want Report) {
	t.Helper()
	if d := cmp.Diff(want, counts(got)); d != "" {
		t.Errorf("report (-want +got):\n%s", d)
	}
}

func TestTake_GoesOnWhereItWasCutOff(t *testing.T) {
	const n = 4*batchRows + 100
	for _, lost := range []bool{false, true} {
		to := newRecord()
		to.fail, to.lost = 3, lost
		if _, err := Take(t.Context(), options(history(n), to)); !errors.Is(err, errAway) {
			t.Fatalf("lost answer %v: %v, want %v", lost, err, errAway)
		}
		stored := int64(2 * batchRows)
		if lost {
			stored += batchRows
		}
		if len(to.facts) != int(stored) {
			t.Fatalf("lost answer %v: %d facts on record", lost, len(to.facts))
		}
		r, err := Take(t.Context(), options(history(n), to))
		if err != nil {
			t.Fatal(err)
		}
		check(t, r, Report{Rows: n, Taken: n - stored, OnRecord: stored, Resumed: stored})
		if len(to.facts) != n || to.settled == 0 {
			t.Errorf("lost answer %v: %d facts on record, want each of %d once; settled %d times", lost, len(to.facts), n, to.settled)
		}
		calls := to.applied
		r, err = Take(t.Context(), options(history(n), to))
		if err != nil || to.applied != calls {
			t.Errorf("a second time: %v, %d calls of Apply", err, to.applied-calls)
		}
		check(t, r, Report{Rows: n, OnRecord: n, Resumed: n})
	}
}

func TestTake_WhatIsOnRecordStays(t *testing.T) {
	to := newRecord()
	old := history(3)[1].Reading
	old.Value = 7
	to.facts[readingKey(&old)] = old
	file := append(history(3), history(3)[2]) // the last line repeats the one before
	file[3].Line = 5
	for range 2 {
		r, err := Take(t.Context(), options(file, to))
		if err != nil {
			t.Fatal(err)
		}
		if r.Conflicts != 1 || r.Repeated != 1 || r.Refused != 0 || r.Taken+r.OnRecord != 2 {
			t.Errorf("report is %+v", r)
		}
		if d := cmp.Diff([]Problem{{Line: 3, Text: "on record as 7 mWh, here 1000 mWh: kept the one on record"}}, r.Problems); d != "" {
			t.Errorf("problems (-want +got):\n%s", d)
		}
	}
	if to.facts[readingKey(&old)].Value != 7 || len(to.facts) != 3 || len(to.refusals) != 1 {
		t.Errorf("record is %v with refusals %v", to.facts, to.refusals)
	}
}

func TestTake_RefusedRowsStopTheFileUnlessSkipped(t *testing.T) {
	file := history(5)
	file[1] = Row{Line: 3, Refused: []Problem{{Line: 3, Column: "value", Text: "no number"}, {Line: 3, Column: "time", Text: "no instant"}}, Raw: "x,y"}
	file[4].Reading.At = file[3].Reading.At // same instant, another value
	want := []Problem{{3, "value", "no number"}, {3, "time", "no instant"}, {6, "", "line 5 says otherwise of the same instant — remove the wrong one"}}

	to := newRecord()
	r, err := Take(t.Context(), options(file, to))
	if !errors.Is(err, ErrRefused) || to.applied > 0 || to.settled > 0 {
		t.Errorf("%v, %d calls of Apply", err, to.applied)
	}
	check(t, r, Report{Rows: 5, Refused: 2})
	if d := cmp.Diff(want, r.Problems); d != "" {
		t.Errorf("problems (-want +got):\n%s", d)
	}

	o := options(file, to)
	o.SkipRefused = true
	for i, resumed := range []int64{0, 5} {
		r, err = Take(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		check(t, r, Report{Rows: 5, Taken: 3 - 3*int64(i), OnRecord: 3 * int64(i), Refused: 2, Resumed: resumed})
	}
	kept := []plant.Refusal{
		{At: begin, Source: "a.csv:3", Reason: "value: no number", Payload: []byte("x,y")},
		{At: begin, Source: "a.csv:6", Reason: want[2].Text, Payload: []byte{}},
	}
	if d := cmp.Diff(kept, to.refusals, cmpopts.EquateEmpty()); d != "" {
		t.Errorf("refusals, each kept once (-want +got):\n%s", d)
	}
}

func TestTake_DryRunWritesNothing(t *testing.T) {
	to := newRecord()
	old := history(2)[1].Reading
	to.facts[readingKey(&old)] = old
	o := options(history(10), to)
	o.DryRun = true
	r, err := Take(t.Context(), o)
	if err != nil || to.applied > 0 || to.settled > 0 || len(to.facts) != 1 {
		t.Errorf("%v, %d calls of Apply, %d settlings", err, to.applied, to.settled)
	}
	check(t, r, Report{Rows: 10, Taken: 9, OnRecord: 1})
	if !r.First.Equal(begin) || !r.Last.Equal(begin.Add(9*time.Minute)) || r.Unordered {
		t.Errorf("from %v to %v, unordered %v", r.First, r.Last, r.Unordered)
	}
}

// What a value means is part of an intake's identity: read otherwise, a file is
// another one. So is what would be refused.
func TestTake_AnotherMeaningIsAnotherIntake(t *testing.T) {
	ids := map[string]string{}
	for name, change := range map[string]func(rows){
		"as it is":       func(rows) {},
		"another value":  func(s rows) { s[7].Reading.Value++ },
		"another zone":   func(s rows) { s[7].Reading.At = s[7].Reading.At.Add(time.Hour) },
		"another name":   func(s rows) { s[7].Reading.Register = "heron-1-meter/export" },
		"one refused":    func(s rows) { s[7].Refused = []Problem{{Line: 9, Text: "no"}} },
		"another reason": func(s rows) { s[7].Refused = []Problem{{Line: 9, Text: "never"}} },
	} {
		file := history(20)
		change(file)
		o := options(file, newRecord())
		o.DryRun, o.SkipRefused = true, true
		r, err := Take(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		if other, double := ids[r.ID]; double {
			t.Errorf("%s has the id of %s", name, other)
		}
		ids[r.ID] = name
	}
}

// changing is another file at the second reading.
type changing struct {
	files []rows
	calls int
}

func (c *changing) Each(fn func(*Row) error) error {
	c.calls++
	return c.files[c.calls-1].Each(fn)
}

func TestTake_FileThatChangesMeanwhile(t *testing.T) {
	longer := history(101)
	other := history(100)
	other[50].Reading.Value = 1
	for _, second := range []rows{longer, other, history(99), nil} {
		to := newRecord()
		_, err := Take(t.Context(), options(&changing{files: []rows{history(100), second}}, to))
		if !errors.Is(err, ErrChanged) || len(to.facts) > 0 {
			t.Errorf("%d rows at the second reading: %v, %d facts stored", len(second), err, len(to.facts))
		}
	}
}

// Facts that somebody took out of the database come back.
func TestTake_FactsThatAreGoneComeBack(t *testing.T) {
	to := newRecord()
	if _, err := Take(t.Context(), options(history(10), to)); err != nil {
		t.Fatal(err)
	}
	gone := history(10)[4].Reading
	delete(to.facts, readingKey(&gone))
	r, err := Take(t.Context(), options(history(10), to))
	if err != nil || len(to.facts) != 10 {
		t.Errorf("%v, %d facts", err, len(to.facts))
	}
	check(t, r, Report{Rows: 10, Taken: 1, OnRecord: 9, Resumed: 10})
}

func TestTake_ListsOnlyTheFirstProblems(t *testing.T) {
	file := history(500)
	for i := range file {
		file[i].Refused = []Problem{{Line: file[i].Line, Text: "no"}}
	}
	r, err := Take(t.Context(), options(slices.Clone(file), newRecord()))
	if !errors.Is(err, ErrRefused) || len(r.Problems) != listed || r.Unlisted != 500-listed || r.Refused != 500 {
		t.Errorf("%v: %d listed, %d not, %d refused", err, len(r.Problems), r.Unlisted, r.Refused)
	}
}

func TestStrike_EventsAndSignals(t *testing.T) {
	b := &batch{seen: map[key]int{}}
	event := plant.StationEvent{Station: "heron-1", At: begin, Arrived: begin, State: plant.StateCuring, Technology: plant.TechnologyArc, Sequence: 1, LitMillis: 1500, Starts: 2}
	other := event
	other.State, other.Arrived = plant.StateFault, begin.Add(time.Hour)
	late := event
	late.Sequence, late.Arrived = 2, begin.Add(time.Hour)
	for i, r := range []Row{{Kind: Event, Event: event}, {Kind: Event, Event: event}} {
		r.Event.Sequence = int64(i) + 1
		r.Line = i + 2
		b.add(&r)
	}
	same, conflicts := b.strike(plant.Facts{Events: []plant.StationEvent{late, other}}, nil)
	want := "on record as 2025-03-01T00:00:00Z fault arc, lit 1.500 s, 2 starts, here 2025-03-01T00:00:00Z curing arc, lit 1.500 s, 2 starts: kept the one on record"
	if same != 1 || len(conflicts) != 1 || conflicts[0].problems[0].Text != want || b.facts() != 0 {
		t.Errorf("%d same, conflicts %v, %d left", same, conflicts, b.facts())
	}
	b = &batch{seen: map[key]int{}}
	v := plant.Signal{Subject: "heron", Name: "speed_mps", At: begin, Value: 1.5}
	b.add(&Row{Line: 2, Kind: Signal, Signal: v})
	b.add(&Row{Line: 3, Kind: Signal, Signal: v})
	v.Value = 2
	_, conflicts = b.strike(plant.Facts{Signals: []plant.Signal{v}}, nil)
	if b.repeated != 1 || len(conflicts) != 1 || !strings.Contains(conflicts[0].problems[0].Text, "on record as 2, here 1.5") {
		t.Errorf("%d repeated, conflicts %v", b.repeated, conflicts)
	}
}

package store

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

func fitting(lamp plant.LampSerial, station plant.StationID, from time.Time) plant.Fitting {
	return plant.Fitting{Lamp: lamp, Station: station, From: from, By: "Sam"}
}

func TestFitLamp_OneLampOnePlace(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-1", at(0)), "arc-lamp"))
	for _, c := range []struct {
		name string
		f    plant.Fitting
		kind string
		want string
	}{
		{"lamp is elsewhere", fitting("A-1", "heron-2", at(10)), "", "in heron-1"},
		{"station is taken", fitting("A-2", "heron-1", at(10)), "arc-lamp", "holds lamp A-1"},
		{"would overlap from before", fitting("A-1", "heron-2", at(-10)), "", "in heron-1"},
		{"other kind", fitting("A-1", "heron-2", at(10)), "led-module", "of kind arc-lamp"},
	} {
		if err := db.FitLamp(ctx, c.f, c.kind); !errors.Is(err, ErrConflict) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, expected ErrConflict with %q", c.name, err, c.want)
		}
	}
	if err := db.FitLamp(ctx, fitting("A-3", "heron-2", at(0)), ""); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown lamp without kind: %v, expected ErrNotFound", err)
	}
	if err := db.FitLamp(ctx, fitting("A-3", "heron-9", at(0)), "arc-lamp"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown station: %v, expected ErrNotFound", err)
	}
	if err := db.FitLamp(ctx, fitting("A-3", "heron-2", time.Time{}), "arc-lamp"); err == nil {
		t.Error("a fitting without an instant was taken")
	}
	must(t, db.RemoveLamp(ctx, "A-1", at(60), "moved", "Kim"))
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-2", at(60)), "arc-lamp"))
	past := fitting("A-2", "heron-1", at(-60))
	past.To, past.Reason = at(0), "failed"
	must(t, db.FitLamp(ctx, past, "arc-lamp"))

	first := fitting("A-1", "heron-1", at(0))
	first.To, first.Reason = at(60), "moved"
	same(t, "fittings of heron-1", get(db.Fittings(ctx, "heron-1"))(t), []plant.Fitting{past, first})
	same(t, "all fittings", get(db.AllFittings(ctx))(t), []plant.Fitting{past, first, fitting("A-1", "heron-2", at(60))})
	same(t, "lamps", get(db.Lamps(ctx))(t), []plant.Lamp{{Serial: "A-1", Kind: "arc-lamp"}, {Serial: "A-2", Kind: "arc-lamp"}})
	same(t, "audit rows", len(get(db.AuditLog(ctx, 10))(t)), 4)
	same(t, "newest audit row", get(db.AuditLog(ctx, 1))(t)[0].Subject, "A-2")
}

func TestRemoveLamp_Refusals(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-1", at(0)), "arc-lamp"))
	if err := db.RemoveLamp(ctx, "A-1", at(1), "tired", "Sam"); err == nil || !strings.Contains(err.Error(), "preventive") {
		t.Errorf("unknown reason: %v, expected the list", err)
	}
	if err := db.RemoveLamp(ctx, "A-1", at(0), "failed", "Sam"); !errors.Is(err, ErrConflict) {
		t.Errorf("removed at the instant of fitting: %v, expected ErrConflict", err)
	}
	if err := db.RemoveLamp(ctx, "A-9", at(1), "failed", "Sam"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown lamp: %v, expected ErrNotFound", err)
	}
	must(t, db.RemoveLamp(ctx, "A-1", at(1), "failed", "Sam"))
	if err := db.RemoveLamp(ctx, "A-1", at(2), "failed", "Sam"); !errors.Is(err, ErrConflict) {
		t.Errorf("removed twice: %v, expected ErrConflict", err)
	}
}

func TestFitLamp_ManyAtOnceOneWins(t *testing.T) {
	db := open(t)
	must(t, db.FitLamp(t.Context(), plant.Fitting{Lamp: "A-1", Station: "heron-1", From: at(-60), To: at(-30), Reason: "moved", By: "Sam"}, "arc-lamp"))
	must(t, db.FitLamp(t.Context(), plant.Fitting{Lamp: "A-2", Station: "heron-2", From: at(-60), To: at(-30), Reason: "moved", By: "Sam"}, "arc-lamp"))
	var wg sync.WaitGroup
	tries := []plant.Fitting{fitting("A-1", "heron-1", at(0)), fitting("A-1", "heron-2", at(0)), fitting("A-2", "heron-1", at(0)), fitting("A-2", "heron-2", at(0))}
	errs := make([]error, len(tries))
	for i, f := range tries {
		wg.Go(func() { errs[i] = db.FitLamp(context.Background(), f, "") })
	}
	wg.Wait()
	for i, err := range errs {
		if err != nil && !errors.Is(err, ErrConflict) {
			t.Errorf("%s into %s: %v", tries[i].Lamp, tries[i].Station, err)
		}
	}
	open := count(t, db, "SELECT count(*) FROM lamp_fitting WHERE removed IS NULL")
	places := count(t, db, "SELECT least(count(DISTINCT lamp), count(DISTINCT station)) FROM lamp_fitting WHERE removed IS NULL")
	if open == 0 || open != places {
		t.Errorf("%d open fittings in %d places", open, places)
	}
}

func TestHumanActs_MarkWhatTheyChange(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	must(t, db.Apply(ctx, spoolA, []plant.Batch{batch(1, plant.Facts{
		Readings: []plant.Reading{reading(meter, 90, 1), reading(chill, 95, 1)}, Events: []plant.StationEvent{event(80, 1, plant.StateOff)},
	})}))
	settled := func() {
		t.Helper()
		must(t, db.Replace(ctx, get(db.Unsettled(ctx, 1000))(t), nil))
	}
	marks := func() []plant.Mark {
		t.Helper()
		m := get(db.Unsettled(ctx, 1000))(t)
		for i := range m {
			m[i].IDs = nil
		}
		return m
	}
	settled()
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-1", at(0)), "arc-lamp"))
	same(t, "after fitting", marks(), []plant.Mark{
		{Station: "heron-1", From: at(0), To: at(80)}, {Register: meter, From: at(0), To: at(90)},
		{Register: lit, From: at(0), To: at(80)}, {Register: starts, From: at(0), To: at(80)},
	})
	settled()
	must(t, db.RemoveLamp(ctx, "A-1", at(85), "failed", "Sam"))
	same(t, "after removal", marks()[0], plant.Mark{Station: "heron-1", From: at(85), To: at(85)})
	settled()
	x := plant.Exchange{Register: chill, At: at(50), Final: 900, First: 3, By: "Sam", Note: "new meter"}
	must(t, db.DeclareExchange(ctx, x))
	same(t, "after exchange", marks(), []plant.Mark{{Register: chill, From: at(50), To: at(95)}})
	same(t, "exchanges", get(db.Exchanges(ctx, chill))(t), []plant.Exchange{x})
	if err := db.DeclareExchange(ctx, x); !errors.Is(err, ErrConflict) {
		t.Errorf("second exchange at the same instant: %v, expected ErrConflict", err)
	}
}

func TestMarkDone_SameRecordOnce(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	d := plant.Done{Rule: "lens-clean", Subject: "heron-1", At: at(0), By: "Sam", Note: "wiped"}
	later := d
	later.At = at(60)
	for _, d := range []plant.Done{d, d, later} {
		must(t, db.MarkDone(ctx, d))
	}
	acts := get(db.TaskActs(ctx))(t)
	if len(acts) != 1 || !acts[0].At.Equal(later.At) || acts[0].Kind != plant.TaskDone || acts[0].Note != "wiped" {
		t.Errorf("newest: %+v", acts)
	}
	same(t, "audit rows", len(get(db.AuditLog(ctx, 10))(t)), 2)
}

// A counter-entry takes an act back and nothing is deleted: the act before it
// counts again, the same act may be recorded anew, and none is taken back twice.
func TestTaskActs_CounterEntry(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	act := func(kind plant.TaskActKind, minute float64) plant.TaskAct {
		return plant.TaskAct{Kind: kind, Rule: "lens-clean", Subject: "heron-1", At: at(minute), By: "Sam", Note: "n", Reading: "1.2 W/cm²"}
	}
	put := act(plant.TaskPostpone, 20)
	put.Due, put.Until = at(0), at(4000)
	for _, a := range []plant.TaskAct{act(plant.TaskDone, 0), act(plant.TaskSkip, 10), put} {
		must(t, db.RecordTask(ctx, a))
	}
	kinds := func() (out []plant.TaskActKind) {
		for _, a := range get(db.TaskActs(ctx))(t) {
			out = append(out, a.Kind)
		}
		return out
	}
	same(t, "standing", kinds(), []plant.TaskActKind{plant.TaskSkip, plant.TaskPostpone})
	history := get(db.TaskHistory(ctx, "lens-clean", "heron-1"))(t)
	if len(history) != 3 || !history[0].Until.Equal(at(4000)) || !history[0].Due.Equal(at(0)) || history[0].Reading != "1.2 W/cm²" {
		t.Fatalf("history %+v", history)
	}
	for _, a := range history[:2] {
		must(t, db.RecordTask(ctx, plant.TaskAct{Kind: plant.TaskUndo, Rule: a.Rule, Subject: a.Subject, At: at(30), Undoes: a.ID, By: "Kim", Note: "wrong task"}))
	}
	same(t, "after two counter-entries", kinds(), []plant.TaskActKind{plant.TaskDone})
	again := plant.TaskAct{Kind: plant.TaskUndo, Rule: "lens-clean", Subject: "heron-1", At: at(31), Undoes: history[0].ID, By: "Kim"}
	if err := db.RecordTask(ctx, again); !errors.Is(err, ErrConflict) {
		t.Errorf("taken back twice: %v, expected ErrConflict", err)
	}
	must(t, db.RecordTask(ctx, act(plant.TaskSkip, 10)))
	same(t, "recorded anew", kinds(), []plant.TaskActKind{plant.TaskSkip})
	same(t, "audit rows", len(get(db.AuditLog(ctx, 20))(t)), 6)
	for _, sql := range []string{"UPDATE task_act SET note = 'x'", "DELETE FROM task_act", "TRUNCATE task_act"} {
		if _, err := db.pool.Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), "append-only") {
			t.Errorf("%s: %v, expected a refusal", sql, err)
		}
	}
}

func TestBaseline_CannotBeChanged(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	if _, found, err := db.Baseline(ctx, "led"); found || err != nil {
		t.Errorf("before: %v %v", found, err)
	}
	f := plant.Frozen{Project: "led", At: at(0), Approver: "Kim", Software: "1.0", Hash: "abc", Document: []byte("{\"a\": 1 }\n\x00")}
	same(t, "first version", get(db.FreezeBaseline(ctx, f))(t), 1)
	g := f
	g.Hash = "def"
	same(t, "second version", get(db.FreezeBaseline(ctx, g))(t), 2)
	g.Version = 2
	got, found, err := db.Baseline(ctx, "led")
	must(t, err)
	if !found {
		t.Error("the frozen baseline is not found")
	}
	same(t, "newest", got, g)
	for _, sql := range []string{
		"UPDATE baseline SET document = ''", "DELETE FROM baseline", "TRUNCATE baseline",
		"UPDATE audit SET by = 'x'", "DELETE FROM audit", "TRUNCATE audit",
	} {
		if _, err := db.pool.Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), "append-only") {
			t.Errorf("%s: %v, expected to be refused", sql, err)
		}
	}
	same(t, "audit rows", len(get(db.AuditLog(ctx, 10))(t)), 2)
}

// A signal is thinned out to the first value of each part of the span, and parts
// without a value are left out.
func TestSignalSamples(t *testing.T) {
	db := open(t)
	var f plant.Facts
	for i := range 90 {
		f.Signals = append(f.Signals, plant.Signal{Subject: "heron-1", Name: "filter_pascals", At: at(float64(i)), Value: float64(i)})
	}
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	q := plant.SignalSpan{Subject: "heron-1", Name: "filter_pascals", From: at(0.5), To: at(120.5), Parts: 4}
	var got []float64
	for _, v := range get(db.SignalSamples(t.Context(), q))(t) {
		got = append(got, v.Value)
	}
	same(t, "samples", got, []float64{1, 31, 61})
	q.Name = "filter_pascal"
	same(t, "of no signal", len(get(db.SignalSamples(t.Context(), q))(t)), 0)
}

package store

import (
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
)

// due announces that a task is due, to two channels.
func due(db *DB, t *testing.T) int {
	t.Helper()
	return get(db.Announce(t.Context(), func(before []notice.Record) ([]notice.Record, []notice.Posted) {
		step := notice.Next(before, []notice.Condition{{
			Form: notice.Task, Topic: notice.Upkeep, Subject: "task lens-clean/heron-1", Press: "heron", Status: "due", Due: at(86400), Title: "Clean the lens", Text: "61 of 60 h.",
		}}, at(60), notice.Limits{})
		return step.Records, notice.Post(step.Notices, []notice.Route{{Channel: "mail"}, {Channel: "hook"}})
	}))(t)
}

func TestAnnounce_OnceWhateverIsRepeated(t *testing.T) {
	db := open(t)
	same(t, "announced", due(db, t), 1)
	same(t, "announced again", due(db, t), 0)

	// What was announced is forgotten, the notice is not.
	must(t, db.tx(t.Context(), func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), "DELETE FROM condition")
		return err
	}))
	same(t, "announced by one that forgot", due(db, t), 0)
	all := get(db.Notices(t.Context(), false, 10))(t)
	if len(all) != 1 || len(all[0].Deliveries) != 2 || !all[0].Due.Equal(at(86400)) || all[0].Kind != notice.TaskDue {
		t.Errorf("notices %+v", all)
	}
	records := []notice.Record{}
	get(db.Announce(t.Context(), func(before []notice.Record) ([]notice.Record, []notice.Posted) {
		records = before
		return nil, nil
	}))(t)
	if len(records) != 1 || records[0].Status != "due" || !records[0].Since.Equal(at(60)) {
		t.Errorf("records %+v", records)
	}
}

func TestAnnounce_ManyAtOnce(t *testing.T) {
	db := open(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	total := 0
	for range 4 {
		wg.Go(func() {
			n := due(db, t)
			mu.Lock()
			defer mu.Unlock()
			total += n
		})
	}
	wg.Wait()
	same(t, "announced by four at once", total, 1)
}

func TestClaim_HoldsForTheLease(t *testing.T) {
	db, ctx := open(t), t.Context()
	due(db, t)
	now := at(120)
	first := get(db.Claim(ctx, "mail", now, time.Hour, 10))(t)
	if len(first) != 1 || first[0].Attempt != 1 || first[0].Notice.Title != "Due: Clean the lens" {
		t.Fatalf("claimed %+v", first)
	}
	same(t, "claimed by another", len(get(db.Claim(ctx, "mail", now.Add(time.Minute), time.Hour, 10))(t)), 0)
	again := get(db.Claim(ctx, "mail", now.Add(time.Hour), time.Hour, 10))(t)
	if len(again) != 1 || again[0].Attempt != 2 {
		t.Fatalf("after the lease %+v", again)
	}
	d := again[0]
	d.State, d.Error = notice.Dead, "no such mailbox"
	must(t, db.Settled(ctx, []notice.Delivery{d}))
	dead := get(db.Notices(ctx, true, 10))(t)
	same(t, "notices with a dead delivery", len(dead), 1)
	if _, err := db.Resend(ctx, 99, now, "Kim"); !errors.Is(err, ErrNotFound) {
		t.Errorf("resend what is not there: %v", err)
	}
	same(t, "sent again", get(db.Resend(ctx, d.Notice.ID, now, "Kim"))(t), int64(1))
	if _, err := db.Resend(ctx, d.Notice.ID, now, "Kim"); !errors.Is(err, ErrConflict) {
		t.Errorf("resend twice: %v", err)
	}
	d = get(db.Claim(ctx, "mail", now, time.Hour, 10))(t)[0]
	d.State, d.Sent, d.Error = notice.Sent, now, ""
	must(t, db.Settled(ctx, []notice.Delivery{d}))
	same(t, "due after it was sent", len(get(db.Claim(ctx, "mail", now.AddDate(1, 0, 0), time.Hour, 10))(t)), 0)
	same(t, "due on the other channel", len(get(db.Claim(ctx, "hook", now, time.Hour, 10))(t)), 1)
}

func TestAnswer_IsSeenByTheNextLook(t *testing.T) {
	db, ctx := open(t), t.Context()
	due(db, t)
	id := get(db.Notices(ctx, false, 1))(t)[0].ID
	must(t, db.Answer(ctx, id, "Ann", "tomorrow"))
	if err := db.Answer(ctx, id, "Ben", ""); !errors.Is(err, ErrConflict) {
		t.Errorf("answered twice: %v", err)
	}
	seen := false
	get(db.Announce(ctx, func(before []notice.Record) ([]notice.Record, []notice.Posted) {
		seen = before[0].Acknowledged
		return nil, nil
	}))(t)
	if !seen {
		t.Error("the record does not know of the answer")
	}
	same(t, "audit rows", len(get(db.AuditLog(ctx, 10))(t)), 1)
}

// What was announced of a task is closed with the act that does it, stays closed
// for a look from before the act, and is open again when the act is taken back.
func TestRecordSeen_ClosesWhatWasAnnounced(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	same(t, "announced", due(db, t), 1)
	sent := get(db.Claim(ctx, "hook", at(600), time.Hour, 1))(t)
	sent[0].State, sent[0].Sent = notice.Sent, at(601)
	must(t, db.Settled(ctx, sent))
	states := func() map[string]notice.State {
		out := map[string]notice.State{}
		for _, n := range get(db.Notices(ctx, false, 10))(t) {
			for _, d := range n.Deliveries {
				out[d.Channel] = d.State
			}
		}
		return out
	}
	record := func() (r notice.Record) {
		get(db.Announce(ctx, func(before []notice.Record) ([]notice.Record, []notice.Posted) {
			r = before[0]
			return nil, nil
		}))(t)
		return r
	}
	onItsWay := get(db.Claim(ctx, "mail", at(600), time.Hour, 1))(t)
	seen := Seen{Mark: get(db.TaskMark(ctx, "lens-clean", "heron-1"))(t), Notice: "task lens-clean/heron-1"}
	done := plant.TaskAct{Kind: plant.TaskDone, Rule: "lens-clean", Subject: "heron-1", At: at(700), By: "Ann"}
	must(t, db.RecordSeen(ctx, done, seen))
	same(t, "deliveries", states(), map[string]notice.State{"hook": notice.Sent, "mail": notice.Withdrawn})
	if r := record(); !r.Gone || !r.Closed {
		t.Errorf("after the act: %+v", r)
	}
	onItsWay[0].State = notice.Waiting // it failed meanwhile
	must(t, db.Settled(ctx, onItsWay))
	same(t, "after it failed", states()["mail"], notice.Withdrawn)
	same(t, "announced by a look from before", due(db, t), 0)
	if r := record(); !r.Gone || !r.Closed {
		t.Errorf("after a look from before: %+v", r)
	}

	acts := get(db.TaskHistory(ctx, "lens-clean", "heron-1"))(t)
	must(t, db.RecordTask(ctx, plant.TaskAct{Kind: plant.TaskUndo, Rule: "lens-clean", Subject: "heron-1", At: at(800), Undoes: acts[0].ID, By: "Ann", Note: "wrong lens"}))
	same(t, "taken back", states(), map[string]notice.State{"hook": notice.Sent, "mail": notice.Waiting})
	if r := record(); r.Gone || r.Closed {
		t.Errorf("taken back: %+v", r)
	}
}

// Of several people who decide on the same task at once, one is recorded and the
// others are told.
func TestRecordSeen_ManyAtOnceOneWins(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	seen := Seen{Mark: get(db.TaskMark(ctx, "lens-clean", "heron-1"))(t)}
	var wg sync.WaitGroup
	errs := make(chan error, 6)
	for i := range cap(errs) {
		wg.Go(func() {
			errs <- db.RecordSeen(ctx, plant.TaskAct{Kind: plant.TaskDone, Rule: "lens-clean", Subject: "heron-1", At: at(10), By: string(rune('A' + i))}, seen)
		})
	}
	wg.Wait()
	close(errs)
	recorded := 0
	for err := range errs {
		switch {
		case err == nil:
			recorded++
		case !errors.Is(err, ErrMoved) || !errors.Is(err, ErrConflict):
			t.Errorf("%v, expected ErrMoved", err)
		}
	}
	same(t, "recorded", recorded, 1)
	same(t, "on record", len(get(db.TaskHistory(ctx, "lens-clean", "heron-1"))(t)), 1)
	must(t, db.FitLamp(ctx, plant.Fitting{Lamp: "L-1", Station: "heron-1", From: at(0), By: "Ann"}, "arc"))
	now := Seen{Mark: get(db.TaskMark(ctx, "lens-clean", "heron-1"))(t)}
	must(t, db.RemoveLamp(ctx, "L-1", at(20), "failed", "Ann"))
	if err := db.RecordSeen(ctx, plant.TaskAct{Kind: plant.TaskSkip, Rule: "lens-clean", Subject: "heron-1", At: at(30), By: "Ann"}, now); !errors.Is(err, ErrMoved) {
		t.Errorf("a lamp was taken out meanwhile: %v, expected ErrMoved", err)
	}
}

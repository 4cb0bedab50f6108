package store

import (
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/notice"
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

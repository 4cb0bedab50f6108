package store

import (
	"errors"
	"strings"
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

func TestAdjustments_OneRecordPerEvent(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	a := plant.Adjustment{
		Project: "led", From: at(0), To: at(86400), Energy: 4600 * unit.KilowattHour, Factor: "dryers",
		Event: "a further dryer", Evidence: "sub-meter", Approver: "Kim",
	}
	same(t, "first number", get(db.Adjust(ctx, a))(t), 1)
	b := a
	b.InsteadOf, b.Energy = 1, -unit.KilowattHour
	same(t, "second number", get(db.Adjust(ctx, b))(t), 2)
	other := a
	other.Project = "other"
	same(t, "number of another project", get(db.Adjust(ctx, other))(t), 1)

	got := get(db.Adjustments(ctx, "led"))(t)
	same(t, "adjustments", len(got), 2)
	b.Number, b.Recorded = 2, got[1].Recorded
	same(t, "second", got[1], b)
	if got[1].Recorded.IsZero() {
		t.Error("the instant of recording is missing")
	}
	for what, instead := range map[string]int{"twice in place of 1": 1, "in place of none": 9} {
		c := a
		c.InsteadOf = instead
		if _, err := db.Adjust(ctx, c); !errors.Is(err, ErrConflict) {
			t.Errorf("%s: %v, want ErrConflict", what, err)
		}
	}
	bare := a
	bare.Evidence = ""
	if _, err := db.Adjust(ctx, bare); err == nil {
		t.Error("the database took an adjustment without evidence")
	}
	same(t, "audit rows", len(get(db.AuditLog(ctx, 10))(t)), 3)
}

func TestPublished_StaysAsItIs(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	p := plant.Published{
		Project: "led", Period: "2026-03", Version: 1, At: at(0), By: "Kim", Software: "1.0", Hash: "abc", Document: []byte("{\"a\": 1 }\n\x00"),
	}
	must(t, db.Publish(ctx, p))
	if err := db.Publish(ctx, p); !errors.Is(err, ErrConflict) {
		t.Errorf("the same version again: %v, want ErrConflict", err)
	}
	q := p
	q.Version, q.Document = 2, []byte("corrected")
	if err := db.Publish(ctx, q); err == nil {
		t.Error("the database took a corrected statement without a reason")
	}
	q.Reason = "a reading was ruled on"
	must(t, db.Publish(ctx, q))
	got := get(db.Published(ctx, "led"))(t)
	same(t, "statements", len(got), 2)
	same(t, "first", got[0], p)
	same(t, "second", got[1], q)
	for _, table := range []string{"statement", "adjustment"} {
		for _, sql := range []string{"UPDATE " + table + " SET project = 'x'", "DELETE FROM " + table, "TRUNCATE " + table + " CASCADE"} {
			if _, err := db.pool.Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), "append-only") {
				t.Errorf("%s: %v, expected to be refused", sql, err)
			}
		}
	}
}

package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// standing are the acts about tasks that no counter-entry takes back.
const standing = `task_act a WHERE a.site = $1 AND a.kind <> 'undo'
	AND NOT EXISTS (SELECT FROM task_act u WHERE u.site = a.site AND u.undoes = a.id)`

// MarkDone records that a task was carried out. The same record twice is one.
func (db *DB) MarkDone(ctx context.Context, d plant.Done) error {
	return db.RecordTask(ctx, plant.TaskAct{
		Kind: plant.TaskDone, Rule: d.Rule, Subject: d.Subject, At: d.At, By: d.By, Note: d.Note, Reading: d.Reading,
	})
}

// RecordTask records what a person did about a task. An act that stands already
// with the same kind, task and instant is not recorded again; taking an act back
// twice is ErrConflict.
func (db *DB) RecordTask(ctx context.Context, a plant.TaskAct) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	if !plausible(a.At) || !storable(a.Subject) {
		return fmt.Errorf("record of %s on %q at %s: expected an instant of the years 2000 to 2099 and a subject in text", a.Rule, a.Subject, a.At.UTC().Format(time.RFC3339))
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "SELECT FROM site WHERE id = $1 FOR UPDATE", s.id); err != nil {
			return err
		}
		if a.Kind != plant.TaskUndo {
			var known bool
			if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM "+standing+" AND a.kind = $2 AND a.rule = $3 AND a.subject = $4 AND a.at = $5)",
				s.id, a.Kind, a.Rule, a.Subject, a.At.UTC()).Scan(&known); err != nil || known {
				return err
			}
		}
		if _, err := tx.Exec(ctx, `INSERT INTO task_act (site, kind, rule, subject, at, due, until, undoes, by, note, reading)
			VALUES ($1, $2, $3, $4, $5, $6, $7, nullif($8::bigint, 0), $9, $10, $11)`,
			s.id, a.Kind, a.Rule, a.Subject, a.At.UTC(), until(a.Due), until(a.Until), a.Undoes, text(a.By), text(a.Note), text(a.Reading)); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, AuditRow{By: a.By, Action: string(a.Kind), Subject: string(a.Rule) + " " + a.Subject, Detail: taskDetail(a)})
	})
	switch {
	case sqlState(err) == uniqueViolation:
		return fmt.Errorf("record of %s on %s: %w: the act was taken back already", a.Rule, a.Subject, ErrConflict)
	case err != nil:
		return fmt.Errorf("record of %s on %s: %w", a.Rule, a.Subject, err)
	}
	return nil
}

// taskDetail writes an act for the audit log.
func taskDetail(a plant.TaskAct) string {
	detail := "at " + a.At.UTC().Format(time.RFC3339)
	if !a.Until.IsZero() {
		detail += " until " + a.Until.UTC().Format(time.RFC3339)
	}
	if !a.Due.IsZero() {
		detail += ", due " + a.Due.UTC().Format(time.RFC3339)
	}
	if a.Undoes != 0 {
		detail += fmt.Sprintf(", takes back act %d", a.Undoes)
	}
	if a.Reading != "" {
		detail += ", reading " + a.Reading
	}
	return detail + ": " + a.Note
}

const actColumns = "a.id, a.kind, a.rule, a.subject, a.at, a.due, a.until, a.by, a.note, a.reading"

func scanAct(row pgx.CollectableRow) (plant.TaskAct, error) {
	var a plant.TaskAct
	var due, until *time.Time
	err := row.Scan(&a.ID, &a.Kind, &a.Rule, &a.Subject, &a.At, &due, &until, &a.By, &a.Note, &a.Reading)
	a.At = a.At.UTC()
	if due != nil {
		a.Due = due.UTC()
	}
	if until != nil {
		a.Until = until.UTC()
	}
	return a, err
}

// TaskActs gives, of each task, the newest act that it counts from (done or
// skipped) and the newest postponement, by rule, subject and kind. Acts that were
// taken back do not count.
func (db *DB) TaskActs(ctx context.Context) ([]plant.TaskAct, error) {
	return collect(ctx, db, scanAct, "SELECT DISTINCT ON (a.rule, a.subject, a.kind = 'postpone') "+actColumns+" FROM "+standing+
		" ORDER BY a.rule, a.subject, a.kind = 'postpone', a.at DESC, a.id DESC")
}

// TaskHistory gives all acts about one task that stand, the last recorded first.
func (db *DB) TaskHistory(ctx context.Context, rule plant.RuleID, subject string) ([]plant.TaskAct, error) {
	return collect(ctx, db, scanAct, "SELECT "+actColumns+" FROM "+standing+" AND a.rule = $2 AND a.subject = $3 ORDER BY a.id DESC", rule, subject)
}

package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/notice"
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
// with the same kind, task, instant and person is not recorded again; taking an
// act back twice is ErrConflict.
func (db *DB) RecordTask(ctx context.Context, a plant.TaskAct) error {
	return db.recordTask(ctx, a, func(context.Context, pgx.Tx, int16) error { return nil }, "")
}

// ErrMoved says that what a decision on a task rests on has changed since it was
// looked at.
var ErrMoved = fmt.Errorf("%w: it was changed meanwhile", ErrConflict)

// TaskMark says how far the records had come on which a task rests. Two that are
// equal saw the same task.
type TaskMark struct {
	Act             int64 // newest act about the task, counter-entries included; 0 before the first
	Fitted, Removed int64 // how often lamps were put in and taken out, in the whole plant
}

const taskMark = `SELECT (SELECT coalesce(max(id), 0) FROM task_act WHERE site = $1 AND rule = $2 AND subject = $3), count(*), count(removed)
	FROM lamp_fitting WHERE site = $1`

// TaskMark reads the mark of a task; read it before the task itself.
func (db *DB) TaskMark(ctx context.Context, rule plant.RuleID, subject string) (TaskMark, error) {
	all, err := collect(ctx, db, pgx.RowToStructByPos[TaskMark], taskMark, rule, subject)
	if err != nil {
		return TaskMark{}, fmt.Errorf("records of %s on %s: %w", rule, subject, err)
	}
	return all[0], nil
}

// Seen is what a person decided on.
type Seen struct {
	Mark TaskMark // read before the task was
	// Notice is the subject under which the task is announced.
	Notice string
}

// RecordSeen is RecordTask for a decision on a task as it was seen; where it is
// another by now, nothing is recorded and the error is ErrMoved. What was announced
// of a task that is done or skipped after all it counted from is closed, and
// deliveries of it that wait are withdrawn, in the same transaction.
func (db *DB) RecordSeen(ctx context.Context, a plant.TaskAct, seen Seen) error {
	return db.recordTask(ctx, a, func(ctx context.Context, tx pgx.Tx, site int16) error {
		rows, err := tx.Query(ctx, taskMark, site, a.Rule, a.Subject)
		if err != nil {
			return err
		}
		mark, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[TaskMark])
		if err == nil && mark != seen.Mark {
			return ErrMoved
		}
		return err
	}, seen.Notice)
}

// errKnown ends a transaction that has nothing to add.
var errKnown = errors.New("on record already")

func (db *DB) recordTask(ctx context.Context, a plant.TaskAct, check func(context.Context, pgx.Tx, int16) error, announced string) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	if !plausible(a.At) || !storable(a.Subject) {
		return fmt.Errorf("record of %s on %q at %s: expected an instant of the years 2000 to 2099 and a subject in text", a.Rule, a.Subject, a.At.UTC().Format(time.RFC3339))
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		// Before the site's row, as in Announce: the one who comes second sees what the
		// first has done.
		if err := lockNotices(ctx, tx, s.id); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "SELECT FROM site WHERE id = $1 FOR UPDATE", s.id); err != nil {
			return err
		}
		id, err := insertAct(ctx, tx, s.id, a, check)
		if err != nil {
			return err
		}
		if err := answerNotices(ctx, tx, s.id, id, a, announced); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, AuditRow{By: a.By, Action: string(a.Kind), Subject: string(a.Rule) + " " + a.Subject, Detail: taskDetail(a)})
	})
	switch {
	case errors.Is(err, errKnown):
		return nil
	case sqlState(err) == uniqueViolation:
		return fmt.Errorf("record of %s on %s: %w: the act was taken back already", a.Rule, a.Subject, ErrConflict)
	case err != nil:
		return fmt.Errorf("record of %s on %s: %w", a.Rule, a.Subject, err)
	}
	return nil
}

// insertAct gives errKnown for an act that stands already.
func insertAct(ctx context.Context, tx pgx.Tx, site int16, a plant.TaskAct, check func(context.Context, pgx.Tx, int16) error) (id int64, err error) {
	if a.Kind != plant.TaskUndo {
		var known bool
		err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM "+standing+" AND a.kind = $2 AND a.rule = $3 AND a.subject = $4 AND a.at = $5 AND a.by = $6)",
			site, a.Kind, a.Rule, a.Subject, a.At.UTC(), text(a.By)).Scan(&known)
		if err != nil {
			return 0, err
		}
		if known {
			return 0, errKnown
		}
	}
	if err := check(ctx, tx, site); err != nil {
		return 0, err
	}
	err = tx.QueryRow(ctx, `INSERT INTO task_act (site, kind, rule, subject, at, due, until, undoes, by, note, reading)
		VALUES ($1, $2, $3, $4, $5, $6, $7, nullif($8::bigint, 0), $9, $10, $11) RETURNING id`,
		site, a.Kind, a.Rule, a.Subject, a.At.UTC(), until(a.Due), until(a.Until), a.Undoes, text(a.By), text(a.Note), text(a.Reading)).Scan(&id)
	return id, err
}

// answerNotices withdraws what waits to be told of the task, closes what was
// announced of it where the act ends it, and opens both again where the act takes
// back the one that did so.
func answerNotices(ctx context.Context, tx pgx.Tx, site int16, act int64, a plant.TaskAct, announced string) error {
	if a.Kind == plant.TaskUndo {
		if _, err := tx.Exec(ctx, "UPDATE condition SET closed = NULL, gone = false WHERE site = $1 AND closed = $2", site, a.Undoes); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, "UPDATE delivery SET state = 'waiting', withdrawn = NULL WHERE site = $1 AND withdrawn = $2 AND state = 'withdrawn'", site, a.Undoes)
		return err
	}
	if announced == "" {
		return nil
	}
	if a.Kind == plant.TaskDone || a.Kind == plant.TaskSkip {
		if _, err := tx.Exec(ctx, "UPDATE condition SET closed = $3, gone = true WHERE site = $1 AND subject = $2 AND form = $4", site, announced, act, notice.Task); err != nil {
			return err
		}
	}
	_, err := tx.Exec(ctx, `UPDATE delivery d SET state = 'withdrawn', withdrawn = $3 FROM notice n
		WHERE n.site = d.site AND n.id = d.notice AND d.site = $1 AND n.subject = $2 AND d.state = 'waiting'`, site, announced, act)
	return err
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

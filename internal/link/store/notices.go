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

// keepGone is how long it is remembered what was announced of a condition that is
// no longer there.
const keepGone = "400 days"

const recordColumns = `c.subject, c.form, c.topic, c.press, c.title, c.status, c.since, c.pending, c.episode, c.due, c.revision, c.changed, c.escalated, c.gone, c.closed IS NOT NULL,
	EXISTS (SELECT FROM notice_answer x JOIN notice n ON n.site = x.site AND n.id = x.notice
		WHERE n.site = c.site AND n.subject = c.subject AND n.transition = c.status)`

func scanRecord(row pgx.CollectableRow) (notice.Record, error) {
	var r notice.Record
	var since, pending, due, changed *time.Time
	err := row.Scan(&r.Subject, &r.Form, &r.Topic, &r.Press, &r.Title, &r.Status, &since, &pending, &r.Episode, &due, &r.Revision, &changed, &r.Escalated, &r.Gone, &r.Closed, &r.Acknowledged)
	r.Since, r.Pending, r.Due, r.Changed = instant(since), instant(pending), instant(due), instant(changed)
	return r, err
}

// instant gives the zero time for none.
func instant(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

// Announce gives decide what was announced of all conditions, and keeps what it
// decides: changed records, notices and where they go, in one transaction. A
// notice whose subject and transition are on record already is left out with its
// deliveries. It gives how many were new. Decide may be called twice.
func (db *DB) Announce(ctx context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (announced int, err error) {
	s, err := db.bound()
	if err != nil {
		return 0, err
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		announced = 0
		if err := lockNotices(ctx, tx, s.id); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, "SELECT "+recordColumns+" FROM condition c WHERE c.site = $1 ORDER BY c.subject", s.id)
		if err != nil {
			return err
		}
		records, err := pgx.CollectRows(rows, scanRecord)
		if err != nil {
			return err
		}
		changed, posted := decide(records)
		for _, r := range changed {
			if err := putRecord(ctx, tx, s.id, r); err != nil {
				return err
			}
		}
		for _, p := range posted {
			isNew, err := putNotice(ctx, tx, s.id, p)
			if err != nil {
				return err
			}
			if isNew {
				announced++
			}
		}
		_, err = tx.Exec(ctx, "DELETE FROM condition WHERE site = $1 AND gone AND form <> 'finding' AND greatest(since, changed) < now() - $2::interval", s.id, keepGone)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("announce: %w", err)
	}
	return announced, nil
}

// lockNotices lets one at a time look at what was announced, and change it.
func lockNotices(ctx context.Context, tx pgx.Tx, site int16) error {
	_, err := tx.Exec(ctx, "SELECT pg_advisory_xact_lock(hashtextextended('curetally notices', $1))", site)
	return err
}

func putRecord(ctx context.Context, tx pgx.Tx, site int16, r notice.Record) error {
	_, err := tx.Exec(ctx, `INSERT INTO condition (site, subject, form, topic, press, title, status, since, pending, episode, due, revision, changed, escalated, gone)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)
		ON CONFLICT (site, subject) DO UPDATE SET form = $3, topic = $4, press = $5, title = $6, status = $7, since = $8, pending = $9, episode = $10,
			due = $11, revision = $12, changed = $13, escalated = $14, gone = $15`,
		site, text(r.Subject), r.Form, r.Topic, r.Press, text(r.Title), r.Status, until(r.Since), until(r.Pending), r.Episode, until(r.Due), r.Revision, until(r.Changed), r.Escalated, r.Gone)
	return err
}

func putNotice(ctx context.Context, tx pgx.Tx, site int16, p notice.Posted) (isNew bool, err error) {
	n := p.Notice
	var id int64
	err = tx.QueryRow(ctx, `INSERT INTO notice (site, kind, topic, subject, transition, press, at, due, title, body, remedy)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) ON CONFLICT (site, subject, transition) DO NOTHING RETURNING id`,
		site, n.Kind, n.Topic, text(n.Subject), text(n.Transition), n.Press, n.At.UTC(), until(n.Due), text(n.Title), text(n.Text), text(n.Remedy)).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	for _, to := range p.To {
		if _, err := tx.Exec(ctx, "INSERT INTO delivery (site, notice, channel, state, due, first) VALUES ($1, $2, $3, 'waiting', $4, $4)",
			site, id, to.Channel, to.Due.UTC()); err != nil {
			return false, err
		}
	}
	return true, nil
}

const deliveryColumns = `n.id, n.kind, n.topic, n.subject, n.transition, n.press, n.at, n.due, n.title, n.body, n.remedy,
	d.channel, d.state, d.due, d.first, d.attempt, d.error, d.sent`

func scanDelivery(row pgx.CollectableRow) (notice.Delivery, error) {
	var d notice.Delivery
	n := &d.Notice
	var due, sent *time.Time
	err := row.Scan(&n.ID, &n.Kind, &n.Topic, &n.Subject, &n.Transition, &n.Press, &n.At, &due, &n.Title, &n.Text, &n.Remedy,
		&d.Channel, &d.State, &d.Due, &d.First, &d.Attempt, &d.Error, &sent)
	n.At, n.Due = n.At.UTC(), instant(due)
	d.Due, d.First, d.Sent = d.Due.UTC(), d.First.UTC(), instant(sent)
	return d, err
}

// Claim takes the deliveries of a channel that are due and gives them, oldest
// first, at most limit. Nobody else gets them before the lease ends; whoever dies
// meanwhile leaves them to be sent again.
func (db *DB) Claim(ctx context.Context, channel string, at time.Time, lease time.Duration, limit int) ([]notice.Delivery, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	var all []notice.Delivery
	err = db.tx(ctx, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `WITH mine AS (
				SELECT notice FROM delivery WHERE site = $1 AND channel = $2 AND state = 'waiting' AND due <= $3
				ORDER BY notice LIMIT $5 FOR UPDATE SKIP LOCKED),
			d AS (
				UPDATE delivery SET due = $4, attempt = attempt + 1 WHERE site = $1 AND channel = $2 AND notice IN (SELECT notice FROM mine) RETURNING *)
			SELECT `+deliveryColumns+` FROM d JOIN notice n ON n.site = d.site AND n.id = d.notice ORDER BY n.id`,
			s.id, channel, at.UTC(), at.Add(lease).UTC(), limit)
		if err != nil {
			return err
		}
		all, err = pgx.CollectRows(rows, scanDelivery)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("deliveries of %s: %w", channel, err)
	}
	return all, nil
}

// Settled keeps how attempts ended: the state, error, sent and due of each. One that
// was withdrawn while it was on its way and did not arrive is not tried again.
func (db *DB) Settled(ctx context.Context, all []notice.Delivery) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		for _, d := range all {
			if _, err := tx.Exec(ctx, "UPDATE delivery SET state = $4, due = $5, error = $6, sent = $7 WHERE site = $1 AND notice = $2 AND channel = $3 AND state <> 'sent' AND (state <> 'withdrawn' OR $4 = 'sent')",
				s.id, d.Notice.ID, d.Channel, d.State, d.Due.UTC(), text(d.Error), until(d.Sent)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("keep the end of deliveries: %w", err)
	}
	return nil
}

// NoticeRow is a notice with its deliveries and, where there is one, its answer.
type NoticeRow struct {
	notice.Notice
	Deliveries []notice.Delivery // their Notice has the ID only
	AnsweredBy string
	Answer     string
}

// Notices gives the newest notices, newest first; with dead only those that have a
// dead delivery.
func (db *DB) Notices(ctx context.Context, dead bool, limit int) ([]NoticeRow, error) {
	scan := func(row pgx.CollectableRow) (NoticeRow, error) {
		var r NoticeRow
		var due *time.Time
		n := &r.Notice
		err := row.Scan(&n.ID, &n.Kind, &n.Topic, &n.Subject, &n.Transition, &n.Press, &n.At, &due, &n.Title, &n.Text, &n.Remedy, &r.AnsweredBy, &r.Answer)
		n.At, n.Due = n.At.UTC(), instant(due)
		return r, err
	}
	all, err := collect(ctx, db, scan, `SELECT n.id, n.kind, n.topic, n.subject, n.transition, n.press, n.at, n.due, n.title, n.body, n.remedy,
			coalesce(x.by, ''), coalesce(x.note, '')
		FROM notice n LEFT JOIN notice_answer x ON x.site = n.site AND x.notice = n.id
		WHERE n.site = $1 AND (NOT $2 OR EXISTS (SELECT FROM delivery d WHERE d.site = n.site AND d.notice = n.id AND d.state = 'dead'))
		ORDER BY n.id DESC LIMIT $3`, dead, limit)
	if err != nil {
		return nil, fmt.Errorf("notices: %w", err)
	}
	ids, at := make([]int64, len(all)), make(map[int64]int, len(all))
	for i, r := range all {
		ids[i], at[r.ID] = r.ID, i
	}
	deliveries, err := collect(ctx, db, func(row pgx.CollectableRow) (notice.Delivery, error) {
		var d notice.Delivery
		var sent *time.Time
		err := row.Scan(&d.Notice.ID, &d.Channel, &d.State, &d.Due, &d.First, &d.Attempt, &d.Error, &sent)
		d.Due, d.First, d.Sent = d.Due.UTC(), d.First.UTC(), instant(sent)
		return d, err
	}, "SELECT notice, channel, state, due, first, attempt, error, sent FROM delivery WHERE site = $1 AND notice = ANY($2) ORDER BY notice, channel COLLATE \"C\"", ids)
	if err != nil {
		return nil, fmt.Errorf("deliveries: %w", err)
	}
	for _, d := range deliveries {
		r := &all[at[d.Notice.ID]]
		r.Deliveries = append(r.Deliveries, d)
	}
	return all, nil
}

// Resend puts the dead deliveries of a notice on their way again and gives how
// many there are. ErrNotFound says that there is no such notice, ErrConflict that
// none of its deliveries is dead.
func (db *DB) Resend(ctx context.Context, id int64, at time.Time, by string) (n int64, err error) {
	err = db.aboutNotice(ctx, id, func(tx pgx.Tx, site int16) error {
		tag, err := tx.Exec(ctx, "UPDATE delivery SET state = 'waiting', due = $3, first = $3, attempt = 0 WHERE site = $1 AND notice = $2 AND state = 'dead'", site, id, at.UTC())
		if err != nil {
			return err
		}
		if n = tag.RowsAffected(); n == 0 {
			return fmt.Errorf("%w: no delivery of it was given up — those that wait are tried again by themselves", ErrConflict)
		}
		return audit(ctx, tx, site, AuditRow{By: by, Action: "resend", Subject: fmt.Sprintf("notice %d", id), Detail: fmt.Sprintf("%d deliveries", n)})
	})
	return n, err
}

// Answer records that a person has seen a notice and sees to it. ErrNotFound says
// that there is no such notice, ErrConflict that it was answered already.
func (db *DB) Answer(ctx context.Context, id int64, by, note string) error {
	return db.aboutNotice(ctx, id, func(tx pgx.Tx, site int16) error {
		_, err := tx.Exec(ctx, "INSERT INTO notice_answer (site, notice, by, note) VALUES ($1, $2, $3, $4)", site, id, text(by), text(note))
		if sqlState(err) == uniqueViolation {
			return fmt.Errorf("%w: it was answered already — see curetally notice list", ErrConflict)
		}
		if err != nil {
			return err
		}
		return audit(ctx, tx, site, AuditRow{By: by, Action: "answer", Subject: fmt.Sprintf("notice %d", id), Detail: note})
	})
}

// aboutNotice runs an act about a notice that is on record.
func (db *DB) aboutNotice(ctx context.Context, id int64, act func(pgx.Tx, int16) error) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		var known bool
		if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM notice WHERE site = $1 AND id = $2)", s.id, id).Scan(&known); err != nil {
			return err
		}
		if !known {
			return fmt.Errorf("%w — see curetally notice list", ErrNotFound)
		}
		return act(tx, s.id)
	})
	if err != nil {
		return fmt.Errorf("notice %d: %w", id, err)
	}
	return nil
}

// RecentStatements gives statements published since an instant, oldest first,
// without their documents.
func (db *DB) RecentStatements(ctx context.Context, since time.Time) ([]plant.Published, error) {
	all, err := collect(ctx, db, func(row pgx.CollectableRow) (plant.Published, error) {
		var p plant.Published
		err := row.Scan(&p.Project, &p.Period, &p.Version, &p.At, &p.By, &p.Software, &p.Reason, &p.Hash)
		p.At = p.At.UTC()
		return p, err
	}, `SELECT project, period, version, published_at, by, software, reason, hash FROM statement
		WHERE site = $1 AND published_at >= $2 ORDER BY published_at, project, period, version`, since.UTC())
	if err != nil {
		return nil, fmt.Errorf("statements published lately: %w", err)
	}
	return all, nil
}

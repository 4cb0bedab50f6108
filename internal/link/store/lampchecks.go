package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// AmountBetween sums the entries of a register in [from, to); of the first and
// the last interval the share of its time, rounded down.
func (db *DB) AmountBetween(ctx context.Context, reg plant.RegisterID, from, to time.Time) (int64, error) {
	s, id, err := db.ofRegister(reg)
	if err != nil {
		return 0, err
	}
	var amount int64
	err = db.pool.QueryRow(ctx, `SELECT coalesce(sum(trunc(amount::numeric * extract(epoch FROM least($4, start + $5::interval) - greatest($3, start)) / extract(epoch FROM $5::interval))), 0)::bigint
		FROM entry WHERE site = $1 AND register = $2 AND start > $3::timestamptz - $5::interval AND start < $4`, s.id, id, from.UTC(), to.UTC(), s.interval).Scan(&amount)
	if err != nil {
		return 0, fmt.Errorf("amount of %s: %w", reg, err)
	}
	return amount, nil
}

// PowerHours tells how long a meter showed at least the given watts in [from,
// to): each sample holds until the next, at most for maxGap.
func (db *DB) PowerHours(ctx context.Context, meter plant.MeterID, q plant.PowerQuestion) (plant.PowerHours, error) {
	s, err := db.bound()
	if err != nil {
		return plant.PowerHours{}, err
	}
	var h plant.PowerHours
	var first, last *time.Time
	err = db.pool.QueryRow(ctx, `SELECT min(at), max(at),
			coalesce(sum(ms) FILTER (WHERE value >= $6 AND ms <= $7), 0)::bigint, coalesce(sum(ms) FILTER (WHERE ms > $7), 0)::bigint
		FROM (SELECT at, value, extract(epoch FROM lead(at) OVER (ORDER BY at) - at) * 1000 AS ms FROM signal
			WHERE site = $1 AND series = (SELECT id FROM series WHERE site = $1 AND subject = $2 AND name = $3) AND at >= $4 AND at < $5) x`,
		s.id, meter, plant.SignalPower, q.From.UTC(), q.To.UTC(), q.Watts, q.MaxGap.Milliseconds()).Scan(&first, &last, &h.On, &h.Unseen)
	if err != nil {
		return h, fmt.Errorf("hours of power of %s: %w", meter, err)
	}
	if first != nil {
		h.First, h.Last = first.UTC(), last.UTC()
	}
	return h, nil
}

// CounterRun tells how far a signal that counts has come in [from, to).
func (db *DB) CounterRun(ctx context.Context, subject, name string, from, to time.Time) (plant.CounterRun, error) {
	s, err := db.bound()
	if err != nil {
		return plant.CounterRun{}, err
	}
	var r plant.CounterRun
	var fell *time.Time
	err = db.pool.QueryRow(ctx, `WITH run AS (SELECT at, value, lag(value) OVER (ORDER BY at) AS before FROM signal
			WHERE site = $1 AND series = (SELECT id FROM series WHERE site = $1 AND subject = $2 AND name = $3) AND at >= $4 AND at < $5)
		SELECT f.at, f.value, l.at, l.value, (SELECT count(*) FROM run WHERE value < before), (SELECT max(at) FROM run WHERE value < before)
		FROM (SELECT at, value FROM run ORDER BY at LIMIT 1) f, (SELECT at, value FROM run ORDER BY at DESC LIMIT 1) l`,
		s.id, subject, name, from.UTC(), to.UTC()).Scan(&r.First, &r.FirstValue, &r.Last, &r.LastValue, &r.Falls, &fell)
	if errors.Is(err, pgx.ErrNoRows) {
		return r, nil
	}
	if err != nil {
		return r, fmt.Errorf("run of %s %s: %w", subject, name, err)
	}
	r.First, r.Last = r.First.UTC(), r.Last.UTC()
	if fell != nil {
		r.Fell = fell.UTC()
	}
	return r, nil
}

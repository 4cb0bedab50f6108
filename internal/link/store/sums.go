package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// doubtfulSum is the sum of what is worse than interpolated, by absolute value.
const doubtfulSum = "coalesce(sum(abs(e.amount)) FILTER (WHERE e.quality > 1), 0)::bigint"

// qualitySums are the sums by quality, q0 to q4, by absolute value.
const qualitySums = `coalesce(sum(abs(e.amount)) FILTER (WHERE e.quality = 0), 0)::bigint AS q0,
	coalesce(sum(abs(e.amount)) FILTER (WHERE e.quality = 1), 0)::bigint AS q1,
	coalesce(sum(abs(e.amount)) FILTER (WHERE e.quality = 2), 0)::bigint AS q2,
	coalesce(sum(abs(e.amount)) FILTER (WHERE e.quality = 3), 0)::bigint AS q3,
	coalesce(sum(abs(e.amount)) FILTER (WHERE e.quality = 4), 0)::bigint AS q4`

// StateTotals gives the sums by register, state and technology, in that order.
func (db *DB) StateTotals(ctx context.Context) ([]plant.StateTotal, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.StateTotal, error) {
		var t plant.StateTotal
		err := row.Scan(&t.Register, &t.State, &t.Technology, &t.Amount, &t.Doubtful, &t.Last)
		t.Last = t.Last.UTC().Add(s.interval)
		return t, err
	}
	return collect(ctx, db, scan, `SELECT r.name, t.state, t.technology, t.amount, t.doubtful, t.last FROM register r JOIN
		(SELECT register, state, technology, sum(amount)::bigint AS amount, `+doubtfulSum+` AS doubtful, max(start) AS last
			FROM entry e WHERE site = $1 GROUP BY register, state, technology) t ON t.register = r.id
		WHERE r.site = $1 ORDER BY r.name, t.state, t.technology`)
}

// wornPart is the condition that entries of a register r count as wear: those of
// weighed lit time ($2), and lit time where w, the weighed registers, has no row
// of the station.
const wornPart = "(r.id = ANY($2) OR r.name LIKE '%/" + plant.ValueLit + "' AND w.id IS NULL)"

// LampTotals gives lit time, wear and starts of each lamp over all its fittings, by
// serial; lamps without entries have zeros.
func (db *DB) LampTotals(ctx context.Context) ([]plant.LampTotal, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	return collect(ctx, db, pgx.RowToStructByPos[plant.LampTotal], `WITH sums AS (
			SELECT e.lamp, coalesce(sum(e.amount) FILTER (WHERE r.name LIKE '%/`+plant.ValueLit+`'), 0)::bigint AS lit,
				coalesce(sum(e.amount) FILTER (WHERE `+wornPart+`), 0)::bigint AS worn,
				coalesce(sum(e.amount) FILTER (WHERE r.name LIKE '%/`+plant.ValueStarts+`'), 0)::bigint AS starts
			FROM register r JOIN entry e ON e.site = r.site AND e.register = r.id
				LEFT JOIN register w ON w.site = r.site AND w.station = r.station AND w.id = ANY($2)
			WHERE r.site = $1 AND (r.name LIKE '%/`+plant.ValueLit+`' OR r.name LIKE '%/`+plant.ValueStarts+`' OR r.id = ANY($2)) AND e.lamp > 0
			GROUP BY 1)
		SELECT l.serial, coalesce(s.lit, 0), coalesce(s.worn, 0), coalesce(s.starts, 0)
		FROM lamp l LEFT JOIN sums s ON s.lamp = l.id WHERE l.site = $1 ORDER BY l.serial`, s.wear)
}

// DayAmounts gives the sums of the registers over each local day of the site's
// time zone, state and technology, by day, register, state and technology. An
// interval belongs to the day that it starts in. Only intervals that start in
// [from, to) count; a zero from or to is no limit.
func (db *DB) DayAmounts(ctx context.Context, regs []plant.RegisterID, from, to time.Time) ([]plant.DayAmount, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	ids := make([]int32, len(regs))
	for i, r := range regs {
		if ids[i], err = s.register(r); err != nil {
			return nil, fmt.Errorf("amounts by day: %w", err)
		}
	}
	scan := func(row pgx.CollectableRow) (plant.DayAmount, error) {
		var d plant.DayAmount
		q := &d.Quality
		err := row.Scan(&d.Day, &d.Register, &d.State, &d.Technology, &d.Amount, &q[0], &q[1], &q[2], &q[3], &q[4])
		d.Day = d.Day.UTC()
		return d, err
	}
	days, err := collect(ctx, db, scan, `SELECT t.day, r.name, t.state, t.technology, t.amount, t.q0, t.q1, t.q2, t.q3, t.q4 FROM
		(SELECT date_trunc('day', e.start, $5) AS day, e.register, e.state, e.technology,
			sum(e.amount)::bigint AS amount, `+qualitySums+`
			FROM entry e WHERE e.site = $1 AND e.register = ANY($2)
			AND e.start >= coalesce($3, '-infinity'::timestamptz) AND e.start < coalesce($4, 'infinity'::timestamptz)
			GROUP BY 1, 2, 3, 4) t
		JOIN register r ON r.site = $1 AND r.id = t.register
		ORDER BY t.day, r.name, t.state, t.technology`, ids, until(from), until(to), s.zone)
	if err != nil {
		return nil, fmt.Errorf("amounts by day: %w", err)
	}
	return days, nil
}

// AmountSince sums the entries of a register from the interval that holds since
// on: it may count up to one interval too much, never too little.
func (db *DB) AmountSince(ctx context.Context, reg plant.RegisterID, since time.Time) (int64, error) {
	s, id, err := db.ofRegister(reg)
	if err != nil {
		return 0, err
	}
	var amount int64
	err = db.pool.QueryRow(ctx, "SELECT coalesce(sum(amount), 0)::bigint FROM entry WHERE site = $1 AND register = $2 AND start >= $3",
		s.id, id, since.UTC().Truncate(s.interval)).Scan(&amount)
	if err != nil {
		return 0, fmt.Errorf("amount of %s: %w", reg, err)
	}
	return amount, nil
}

// Refusals gives the newest refusals that are kept, newest first.
func (db *DB) Refusals(ctx context.Context, limit int) ([]plant.Refusal, error) {
	scan := func(row pgx.CollectableRow) (plant.Refusal, error) {
		var r plant.Refusal
		err := row.Scan(&r.At, &r.Source, &r.Reason, &r.Payload)
		r.At = r.At.UTC()
		return r, err
	}
	return collect(ctx, db, scan, "SELECT at, source, reason, payload FROM refused WHERE site = $1 ORDER BY id DESC LIMIT $2", limit)
}

// RefusedTotal counts all refusals ever, kept or not.
func (db *DB) RefusedTotal(ctx context.Context) (int64, error) {
	s, err := db.bound()
	if err != nil {
		return 0, err
	}
	var total int64
	err = db.pool.QueryRow(ctx, "SELECT total FROM refused_total WHERE site = $1", s.id).Scan(&total)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil
	}
	return total, err
}

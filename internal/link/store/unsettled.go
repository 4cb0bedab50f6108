package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// bridged is how far apart two marks of one target may lie and still become
// one: settling what lies between costs less than a round of its own.
const bridged = 24 * time.Hour

// Unsettled gives the oldest marks, at most limit rows of them, merged by
// register and station where they lie close to each other. The rows stay until
// Replace removes them.
func (db *DB) Unsettled(ctx context.Context, limit int) ([]plant.Mark, error) {
	rows, err := collect(ctx, db, scanMark, `SELECT u.id, coalesce(r.name, ''), coalesce(t.name, ''), u.at_from, u.at_to
		FROM (SELECT * FROM unsettled WHERE site = $1 ORDER BY id LIMIT $2) u
		LEFT JOIN register r ON r.site = u.site AND r.id = u.register
		LEFT JOIN station t ON t.site = u.site AND t.id = u.station
		ORDER BY 2, 3, u.at_from, u.id`, limit)
	if err != nil {
		return nil, fmt.Errorf("read marks: %w", err)
	}
	return mergeMarks(rows), nil
}

func scanMark(row pgx.CollectableRow) (plant.Mark, error) {
	m := plant.Mark{IDs: make([]int64, 1)}
	err := row.Scan(&m.IDs[0], &m.Register, &m.Station, &m.From, &m.To)
	m.From, m.To = m.From.UTC(), m.To.UTC()
	return m, err
}

// mergeMarks joins marks that are sorted by target and beginning.
func mergeMarks(rows []plant.Mark) []plant.Mark {
	var merged []plant.Mark
	for _, m := range rows {
		if n := len(merged); n > 0 {
			last := &merged[n-1]
			if last.Register == m.Register && last.Station == m.Station && m.From.Sub(last.To) <= bridged {
				last.IDs = append(last.IDs, m.IDs...)
				if m.To.After(last.To) {
					last.To = m.To
				}
				continue
			}
		}
		merged = append(merged, m)
	}
	return merged
}

// UnsettledCount is the number of marks that wait.
func (db *DB) UnsettledCount(ctx context.Context) (int64, error) {
	s, err := db.bound()
	if err != nil {
		return 0, err
	}
	var n int64
	err = db.pool.QueryRow(ctx, "SELECT count(*) FROM unsettled WHERE site = $1", s.id).Scan(&n)
	return n, err
}

// markStation marks a station and its registers from an instant up to their
// last facts, because a person changed what holds from then on.
func markStation(ctx context.Context, tx pgx.Tx, site int16, station int32, from time.Time) error {
	_, err := tx.Exec(ctx, `INSERT INTO unsettled (site, register, station, at_from, at_to)
		SELECT $1::smallint, NULL, $2::int, $3, greatest($3, (SELECT max(at) FROM station_event WHERE site = $1 AND station = $2))
		UNION ALL
		SELECT site, id, NULL, $3, greatest($3, (SELECT max(at) FROM reading WHERE site = $1 AND register = r.id),
			(SELECT max(at) FROM station_event WHERE site = $1 AND station = $2))
		FROM register r WHERE site = $1 AND station = $2`, site, station, from.UTC())
	return err
}

// markRegister marks a register from an instant up to its last reading.
func markRegister(ctx context.Context, tx pgx.Tx, site int16, register int32, from time.Time) error {
	_, err := tx.Exec(ctx, `INSERT INTO unsettled (site, register, at_from, at_to)
		SELECT $1::smallint, $2::int, $3, greatest($3, (SELECT max(at) FROM reading WHERE site = $1 AND register = $2))`, site, register, from.UTC())
	return err
}

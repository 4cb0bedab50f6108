package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// Standing gives the registers whose newest reading shows what an older one shows,
// with both readings, by name: the older is the newest that is at least as much
// older as the map says for the register. Registers without such a reading, and
// those that are not in the map, are left out. Each costs two looks at the end of an
// index, however long the history is.
func (db *DB) Standing(ctx context.Context, least map[plant.RegisterID]time.Duration) ([][2]plant.Reading, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	ids, micros := make([]int32, 0, len(least)), make([]int64, 0, len(least))
	for reg, d := range least {
		id, err := s.register(reg)
		if err != nil {
			return nil, fmt.Errorf("standing registers: %w", err)
		}
		ids, micros = append(ids, id), append(micros, d.Microseconds())
	}
	scan := func(row pgx.CollectableRow) ([2]plant.Reading, error) {
		var r [2]plant.Reading
		err := row.Scan(&r[0].Register, &r[0].At, &r[0].Value, &r[1].At, &r[1].Value)
		r[1].Register = r[0].Register
		r[0].At, r[1].At = r[0].At.UTC(), r[1].At.UTC()
		return r, err
	}
	return collect(ctx, db, scan, `SELECT r.name, old.at, old.value, now.at, now.value
		FROM unnest($2::int[], $3::bigint[]) AS w (id, micros) JOIN register r ON r.site = $1 AND r.id = w.id
		CROSS JOIN LATERAL (SELECT at, value FROM reading v WHERE v.site = $1 AND v.register = w.id ORDER BY v.at DESC LIMIT 1) now
		CROSS JOIN LATERAL (SELECT at, value FROM reading v WHERE v.site = $1 AND v.register = w.id
			AND v.at <= now.at - w.micros * interval '1 microsecond' ORDER BY v.at DESC LIMIT 1) old
		WHERE old.value = now.value ORDER BY r.name`, ids, micros)
}

package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// LampCounters gives what each lamp has done over all its fittings, by serial;
// lamps without entries have zeros. Area is that of the named registers of
// presses, of whole intervals while the lamp was fitted, and of the first and the
// last interval the share of its time.
func (db *DB) LampCounters(ctx context.Context, area []plant.Register) ([]plant.LampCounters, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	var presses []string
	var registers []int32
	for _, r := range area {
		id, err := s.register(r.ID)
		if err != nil {
			return nil, fmt.Errorf("counters of lamps: %w", err)
		}
		presses, registers = append(presses, string(r.Press)), append(registers, id)
	}
	scan := func(row pgx.CollectableRow) (plant.LampCounters, error) {
		var c plant.LampCounters
		var first, last *time.Time
		err := row.Scan(&c.Lamp, &c.Lit, &c.Worn, &c.Seen, &c.Curing, &c.Standby, &c.Unknown, &c.Starts, &c.Doubtful, &first, &last, &c.Area)
		if first != nil {
			c.First, c.Last = first.UTC(), last.UTC().Add(s.interval)
		}
		return c, err
	}
	all, err := collect(ctx, db, scan, `WITH part AS (
			SELECT e.lamp, split_part(r.name, '/', 2) AS value, `+wornPart+` AS wears, e.state, e.technology, sum(e.amount)::bigint AS amount, `+doubtfulSum+` AS doubtful, min(e.start) AS first, max(e.start) AS last
			FROM register r JOIN entry e ON e.site = r.site AND e.register = r.id
				LEFT JOIN register w ON w.site = r.site AND w.station = r.station AND w.id = ANY($2)
			WHERE r.site = $1 AND r.station IS NOT NULL AND r.quantity IN (2, 3) AND e.lamp > 0 GROUP BY 1, 2, 3, 4, 5),
		sums AS (SELECT lamp,
			coalesce(sum(amount) FILTER (WHERE value = '`+plant.ValueLit+`'), 0)::bigint AS lit,
			coalesce(sum(amount) FILTER (WHERE wears), 0)::bigint AS worn,
			coalesce(sum(amount) FILTER (WHERE value = '`+plant.ValueTime+`' AND (state = 5 OR state IN (3, 4) AND technology <> 2)), 0)::bigint AS seen,
			coalesce(sum(amount) FILTER (WHERE value = '`+plant.ValueTime+`' AND state = 5), 0)::bigint AS curing,
			coalesce(sum(amount) FILTER (WHERE value = '`+plant.ValueTime+`' AND state = 4), 0)::bigint AS standby,
			coalesce(sum(amount) FILTER (WHERE value = '`+plant.ValueTime+`' AND state = 1), 0)::bigint AS unknown,
			coalesce(sum(amount) FILTER (WHERE value = '`+plant.ValueStarts+`'), 0)::bigint AS starts,
			coalesce(sum(doubtful) FILTER (WHERE value = '`+plant.ValueLit+`'), 0)::bigint AS doubtful, min(first) AS first, max(last) AS last
			FROM part GROUP BY lamp),
		printed AS (SELECT f.lamp, sum(trunc(e.amount::numeric * extract(epoch FROM least(coalesce(f.removed, 'infinity'), e.start + $5::interval) - greatest(f.fitted, e.start)) / extract(epoch FROM $5::interval)))::bigint AS area
			FROM lamp_fitting f JOIN station t ON t.site = f.site AND t.id = f.station
			JOIN unnest($3::text[], $4::int[]) AS p (press, register) ON p.press = t.press
			JOIN entry e ON e.site = f.site AND e.register = p.register AND e.start > f.fitted - $5::interval AND e.start < coalesce(f.removed, 'infinity')
			WHERE f.site = $1 GROUP BY f.lamp)
		SELECT l.serial, coalesce(s.lit, 0), coalesce(s.worn, 0), coalesce(s.seen, 0), coalesce(s.curing, 0), coalesce(s.standby, 0), coalesce(s.unknown, 0), coalesce(s.starts, 0),
			coalesce(s.doubtful, 0), s.first, s.last, coalesce(p.area, 0)
		FROM lamp l LEFT JOIN sums s ON s.lamp = l.id LEFT JOIN printed p ON p.lamp = l.id WHERE l.site = $1 ORDER BY l.serial`, s.wear, presses, registers, s.interval)
	if err != nil {
		return nil, fmt.Errorf("counters of lamps: %w", err)
	}
	return all, nil
}

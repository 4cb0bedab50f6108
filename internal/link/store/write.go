package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// copyIn stores readings and signals by COPY; a key that is there already fails
// the transaction.
func (g *group) copyIn(ctx context.Context, tx pgx.Tx) error {
	if len(g.readings) > 0 {
		rows := pgx.CopyFromSlice(len(g.readings), func(i int) ([]any, error) {
			r := &g.readings[i]
			return []any{g.site.id, r.register, r.at, r.value, r.modulus}, nil
		})
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{"reading"}, []string{"site", "register", "at", "value", "modulus"}, rows); err != nil {
			return err
		}
	}
	if len(g.signals) > 0 {
		rows := pgx.CopyFromSlice(len(g.signals), func(i int) ([]any, error) {
			v := &g.signals[i]
			return []any{g.site.id, g.seriesIDs[v.series], v.at, v.value}, nil
		})
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{"signal"}, []string{"site", "series", "at", "value"}, rows); err != nil {
			return err
		}
	}
	return nil
}

// insertMissing stores the readings and signals that are not there yet.
func (g *group) insertMissing(ctx context.Context, tx pgx.Tx) error {
	r := g.readings
	_, err := tx.Exec(ctx, `INSERT INTO reading (site, register, at, value, modulus)
		SELECT $1, * FROM unnest($2::int[], $3::timestamptz[], $4::bigint[], $5::bigint[]) ON CONFLICT DO NOTHING`, g.site.id,
		column(r, func(r readingRow) int32 { return r.register }), column(r, func(r readingRow) time.Time { return r.at }),
		column(r, func(r readingRow) int64 { return r.value }), column(r, func(r readingRow) *int64 { return r.modulus }))
	if err != nil {
		return err
	}
	v := g.signals
	_, err = tx.Exec(ctx, `INSERT INTO signal (site, series, at, value)
		SELECT $1, * FROM unnest($2::int[], $3::timestamptz[], $4::float8[]) ON CONFLICT DO NOTHING`, g.site.id,
		column(v, func(v signalRow) int32 { return g.seriesIDs[v.series] }), column(v, func(v signalRow) time.Time { return v.at }),
		column(v, func(v signalRow) float64 { return v.value }))
	return err
}

// insertEvents stores the events that are not there yet and notes what they
// touch. A repeated event touches nothing.
func (g *group) insertEvents(ctx context.Context, tx pgx.Tx) error {
	if len(g.events) == 0 {
		return nil
	}
	c := g.events
	rows, err := tx.Query(ctx, `INSERT INTO station_event (site, station, boot, seq, at, arrived, state, technology, lit_ms, starts, flags)
		SELECT $1, * FROM unnest($2::int[], $3::text[], $4::bigint[], $5::timestamptz[], $6::timestamptz[],
			$7::smallint[], $8::smallint[], $9::bigint[], $10::bigint[], $11::smallint[])
		ON CONFLICT DO NOTHING RETURNING station, at`, g.site.id,
		column(c, func(r eventRow) int32 { return r.station }),
		column(c, func(r eventRow) string { return r.event.Boot }),
		column(c, func(r eventRow) int64 { return r.event.Sequence }),
		column(c, func(r eventRow) time.Time { return r.event.At }),
		column(c, func(r eventRow) time.Time { return r.event.Arrived }),
		column(c, func(r eventRow) int16 { return int16(r.event.State) }),
		column(c, func(r eventRow) int16 { return int16(r.event.Technology) }),
		column(c, func(r eventRow) *int64 { return offered(r.event.LitMillis) }),
		column(c, func(r eventRow) *int64 { return offered(r.event.Starts) }),
		column(c, func(r eventRow) int16 { return flagsOf(r.event) }))
	if err != nil {
		return err
	}
	var station int32
	var at time.Time
	_, err = pgx.ForEachRow(rows, []any{&station, &at}, func() error {
		touch(g.stations, station, at.UTC())
		return nil
	})
	return err
}

// column takes one column out of rows, for unnest.
func column[R, V any](rows []R, get func(R) V) []V {
	values := make([]V, len(rows))
	for i, r := range rows {
		values[i] = get(r)
	}
	return values
}

// offered turns a counter into NULL when the station offers none.
func offered(counter int64) *int64 {
	if counter < 0 {
		return nil
	}
	return &counter
}

func flagsOf(e plant.StationEvent) (flags int16) {
	if e.ClockDistrusted {
		flags |= flagClockDistrusted
	}
	if e.LastWill {
		flags |= flagLastWill
	}
	return flags
}

// insertMarks marks what the group has touched as unsettled.
func (g *group) insertMarks(ctx context.Context, tx pgx.Tx) error {
	var registers, stations []*int32
	var from, to []time.Time
	add := func(register, station *int32, s stretch) {
		registers, stations = append(registers, register), append(stations, station)
		from, to = append(from, s.from), append(to, s.to)
	}
	for id, s := range g.registers {
		add(&id, nil, s)
	}
	for id, s := range g.stations {
		add(nil, &id, s)
	}
	if len(from) == 0 {
		return nil
	}
	_, err := tx.Exec(ctx, `INSERT INTO unsettled (site, register, station, at_from, at_to)
		SELECT $1, * FROM unnest($2::int[], $3::int[], $4::timestamptz[], $5::timestamptz[])`, g.site.id, registers, stations, from, to)
	return err
}

// insertRefusals counts the refusals and keeps the newest.
func (g *group) insertRefusals(ctx context.Context, tx pgx.Tx) error {
	if g.refused == 0 {
		return nil
	}
	r := g.refusals
	_, err := tx.Exec(ctx, `INSERT INTO refused (site, at, source, reason, payload)
		SELECT $1, * FROM unnest($2::timestamptz[], $3::text[], $4::text[], $5::bytea[])`, g.site.id,
		column(r, func(r plant.Refusal) time.Time { return r.At }), column(r, func(r plant.Refusal) string { return r.Source }),
		column(r, func(r plant.Refusal) string { return r.Reason }), column(r, func(r plant.Refusal) []byte { return append([]byte{}, r.Payload...) }))
	if err != nil {
		return err
	}
	if _, err = tx.Exec(ctx, `INSERT INTO refused_total (site, total) VALUES ($1, $2)
		ON CONFLICT (site) DO UPDATE SET total = refused_total.total + EXCLUDED.total`, g.site.id, g.refused); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `DELETE FROM refused WHERE site = $1 AND id <=
		(SELECT id FROM refused WHERE site = $1 ORDER BY id DESC OFFSET $2 LIMIT 1)`, g.site.id, refusedKept)
	return err
}

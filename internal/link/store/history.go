package store

import (
	"context"
	"fmt"
	"iter"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// Window chooses facts or entries: of the named registers, stations or subjects,
// all of the site when none is named, in [From, To). A zero From is the first
// that there is; a zero To includes the last.
type Window struct {
	Names    []string
	From, To time.Time
}

// AllReadings gives the readings of a window by instant and register. It reads
// month by month and keeps none, so a window of any length may be asked for. An
// error ends the sequence and comes last. Registers that left the configuration
// are given too.
func (db *DB) AllReadings(ctx context.Context, w Window) iter.Seq2[plant.Reading, error] {
	scan := func(row pgx.CollectableRow) (plant.Reading, error) {
		var r plant.Reading
		err := row.Scan(&r.Register, &r.At, &r.Value, &r.Modulus)
		r.At = r.At.UTC()
		return r, err
	}
	return stream(ctx, db, history[plant.Reading]{
		what: "readings", table: "reading", key: "register", owner: "register", time: "at", scan: scan,
		sql: `SELECT g.name, f.at, f.value, coalesce(f.modulus, 0) FROM reading f JOIN register g ON g.site = f.site AND g.id = f.register
			WHERE f.site = $1 AND f.at >= $2 AND f.at < $3 AND ($4::text[] IS NULL OR g.name = ANY($4)) ORDER BY f.at, g.name`,
	}, w)
}

// AllEvents gives the events of stations by instant, station, boot and number;
// see AllReadings.
func (db *DB) AllEvents(ctx context.Context, w Window) iter.Seq2[plant.StationEvent, error] {
	return stream(ctx, db, history[plant.StationEvent]{
		what: "events", table: "station_event", key: "station", owner: "station", time: "at", scan: scanEvent,
		sql: `SELECT g.name, ` + eventColumns + ` FROM station_event f JOIN station g ON g.site = f.site AND g.id = f.station
			WHERE f.site = $1 AND f.at >= $2 AND f.at < $3 AND ($4::text[] IS NULL OR g.name = ANY($4)) ORDER BY f.at, g.name, f.seq, f.boot`,
	}, w)
}

// AllSignals gives signals by instant, subject and name; see AllReadings.
func (db *DB) AllSignals(ctx context.Context, w Window) iter.Seq2[plant.Signal, error] {
	return stream(ctx, db, history[plant.Signal]{
		what: "signals", table: "signal", key: "series", owner: "series", time: "at", scan: scanSignal,
		sql: `SELECT g.subject, g.name, f.at, f.value FROM signal f JOIN series g ON g.site = f.site AND g.id = f.series
			WHERE f.site = $1 AND f.at >= $2 AND f.at < $3 AND ($4::text[] IS NULL OR g.subject = ANY($4)) ORDER BY f.at, g.subject, g.name`,
	}, w)
}

// AllEntries gives entries by start, register, state, technology and lamp; see
// AllReadings.
func (db *DB) AllEntries(ctx context.Context, w Window) iter.Seq2[plant.Entry, error] {
	scan := func(row pgx.CollectableRow) (plant.Entry, error) {
		var e plant.Entry
		err := row.Scan(&e.Register, &e.Start, &e.State, &e.Technology, &e.Lamp, &e.Amount, &e.Quality)
		e.Start = e.Start.UTC()
		return e, err
	}
	return stream(ctx, db, history[plant.Entry]{
		what: "entries", table: "entry", key: "register", owner: "register", time: "start", scan: scan,
		sql: `SELECT g.name, f.start, f.state, f.technology, coalesce(l.serial, ''), f.amount, f.quality FROM entry f
			JOIN register g ON g.site = f.site AND g.id = f.register LEFT JOIN lamp l ON l.site = f.site AND l.id = f.lamp
			WHERE f.site = $1 AND f.start >= $2 AND f.start < $3 AND ($4::text[] IS NULL OR g.name = ANY($4))
			ORDER BY f.start, g.name, f.state, f.technology, 5`,
	}, w)
}

// history is how the rows of one table are read. $1 of the query is the site, $2
// and $3 are the stretch, $4 the names or NULL.
type history[T any] struct {
	what, table string
	key, owner  string // column that leads its index after the site, and the table it points to
	time        string // column
	scan        pgx.RowToFunc[T]
	sql         string
}

// extent asks for the first and the last instant by the index of each owner.
func (h history[T]) extent() string {
	end := func(order string) string {
		return fmt.Sprintf("(SELECT %[1]s FROM %[2]s f WHERE f.site = o.site AND f.%[3]s = o.id ORDER BY %[1]s %[4]s LIMIT 1)", h.time, h.table, h.key, order)
	}
	return fmt.Sprintf("SELECT min(%s), max(%s) FROM %s o WHERE site = $1", end("ASC"), end("DESC"), h.owner)
}

func stream[T any](ctx context.Context, db *DB, h history[T], w Window) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		fail := func(err error) { yield(none, fmt.Errorf("read %s: %w", h.what, err)) }
		s, err := db.bound()
		if err != nil {
			fail(err)
			return
		}
		first, last, ok, err := db.ends(ctx, h.extent(), s.id)
		if err != nil {
			fail(err)
			return
		}
		if !ok {
			return
		}
		from, to := w.From, last.Add(time.Microsecond)
		if from.Before(first) {
			from = first
		}
		if !w.To.IsZero() && w.To.Before(to) {
			to = w.To
		}
		for from.Before(to) {
			end := partitionOf("", from).month.AddDate(0, 1, 0)
			if end.After(to) {
				end = to
			}
			more, err := month(ctx, db, h, []any{s.id, from.UTC(), end.UTC(), w.Names}, yield)
			if err != nil {
				fail(err)
				return
			}
			if !more {
				return
			}
			from = end
		}
	}
}

// month yields the rows of one month; more is false when nobody wants to hear
// the rest.
func month[T any](ctx context.Context, db *DB, h history[T], args []any, yield func(T, error) bool) (more bool, err error) {
	rows, err := db.pool.Query(ctx, h.sql, args...)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	for rows.Next() {
		row, err := h.scan(rows)
		if err != nil {
			return false, err
		}
		if !yield(row, nil) {
			return false, nil
		}
	}
	return true, rows.Err()
}

// Quantities gives what each register of the site counts, also of registers that
// left the configuration.
func (db *DB) Quantities(ctx context.Context) (map[plant.RegisterID]plant.Quantity, error) {
	type named struct {
		ID       plant.RegisterID
		Quantity plant.Quantity
	}
	all, err := collect(ctx, db, pgx.RowToStructByPos[named], "SELECT name, quantity FROM register WHERE site = $1")
	if err != nil {
		return nil, fmt.Errorf("read registers: %w", err)
	}
	quantities := make(map[plant.RegisterID]plant.Quantity, len(all))
	for _, r := range all {
		quantities[r.ID] = r.Quantity
	}
	return quantities, nil
}

package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
)

// Neighbours is how many facts beyond each end of a stretch are given with it,
// where there are as many: values on which the judgement of the outermost ones
// inside may rest, and one to begin from.
const Neighbours = ledger.LookAhead + 1

// doubtfulKinds lists the kinds of events whose value is held out of the curve
// (backstep, implausible, discarded) or was taken for a fall (rollover, reset,
// ambiguous) which later values may disprove.
const doubtfulKinds = "(1, 2, 3, 4, 5, 8)"

// standsFirm is the condition that a reading r is not doubtful, as settled last.
const standsFirm = `NOT EXISTS (SELECT FROM register_event e
	WHERE e.site = r.site AND e.register = r.register AND e.at = r.at AND e.kind IN ` + doubtfulKinds + `)`

// Readings gives the readings of a register in [from, to) and on each side all
// that lie up to the Neighbours-th that is not doubtful, or all where there are
// not as many, in order of time.
func (db *DB) Readings(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Reading, error) {
	_, id, err := db.ofRegister(reg)
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.Reading, error) {
		r := plant.Reading{Register: reg}
		err := row.Scan(&r.At, &r.Value, &r.Modulus)
		r.At = r.At.UTC()
		return r, err
	}
	readings, err := collect(ctx, db, scan, `WITH reach AS (SELECT
		(SELECT CASE count(*) WHEN $5 THEN min(at) ELSE '-infinity' END FROM (SELECT at FROM reading r WHERE site = $1 AND register = $2 AND at < $3 AND `+standsFirm+`
			ORDER BY at DESC LIMIT $5) b) AS first,
		(SELECT CASE count(*) WHEN $5 THEN max(at) ELSE 'infinity' END FROM (SELECT at FROM reading r WHERE site = $1 AND register = $2 AND at >= $4 AND `+standsFirm+`
			ORDER BY at LIMIT $5) a) AS last)
		SELECT at, value, coalesce(modulus, 0) FROM reading
		WHERE site = $1 AND register = $2 AND at >= (SELECT first FROM reach) AND at <= (SELECT last FROM reach)
		ORDER BY at`, id, from.UTC(), to.UTC(), Neighbours)
	if err != nil {
		return nil, fmt.Errorf("readings of %s: %w", reg, err)
	}
	return readings, nil
}

// Doubtful gives the events of a register in [from, to), in order of time, whose
// value is held out of the curve or was taken for a fall, as settled last.
func (db *DB) Doubtful(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.RegisterEvent, error) {
	_, id, err := db.ofRegister(reg)
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.RegisterEvent, error) {
		e := plant.RegisterEvent{Register: reg}
		err := row.Scan(&e.At, &e.Kind, &e.Before, &e.After)
		e.At = e.At.UTC()
		return e, err
	}
	events, err := collect(ctx, db, scan, `SELECT at, kind, before, after FROM register_event
		WHERE site = $1 AND register = $2 AND at >= $3 AND at < $4 AND kind IN `+doubtfulKinds+` ORDER BY at, kind`, id, from.UTC(), to.UTC())
	if err != nil {
		return nil, fmt.Errorf("doubtful values of %s: %w", reg, err)
	}
	return events, nil
}

const eventColumns = "at, arrived, state, technology, boot, seq, coalesce(lit_ms, -1), coalesce(starts, -1), flags"

// scanEvent reads eventColumns after the station's name.
func scanEvent(row pgx.CollectableRow) (plant.StationEvent, error) {
	var e plant.StationEvent
	var flags int16
	err := row.Scan(&e.Station, &e.At, &e.Arrived, &e.State, &e.Technology, &e.Boot, &e.Sequence, &e.LitMillis, &e.Starts, &flags)
	e.At, e.Arrived = e.At.UTC(), e.Arrived.UTC()
	e.ClockDistrusted, e.LastWill = flags&flagClockDistrusted != 0, flags&flagLastWill != 0
	return e, err
}

// Events gives the events of a station in [from, to) and up to Neighbours of
// them on each side, by instant and then by number.
func (db *DB) Events(ctx context.Context, st plant.StationID, from, to time.Time) ([]plant.StationEvent, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	id, err := s.station(st)
	if err != nil {
		return nil, err
	}
	events, err := collect(ctx, db, scanEvent, `SELECT $5::text, `+eventColumns+` FROM (
		(SELECT * FROM station_event WHERE site = $1 AND station = $2 AND at < $3 ORDER BY at DESC, seq DESC, boot DESC LIMIT $6)
		UNION ALL
		(SELECT * FROM station_event WHERE site = $1 AND station = $2 AND at >= $3 AND at < $4)
		UNION ALL
		(SELECT * FROM station_event WHERE site = $1 AND station = $2 AND at >= $4 ORDER BY at, seq, boot LIMIT $6)
		) x ORDER BY at, seq, boot`, id, from.UTC(), to.UTC(), st, Neighbours)
	if err != nil {
		return nil, fmt.Errorf("events of %s: %w", st, err)
	}
	return events, nil
}

// Exchanges gives the declared exchanges of a register, oldest first.
func (db *DB) Exchanges(ctx context.Context, reg plant.RegisterID) ([]plant.Exchange, error) {
	_, id, err := db.ofRegister(reg)
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.Exchange, error) {
		x := plant.Exchange{Register: reg}
		err := row.Scan(&x.At, &x.Final, &x.First, &x.By, &x.Note)
		x.At = x.At.UTC()
		return x, err
	}
	all, err := collect(ctx, db, scan, `SELECT at, final_value, first_value, by, note FROM exchange
		WHERE site = $1 AND register = $2 ORDER BY at`, id)
	if err != nil {
		return nil, fmt.Errorf("exchanges of %s: %w", reg, err)
	}
	return all, nil
}

// FirstLast gives the instants of the first and the last reading of a register;
// ok is false when there is none.
func (db *DB) FirstLast(ctx context.Context, reg plant.RegisterID) (first, last time.Time, ok bool, err error) {
	s, id, err := db.ofRegister(reg)
	if err != nil {
		return first, last, false, err
	}
	return db.ends(ctx, `SELECT (SELECT at FROM reading WHERE site = $1 AND register = $2 ORDER BY at LIMIT 1),
		(SELECT at FROM reading WHERE site = $1 AND register = $2 ORDER BY at DESC LIMIT 1)`, s.id, id)
}

// Extent gives the instants of the first and the last fact that the register's
// entries are made of: its readings or samples of power, or the events of its
// station when it has neither. ok is false when there is none.
func (db *DB) Extent(ctx context.Context, reg plant.RegisterID) (first, last time.Time, ok bool, err error) {
	if first, last, ok, err = db.FirstLast(ctx, reg); err != nil || ok {
		return first, last, ok, err
	}
	s, err := db.bound()
	if err != nil {
		return first, last, false, err
	}
	if owner, value := reg.Split(); value == plant.ValueSampled {
		return db.ends(ctx, `SELECT (SELECT at FROM signal WHERE site = $1 AND series = x.id ORDER BY at LIMIT 1),
			(SELECT at FROM signal WHERE site = $1 AND series = x.id ORDER BY at DESC LIMIT 1)
			FROM series x WHERE x.site = $1 AND x.subject = $2 AND x.name = $3 UNION ALL SELECT NULL, NULL LIMIT 1`, s.id, owner, plant.SignalPower)
	}
	return db.ends(ctx, `SELECT
		(SELECT at FROM station_event e WHERE e.site = $1 AND e.station = r.station ORDER BY at LIMIT 1),
		(SELECT at FROM station_event e WHERE e.site = $1 AND e.station = r.station ORDER BY at DESC LIMIT 1)
		FROM register r WHERE r.site = $1 AND r.id = $2`, s.id, s.registers[reg])
}

func (db *DB) ends(ctx context.Context, sql string, args ...any) (first, last time.Time, ok bool, err error) {
	var a, b *time.Time
	if err := db.pool.QueryRow(ctx, sql, args...).Scan(&a, &b); err != nil || a == nil {
		return first, last, false, err
	}
	return a.UTC(), b.UTC(), true, nil
}

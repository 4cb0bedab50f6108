package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// The queries of this file look up the end of an index once per station, series
// or register, so they cost the same however long the history is.

// LatestEvents gives the newest event of each station that has one.
func (db *DB) LatestEvents(ctx context.Context) (map[plant.StationID]plant.StationEvent, error) {
	events, err := collect(ctx, db, scanEvent, `SELECT s.name, `+eventColumns+` FROM station s CROSS JOIN LATERAL
		(SELECT * FROM station_event e WHERE e.site = s.site AND e.station = s.id ORDER BY e.at DESC, e.seq DESC LIMIT 1) x
		WHERE s.site = $1`)
	if err != nil {
		return nil, err
	}
	latest := make(map[plant.StationID]plant.StationEvent, len(events))
	for _, e := range events {
		latest[e.Station] = e
	}
	return latest, nil
}

// StatesSince gives the instant since which each station's latest state has been
// reported without another between. Its cost grows with the number of messages
// since then.
func (db *DB) StatesSince(ctx context.Context) (map[plant.StationID]time.Time, error) {
	type row struct {
		station plant.StationID
		at      time.Time
	}
	scan := func(r pgx.CollectableRow) (v row, err error) {
		err = r.Scan(&v.station, &v.at)
		return v, err
	}
	rows, err := collect(ctx, db, scan, `SELECT s.name, first.at FROM station s CROSS JOIN LATERAL
		(SELECT state FROM station_event e WHERE e.site = s.site AND e.station = s.id ORDER BY e.at DESC, e.seq DESC LIMIT 1) now
		LEFT JOIN LATERAL (SELECT at FROM station_event e WHERE e.site = s.site AND e.station = s.id AND e.state <> now.state
			ORDER BY e.at DESC LIMIT 1) other ON true
		CROSS JOIN LATERAL (SELECT at FROM station_event e WHERE e.site = s.site AND e.station = s.id AND e.state = now.state
			AND e.at >= coalesce(other.at, '-infinity') ORDER BY e.at LIMIT 1) first
		WHERE s.site = $1`)
	if err != nil {
		return nil, err
	}
	since := make(map[plant.StationID]time.Time, len(rows))
	for _, r := range rows {
		since[r.station] = r.at.UTC()
	}
	return since, nil
}

// clockSample is the number of messages by which a station's clock is judged: one
// that was stored and sent late must not decide.
const clockSample = 5

// StationClocks gives how the clocks of stations stand against that of the daemon, by
// the newest messages of each; stations with fewer than five are left out.
func (db *DB) StationClocks(ctx context.Context) ([]plant.StationClock, error) {
	scan := func(row pgx.CollectableRow) (c plant.StationClock, err error) {
		var micros int64
		err = row.Scan(&c.Station, &micros, &c.Distrusted)
		c.Behind = time.Duration(micros) * time.Microsecond
		return c, err
	}
	return collect(ctx, db, scan, `SELECT s.name, (1e6 * extract(epoch FROM min(x.arrived - x.at)))::bigint, bool_and(x.flags & $2 <> 0)
		FROM station s CROSS JOIN LATERAL
		(SELECT at, arrived, flags FROM station_event e WHERE e.site = s.site AND e.station = s.id AND e.flags & $3 = 0 AND e.boot <> $5
			ORDER BY e.at DESC, e.seq DESC LIMIT $4) x
		WHERE s.site = $1 GROUP BY s.name HAVING count(*) = $4 ORDER BY s.name`, flagClockDistrusted, flagLastWill, clockSample, plant.BootInferred)
}

// LatestSignals gives the newest value of each signal, by subject and name.
func (db *DB) LatestSignals(ctx context.Context) ([]plant.Signal, error) {
	scan := func(row pgx.CollectableRow) (plant.Signal, error) {
		var v plant.Signal
		err := row.Scan(&v.Subject, &v.Name, &v.At, &v.Value)
		v.At = v.At.UTC()
		return v, err
	}
	return collect(ctx, db, scan, `SELECT s.subject, s.name, x.at, x.value FROM series s CROSS JOIN LATERAL
		(SELECT at, value FROM signal v WHERE v.site = s.site AND v.series = s.id ORDER BY v.at DESC LIMIT 1) x
		WHERE s.site = $1 ORDER BY s.subject, s.name`)
}

// SignalSamples gives the values of a signal thinned out, in order of time: the
// first of each part of the span. It costs the same however often the signal came.
func (db *DB) SignalSamples(ctx context.Context, q plant.SignalSpan) ([]plant.Signal, error) {
	scan := func(row pgx.CollectableRow) (plant.Signal, error) {
		v := plant.Signal{Subject: q.Subject, Name: q.Name}
		err := row.Scan(&v.At, &v.Value)
		v.At = v.At.UTC()
		return v, err
	}
	parts := max(1, q.Parts)
	step := max(time.Millisecond, q.To.Sub(q.From)/time.Duration(parts))
	return collect(ctx, db, scan, `SELECT x.at, x.value FROM series s CROSS JOIN generate_series(0, $6::int - 1) part CROSS JOIN LATERAL
		(SELECT at, value FROM signal v WHERE v.site = s.site AND v.series = s.id
			AND v.at >= $4::timestamptz + part * $5::interval AND v.at < $4::timestamptz + (part + 1) * $5::interval
			ORDER BY v.at LIMIT 1) x
		WHERE s.site = $1 AND s.subject = $2 AND s.name = $3 ORDER BY x.at`, q.Subject, q.Name, q.From.UTC(), step, parts)
}

// LatestReadings gives the newest reading of each register that has one, by
// name.
func (db *DB) LatestReadings(ctx context.Context) ([]plant.Reading, error) {
	scan := func(row pgx.CollectableRow) (plant.Reading, error) {
		var r plant.Reading
		err := row.Scan(&r.Register, &r.At, &r.Value, &r.Modulus)
		r.At = r.At.UTC()
		return r, err
	}
	return collect(ctx, db, scan, `SELECT r.name, x.at, x.value, coalesce(x.modulus, 0) FROM register r CROSS JOIN LATERAL
		(SELECT at, value, modulus FROM reading v WHERE v.site = r.site AND v.register = r.id ORDER BY v.at DESC LIMIT 1) x
		WHERE r.site = $1 ORDER BY r.name`)
}

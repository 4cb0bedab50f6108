package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// Matching gives the facts on record that have the keys of the given ones:
// readings by register and instant, events by station, boot and number, signals
// by subject, name and instant. It says whether Apply would store a fact, find
// it there, or find another under its key. Refusals have no key and are left
// out. The order is not that of the given facts.
func (db *DB) Matching(ctx context.Context, f plant.Facts) (plant.Facts, error) {
	s, err := db.bound()
	if err != nil {
		return plant.Facts{}, err
	}
	var found plant.Facts
	if found.Readings, err = db.matchingReadings(ctx, s, f.Readings); err == nil {
		if found.Events, err = db.matchingEvents(ctx, s, f.Events); err == nil {
			found.Signals, err = db.matchingSignals(ctx, f.Signals)
		}
	}
	if err != nil {
		return plant.Facts{}, fmt.Errorf("look for facts on record: %w", err)
	}
	return found, nil
}

// Each key is looked up by itself: a plan that joins would read whole months.
func (db *DB) matchingReadings(ctx context.Context, s *site, given []plant.Reading) ([]plant.Reading, error) {
	keys := make([]instantKey, 0, len(given))
	spans := map[int32]stretch{}
	for _, r := range given {
		if id, ok := s.registers[r.Register]; ok {
			keys = append(keys, instantKey{id, r.At.UnixMicro()})
			touch(spans, id, r.At.UTC())
		}
	}
	taken, err := db.takenStretches(ctx, spans)
	if err != nil || len(taken) == 0 {
		return nil, err
	}
	var ids []int32
	var ats []time.Time
	for _, k := range keys {
		if taken[k.id] {
			ids, ats = append(ids, k.id), append(ats, time.UnixMicro(k.micro).UTC())
		}
	}
	scan := func(row pgx.CollectableRow) (plant.Reading, error) {
		var r plant.Reading
		err := row.Scan(&r.Register, &r.At, &r.Value, &r.Modulus)
		r.At = r.At.UTC()
		return r, err
	}
	return collect(ctx, db, scan, `SELECT g.name, k.at, r.value, r.modulus FROM unnest($2::int[], $3::timestamptz[]) AS k (register, at)
		CROSS JOIN LATERAL (SELECT value, coalesce(modulus, 0) AS modulus FROM reading
			WHERE site = $1 AND register = k.register AND at = k.at LIMIT 1) r
		JOIN register g ON g.site = $1 AND g.id = k.register`, ids, ats)
}

// takenStretches gives the registers that have readings within their stretch.
// History mostly has none, and then nothing is looked up one by one.
func (db *DB) takenStretches(ctx context.Context, spans map[int32]stretch) (map[int32]bool, error) {
	if len(spans) == 0 {
		return nil, nil
	}
	var ids []int32
	var from, to []time.Time
	for id, sp := range spans {
		ids, from, to = append(ids, id), append(from, sp.from), append(to, sp.to)
	}
	found, err := collect(ctx, db, pgx.RowTo[int32], `SELECT s.register FROM unnest($2::int[], $3::timestamptz[], $4::timestamptz[]) AS s (register, a, b)
		CROSS JOIN LATERAL (SELECT FROM reading WHERE site = $1 AND register = s.register AND at >= s.a AND at <= s.b LIMIT 1) r`, ids, from, to)
	taken := map[int32]bool{}
	for _, id := range found {
		taken[id] = true
	}
	return taken, err
}

func (db *DB) matchingEvents(ctx context.Context, s *site, given []plant.StationEvent) ([]plant.StationEvent, error) {
	var ids []int32
	var boots []string
	var seqs []int64
	for _, e := range given {
		if id, ok := s.stations[e.Station]; ok && storable(e.Boot) {
			ids, boots, seqs = append(ids, id), append(boots, e.Boot), append(seqs, e.Sequence)
		}
	}
	if len(ids) == 0 {
		return nil, nil
	}
	return collect(ctx, db, scanEvent, `SELECT t.name, `+eventColumns+` FROM unnest($2::int[], $3::text[], $4::bigint[]) AS k (station, kboot, kseq)
		CROSS JOIN LATERAL (SELECT at, arrived, state, technology, boot, seq, lit_ms, starts, flags FROM station_event
			WHERE site = $1 AND station = k.station AND boot = k.kboot AND seq = k.kseq LIMIT 1) e
		JOIN station t ON t.site = $1 AND t.id = k.station`, ids, boots, seqs)
}

func (db *DB) matchingSignals(ctx context.Context, given []plant.Signal) ([]plant.Signal, error) {
	var subjects, names []string
	var ats []time.Time
	for _, v := range given {
		if storable(v.Subject) && storable(v.Name) {
			subjects, names, ats = append(subjects, v.Subject), append(names, v.Name), append(ats, v.At.UTC())
		}
	}
	if len(ats) == 0 {
		return nil, nil
	}
	return collect(ctx, db, scanSignal, `SELECT k.subject, k.name, k.at, v.value FROM unnest($2::text[], $3::text[], $4::timestamptz[]) AS k (subject, name, at)
		JOIN series s ON s.site = $1 AND s.subject = k.subject AND s.name = k.name
		CROSS JOIN LATERAL (SELECT value FROM signal WHERE site = $1 AND series = s.id AND at = k.at LIMIT 1) v`, subjects, names, ats)
}

func scanSignal(row pgx.CollectableRow) (plant.Signal, error) {
	var v plant.Signal
	err := row.Scan(&v.Subject, &v.Name, &v.At, &v.Value)
	v.At = v.At.UTC()
	return v, err
}

package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// Rule records a person's ruling on one reading, which must be on record; else
// the error is ErrNotFound. Recorded is set by the database. The register is
// settled anew from that reading on.
func (db *DB) Rule(ctx context.Context, r plant.Ruling) error {
	s, id, err := db.ofRegister(r.Register)
	if err != nil {
		return fmt.Errorf("rule on a reading: %w", err)
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		var value int64
		err := tx.QueryRow(ctx, "SELECT coalesce((SELECT value FROM reading WHERE site = $1 AND register = $2 AND at = $3), -9223372036854775808)",
			s.id, id, r.At.UTC()).Scan(&value)
		if err == nil && value == -1<<63 {
			err = fmt.Errorf("%w: no reading at that instant — list those that wait with curetally ruling list", ErrNotFound)
		}
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "INSERT INTO ruling (site, register, at, verdict, by, note) VALUES ($1, $2, $3, $4, $5, $6)",
			s.id, id, r.At.UTC(), string(r.Verdict), text(r.By), text(r.Note)); err != nil {
			return err
		}
		if err := markRegister(ctx, tx, s.id, id, r.At); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, AuditRow{By: r.By, Action: "rule", Subject: string(r.Register),
			Detail: fmt.Sprintf("%s the reading of %s, %d: %s", r.Verdict, r.At.UTC().Format(time.RFC3339Nano), value, r.Note)})
	})
	if err != nil {
		return fmt.Errorf("rule on the reading of %s at %s: %w", r.Register, r.At.UTC().Format(time.RFC3339Nano), err)
	}
	return nil
}

// Rulings gives all rulings on readings of a register in the order in which they
// were given.
func (db *DB) Rulings(ctx context.Context, reg plant.RegisterID) ([]plant.Ruling, error) {
	_, id, err := db.ofRegister(reg)
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.Ruling, error) {
		r := plant.Ruling{Register: reg}
		err := row.Scan(&r.At, &r.Verdict, &r.By, &r.Note, &r.Recorded)
		r.At, r.Recorded = r.At.UTC(), r.Recorded.UTC()
		return r, err
	}
	all, err := collect(ctx, db, scan, "SELECT at, verdict, by, note, recorded FROM ruling WHERE site = $1 AND register = $2 ORDER BY id", id)
	if err != nil {
		return nil, fmt.Errorf("rulings on %s: %w", reg, err)
	}
	return all, nil
}

// Held gives the values of a register that are held out of its curve because they
// cannot be true, oldest first.
func (db *DB) Held(ctx context.Context, reg plant.RegisterID) ([]plant.RegisterEvent, error) {
	_, id, err := db.ofRegister(reg)
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.RegisterEvent, error) {
		e := plant.RegisterEvent{Register: reg, Kind: plant.StepImplausible}
		err := row.Scan(&e.At, &e.Before, &e.After)
		e.At = e.At.UTC()
		return e, err
	}
	return collect(ctx, db, scan, "SELECT at, before, after FROM register_event WHERE site = $1 AND register = $2 AND kind = $3 ORDER BY at",
		id, int16(plant.StepImplausible))
}

// Samples gives the samples of a meter's power of at most atMost watts (0: all)
// in [from, to), and one more on each side where there is one, in order of time.
func (db *DB) Samples(ctx context.Context, meter plant.MeterID, atMost float64, from, to time.Time) ([]plant.Signal, error) {
	all, err := db.signals(ctx, seriesName{string(meter), plant.SignalPower}, atMost, from, to)
	if err != nil {
		return nil, fmt.Errorf("power of %s: %w", meter, err)
	}
	return all, nil
}

// Signals gives the values of a signal in [from, to), and one more on each side
// where there is one, in order of time.
func (db *DB) Signals(ctx context.Context, subject, name string, from, to time.Time) ([]plant.Signal, error) {
	all, err := db.signals(ctx, seriesName{subject, name}, 0, from, to)
	if err != nil {
		return nil, fmt.Errorf("signal %s of %s: %w", name, subject, err)
	}
	return all, nil
}

// signals gives the values of at most atMost (0: all) of a series.
func (db *DB) signals(ctx context.Context, series seriesName, atMost float64, from, to time.Time) ([]plant.Signal, error) {
	scan := func(row pgx.CollectableRow) (plant.Signal, error) {
		v := plant.Signal{Subject: series.subject, Name: series.name}
		err := row.Scan(&v.At, &v.Value)
		v.At = v.At.UTC()
		return v, err
	}
	return collect(ctx, db, scan, `WITH s AS (SELECT id FROM series WHERE site = $1 AND subject = $2 AND name = $3)
		(SELECT at, value FROM signal WHERE site = $1 AND series = (SELECT id FROM s) AND at < $4 AND ($6 = 0 OR value <= $6) ORDER BY at DESC LIMIT 1)
		UNION ALL (SELECT at, value FROM signal WHERE site = $1 AND series = (SELECT id FROM s) AND at >= $4 AND at < $5 AND ($6 = 0 OR value <= $6))
		UNION ALL (SELECT at, value FROM signal WHERE site = $1 AND series = (SELECT id FROM s) AND at >= $5 AND ($6 = 0 OR value <= $6) ORDER BY at LIMIT 1)
		ORDER BY at`, series.subject, series.name, from.UTC(), to.UTC(), atMost)
}

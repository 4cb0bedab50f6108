package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// audit notes who did what, in the transaction of the act.
func audit(ctx context.Context, tx pgx.Tx, site int16, a AuditRow) error {
	_, err := tx.Exec(ctx, "INSERT INTO audit (site, by, action, subject, detail) VALUES ($1, $2, $3, $4, $5)",
		site, text(a.By), a.Action, text(a.Subject), text(a.Detail))
	return err
}

// AuditRow is one act of a person.
type AuditRow struct {
	ID      int64     // given by the store, rising
	At      time.Time // when it was recorded, by the clock of the database
	By      string
	Action  string // what was done, for example fit, exchange, freeze, adjust or publish
	Subject string // the lamp, register, task or project
	Detail  string
}

// AuditLog gives the newest acts, newest first.
func (db *DB) AuditLog(ctx context.Context, limit int) ([]AuditRow, error) {
	return db.AuditBefore(ctx, 0, limit)
}

// AuditBefore gives the newest of the acts that were recorded before the one with
// an id (0: of all), newest first.
func (db *DB) AuditBefore(ctx context.Context, id int64, limit int) ([]AuditRow, error) {
	scan := func(row pgx.CollectableRow) (AuditRow, error) {
		var a AuditRow
		err := row.Scan(&a.ID, &a.At, &a.By, &a.Action, &a.Subject, &a.Detail)
		a.At = a.At.UTC()
		return a, err
	}
	return collect(ctx, db, scan, "SELECT id, at, by, action, subject, detail FROM audit WHERE site = $1 AND ($2 = 0 OR id < $2) ORDER BY id DESC LIMIT $3", id, limit)
}

// DeclareExchange records that a register was exchanged. A second exchange at
// the same instant is ErrConflict.
func (db *DB) DeclareExchange(ctx context.Context, x plant.Exchange) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	id, err := s.register(x.Register)
	if err == nil && !plausible(x.At) {
		err = fmt.Errorf("instant %s: expected one of the years 2000 to 2099", x.At.UTC().Format(time.RFC3339))
	}
	if err != nil {
		return fmt.Errorf("declare exchange: %w", err)
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "INSERT INTO exchange (site, register, at, final_value, first_value, by, note) VALUES ($1, $2, $3, $4, $5, $6, $7)",
			s.id, id, x.At.UTC(), x.Final, x.First, text(x.By), text(x.Note)); err != nil {
			return err
		}
		if err := markRegister(ctx, tx, s.id, id, x.At); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, AuditRow{By: x.By, Action: "exchange", Subject: string(x.Register),
			Detail: fmt.Sprintf("at %s from %d to %d: %s", x.At.UTC().Format(time.RFC3339), x.Final, x.First, x.Note)})
	})
	if sqlState(err) == uniqueViolation {
		return fmt.Errorf("declare exchange of %s: %w: one is declared at %s already", x.Register, ErrConflict, x.At.UTC().Format(time.RFC3339))
	}
	if err != nil {
		return fmt.Errorf("declare exchange of %s: %w", x.Register, err)
	}
	return nil
}

package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Adjust records a non-routine adjustment for ever and gives its number, one more
// than the project's last; a.Number and a.Recorded are not used. One that is
// instead of an adjustment that is not there, or that another took the place of
// already, is ErrConflict.
func (db *DB) Adjust(ctx context.Context, a plant.Adjustment) (number int, err error) {
	s, err := db.bound()
	if err != nil {
		return 0, err
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		// Numbers of a site are given one at a time.
		if _, err := tx.Exec(ctx, "SELECT FROM site WHERE id = $1 FOR UPDATE", s.id); err != nil {
			return err
		}
		var instead *int
		if a.InsteadOf > 0 {
			instead = &a.InsteadOf
		}
		if err := tx.QueryRow(ctx, `INSERT INTO adjustment (site, project, number, from_day, to_day, energy, factor, event, evidence, approver, instead_of)
			SELECT $1, $2, coalesce(max(number), 0) + 1, $3, $4, $5, $6, $7, $8, $9, $10 FROM adjustment WHERE site = $1 AND project = $2
			RETURNING number`, s.id, a.Project, a.From.UTC(), a.To.UTC(), int64(a.Energy), text(a.Factor), text(a.Event), text(a.Evidence), text(a.Approver), instead).Scan(&number); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, AuditRow{By: a.Approver, Action: "adjust", Subject: string(a.Project), Detail: fmt.Sprintf("adjustment %d, %d mWh: %s; evidence: %s", number, a.Energy, a.Event, a.Evidence)})
	})
	if pg, ok := errors.AsType[*pgconn.PgError](err); ok && (pg.Code == "23503" || pg.Code == "23505") {
		err = fmt.Errorf("%w: adjustment %d is not on record, or another took its place already — see curetally adjustment list %s", ErrConflict, a.InsteadOf, a.Project)
	}
	if err != nil {
		return 0, fmt.Errorf("adjust savings of %s: %w", a.Project, err)
	}
	return number, nil
}

// Adjustments gives all adjustments of a project by number.
func (db *DB) Adjustments(ctx context.Context, project plant.ProjectID) ([]plant.Adjustment, error) {
	scan := func(row pgx.CollectableRow) (plant.Adjustment, error) {
		a := plant.Adjustment{Project: project}
		var energy int64
		err := row.Scan(&a.Number, &a.From, &a.To, &energy, &a.Factor, &a.Event, &a.Evidence, &a.Approver, &a.InsteadOf, &a.Recorded)
		a.From, a.To, a.Recorded, a.Energy = a.From.UTC(), a.To.UTC(), a.Recorded.UTC(), unit.Energy(energy)
		return a, err
	}
	all, err := collect(ctx, db, scan, `SELECT number, from_day, to_day, energy, factor, event, evidence, approver, coalesce(instead_of, 0), recorded
		FROM adjustment WHERE site = $1 AND project = $2 ORDER BY number`, project)
	if err != nil {
		return nil, fmt.Errorf("adjustments of %s: %w", project, err)
	}
	return all, nil
}

// Publish keeps a statement for ever as the version that it names. A version that
// is there already is ErrConflict: somebody published meanwhile.
func (db *DB) Publish(ctx context.Context, p plant.Published) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO statement (site, project, period, version, published_at, by, software, reason, hash, document)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			s.id, p.Project, p.Period, p.Version, p.At.UTC(), text(p.By), p.Software, text(p.Reason), p.Hash, append([]byte{}, p.Document...)); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, AuditRow{By: p.By, Action: "publish", Subject: string(p.Project), Detail: fmt.Sprintf("%s, version %d, %s", p.Period, p.Version, p.Hash)})
	})
	if pg, ok := errors.AsType[*pgconn.PgError](err); ok && pg.Code == "23505" {
		err = fmt.Errorf("%w: somebody published version %d meanwhile — look at it with curetally savings published %s", ErrConflict, p.Version, p.Project)
	}
	if err != nil {
		return fmt.Errorf("publish the statement of %s, %s: %w", p.Project, p.Period, err)
	}
	return nil
}

// Published gives all published statements of a project, by period and version.
func (db *DB) Published(ctx context.Context, project plant.ProjectID) ([]plant.Published, error) {
	scan := func(row pgx.CollectableRow) (plant.Published, error) {
		p := plant.Published{Project: project}
		err := row.Scan(&p.Period, &p.Version, &p.At, &p.By, &p.Software, &p.Reason, &p.Hash, &p.Document)
		p.At = p.At.UTC()
		return p, err
	}
	all, err := collect(ctx, db, scan, `SELECT period, version, published_at, by, software, reason, hash, document
		FROM statement WHERE site = $1 AND project = $2 ORDER BY period COLLATE "C", version`, project)
	if err != nil {
		return nil, fmt.Errorf("published statements of %s: %w", project, err)
	}
	return all, nil
}

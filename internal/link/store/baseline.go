package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// FreezeBaseline keeps a baseline for ever and gives its version, one more than
// the project's last; f.Version is not used. The database refuses every later
// change of the row.
func (db *DB) FreezeBaseline(ctx context.Context, f plant.Frozen) (version int, err error) {
	s, err := db.bound()
	if err != nil {
		return 0, err
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		// Versions of a site are given one at a time.
		if _, err := tx.Exec(ctx, "SELECT FROM site WHERE id = $1 FOR UPDATE", s.id); err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, `INSERT INTO baseline (site, project, version, frozen_at, approver, software, data_hash, document)
			SELECT $1, $2, coalesce(max(version), 0) + 1, $3, $4, $5, $6, $7 FROM baseline WHERE site = $1 AND project = $2
			RETURNING version`, s.id, f.Project, f.At.UTC(), f.Approver, f.Software, f.Hash, append([]byte{}, f.Document...)).Scan(&version); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, AuditRow{By: f.Approver, Action: "freeze", Subject: string(f.Project), Detail: fmt.Sprintf("version %d of data %s", version, f.Hash)})
	})
	if err != nil {
		return 0, fmt.Errorf("freeze baseline of %s: %w", f.Project, err)
	}
	return version, nil
}

// Baseline gives the newest frozen baseline of a project; found is false when
// there is none.
func (db *DB) Baseline(ctx context.Context, project plant.ProjectID) (f plant.Frozen, found bool, err error) {
	s, err := db.bound()
	if err != nil {
		return f, false, err
	}
	f.Project = project
	err = db.pool.QueryRow(ctx, `SELECT version, frozen_at, approver, software, data_hash, document FROM baseline
		WHERE site = $1 AND project = $2 ORDER BY version DESC LIMIT 1`, s.id, project).
		Scan(&f.Version, &f.At, &f.Approver, &f.Software, &f.Hash, &f.Document)
	if errors.Is(err, pgx.ErrNoRows) {
		return plant.Frozen{}, false, nil
	}
	if err != nil {
		return plant.Frozen{}, false, fmt.Errorf("baseline of %s: %w", project, err)
	}
	f.At = f.At.UTC()
	return f, true, nil
}

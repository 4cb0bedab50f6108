package store

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed migrations/*.sql
var migrations embed.FS

const versionTable = "schema_version"

// Migrate brings the schema up to this program's version. Programs that start
// at once wait for each other. A database that is newer than the program is
// refused with ErrNewer.
func (db *DB) Migrate(ctx context.Context) error {
	return db.withProvider(func(p *goose.Provider) error {
		if _, err := db.pending(ctx, p); err != nil {
			return err
		}
		if _, err := p.Up(ctx); err != nil {
			return fmt.Errorf("migrate the database: %w", err)
		}
		_, err := db.pending(ctx, p)
		return err
	})
}

// Pending says how many migrations Migrate would carry out. It returns ErrNewer
// as Migrate does.
func (db *DB) Pending(ctx context.Context) (n int, err error) {
	err = db.withProvider(func(p *goose.Provider) error {
		n, err = db.pending(ctx, p)
		return err
	})
	return n, err
}

// Version is the version of the schema in the database; 0 before the first
// migration.
func (db *DB) Version(ctx context.Context) (int64, error) {
	// The table is asked directly: the library's question would make it, outside
	// of its own lock.
	var exists bool
	if err := db.pool.QueryRow(ctx, "SELECT to_regclass($1) IS NOT NULL", versionTable).Scan(&exists); err != nil || !exists {
		return 0, err
	}
	var version int64
	err := db.pool.QueryRow(ctx, "SELECT coalesce(max(version_id), 0) FROM "+versionTable+" WHERE is_applied").Scan(&version)
	return version, err
}

func (db *DB) pending(ctx context.Context, p *goose.Provider) (int, error) {
	version, err := db.Version(ctx)
	if err != nil {
		return 0, fmt.Errorf("version of the database: %w", err)
	}
	newest, n := int64(0), 0
	for _, s := range p.ListSources() {
		newest = max(newest, s.Version)
		if s.Version > version {
			n++
		}
	}
	if version > newest {
		return 0, fmt.Errorf("%w: its schema is version %d, this program knows up to %d — install the program version that migrated it, or restore a backup", ErrNewer, version, newest)
	}
	return n, nil
}

func (db *DB) withProvider(fn func(*goose.Provider) error) (err error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	// Tries once a second, for up to five minutes.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
	if err != nil {
		return err
	}
	conns := stdlib.OpenDBFromPool(db.pool)
	defer closeInto(conns, &err)
	p, err := goose.NewProvider(goose.DialectPostgres, conns, files,
		goose.WithSessionLocker(locker), goose.WithTableName(versionTable),
		goose.WithDisableGlobalRegistry(true), goose.WithSlog(db.log))
	if err != nil {
		return err
	}
	return fn(p)
}

func closeInto(conns *sql.DB, err *error) {
	if e := conns.Close(); e != nil && *err == nil {
		*err = e
	}
}

package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

var (
	// ErrNoSite says that the method needs Sync first.
	ErrNoSite = errors.New("store: no site is chosen yet")
	// ErrNotFound says that something named is not in the database.
	ErrNotFound = errors.New("not found")
	// ErrConflict says that an act contradicts what is recorded.
	ErrConflict = errors.New("contradicts what is recorded")
	// ErrGap says that a batch is missing before the first one given.
	ErrGap = errors.New("gap in the numbers of the spool")
	// ErrSettled says that another settler was faster.
	ErrSettled = errors.New("these facts were settled by another meanwhile")
	// ErrNewer says that the database was migrated by a newer program.
	ErrNewer = errors.New("the database is newer than this program")
)

// Options says how to connect.
type Options struct {
	// MaxConns bounds the connections; 0 means 8, the least is 2.
	MaxConns int32
	// ApplicationName shows in pg_stat_activity; empty means curetally.
	ApplicationName string
	// Log receives what a person should know and no caller needs; nil discards
	// it.
	Log *slog.Logger
}

// DB is the store of one site.
type DB struct {
	pool *pgxpool.Pool
	log  *slog.Logger
	site atomic.Pointer[site]

	mu     sync.Mutex           // guards the rest; never held during a query
	months map[string]bool      // partitions known to exist, by name
	series map[seriesName]int32 // ids of signal series
}

type seriesName struct{ subject, name string }

// Open connects and checks the connection. Close the DB when done.
func Open(ctx context.Context, url string, o Options) (*DB, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("database URL: %w — expected postgres://user@host/name", err)
	}
	if o.MaxConns == 0 {
		o.MaxConns = 8
	}
	if o.ApplicationName == "" {
		o.ApplicationName = "curetally"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	cfg.MaxConns = max(2, o.MaxConns)
	cfg.MaxConnLifetimeJitter = cfg.MaxConnLifetime / 10
	cfg.ConnConfig.ConnectTimeout = 5 * time.Second
	for key, value := range map[string]string{
		"application_name":                    o.ApplicationName,
		"timezone":                            "UTC",
		"lock_timeout":                        "10s",
		"idle_in_transaction_session_timeout": "60s",
	} {
		cfg.ConnConfig.RuntimeParams[key] = value
	}
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	db := &DB{pool: pool, log: o.Log.With("component", "store"), months: map[string]bool{}, series: map[seriesName]int32{}}
	if err := db.Ping(ctx); err != nil {
		pool.Close()
		return nil, err
	}
	return db, nil
}

// Unreachable says of an error of Open that no server answered, or that it takes
// no connections yet: trying again later may help. A refused password or a
// database that does not exist is not such an error.
func Unreachable(err error) bool {
	if _, connecting := errors.AsType[*pgconn.ConnectError](err); !connecting {
		return false
	}
	switch sqlState(err) {
	case "", cannotConnectNow, tooManyConnections:
		return true
	default:
		return false
	}
}

// Close ends all connections, after those in use have been given back.
func (db *DB) Close() { db.pool.Close() }

// Ping checks that the database answers.
func (db *DB) Ping(ctx context.Context) error {
	if err := db.pool.Ping(ctx); err != nil {
		return fmt.Errorf("database does not answer: %w", err)
	}
	return nil
}

// tx runs fn in a transaction. It runs it a second time when the connection
// turned out dead before COMMIT was sent: the server was restarted under an
// idle pool. Once COMMIT is on its way nothing is repeated here.
func (db *DB) tx(ctx context.Context, fn func(pgx.Tx) error) error {
	committing, err := db.once(ctx, fn)
	if err != nil && !committing && pgconn.SafeToRetry(err) {
		_, err = db.once(ctx, fn)
	}
	return err
}

// once is not pgx.BeginFunc, because that hides an error of COMMIT behind the
// error of the ROLLBACK that it tries afterwards, and that one looks as if it
// were safe to repeat.
func (db *DB) once(ctx context.Context, fn func(pgx.Tx) error) (committing bool, err error) {
	tx, err := db.pool.Begin(ctx)
	if err != nil {
		return false, err
	}
	if err := fn(tx); err != nil {
		// The connection goes back to the pool only if this succeeds.
		_ = tx.Rollback(context.WithoutCancel(ctx))
		return false, err
	}
	return true, tx.Commit(ctx)
}

// sqlState gives the SQLSTATE of a server error, or nothing.
func sqlState(err error) string {
	if e, ok := errors.AsType[*pgconn.PgError](err); ok {
		return e.Code
	}
	return ""
}

const (
	uniqueViolation    = "23505"
	duplicateTable     = "42P07"
	cannotConnectNow   = "57P03"
	tooManyConnections = "53300"
)

// collect runs a query whose $1 is the site and scans its rows. A query that
// found a dead connection is asked once more.
func collect[T any](ctx context.Context, db *DB, scan pgx.RowToFunc[T], sql string, args ...any) ([]T, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	args = append([]any{s.id}, args...)
	ask := func() ([]T, error) {
		rows, err := db.pool.Query(ctx, sql, args...)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, scan)
	}
	all, err := ask()
	if err != nil && pgconn.SafeToRetry(err) {
		return ask()
	}
	return all, err
}

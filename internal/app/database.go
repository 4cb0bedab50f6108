package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/privatepg"
	"curetally/internal/link/store"
	"curetally/internal/work/settle"
)

// OpenStore opens the database of a configuration for a command: the given
// database, else the private cluster of a running daemon, else the private
// cluster itself, which then runs until the command ends. The schema is brought
// up to date. end closes everything that was opened.
func OpenStore(ctx context.Context, c *config.Config, log *slog.Logger) (db *store.DB, end func(context.Context) error, err error) {
	var undo cleanups
	url, _, err := databaseURL(ctx, c, log, &undo, true)
	if err == nil {
		db, err = connect(ctx, c, log, url)
	}
	if err != nil {
		return nil, nil, errors.Join(err, undo.run(ctx))
	}
	undo.add("database connections", func(context.Context) error { db.Close(); return nil })
	return db, undo.run, nil
}

// Settle settles what is marked, for a command that has changed facts; a daemon
// that runs beside it may do the same. The error says that what was recorded is on
// record and is settled later.
func Settle(ctx context.Context, p *plant.Plant, db *store.DB, log *slog.Logger) error {
	s := settle.New(settle.Options{Plant: p, Store: db, Log: log, Rand: seeded()})
	if err := s.Rest(ctx); err != nil {
		return fmt.Errorf("the facts are on record, but not settled yet; the daemon goes on with it: %w", err)
	}
	return nil
}

// openDaemonStore opens the database of a daemon, which runs its private
// cluster itself. dead closes when that cluster's server dies; it is nil when
// the database is not private.
func openDaemonStore(ctx context.Context, c *config.Config, log *slog.Logger, undo *cleanups) (db *store.DB, dead <-chan struct{}, err error) {
	url, dead, err := databaseURL(ctx, c, log, undo, false)
	if err != nil {
		return nil, nil, err
	}
	if db, err = awaitStore(ctx, c, log, url); err != nil {
		return nil, nil, err
	}
	undo.add("database connections", func(context.Context) error { db.Close(); return nil })
	return db, dead, nil
}

// errInterrupted says that ctx ended before the daemon had begun.
var errInterrupted = errors.New("interrupted while waiting for the database")

// databasePause is the pause between two tries to reach the database at start.
const databasePause = 2 * time.Second

// awaitStore opens the store as soon as the database answers: after a power cut
// it may come up later than the daemon. Meanwhile the registers of the meters go
// on counting and the broker keeps the messages. What a later try cannot heal,
// such as a refused password, is an error at once.
func awaitStore(ctx context.Context, c *config.Config, log *slog.Logger, url string) (*store.DB, error) {
	for attempt := 1; ; attempt++ {
		db, err := connect(ctx, c, log, url)
		switch {
		case err == nil && attempt > 1:
			log.Info("the database answers", "component", "app", "attempt", attempt)
			return db, nil
		case err == nil:
			return db, nil
		case ctx.Err() != nil:
			return nil, errInterrupted
		case !store.Unreachable(err):
			return nil, err
		case attempt == 1:
			log.Error("the database cannot be reached; the daemon begins when it answers — check database.url and that the server runs", "component", "app", "err", err)
		}
		timer := time.NewTimer(databasePause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil, errInterrupted
		case <-timer.C:
		}
	}
}

// connect opens the store, brings its schema up to date and binds it to the
// plant.
func connect(ctx context.Context, c *config.Config, log *slog.Logger, url string) (*store.DB, error) {
	db, err := store.Open(ctx, url, store.Options{Log: log, ApplicationName: "curetally " + c.Plant.Name})
	if err != nil {
		return nil, err
	}
	if err := db.Migrate(ctx); err != nil {
		db.Close()
		return nil, err
	}
	if err := db.Sync(ctx, &c.Plant); err != nil {
		db.Close()
		return nil, err
	}
	return db, nil
}

// databaseURL gives the connection string and, where this process runs the
// private cluster, the channel that closes when its server dies.
func databaseURL(ctx context.Context, c *config.Config, log *slog.Logger, undo *cleanups, attach bool) (string, <-chan struct{}, error) {
	d := c.Settings.Database
	if url := d.URL.Reveal(); url != "" {
		return url, nil, nil
	}
	o := privatepg.Options{Dir: c.Settings.DataDir, BinDir: d.BinDir, RunAs: d.RunAs, Log: log}
	if attach {
		url, running, err := privatepg.Attach(ctx, o)
		if err != nil {
			return "", nil, err
		}
		if running {
			return url, nil, nil
		}
	}
	cluster, err := privatepg.Start(ctx, o)
	if err != nil {
		return "", nil, err
	}
	undo.add("private database", cluster.Stop)
	return cluster.URL(), cluster.Done(), nil
}

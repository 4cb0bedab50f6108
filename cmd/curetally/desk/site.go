// Package desk has the commands by which people at a plant look at its store:
// tasks, lamps, baselines, savings, audit. Each command is a struct whose fields
// are its flags, in a file of its own.
//
// A command opens the store of the configured plant for as long as it runs,
// beside a running daemon or alone. Results go to standard output, as a table or
// as JSON with names in lower case joined by underscores.
//
// What such commands share is here too: the flag that names the plant, and how
// instants, numbers and unknown names are shown.
package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"

	"curetally/internal/app"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
)

// Surroundings is what a command gets from the process.
type Surroundings struct {
	Stdout  io.Writer
	Log     *slog.Logger
	Version string // of the program
}

// ErrFinding says that a command worked and found something that a person must
// look at.
var ErrFinding = errors.New("found something")

// Site are the flags of every command that works on a plant.
type Site struct {
	Config string `help:"Configuration file; curetally.yaml by default." default:"curetally.yaml" placeholder:"FILE"`
}

// Load reads the configuration.
func (f Site) Load() (*config.Config, error) {
	c, err := config.Load(f.Config)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w — name the plant's file with --config", err)
	}
	return c, err
}

// With opens the plant's store for as long as fn runs.
func (f Site) With(ctx context.Context, s Surroundings, fn func(*plant.Plant, *store.DB) error) error {
	return f.WithConfig(ctx, s, func(c *config.Config, db *store.DB) error { return fn(&c.Plant, db) })
}

// WithConfig is With for a command that needs more of the configuration than the
// plant.
func (f Site) WithConfig(ctx context.Context, s Surroundings, fn func(*config.Config, *store.DB) error) error {
	c, err := f.Load()
	if err != nil {
		return err
	}
	db, end, err := app.OpenStore(ctx, c, Quiet(s.Log))
	if err != nil {
		return err
	}
	return errors.Join(fn(c, db), end(ctx))
}

// Unknown says that a name is not in the configuration, and what may have been
// meant.
func Unknown[T any](what, name string, known []T, nameOf func(T) string) error {
	return deeds.Unknown(what, name, known, nameOf)
}

// Package desk has the commands by which people at a plant look at its store and
// record what they did: tasks, lamps, exchanges, baselines, savings, audit. Each
// command is a struct whose fields are its flags, in a file of its own.
//
// A command opens the store of the configured plant for as long as it runs,
// beside a running daemon or alone. Results go to standard output, as a table or
// as JSON with names in lower case joined by underscores.
//
// What a person gives is checked before the store is opened where that can be
// done: Validate refuses a wrong call, Run what the plant contradicts.
package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"strings"
	"time"

	"curetally/internal/app"
	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/config/strictyaml"
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

// with opens the plant's store for as long as fn runs.
func (f Site) with(ctx context.Context, s Surroundings, fn func(*plant.Plant, *store.DB) error) error {
	c, err := f.Load()
	if err != nil {
		return err
	}
	db, end, err := app.OpenStore(ctx, c, Quiet(s.Log))
	if err != nil {
		return err
	}
	return errors.Join(fn(&c.Plant, db), end(ctx))
}

// Who is the flag that names the person who did something.
type Who struct {
	By string `required:"" help:"Who did it." placeholder:"NAME"`
}

// Validate refuses a name that names nobody.
func (f Who) Validate() error {
	if strings.TrimSpace(f.By) == "" {
		return errors.New("--by NAME is missing: expected the name of the person who did it")
	}
	return nil
}

// When is the flag for the instant of what is recorded.
type When struct {
	At string `help:"When, as 2026-03-09T14:30:00Z or in the site's time as \"2026-03-09 14:30\"; now by default." placeholder:"TIME"`
}

// Validate refuses what is no instant in any zone.
func (f When) Validate() error {
	_, err := f.parse(time.UTC)
	return err
}

// instant gives the instant in UTC. One to come is refused, because nothing can
// be recorded before it has happened.
func (f When) instant(p *plant.Plant) (time.Time, error) {
	now := time.Now()
	if f.At == "" {
		return now.Truncate(time.Millisecond).UTC(), nil
	}
	at, err := f.parse(p.TimeZone)
	if err == nil && at.After(now.Add(clockTolerance)) {
		err = fmt.Errorf("--at %s lies in the future: record it once it has happened", moment(at, p))
	}
	return at.UTC(), err
}

// clockTolerance is how far the clock of another machine, from which --at was
// read, may be ahead of this one's.
const clockTolerance = time.Minute

// parse reads RFC 3339, or date and time of a zone. Empty text is no error.
func (f When) parse(zone *time.Location) (time.Time, error) {
	if f.At == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02 15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, f.At, zone); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("--at %q: expected an instant such as 2026-03-09T14:30:00Z, or the site's time such as %q", f.At, "2026-03-09 14:30")
}

// unknown says that a name is not in the configuration, and what may have been
// meant.
func unknown[T any](what, name string, known []T, nameOf func(T) string) error {
	names := make([]string, len(known))
	for i, k := range known {
		names[i] = nameOf(k)
	}
	return fmt.Errorf("%s %q is not in the configuration — %s", what, name, strictyaml.Suggest(name, names, "there is none; add one"))
}

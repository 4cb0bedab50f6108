// Package acts has the commands by which people put on record what they did:
// tasks carried out, lamps fitted and taken out, meters exchanged, baselines
// frozen. Each command is a struct whose fields are its flags.
//
// Every record names the person and the instant. An instant to come is refused,
// because nothing can be recorded before it has happened.
//
// What a person gives is checked before the store is opened where that can be
// done: Validate refuses a wrong call, package deeds what the plant contradicts.
package acts

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
)

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

// record opens the store, records a deed and prints what it says.
func record(ctx context.Context, site desk.Site, s desk.Surroundings, deed func(b deeds.Book) (string, error)) error {
	return site.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		text, err := deed(bookOf(p, db, s))
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(s.Stdout, text)
		return err
	})
}

func bookOf(p *plant.Plant, db *store.DB, s desk.Surroundings) deeds.Book {
	return deeds.Book{
		Plant: p, Store: db, Software: s.Version,
		Settle: func(ctx context.Context) error { return app.Settle(ctx, p, db, desk.Quiet(s.Log)) },
	}
}

// OfTask is the argument that names a task.
type OfTask struct {
	Task string `arg:"" help:"Task as RULE/SUBJECT, for example reflector-clean/heron-3."`
}

// names reads RULE/SUBJECT.
func (f OfTask) names() (plant.RuleID, string, error) {
	rule, subject, ok := strings.Cut(f.Task, "/")
	if !ok {
		return "", "", fmt.Errorf("task %q: expected RULE/SUBJECT, for example reflector-clean/heron-3", f.Task)
	}
	return plant.RuleID(rule), subject, nil
}

// Package deeds puts on record what people did, after it was held against the
// plant: tasks done or put off, lamps moved, meters exchanged, readings ruled on,
// baselines frozen, savings adjusted and published. Commands and the HTTP
// interface both go through it, so that no way in is more lenient than another.
//
// Each deed gives the sentence that tells the person what is now on record, or an
// error in words for that person. ErrUnknown and ErrRefused mark those that the
// person can put right; store.ErrConflict marks what contradicts the records.
//
// A Book is safe for concurrent use. Every deed leaves a row in the log of acts,
// written by the store in the transaction of the deed.
package deeds

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/store"
)

var (
	// ErrUnknown says that something named is not in the configuration or not on
	// record.
	ErrUnknown = errors.New("not there")
	// ErrRefused says that a deed cannot be recorded as it was given.
	ErrRefused = errors.New("refused")
)

// said is an error whose whole text is meant for a person.
type said struct {
	kind error
	text string
}

func (e *said) Error() string { return e.text }
func (e *said) Unwrap() error { return e.kind }

func refused(format string, args ...any) error {
	return &said{ErrRefused, fmt.Sprintf(format, args...)}
}

// Unknown says that a name is not in the configuration, and what may have been
// meant.
func Unknown[T any](what, name string, known []T, nameOf func(T) string) error {
	names := make([]string, len(known))
	for i, k := range known {
		names[i] = nameOf(k)
	}
	return &said{ErrUnknown, fmt.Sprintf("%s %q is not in the configuration — %s", what, name, strictyaml.Suggest(name, names, "there is none; add one"))}
}

// Book is where deeds are recorded. All fields are required.
type Book struct {
	Plant *plant.Plant
	Store *store.DB
	// Settle settles what is marked, after a ruling.
	Settle func(ctx context.Context) error
	// Software is the version of the program that baselines and statements name.
	Software string
}

// clockTolerance is how far the clock of another machine, from which an instant
// was read, may be ahead of this one's.
const clockTolerance = time.Minute

// act checks what every deed has: who, and when. It gives the instant in UTC, now
// for none. One to come is refused, because nothing can be recorded before it has
// happened.
func (b Book) act(by string, at time.Time) (time.Time, error) {
	if err := named(by); err != nil {
		return at, err
	}
	now := time.Now()
	if at.IsZero() {
		return now.Truncate(time.Millisecond).UTC(), nil
	}
	if at.After(now.Add(clockTolerance)) {
		return at, refused("%s lies in the future: record it once it has happened", b.moment(at))
	}
	return at.UTC(), nil
}

// named refuses a deed of nobody.
func named(by string) error {
	if strings.TrimSpace(by) == "" {
		return refused("expected the name of the person who did it")
	}
	return nil
}

// day gives the local midnight of the day that a date names in its own zone.
func (b Book) day(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, b.Plant.TimeZone)
}

func (b Book) moment(t time.Time) string {
	return t.In(b.Plant.TimeZone).Format("Mon 2 Jan 2006 15:04")
}

func (b Book) date(t time.Time) string { return t.In(b.Plant.TimeZone).Format(time.DateOnly) }

func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

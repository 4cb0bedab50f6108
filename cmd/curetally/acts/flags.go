// Package acts has the commands by which people put on record what they did:
// tasks carried out, lamps fitted and taken out, meters exchanged, baselines
// frozen. Each command is a struct whose fields are its flags.
//
// Every record names the person and the instant. An instant to come is refused,
// because nothing can be recorded before it has happened.
//
// What a person gives is checked before the store is opened where that can be
// done: Validate refuses a wrong call, Run what the plant contradicts.
package acts

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
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

// instant gives the instant in UTC. One to come is refused, because nothing can
// be recorded before it has happened.
func (f When) instant(p *plant.Plant) (time.Time, error) {
	now := time.Now()
	if f.At == "" {
		return now.Truncate(time.Millisecond).UTC(), nil
	}
	at, err := f.parse(p.TimeZone)
	if err == nil && at.After(now.Add(clockTolerance)) {
		err = fmt.Errorf("--at %s lies in the future: record it once it has happened", desk.Moment(at, p))
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

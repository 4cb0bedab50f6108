// Package people has the commands by which is said who may do what: people with
// their roles and passwords, and tokens for programs. They work on the plant's
// store, beside a running daemon, and hold from its next request on.
//
// Whoever can run them can read the configuration and thereby the database, so
// they ask for no password of their own; that first person is how the others get
// in. Each act bears the name of --by in the audit log.
//
// A password is read from the terminal without showing it, or from standard input;
// it is never an argument, because those can be read by everybody on the machine.
package people

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"curetally/cmd/curetally/acts"
	"curetally/cmd/curetally/desk"
	"curetally/internal/core/access"
	"curetally/internal/core/access/secret"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
)

// OfPerson is the argument that names a person.
type OfPerson struct {
	Name string `arg:"" help:"Name of the person, as it is to stand in records, for example Ann."`
}

// Validate refuses what is no name.
func (f OfPerson) Validate() error { return access.CheckName(f.Name) }

// InRole is the argument for a role.
type InRole struct {
	Role access.Role `arg:"" help:"reader: looks; planner: also tasks, lamps, notices; engineer: also registers, rulings, baselines, adjustments, statements."`
}

// Validate refuses an unknown role.
func (f InRole) Validate() error { return access.CheckRole(f.Role) }

// Add adds a person.
type Add struct {
	desk.Site
	acts.Who
	OfPerson
	Role       access.Role `required:"" help:"reader: looks; planner: also tasks, lamps, notices; engineer: also registers, rulings, baselines, adjustments, statements." placeholder:"ROLE"`
	NoPassword bool        `help:"Without a password: the person gets in by tokens only."`
}

// Validate refuses an unknown role.
func (c Add) Validate() error { return access.CheckRole(c.Role) }

// Run reads the password and adds the person. From the first person on, pages ask
// who is there, also on loopback.
func (c Add) Run(ctx context.Context, s desk.Surroundings) error {
	a := access.Account{Name: c.Name, Role: c.Role, AddedBy: c.By}
	if !c.NoPassword {
		var err error
		if a.Password, err = newHash(c.Name); err != nil {
			return err
		}
	}
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		if err := db.AddPerson(ctx, a); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.Stdout, "recorded: %s added with the role %s\n", c.Name, c.Role)
		return err
	})
}

// List lists people.
type List struct {
	desk.Site
	JSON bool `help:"Print as JSON."`
}

// Run prints all people; never a hash.
func (c List) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		all, err := db.People(ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return desk.WriteJSON(s.Stdout, map[string]any{"people": append([]access.Account{}, all...)})
		}
		if len(all) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "nobody: pages are open on this machine and shut elsewhere")
			return err
		}
		rows := make([][]string, 0, len(all))
		for _, a := range all {
			by, state := "password", ""
			if a.Password == "" {
				by = "tokens, or elsewhere"
			}
			if a.Disabled {
				state = "disabled"
			}
			rows = append(rows, []string{a.Name, string(a.Role), by, state, desk.Moment(a.Added, p), a.AddedBy})
		}
		return desk.Table(s.Stdout, "NAME\tROLE\tSIGNS IN BY\tSTATE\tADDED\tADDED BY", rows)
	})
}

// Role changes a person's role.
type Role struct {
	desk.Site
	acts.Who
	OfPerson
	InRole
}

// Run changes the role, from the person's next request on.
func (c Role) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		if err := db.SetRole(ctx, c.Name, c.Role, c.By); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.Stdout, "recorded: %s has the role %s\n", c.Name, c.Role)
		return err
	})
}

// Disable shuts a person out.
type Disable struct {
	desk.Site
	acts.Who
	OfPerson
	Again bool `help:"Let the person in again."`
}

// Run ends the person's sessions and lets neither password nor tokens in, or lets
// them in again.
func (c Disable) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		if err := db.SetDisabled(ctx, c.Name, !c.Again, c.By); err != nil {
			return err
		}
		text := "is disabled; sessions have ended and tokens open nothing"
		if c.Again {
			text = "is let in again"
		}
		_, err := fmt.Fprintf(s.Stdout, "recorded: %s %s\n", c.Name, text)
		return err
	})
}

// Password sets a person's password.
type Password struct {
	desk.Site
	acts.Who
	OfPerson
}

// Run reads the password and sets it; all sessions of the person end.
func (c Password) Run(ctx context.Context, s desk.Surroundings) error {
	hash, err := newHash(c.Name)
	if err != nil {
		return err
	}
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		if err := db.SetPassword(ctx, c.Name, hash, c.By); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.Stdout, "recorded: new password of %s; sessions have ended\n", c.Name)
		return err
	})
}

// newHash reads a new password and hashes it.
func newHash(name string) (string, error) {
	password, err := newPassword(name)
	if err != nil {
		return "", err
	}
	if err := secret.CheckPassword(password); err != nil {
		return "", err
	}
	salt := make([]byte, secret.SaltBytes)
	_, _ = rand.Read(salt) // never fails
	return secret.Hash(password, salt)
}

// newPassword asks twice on a terminal; otherwise it takes the one line of standard
// input.
func newPassword(name string) (string, error) {
	fd := int(os.Stdin.Fd()) //nolint:gosec // a descriptor is small
	if !term.IsTerminal(fd) {
		return oneLine(os.Stdin)
	}
	ask := func(prompt string) (string, error) {
		fmt.Fprint(os.Stderr, prompt)
		text, err := term.ReadPassword(fd)
		fmt.Fprintln(os.Stderr)
		return string(text), err
	}
	first, err := ask("Password for " + name + " (not shown): ")
	if err != nil {
		return "", err
	}
	again, err := ask("Once more: ")
	if err == nil && again != first {
		err = errors.New("password: the two are not the same; call the command again")
	}
	return first, err
}

// maxInput bounds what is read of standard input, in bytes.
const maxInput = 4096

// oneLine reads the only line.
func oneLine(r io.Reader) (string, error) {
	data, err := io.ReadAll(io.LimitReader(bufio.NewReader(r), maxInput))
	if err != nil {
		return "", fmt.Errorf("password from standard input: %w", err)
	}
	line := strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
	if line == "" || bytes.ContainsRune([]byte(line), '\n') {
		return "", errors.New("password from standard input: expected exactly one line; on a terminal the command asks for it")
	}
	return line, nil
}

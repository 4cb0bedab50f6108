package people

import (
	"context"
	"crypto/rand"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/acts"
	"curetally/cmd/curetally/desk"
	"curetally/internal/core/access"
	"curetally/internal/core/access/secret"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
)

// Make makes a token.
type Make struct {
	desk.Site
	acts.Who
	Person string         `arg:"" help:"Person in whose name the token acts."`
	Title  string         `required:"" help:"What it is for, so that people know which to revoke, for example \"screen at the press\"." placeholder:"TEXT"`
	For    access.Purpose `help:"api: the HTTP interface and metrics; metrics: metrics alone; calendar: the calendar feed alone." default:"api" placeholder:"PURPOSE"`
	Role   access.Role    `help:"At most this role; reader by default." default:"reader" placeholder:"ROLE"`
	Days   int            `help:"Days until it expires; 0 for never." default:"365" placeholder:"N"`
	JSON   bool           `help:"Print as JSON."`
}

// Validate refuses an unknown purpose or role, and a life that is none.
func (c Make) Validate() error {
	if strings.TrimSpace(c.Title) == "" {
		return fmt.Errorf("--title is empty: expected what the token is for")
	}
	if !slices.Contains(access.Purposes(), c.For) {
		return fmt.Errorf("--for %q: expected api, metrics or calendar", c.For)
	}
	if c.Days < 0 || c.Days > 3650 {
		return fmt.Errorf("--days %d: expected 0 to 3650", c.Days)
	}
	return access.CheckRole(c.Role)
}

// made is what is printed of a new token.
type made struct {
	access.Token
	Secret string `json:"token"`
}

// Run makes a token and prints it, for the only time.
func (c Make) Run(ctx context.Context, s desk.Surroundings) error {
	random := make([]byte, secret.TokenBytes)
	_, _ = rand.Read(random) // never fails
	text, err := secret.Token(random)
	if err != nil {
		return err
	}
	t := access.Token{Person: c.Person, Title: c.Title, Purpose: c.For, Role: c.Role, Made: time.Now().UTC().Truncate(time.Second)}
	if c.Days > 0 {
		t.Expires = t.Made.AddDate(0, 0, c.Days)
	}
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		if t.ID, err = db.AddToken(ctx, t, secret.Digest(text), c.By); err != nil {
			return err
		}
		if c.JSON {
			return desk.WriteJSON(s.Stdout, made{t, text})
		}
		use := "as the header Authorization: Bearer TOKEN"
		if c.For == access.ForCalendar {
			use = "in the address of the calendar, /calendar.ics?token=TOKEN"
		}
		until := "for ever"
		if !t.Expires.IsZero() {
			until = "until " + desk.Moment(t.Expires, p)
		}
		_, err := fmt.Fprintf(s.Stdout, "%s\ntoken %d of %s, role %s at most, good %s; it is shown this once. Give it %s\n", text, t.ID, c.Person, c.Role, until, use)
		return err
	})
}

// Tokens lists tokens.
type Tokens struct {
	desk.Site
	JSON bool `help:"Print as JSON."`
}

// tokenRow is a token in JSON.
type tokenRow struct {
	access.Token
	State string `json:"state"`
}

// Run prints all tokens, those included that open nothing any more.
func (c Tokens) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		all, err := db.Tokens(ctx)
		if err != nil {
			return err
		}
		now := time.Now()
		if c.JSON {
			rows := make([]tokenRow, 0, len(all))
			for _, t := range all {
				rows = append(rows, tokenRow{t, t.State(now)})
			}
			return desk.WriteJSON(s.Stdout, map[string]any{"tokens": rows})
		}
		if len(all) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "no tokens")
			return err
		}
		rows := make([][]string, 0, len(all))
		for _, t := range all {
			used := ""
			if !t.LastUsed.IsZero() {
				used = desk.Moment(t.LastUsed, p)
			}
			rows = append(rows, []string{fmt.Sprint(t.ID), t.Person, t.Title, string(t.Purpose), string(t.Role), t.State(now), desk.Date(t.Expires, p), used})
		}
		return desk.Table(s.Stdout, "ID\tPERSON\tTITLE\tFOR\tROLE AT MOST\tSTATE\tEXPIRES\tLAST USED", rows)
	})
}

// Revoke revokes a token.
type Revoke struct {
	desk.Site
	acts.Who
	ID int64 `arg:"" help:"Number of the token, as in the list."`
}

// Run makes the token open nothing any more, from the next request on.
func (c Revoke) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		if err := db.RevokeToken(ctx, c.ID, c.By); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.Stdout, "recorded: token %d opens nothing any more\n", c.ID)
		return err
	})
}

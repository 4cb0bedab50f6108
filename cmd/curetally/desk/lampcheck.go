package desk

import (
	"context"
	"fmt"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
)

// LampCheck compares the counters of lamps and stations with each other.
type LampCheck struct {
	Site
	JSON bool `help:"Print as JSON."`
}

// Run lists what disagrees; anything found is ErrFinding.
func (c LampCheck) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		book, err := lampbook.Read(ctx, db, p, time.Now())
		if err != nil {
			return err
		}
		findings, err := lampbook.Check(ctx, db, p, book)
		if err != nil {
			return err
		}
		if c.JSON {
			if findings == nil {
				findings = []lampbook.Finding{}
			}
			err = WriteJSON(s.Stdout, map[string]any{"at": book.At.UTC(), "findings": findings})
		} else {
			for _, f := range findings {
				if _, err := fmt.Fprintf(s.Stdout, "%s: %s\n  %s\n  %s\n", f.Kind, f.Subject, f.Text, f.Remedy); err != nil {
					return err
				}
			}
			if len(findings) == 0 {
				_, err = fmt.Fprintln(s.Stdout, "the counters of lamps and stations agree")
			}
		}
		if err == nil && len(findings) > 0 {
			return ErrFinding
		}
		return err
	})
}

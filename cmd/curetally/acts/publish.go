package acts

import (
	"context"
	"errors"
	"fmt"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// SavingsPublish publishes the statement of a period that is over.
type SavingsPublish struct {
	desk.Site
	Who
	desk.Period
	Project string `arg:"" help:"Savings project of the configuration."`
	Reason  string `help:"Why a corrected statement takes the place of the one published; required where there is one." placeholder:"TEXT"`
}

// Validate refuses a call without a period.
func (c SavingsPublish) Validate() error {
	if c.Month == "" && c.Day == "" && !c.ToDate {
		return errors.New("name the period: --month 2026-03, --day 2026-03-09 or --to-date")
	}
	return nil
}

// Run publishes the statement.
func (c SavingsPublish) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		pr, err := desk.FindProject(p, c.Project)
		if err != nil {
			return err
		}
		now := time.Now()
		period, err := c.Fixed(p, now)
		if err != nil {
			return err
		}
		out, err := publish.Publish(ctx, db, p, pr, publish.Asked{Now: now, Period: period}, publish.Act{By: c.By, Reason: c.Reason, Software: s.Version})
		if errors.Is(err, publish.ErrUnchanged) {
			_, err = fmt.Fprintf(s.Stdout, "published already: %s, %s, version %d says the same, word for word\n", out.Project, out.Period, out.Version)
			return err
		}
		if err != nil {
			return err
		}
		instead := ""
		if out.Version > 1 {
			instead = fmt.Sprintf(" in place of version %d", out.Version-1)
		}
		_, err = fmt.Fprintf(s.Stdout, "published: %s, %s, version %d%s, by %s\n  SHA-256 %s\n", out.Project, out.Period, out.Version, instead, out.By, out.Hash)
		return err
	})
}

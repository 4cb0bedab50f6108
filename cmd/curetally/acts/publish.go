package acts

import (
	"context"
	"errors"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
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
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		period, err := c.Fixed(b.Plant, time.Now())
		if err != nil {
			return "", err
		}
		return b.Publish(ctx, plant.Published{Project: plant.ProjectID(c.Project), By: c.By, Reason: c.Reason}, period)
	})
}

package acts

import (
	"context"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/store"
)

// BaselineFreeze fits a baseline and freezes it.
type BaselineFreeze struct {
	desk.Site
	Who
	Project string `arg:"" help:"Savings project of the configuration."`
	Reason  string `help:"Why a new version takes the place of the frozen one; required where there is one." placeholder:"TEXT"`
	JSON    bool   `help:"Print as JSON."`

	FromSurvey string `help:"Take the old system of a survey file (volts, amps, power factor, hours; kWh a year) instead of days on record; labelled as not measured." placeholder:"FILE" xor:"from"`
	FromBills  string `help:"Take bills of about a month each from a CSV file (from,to,kwh; to is the first day after) instead of days on record; labelled as not measured." placeholder:"FILE" xor:"from"`
}

// Run freezes a baseline.
func (c BaselineFreeze) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		pr, err := desk.FindProject(p, c.Project)
		if err != nil {
			return err
		}
		var draft *savings.Baseline
		if c.FromSurvey != "" || c.FromBills != "" {
			given, err := c.givenOf(p, pr)
			if err != nil {
				return err
			}
			draft = &given
		}
		b, err := bookOf(p, db, s).Freeze(ctx, plant.Frozen{Project: pr.ID, Approver: c.By}, c.Reason, draft)
		if err != nil {
			return err
		}
		return desk.PrintBaseline(s.Stdout, p, b, c.JSON)
	})
}

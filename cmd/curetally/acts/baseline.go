package acts

import (
	"context"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
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
		b, err := c.freeze(ctx, s, db, site{p, pr})
		if err != nil {
			return err
		}
		return desk.PrintBaseline(s.Stdout, p, b, c.JSON)
	})
}

// site is a project with its plant.
type site struct {
	plant   *plant.Plant
	project plant.Project
}

func (c BaselineFreeze) freeze(ctx context.Context, s desk.Surroundings, db *store.DB, of site) (savings.Baseline, error) {
	if c.FromSurvey == "" && c.FromBills == "" {
		return publish.Freeze(ctx, db, of.plant, of.project, c.info(s.Version))
	}
	draft, err := c.givenOf(of.plant, of.project)
	if err != nil {
		return draft, err
	}
	return publish.FreezeGiven(ctx, db, of.project, draft, c.info(s.Version))
}

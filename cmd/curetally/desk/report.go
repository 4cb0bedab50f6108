package desk

import (
	"context"
	"errors"

	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
)

// Report prints documents about savings projects.
type Report struct {
	Site
	Plan        bool   `required:"" xor:"document" help:"The measurement-and-verification plan, and what of it is missing (exit code 3)."`
	BeforeAfter bool   `required:"" xor:"document" help:"Volts, amperes, peak power, air, noise, temperatures, lamps and upkeep before and after, each with where it is from."`
	Case        string `required:"" xor:"document" help:"The case that a survey made next to what was measured; the survey's file." placeholder:"SURVEY.yaml"`
	Project     string `help:"Savings project; all by default." placeholder:"PROJECT"`
	JSON        bool   `help:"Print as JSON."`
}

// Run prints the document that was asked for.
func (c Report) Run(ctx context.Context, s Surroundings) error {
	return c.WithConfig(ctx, s, func(conf *config.Config, db *store.DB) error {
		projects := conf.Plant.Projects
		if c.Project != "" {
			pr, err := FindProject(&conf.Plant, c.Project)
			if err != nil {
				return err
			}
			projects = []plant.Project{pr}
		}
		if len(projects) == 0 {
			return errors.New("the configuration has no savings project — add one under savings")
		}
		switch {
		case c.BeforeAfter:
			return printBeforeAfter(ctx, s, planned{conf, db, projects, c.JSON})
		case c.Case != "":
			return printCases(ctx, s, c.Case, planned{conf, db, projects, c.JSON})
		default:
			return printPlans(ctx, s, planned{conf, db, projects, c.JSON})
		}
	})
}

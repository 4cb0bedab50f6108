package acts

import (
	"context"
	"time"

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
}

// Run freezes a baseline.
func (c BaselineFreeze) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		pr, err := desk.FindProject(p, c.Project)
		if err != nil {
			return err
		}
		b, err := publish.Freeze(ctx, db, p, pr, savings.FreezeInfo{
			Approver: c.By, At: time.Now().UTC().Truncate(time.Second), Software: s.Version, Reason: c.Reason,
		})
		if err != nil {
			return err
		}
		return desk.PrintBaseline(s.Stdout, p, b, c.JSON)
	})
}

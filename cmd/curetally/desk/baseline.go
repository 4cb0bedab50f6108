package desk

import (
	"context"
	"fmt"
	"io"
	"math"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// BaselineShow shows a frozen baseline.
type BaselineShow struct {
	Site
	Project string `arg:"" help:"Savings project of the configuration."`
	JSON    bool   `help:"Print as JSON."`
}

// Run shows the newest frozen baseline.
func (c BaselineShow) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		pr, err := FindProject(p, c.Project)
		if err != nil {
			return err
		}
		b, found, err := publish.Frozen(ctx, db, pr.ID)
		if err != nil {
			return err
		}
		if !found {
			return noBaseline(pr)
		}
		return PrintBaseline(s.Stdout, p, b, c.JSON)
	})
}

// PrintBaseline prints a frozen baseline, for people or as JSON.
func PrintBaseline(w io.Writer, p *plant.Plant, b savings.Baseline, asJSON bool) error {
	if asJSON {
		return WriteJSON(w, b)
	}
	m := b.Model
	fmt.Fprintf(w, "baseline %s, version %d, frozen %s by %s\n", b.Project, b.Version, Moment(b.Frozen, p), b.Approver)
	fmt.Fprintf(w, "  days used      %d, left out %d\n", len(b.Rows), len(b.Excluded))
	// Below a milliwatt-hour it is rounding; adding 0 turns −0 into 0.
	fmt.Fprintf(w, "  kWh per day  = %.4g", math.Round(m.Coefficients[0]*1e6)/1e6+0)
	for i, name := range m.Names[1:] {
		sign, c := "+", m.Coefficients[i+1]
		if c < 0 {
			sign = "−"
		}
		fmt.Fprintf(w, " %s %.4g × %s", sign, math.Abs(c), name)
	}
	fmt.Fprintf(w, "\n  fit            CV(RMSE) %.1f %%, R² %.4f, residual SD %.1f kWh, lag-1 correlation %.2f\n", 100*m.CVRMSE, m.R2, m.ResidualSD, m.Rho)
	for _, r := range b.Ranges {
		fmt.Fprintf(w, "  %-14s %.4g to %.4g per day\n", r.Driver, r.Min, r.Max)
	}
	_, err := fmt.Fprintf(w, "  data hash      %s\n", b.DataHash)
	return err
}

package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// Savings states the savings against the frozen baseline.
type Savings struct {
	Site
	Project string `arg:"" optional:"" help:"Savings project; all by default."`
	JSON    bool   `help:"Print as JSON."`
}

// Run states the savings of one or all projects. A project that cannot be
// stated does not keep the others from being printed.
func (c Savings) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		projects := p.Projects
		if c.Project != "" {
			pr, err := FindProject(p, c.Project)
			if err != nil {
				return err
			}
			projects = []plant.Project{pr}
		}
		if len(projects) == 0 {
			return errors.New("the configuration has no savings project — add one under savings")
		}
		statements := []savings.Statement{}
		var failed error
		for _, pr := range projects {
			st, b, found, err := publish.State(ctx, db, p, pr, time.Now())
			switch {
			case err != nil:
				failed = errors.Join(failed, err)
				continue
			case !found:
				failed = errors.Join(failed, noBaseline(pr))
				continue
			}
			statements = append(statements, st)
			if !c.JSON {
				if err := printStatement(s.Stdout, p, pr, b, st); err != nil {
					return err
				}
			}
		}
		if c.JSON && len(statements) > 0 {
			return errors.Join(failed, WriteJSON(s.Stdout, map[string]any{"statements": statements}))
		}
		return failed
	})
}

// FindProject looks a savings project up by the name that a person gave.
func FindProject(p *plant.Plant, name string) (plant.Project, error) {
	pr, ok := p.FindProject(plant.ProjectID(name))
	if !ok {
		return pr, Unknown("savings project", name, p.Projects, func(p plant.Project) string { return string(p.ID) })
	}
	return pr, nil
}

func noBaseline(pr plant.Project) error {
	return fmt.Errorf("project %s has no frozen baseline — freeze it before the conversion with curetally baseline freeze %s --by NAME", pr.ID, pr.ID)
}

func printStatement(w io.Writer, p *plant.Plant, pr plant.Project, b savings.Baseline, st savings.Statement) error {
	day := func(t time.Time) string { return t.In(p.TimeZone).Format("2 Jan 2006") }
	fmt.Fprintf(w, "savings of %s, %s to %s (%s counted, %d left out)\n", pr.ID, day(st.From), day(st.To), Count(st.Days, "day"), len(st.Excluded))
	fmt.Fprintf(w, "  would have used  %s kWh (baseline version %d, frozen by %s)\n", unit.Group(st.ExpectedKWh, 0), b.Version, b.Approver)
	fmt.Fprintf(w, "  did use          %s kWh\n", unit.Group(st.ActualKWh, 0))
	fmt.Fprintf(w, "  avoided          %s ± %s kWh at %.0f %% confidence (%.1f %%)\n",
		unit.Group(st.SavedKWh, 0), unit.Group(st.HalfWidthKWh, 0), 100*st.Confidence, 100*st.SavedFraction)
	fmt.Fprintf(w, "  half-width       %s\n", st.UncertaintyWords())
	if !st.Shown {
		fmt.Fprintln(w, "  The interval holds zero: a saving is not shown.")
	}
	if n := len(st.OutsideRange); n > 0 {
		fmt.Fprintf(w, "  beyond baseline  %s; the days with them make up %s kWh of what was avoided\n", Count(n, "driver value"), unit.Group(st.OutsideKWh, 0))
	}
	fmt.Fprintf(w, "  quality          %s of what was used; a day counts with up to %.3g %% that is neither measured nor interpolated\n",
		shares(st.Quality), 100*pr.EstimatedLimit)
	fmt.Fprintf(w, "  cost avoided     %s\n", st.Cost)
	_, err := fmt.Fprintf(w, "  carbon avoided   %s kg CO2-equivalent (factor %v kg/kWh, %s)\n", unit.Group(st.CarbonKg, 0), pr.Carbon, pr.CarbonSource)
	return err
}

// shares writes how much of an energy has which quality.
func shares(all []savings.QualityShare) string {
	if len(all) == 0 {
		return "nothing"
	}
	var words []string
	for _, q := range all {
		words = append(words, fmt.Sprintf("%.2f %% %s", 100*q.Fraction, q.Quality))
	}
	return strings.Join(words, ", ")
}

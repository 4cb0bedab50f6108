package main

import (
	"fmt"
	"io"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

type baselineCommand struct {
	Freeze baselineFreezeCommand `cmd:"" help:"Fit a project's baseline on the days on record and freeze it."`
	Show   baselineShowCommand   `cmd:"" help:"Show a project's frozen baseline."`
}

type baselineFreezeCommand struct {
	siteFlags
	Project string `arg:"" help:"Savings project of the configuration."`
	By      string `required:"" help:"Who approves it." placeholder:"NAME"`
	JSON    bool   `help:"Print as JSON."`
}

// Run freezes a baseline.
func (c baselineFreezeCommand) Run(s *surroundings) error {
	p, pr, db, end, err := openProject(s, c.siteFlags, c.Project)
	if err != nil {
		return err
	}
	defer end()
	b, err := publish.Freeze(s.ctx, db, p, pr, savings.FreezeInfo{
		Approver: c.By, At: time.Now().UTC().Truncate(time.Second), Software: version(),
	})
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(s.stdout, b)
	}
	return printBaseline(s.stdout, p, b)
}

type baselineShowCommand struct {
	siteFlags
	Project string `arg:"" help:"Savings project of the configuration."`
	JSON    bool   `help:"Print as JSON."`
}

// Run shows the newest frozen baseline.
func (c baselineShowCommand) Run(s *surroundings) error {
	p, pr, db, end, err := openProject(s, c.siteFlags, c.Project)
	if err != nil {
		return err
	}
	defer end()
	b, found, err := publish.Frozen(s.ctx, db, pr.ID)
	if err != nil {
		return err
	}
	if !found {
		return noBaseline(pr)
	}
	if c.JSON {
		return writeJSON(s.stdout, b)
	}
	return printBaseline(s.stdout, p, b)
}

func noBaseline(pr plant.Project) error {
	return fmt.Errorf("project %s has no frozen baseline: freeze it before the conversion with curetally baseline freeze %s --by NAME", pr.ID, pr.ID)
}

func openProject(s *surroundings, f siteFlags, name string) (*plant.Plant, plant.Project, *store.DB, func(), error) {
	loaded, db, end, err := f.open(s)
	if err != nil {
		return nil, plant.Project{}, nil, nil, err
	}
	pr, ok := loaded.Plant.FindProject(plant.ProjectID(name))
	if !ok {
		end()
		return nil, pr, nil, nil, fmt.Errorf("savings project %q is not in the configuration: known are %s", name,
			names(loaded.Plant.Projects, func(p plant.Project) string { return string(p.ID) }))
	}
	return &loaded.Plant, pr, db, end, nil
}

func printBaseline(w io.Writer, p *plant.Plant, b savings.Baseline) error {
	m := b.Model
	fmt.Fprintf(w, "baseline %s, version %d, frozen %s by %s\n", b.Project, b.Version, b.Frozen.In(p.TimeZone).Format("Mon 2 Jan 2006 15:04"), b.Approver)
	fmt.Fprintf(w, "  days used      %d, left out %d\n", len(b.Rows), len(b.Excluded))
	fmt.Fprintf(w, "  kWh per day  = ")
	for i, name := range m.Names {
		if i > 0 {
			fmt.Fprint(w, " + ")
		}
		fmt.Fprintf(w, "%.4g", m.Coefficients[i])
		if i > 0 {
			fmt.Fprintf(w, " × %s", name)
		}
	}
	fmt.Fprintf(w, "\n  CV(RMSE)       %.1f %%, R² %.4f, residual SD %.1f kWh, lag-1 correlation %.2f\n", 100*m.CVRMSE, m.R2, m.ResidualSD, m.Rho)
	for _, r := range b.Ranges {
		fmt.Fprintf(w, "  %-14s %.4g to %.4g per day\n", r.Driver, r.Min, r.Max)
	}
	_, err := fmt.Fprintf(w, "  data hash      %s\n", b.DataHash)
	return err
}

type savingsCommand struct {
	siteFlags
	Project string `arg:"" optional:"" help:"Savings project; all by default."`
	JSON    bool   `help:"Print as JSON."`
}

// Run states the savings of one or all projects.
func (c savingsCommand) Run(s *surroundings) error {
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	p := &loaded.Plant
	projects := p.Projects
	if c.Project != "" {
		pr, ok := p.FindProject(plant.ProjectID(c.Project))
		if !ok {
			return fmt.Errorf("savings project %q is not in the configuration: known are %s", c.Project,
				names(projects, func(p plant.Project) string { return string(p.ID) }))
		}
		projects = []plant.Project{pr}
	}
	if len(projects) == 0 {
		return fmt.Errorf("the configuration has no savings project: add one under savings:")
	}
	statements := []savings.Statement{}
	for _, pr := range projects {
		st, b, found, err := publish.State(s.ctx, db, p, pr, time.Now())
		if err != nil {
			return err
		}
		if !found {
			return noBaseline(pr)
		}
		statements = append(statements, st)
		if !c.JSON {
			if err := printStatement(s.stdout, p, pr, b, st); err != nil {
				return err
			}
		}
	}
	if c.JSON {
		return writeJSON(s.stdout, map[string]any{"statements": statements})
	}
	return nil
}

func printStatement(w io.Writer, p *plant.Plant, pr plant.Project, b savings.Baseline, st savings.Statement) error {
	day := func(t time.Time) string { return t.In(p.TimeZone).Format("2 Jan 2006") }
	fmt.Fprintf(w, "savings of %s, %s to %s (%d days counted, %d left out)\n", pr.ID, day(st.From), day(st.To), st.Days, len(st.Excluded))
	fmt.Fprintf(w, "  would have used  %s kWh (baseline version %d, frozen by %s)\n", unit.Group(st.ExpectedKWh, 0), b.Version, b.Approver)
	fmt.Fprintf(w, "  did use          %s kWh\n", unit.Group(st.ActualKWh, 0))
	fmt.Fprintf(w, "  avoided          %s ± %s kWh at %.0f %% confidence (%.1f %%)\n",
		unit.Group(st.SavedKWh, 0), unit.Group(st.HalfWidthKWh, 0), 100*st.Confidence, 100*st.SavedFraction)
	if !st.Shown {
		fmt.Fprintln(w, "  The interval holds zero: a saving is not shown.")
	}
	fmt.Fprintf(w, "  cost avoided     %s\n", st.Cost)
	_, err := fmt.Fprintf(w, "  carbon avoided   %s kg CO2-equivalent (factor %v kg/kWh, %s)\n", unit.Group(st.CarbonKg, 0), pr.Carbon, pr.CarbonSource)
	return err
}

package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/core/coverage"
	"curetally/internal/core/hvac"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/core/valuation"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// Savings states the savings against the frozen baseline.
type Savings struct {
	Site
	Period
	Project string `arg:"" optional:"" help:"Savings project; all by default."`
	// Normalised asks for a year of normal conditions instead.
	Normalised bool `help:"State the saving in a year of normal conditions (expected_year or expected_days of the project) by a model of the reporting days; kWh, with the uncertainty of both models."`
	Coverage   bool `help:"Print how often stated 90 % intervals hold the truth, on 500 seeded virtual plants; needs no configuration."`
	JSON       bool `help:"Print as JSON."`
}

// Run states the savings of one or all projects. A project that cannot be
// stated does not keep the others from being printed.
func (c Savings) Run(ctx context.Context, s Surroundings) error {
	if c.Coverage {
		return printCoverage(s.Stdout, c.JSON)
	}
	return c.WithConfig(ctx, s, func(conf *config.Config, db *store.DB) error {
		p := &conf.Plant
		period, err := c.Read(p)
		if err != nil {
			return err
		}
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
		if c.Normalised {
			return c.normalised(ctx, db, p, projects, s)
		}
		out := savingsJSON{Statements: []savings.Statement{}, Valuations: []valuationJSON{}, Effects: []effectJSON{}}
		var failed error
		for _, pr := range projects {
			st, b, found, err := publish.State(ctx, db, p, pr, publish.Asked{Now: time.Now(), Period: period})
			switch {
			case err != nil:
				failed = errors.Join(failed, err)
				continue
			case !found:
				failed = errors.Join(failed, noBaseline(pr))
				continue
			}
			v, err := valuationOf(ctx, db, conf, pr, b, st)
			failed = errors.Join(failed, err)
			lines, err := effectsOf(conf, pr, st)
			failed = errors.Join(failed, err)
			if c.JSON {
				out.add(pr, st, v, lines)
				continue
			}
			if err := printStatement(s.Stdout, p, pr, b, st); err != nil {
				return err
			}
			if err := printValuation(s.Stdout, conf, pr, v); err != nil {
				return err
			}
			if err := printEffects(s.Stdout, st, lines); err != nil {
				return err
			}
		}
		if c.JSON && len(out.Statements) > 0 {
			return errors.Join(failed, WriteJSON(s.Stdout, out))
		}
		return failed
	})
}

// savingsJSON is the JSON contract of the command. What is in valuations and effects
// is in no statement.
type savingsJSON struct {
	Statements []savings.Statement `json:"statements"`
	Valuations []valuationJSON     `json:"valuations"`
	Effects    []effectJSON        `json:"effects"`
}

func (j *savingsJSON) add(pr plant.Project, st savings.Statement, v *valuation.Valuation, lines []hvac.Line) {
	j.Statements = append(j.Statements, st)
	if v != nil {
		j.Valuations = append(j.Valuations, jsonOf(pr.ID, *v))
	}
	j.Effects = append(j.Effects, effectsJSON(pr.ID, st, lines)...)
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
	for _, a := range st.Adjustments {
		fmt.Fprintf(w, "  adjustment %-5d %s kWh for %s (%d of %d days counted; %s; approved by %s)\n",
			a.Number, signed(a.CountedKWh), a.Event, a.CountedDays, a.EventDays, a.Evidence, a.Approver)
	}
	fmt.Fprintf(w, "  did use          %s kWh\n", unit.Group(st.ActualKWh, 0))
	fmt.Fprintf(w, "  avoided          %s ± %s kWh at %.0f %% confidence (%.1f %%)\n",
		unit.Group(st.SavedKWh, 0), unit.Group(st.HalfWidthKWh, 0), 100*st.Confidence, 100*st.SavedFraction)
	if !st.Shown {
		fmt.Fprintln(w, "  not shown        the interval holds zero: a saving is not shown")
	}
	fmt.Fprintf(w, "  half-width       %s\n", st.UncertaintyWords())
	for _, i := range st.Intervals {
		said := ""
		if !i.Shown {
			said = ", not shown"
		}
		fmt.Fprintf(w, "    at %.0f %%         ± %s kWh, %.1f %% of what was avoided (%.1f %% by the guideline's form, model alone)%s\n",
			100*i.Confidence, unit.Group(i.HalfWidthKWh, 0), 100*i.Fraction, 100*i.Guideline, said)
	}
	if st.Rho > 0 {
		fmt.Fprintf(w, "  correlation      residuals follow each other with %.2f: %d %ss of baseline are worth %.0f\n",
			st.Rho, b.Model.N, st.Granularity.Noun(), st.NEffective)
	}
	if x := st.Extrapolated; x.Days > 0 {
		fmt.Fprintf(w, "  apart            %s beyond the baseline's range of drivers are not counted; the model, stretched, would give %s kWh avoided on them\n",
			Count(x.Days, "day"), unit.Group(x.SavedKWh, 0))
	}
	fmt.Fprintf(w, "  quality          %s of what was used; a day counts with up to %.3g %% that is neither measured nor interpolated\n",
		shares(st.Quality), 100*pr.EstimatedLimit)
	for _, g := range reasons(st.Excluded) {
		fmt.Fprintf(w, "  left out         %s\n", g)
	}
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

// signed shows an amount with its sign.
func signed(v float64) string {
	if v < 0 {
		return "−" + unit.Group(-v, 0)
	}
	return "+" + unit.Group(v, 0)
}

// reasons groups days that were left out by their reason, in the order in which
// the reasons first occur.
func reasons(days []savings.ExcludedDay) []string {
	var order []string
	count, first := map[string]int{}, map[string]string{}
	for _, d := range days {
		if count[d.Reason]++; count[d.Reason] == 1 {
			order = append(order, d.Reason)
			first[d.Reason] = d.Day.Format(time.DateOnly)
		}
	}
	out := make([]string, len(order))
	for i, r := range order {
		if out[i] = first[r] + ": " + r; count[r] > 1 {
			out[i] = fmt.Sprintf("%s and %s: %s", first[r], Count(count[r]-1, "later day"), r)
		}
	}
	return out
}

// printCoverage runs the trials by which statements are judged. It is a finding
// when an interval held the truth less or more often than it says.
func printCoverage(w io.Writer, asJSON bool) error {
	results := []coverage.Result{}
	good := true
	var rows []string
	for _, trial := range coverage.Trials(500) {
		r, err := trial.Run()
		if err != nil {
			return err
		}
		results, good = append(results, r), good && r.Good()
		rows = append(rows, row(fmt.Sprintf("%.1f", r.Rho), fmt.Sprint(r.Days), fmt.Sprintf("%.1f %%", 100*r.Held),
			fmt.Sprintf("%.0f to %.0f %%", 100*r.Least, 100*r.Most), fmt.Sprintf("%.1f %%", 100*r.Neglecting)))
	}
	var err error
	if asJSON {
		err = WriteJSON(w, map[string]any{"trials": results})
	} else {
		err = table(w, "CORRELATION\tDAYS\tHELD\tEXPECTED\tIF NEGLECTED", rows)
	}
	if err == nil && !good {
		return ErrFinding
	}
	return err
}

package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"curetally/internal/core/mvplan"
	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/config/terms"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// planned is what plans are printed of.
type planned struct {
	conf     *config.Config
	db       *store.DB
	projects []plant.Project
	json     bool
}

// printPlans prints the measurement-and-verification plans of projects. A plan in
// which something is missing is a finding.
func printPlans(ctx context.Context, s Surroundings, of planned) error {
	plans, complete := []mvplan.Plan{}, true
	for _, pr := range of.projects {
		known, err := knownOf(ctx, of, pr)
		if err != nil {
			return err
		}
		known.Software = s.Version
		plan := mvplan.Of(&of.conf.Plant, pr, known)
		plans, complete = append(plans, plan), complete && plan.Complete
	}
	var err error
	if of.json {
		err = WriteJSON(s.Stdout, map[string]any{"plans": plans})
	} else {
		err = writePlans(s.Stdout, plans)
	}
	if err == nil && !complete {
		return ErrFinding
	}
	return err
}

// knownOf reads what a plan states beside the configuration.
func knownOf(ctx context.Context, of planned, pr plant.Project) (known mvplan.Known, err error) {
	if known.Baseline, known.Frozen, err = publish.Frozen(ctx, of.db, pr.ID); err != nil {
		return known, err
	}
	if known.Ready, err = publish.Ready(ctx, of.db, &of.conf.Plant, pr, time.Now()); err != nil {
		return known, err
	}
	t := of.conf.Terms.Projects[pr.ID]
	if t.Tariff != nil {
		known.Prices = append(known.Prices, t.Tariff.Name)
	}
	for _, table := range []*terms.Table{t.Location, t.Market} {
		if table != nil {
			known.Factors = append(known.Factors, table.Name)
		}
	}
	return known, nil
}

func writePlans(w io.Writer, plans []mvplan.Plan) error {
	var all error
	for _, plan := range plans {
		fmt.Fprintf(w, "measurement-and-verification plan of %s (%s)\n", plan.Project, plan.Title)
		for _, item := range plan.Items {
			fmt.Fprintf(w, "\n%2d  %s\n", item.Number, item.Title)
			for _, text := range item.Statements {
				fmt.Fprintf(w, "    %s\n", text)
			}
			for _, text := range item.Missing {
				fmt.Fprintf(w, "    MISSING  %s\n", text)
			}
		}
		words := "complete"
		if !plan.Complete {
			words = Count(plan.Missing, "thing") + " missing"
		}
		_, err := fmt.Fprintf(w, "\nplan of %s: %s\n", plan.Project, words)
		all = errors.Join(all, err)
	}
	return all
}

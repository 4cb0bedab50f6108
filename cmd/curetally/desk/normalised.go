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

// normalised states the savings of the normal years of projects. One that cannot be
// stated does not keep the others from being printed.
func (c Savings) normalised(ctx context.Context, db *store.DB, p *plant.Plant, projects []plant.Project, s Surroundings) error {
	period, err := c.Read(p)
	if err != nil {
		return err
	}
	all := []savings.Normalised{}
	var failed error
	for _, pr := range projects {
		n, found, err := publish.Normalise(ctx, db, p, pr, publish.Asked{Now: time.Now(), Period: period})
		if err == nil && !found {
			err = noBaseline(pr)
		}
		if err != nil {
			failed = errors.Join(failed, err)
			continue
		}
		if all = append(all, n); c.JSON {
			continue
		}
		if err := printNormalised(s.Stdout, p, n); err != nil {
			return err
		}
	}
	if c.JSON && len(all) > 0 {
		return errors.Join(failed, WriteJSON(s.Stdout, map[string]any{"normalised": all}))
	}
	return failed
}

func printNormalised(w io.Writer, p *plant.Plant, n savings.Normalised) error {
	day := func(t time.Time) string { return t.In(p.TimeZone).Format("2 Jan 2006") }
	m := n.Reporting
	fmt.Fprintf(w, "savings of %s in a normal year\n", n.Project)
	fmt.Fprintf(w, "  conditions       %s\n", n.Words())
	fmt.Fprintf(w, "  baseline gives   %s kWh (version %d; one standard uncertainty %s kWh)\n", unit.Group(n.BaselineKWh, 0), n.BaselineVersion, unit.Group(n.BaselineStandard, 0))
	fmt.Fprintf(w, "  now gives        %s kWh (a model of %s to %s, %d rows, CV(RMSE) %.1f %%; one standard uncertainty %s kWh)\n",
		unit.Group(n.ReportingKWh, 0), day(m.From), day(m.To), m.Rows, 100*m.Diagnosis.CVRMSE, unit.Group(n.ReportingStandard, 0))
	if !m.Diagnosis.Accepted {
		fmt.Fprintf(w, "  not accepted     the reporting period's model: %s\n", strings.Join(m.Diagnosis.Reasons, "; "))
	}
	if n.AdjustedKWh != 0 {
		fmt.Fprintf(w, "  adjustments      %s kWh of events were taken out of the reporting days before\n", signed(n.AdjustedKWh))
	}
	fmt.Fprintf(w, "  saved            %s ± %s kWh at %.0f %% confidence (%.1f %%)\n", unit.Group(n.SavedKWh, 0), unit.Group(n.HalfWidthKWh, 0), 100*n.Confidence, 100*n.SavedFraction)
	if !n.Shown {
		fmt.Fprintln(w, "  not shown        the interval holds zero: a saving is not shown")
	}
	fmt.Fprintf(w, "  half-width       both models ± %s kWh, meters ± %s kWh, at %.1f degrees of freedom\n",
		unit.Group(n.ModelHalfWidthKWh, 0), unit.Group(n.MeterHalfWidthKWh, 0), n.DegreesOfFreedom)
	for _, l := range n.Levels {
		fmt.Fprintf(w, "    at %.0f %%         ± %s kWh\n", 100*l.Confidence, unit.Group(l.HalfWidthKWh, 0))
	}
	fmt.Fprintf(w, "  cost saved       %s\n", n.Cost)
	_, err := fmt.Fprintf(w, "  carbon saved     %s kg CO2-equivalent\n", unit.Group(n.CarbonKg, 0))
	return err
}

package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/readiness"
	"curetally/internal/core/savings"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// BaselineShow shows a frozen baseline, or how far the one to be frozen is.
type BaselineShow struct {
	Site
	Project string `arg:"" help:"Savings project of the configuration."`
	JSON    bool   `help:"Print as JSON."`
}

// Run shows the newest frozen baseline. Where there is none it shows how far it is,
// which is a finding.
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
			r, err := publish.Ready(ctx, db, p, pr, time.Now())
			if err != nil {
				return err
			}
			return printReadiness(s.Stdout, r, c.JSON)
		}
		return PrintBaseline(s.Stdout, p, b, c.JSON)
	})
}

// baselineJSON is a baseline with the table that residual plots are drawn from.
type baselineJSON struct {
	savings.Baseline
	Residuals []savings.Residual `json:"residuals,omitempty"`
}

// PrintBaseline prints a frozen baseline, for people or as JSON.
func PrintBaseline(w io.Writer, p *plant.Plant, b savings.Baseline, asJSON bool) error {
	if asJSON {
		return WriteJSON(w, baselineJSON{b, b.Residuals()})
	}
	m, d := b.Model, b.Diagnosis
	noun := b.Granularity.Noun()
	fmt.Fprintf(w, "baseline %s, version %d, frozen %s by %s\n", b.Project, b.Version, Moment(b.Frozen, p), b.Approver)
	if b.Reason != "" {
		fmt.Fprintf(w, "  in place of    version %d: %s\n", b.Version-1, b.Reason)
	}
	if b.Given != nil {
		fmt.Fprintf(w, "  not measured   %s\n", b.Given.Words())
	}
	if len(b.Rows) == 0 {
		fmt.Fprintf(w, "  kWh per day  = %s\n", formula(b))
		_, err := fmt.Fprintf(w, "  data hash      %s\n", b.DataHash)
		return err
	}
	if noun == "day" {
		fmt.Fprintf(w, "  days used      %d, left out %d\n", len(b.Rows), len(b.Excluded))
	} else {
		fmt.Fprintf(w, "  %ss used %*d, days left out %d\n", noun, 9-len(noun), len(b.Rows), len(b.Excluded))
	}
	fmt.Fprintf(w, "  kWh per day  = %s\n", formula(b))
	fmt.Fprintf(w, "  fit            CV(RMSE) %.1f %%, R² %.4f, residual SD %.1f kWh, lag-1 correlation %.2f\n", 100*m.CVRMSE, m.R2, m.ResidualSD, m.Rho)
	if d.Parameters > 0 {
		fmt.Fprintf(w, "  diagnostics    model %s, %d parameters, adjusted R² %.4f, NMBE %.3g %%, Durbin-Watson %.2f, worth %.0f independent %ss\n",
			b.Form, d.Parameters, d.AdjR2, math.Round(1e8*d.NMBE)/1e6+0, d.DurbinWatson, d.NEffective, noun)
		for i, v := range d.Inflation {
			if v > 10 {
				fmt.Fprintf(w, "  collinear      %s: variance inflation %.0f; its coefficient cannot be read by itself\n", m.Names[i+1], v)
			}
		}
		for _, c := range d.Considered {
			why := c.Against
			if why == "" {
				why = "adequate"
			}
			fmt.Fprintf(w, "  considered     %-8s CV(RMSE) %.1f %%, BIC %.1f, %s\n", c.Form, 100*c.CVRMSE, c.BIC, why)
		}
		if d.Accepted {
			fmt.Fprintln(w, "  accepted       keeps the limits of the project")
		}
		for _, r := range d.Reasons {
			fmt.Fprintf(w, "  not accepted   %s\n", r)
		}
	}
	for _, r := range b.Ranges {
		fmt.Fprintf(w, "  %-14s %.4g to %.4g per day\n", r.Driver, r.Min, r.Max)
	}
	for _, f := range b.Factors {
		fmt.Fprintf(w, "  static factor  %s: %s\n", f.Name, f.Value)
	}
	_, err := fmt.Fprintf(w, "  data hash      %s\n", b.DataHash)
	return err
}

// printReadiness shows how far a baseline is that is not frozen yet.
func printReadiness(w io.Writer, r readiness.Readiness, asJSON bool) error {
	if asJSON {
		return errors.Join(WriteJSON(w, r), ErrFinding)
	}
	fmt.Fprintf(w, "baseline %s is not frozen yet\n", r.Project)
	fmt.Fprintf(w, "  %-14s %d of at least %d usable (%d days used, %d left out)\n", r.Noun.Noun()+"s", r.Rows, r.NeededRows, r.Days, r.LeftOut)
	for _, d := range r.Drivers {
		text := fmt.Sprintf("%.4g to %.4g per day", d.Low, d.High)
		if d.Expected {
			text += fmt.Sprintf("; the year to come asks for %.4g to %.4g", d.ExpectedLow, d.ExpectedHigh)
		} else {
			text += "; the configuration states no expected_year"
		}
		fmt.Fprintf(w, "  %-14s %s\n", d.Driver, text)
	}
	if r.Smallest > 0 {
		fmt.Fprintf(w, "  would show     savings above %.1f %% in a year at %.0f %% confidence; from %.1f %% on with a half-width of less than half\n",
			100*r.Smallest, 100*r.Confidence, 100*r.Half)
	}
	for _, m := range r.Missing {
		fmt.Fprintf(w, "  missing        %s\n", m)
	}
	if r.MoreDays > 0 {
		fmt.Fprintf(w, "  more days      at least %d\n", r.MoreDays)
	}
	if !r.Conversion.IsZero() {
		fmt.Fprintf(w, "  conversion     %s\n", r.Conversion.Format("2 Jan 2006"))
	}
	if r.Late {
		fmt.Fprintln(w, "  TOO EARLY      the conversion comes before the baseline is ready: move it, or what is missing can never be measured")
	}
	if r.Ready {
		fmt.Fprintf(w, "  ready          freeze it before the conversion: curetally baseline freeze %s --by NAME\n", r.Project)
	}
	return ErrFinding
}

// formula writes the model's energy per day; ( )+ is the larger of a value and 0.
func formula(b savings.Baseline) string {
	m := b.Model
	// Below a milliwatt-hour it is rounding; adding 0 turns −0 into 0.
	text := fmt.Sprintf("%.4g", math.Round(m.Coefficients[0]*1e6)/1e6+0)
	for i, name := range m.Names[1:] {
		sign, c := "+", m.Coefficients[i+1]
		if c < 0 {
			sign = "−"
		}
		if driver, ok := strings.CutSuffix(name, " below"); ok && len(b.ChangePoints) > 0 {
			name = fmt.Sprintf("(%.4g − %s)+", b.ChangePoints[0], driver)
		} else if driver, ok := strings.CutSuffix(name, " above"); ok && len(b.ChangePoints) > 0 {
			name = fmt.Sprintf("(%s − %.4g)+", driver, b.ChangePoints[len(b.ChangePoints)-1])
		}
		text += fmt.Sprintf(" %s %.4g × %s", sign, math.Abs(c), name)
	}
	return text
}

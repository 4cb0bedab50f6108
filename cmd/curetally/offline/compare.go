package offline

import (
	"errors"
	"fmt"
	"io"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/regression"
)

// Compare states what a reporting period saved against a baseline, from files.
type Compare struct {
	Baseline  string `arg:"" help:"CSV file with the baseline: a header and one row for each period, in the order of time and all of one length; - for standard input."`
	Reporting string `arg:"" help:"CSV file with the reporting period: the same columns, rows of the same length."`
	modelFlags
	Confidence  float64 `help:"Confidence of the half-width, as a fraction between 0 and 1; 0.90 by default." default:"0.90" placeholder:"F"`
	Independent bool    `help:"Take residuals as independent, although successive ones are alike. The half-width is then too narrow where they are."`
}

// Validate refuses flags that make no sense.
func (c Compare) Validate() error {
	if !(c.Confidence > 0 && c.Confidence < 1) {
		return fmt.Errorf("--confidence %v: expected a fraction between 0 and 1, such as 0.90", c.Confidence)
	}
	if c.Baseline == standardInput && c.Reporting == standardInput {
		return errors.New("both files are -: standard input holds one")
	}
	return c.check()
}

// compareJSON and outsideJSON are the JSON contract of the command. Amounts are
// kilowatt-hours where the energy column is.
type compareJSON struct {
	Expected   number        `json:"expected_kwh"`
	Actual     number        `json:"actual_kwh"`
	Saved      number        `json:"saved_kwh"`
	Fraction   number        `json:"saved_fraction"`
	HalfWidth  number        `json:"half_width_kwh"`
	Fractional number        `json:"fractional_uncertainty"`
	Confidence float64       `json:"confidence"`
	Outside    []outsideJSON `json:"outside_range"`
	Model      modelJSON     `json:"model"`
}

// outsideJSON is a driver that left the range in which the model may be used.
type outsideJSON struct {
	Driver       string `json:"driver"`
	BaselineMin  number `json:"baseline_min"`
	BaselineMax  number `json:"baseline_max"`
	AllowedMin   number `json:"allowed_min"`
	AllowedMax   number `json:"allowed_max"`
	ReportingMin number `json:"reporting_min"`
	ReportingMax number `json:"reporting_max"`
	Rows         int    `json:"rows"`
	Lines        []int  `json:"lines"` // of the reporting file
}

// Run compares the files and prints the saving.
func (c Compare) Run(s desk.Surroundings) error {
	m, err := c.fit(c.Baseline)
	if err != nil {
		return err
	}
	reporting, lines, err := c.read(c.Reporting)
	if err != nil {
		return err
	}
	saving := m.Compare(reporting, regression.Terms{Confidence: c.Confidence, Independent: c.Independent})
	if !c.JSON {
		return c.printSaving(s.Stdout, m, saving)
	}
	out := compareJSON{
		Expected: number(saving.Expected), Actual: number(saving.Actual), Saved: number(saving.Saved), Fraction: number(saving.Fraction),
		HalfWidth: number(saving.HalfWidth), Fractional: number(saving.Fractional), Confidence: c.Confidence,
		Outside: []outsideJSON{}, Model: c.contract(m),
	}
	for _, o := range saving.Outside {
		at := make([]int, len(o.Rows))
		for i, row := range o.Rows {
			at[i] = lines[row]
		}
		out.Outside = append(out.Outside, outsideJSON{
			Driver: o.Baseline.Driver, BaselineMin: number(o.Baseline.Min), BaselineMax: number(o.Baseline.Max),
			AllowedMin: number(o.Baseline.Low()), AllowedMax: number(o.Baseline.High()),
			ReportingMin: number(o.Reporting.Min), ReportingMax: number(o.Reporting.Max), Rows: len(at), Lines: at,
		})
	}
	return desk.WriteJSON(s.Stdout, out)
}

// printSaving prints the saving and its model for people.
func (c Compare) printSaving(out io.Writer, m regression.Model, s regression.Saving) error {
	fmt.Fprintf(out, "expected %12s units of %s\n", figure(s.Expected), c.Energy)
	fmt.Fprintf(out, "actual   %12s\n", figure(s.Actual))
	fmt.Fprintf(out, "saved    %12s ± %s\n", figure(s.Saved), figure(s.HalfWidth))
	confidence := figure(100 * c.Confidence)
	if s.Shown() {
		fmt.Fprintf(out, "that is %s of what was expected; the half-width, at %s %% confidence, is %s of the saving\n", percent(s.Fraction), confidence, percent(s.Fractional))
		fmt.Fprintf(out, "(%s by the formula of ASHRAE Guideline 14 from summary values)\n", percent(s.Guideline))
	} else {
		fmt.Fprintf(out, "not shown: at %s %% confidence the interval from %s to %s holds 0\n", confidence, figure(s.Saved-s.HalfWidth), figure(s.Saved+s.HalfWidth))
	}
	switch {
	case c.Independent && m.Rho > 0:
		fmt.Fprintf(out, "residuals taken as independent, although their lag-1 correlation is %s: the half-width is too narrow\n", figure(m.Rho))
	case m.Rho > 0:
		fmt.Fprintf(out, "half-width widened for a lag-1 correlation of %s of the residuals\n", figure(m.Rho))
	}
	for _, o := range s.Outside {
		fmt.Fprintf(out, "outside the range: %s went from %s to %s, the model holds from %s to %s (%s)\n", o.Baseline.Driver,
			figure(o.Reporting.Min), figure(o.Reporting.Max), figure(o.Baseline.Low()), figure(o.Baseline.High()), desk.Count(len(o.Rows), "row"))
	}
	if s.RowsOutside > 0 {
		fmt.Fprintf(out, "of the saving, %s comes from %s outside the range: state it apart\n", figure(s.SavedOutside), desk.Count(s.RowsOutside, "row"))
	}
	fmt.Fprintln(out)
	return c.print(out, m)
}

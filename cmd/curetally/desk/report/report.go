// Package report has the command that writes the savings report of a project for
// an auditor: as a page, as A4 pages in PDF, or as a workbook that computes every figure
// again. The form follows the name of the file that is asked for.
//
// A report is made of the statement that curetally savings states and of what that
// was made of, by the same call. It has no instant of its making in it, so that the
// same facts, configuration and period give the same bytes.
//
// Nothing is written where there is nothing to state: a project that nobody
// configured, one without a frozen baseline, and a month without a usable day are
// refused with what can be done.
package report

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/dossier"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/config"
	"curetally/internal/link/report/folio"
	"curetally/internal/link/report/page"
	"curetally/internal/link/report/words"
	"curetally/internal/link/report/workbook"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// Command writes the report of one project, or another document about savings.
type Command struct {
	desk.Report
	desk.Period
	Out      string `required:"" xor:"document" help:"The report of one project for an auditor; the form follows the ending: .html for a page, .pdf for the same on A4, .xlsx for a workbook with live formulas, .json for the figures alone." placeholder:"FILE"`
	Language string `help:"Language of the report: en or de." default:"en" placeholder:"en"`
}

// writer writes a report in one form.
type writer func(io.Writer, dossier.Dossier, *words.Words) error

// forms are those that a file may have, by the ending of its name.
func forms() map[string]writer {
	return map[string]writer{".xlsx": workbook.Write, ".html": page.Write, ".pdf": folio.Write, ".json": writeFigures}
}

// form chooses by the name of the file.
func (c Command) form() (writer, error) {
	ending := strings.ToLower(filepath.Ext(c.Out))
	if w, ok := forms()[ending]; ok {
		return w, nil
	}
	var known []string
	for e := range forms() {
		known = append(known, e)
	}
	slices.Sort(known)
	return nil, fmt.Errorf("--out %q: the form of a report follows the ending of its file, expected one of %s", c.Out, strings.Join(known, ", "))
}

// Validate refuses a form that there is not before anything is opened.
func (c Command) Validate() error {
	if c.Out == "" {
		if c.Month != "" || c.Day != "" || c.ToDate {
			return errors.New("--month, --day and --to-date are of the report that --out writes")
		}
		return nil
	}
	_, err := c.form()
	return err
}

// Run writes the report.
func (c Command) Run(ctx context.Context, s desk.Surroundings) error {
	if c.Out == "" {
		return c.Report.Run(ctx, s)
	}
	write, err := c.form()
	if err != nil {
		return err
	}
	w, err := words.New(c.Language)
	if err != nil {
		return fmt.Errorf("--language: %w", err)
	}
	return c.WithConfig(ctx, s, func(conf *config.Config, db *store.DB) error {
		p := &conf.Plant
		d, err := c.gather(ctx, conf, db)
		if err != nil {
			return err
		}
		if err := intoFile(c.Out, func(f io.Writer) error { return write(f, d, w) }); err != nil {
			return err
		}
		if c.JSON {
			return desk.WriteJSON(s.Stdout, figures(d))
		}
		_, err = fmt.Fprintf(s.Stdout, "report of %s, %s to %s: %s\n", d.Project.ID, desk.Date(d.Statement.From, p), desk.Date(d.Statement.To, p), c.Out)
		return err
	})
}

// gather states what the flags ask for.
func (c Command) gather(ctx context.Context, conf *config.Config, db *store.DB) (dossier.Dossier, error) {
	p := &conf.Plant
	pr, err := c.project(p)
	if err != nil {
		return dossier.Dossier{}, err
	}
	asked := publish.Asked{Now: time.Now()}
	if asked.Period, err = c.Read(p); err != nil {
		return dossier.Dossier{}, err
	}
	d, found, err := publish.Gather(ctx, db, p, pr, asked)
	switch {
	case errors.Is(err, savings.ErrNoDays) && c.narrow():
		return d, fmt.Errorf("%w — ask for a period that has counted days, or for --to-date; curetally savings %s lists why days were left out", err, pr.ID)
	case err != nil:
		return d, err
	case !found:
		return d, fmt.Errorf("project %s has no frozen baseline — freeze it before the conversion with curetally baseline freeze %s --by NAME", pr.ID, pr.ID)
	}
	return d, desk.Beside(ctx, db, conf, &d)
}

// narrow says whether a part of the reporting period is asked for.
func (c Command) narrow() bool { return c.Month != "" || c.Day != "" }

func (c Command) project(p *plant.Plant) (plant.Project, error) {
	switch {
	case c.Project != "":
		return desk.FindProject(p, c.Project)
	case len(p.Projects) == 1:
		return p.Projects[0], nil
	case len(p.Projects) == 0:
		return plant.Project{}, errors.New("the configuration has no savings project — add one under savings")
	default:
		var names []string
		for _, pr := range p.Projects {
			names = append(names, string(pr.ID))
		}
		return plant.Project{}, fmt.Errorf("there are several savings projects — name one with --project: %s", strings.Join(names, ", "))
	}
}

// intoFile writes a file whole or not at all.
func intoFile(name string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".report-*")
	if err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if err = errors.Join(write(f), f.Chmod(0o644), f.Close()); err != nil {
		return fmt.Errorf("write report %s: %w", name, err)
	}
	return os.Rename(f.Name(), name)
}

// document is a report as data.
type document struct {
	Site      string               `json:"site"`
	Project   plant.ProjectID      `json:"project"`
	Statement savings.Statement    `json:"statement"`
	Baseline  savings.Baseline     `json:"baseline"`
	Before    []row                `json:"baseline_rows"`
	After     []row                `json:"reporting_rows"`
	LoadKW    map[string][]float64 `json:"mean_kw_by_hour"`
}

// row is a row of the model; energies are kWh per day.
type row struct {
	Day      time.Time `json:"day"`
	Days     int       `json:"days"`
	Drivers  []float64 `json:"drivers_per_day"`
	Actual   float64   `json:"actual_kwh_per_day"`
	Expected float64   `json:"expected_kwh_per_day"`
}

// writeFigures has no words, so it is the same in every language.
func writeFigures(out io.Writer, d dossier.Dossier, _ *words.Words) error {
	return desk.WriteJSON(out, figures(d))
}

func figures(d dossier.Dossier) document {
	rows := func(all []dossier.Row) []row {
		out := make([]row, len(all))
		for i, r := range all {
			out[i] = row{r.Day, r.Days, r.PerDay, r.Actual, r.Expected}
		}
		return out
	}
	return document{
		Site: d.Site, Project: d.Project.ID, Statement: d.Statement, Baseline: d.Baseline, Before: rows(d.Before()), After: rows(d.After()),
		LoadKW: map[string][]float64{"baseline": d.Shape.Before[:], "reporting": d.Shape.After[:]},
	}
}

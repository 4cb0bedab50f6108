package sights

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"curetally/internal/app/deeds"
	"curetally/internal/app/faces"
	"curetally/internal/core/dossier"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/report/plots"
	"curetally/internal/link/report/words"
	"curetally/internal/link/report/workbook"
	"curetally/internal/work/pages"
	"curetally/internal/work/publish"
)

// Savings implements pages.Figures.
func (s Sight) Savings(ctx context.Context, language string) ([]pages.Project, error) {
	snap := s.Snapshot()
	if snap == nil {
		return nil, faces.ErrStarting
	}
	w, err := words.New(language)
	if err != nil {
		return nil, err
	}
	var out []pages.Project
	for _, ps := range snap.Projects {
		pr := pages.Project{
			ID: string(ps.Project.ID), Title: ps.Project.Title, Missing: ps.Missing, Frozen: ps.Frozen, Baseline: ps.Baseline,
			Statement: ps.Statement, Ready: ps.Ready, Adjusted: ps.Adjustments,
		}
		if pr.Title == "" {
			pr.Title = pr.ID
		}
		if ps.Stated {
			// The statement's bytes are all that the plots follow but the load by hour, whose
			// days are the statement's.
			of, err := json.Marshal(ps.Statement)
			if err != nil {
				return nil, err
			}
			pr.Plots, err = s.plots.take(ctx, pr.ID+"/"+language, string(of), func() ([]pages.Picture, error) { return s.draw(ctx, ps.Project, w) })
			if err != nil {
				return nil, err
			}
		}
		out = append(out, pr)
	}
	return out, nil
}

// draw draws the plots of a report.
func (s Sight) draw(ctx context.Context, pr plant.Project, w *words.Words) ([]pages.Picture, error) {
	d, found, err := publish.Gather(ctx, s.Store, s.plant(), pr, publish.Asked{Now: time.Now()})
	if errors.Is(err, savings.ErrNoDays) || err == nil && !found {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []pages.Picture
	for _, f := range plots.Of(d, w) {
		f.Name = string(pr.ID) + "-" + f.Name
		picture, err := draw(f, w)
		if err != nil {
			return nil, err
		}
		out = append(out, picture)
	}
	return out, nil
}

// Download implements pages.Figures.
func (s Sight) Download(ctx context.Context, out io.Writer, doc pages.Document) error {
	pr, ok := s.plant().FindProject(plant.ProjectID(doc.Project))
	if !ok {
		return fmt.Errorf("savings project %q is not in the configuration: %w", doc.Project, deeds.ErrUnknown)
	}
	w, err := words.New(doc.Language)
	if err != nil {
		return err
	}
	d, found, err := publish.Gather(ctx, s.Store, s.plant(), pr, publish.Asked{Now: time.Now()})
	switch {
	case errors.Is(err, savings.ErrNoDays):
		return fmt.Errorf("%w: %w", deeds.ErrUnknown, err)
	case err != nil:
		return err
	case !found:
		return fmt.Errorf("project %s has no frozen baseline: %w", pr.ID, deeds.ErrUnknown)
	}
	switch doc.Form {
	case "xlsx":
		err := workbook.Write(out, d, w)
		if errors.Is(err, workbook.ErrNoRows) {
			return fmt.Errorf("%w: %w", deeds.ErrRefused, err)
		}
		return err
	case "csv":
		return days(out, d)
	case "json":
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(d.Statement)
	default:
		return fmt.Errorf("form %q: expected xlsx, csv or json: %w", doc.Form, deeds.ErrUnknown)
	}
}

// days writes all days on record with what the model gives for those that count.
func days(out io.Writer, d dossier.Dossier) error {
	expected := map[int64]savings.SeriesPoint{}
	for _, p := range d.Statement.Series {
		expected[p.Day.Unix()] = p
	}
	c := csv.NewWriter(out)
	head := []string{"day", "metered_kwh", "expected_kwh", "left_out"}
	for _, x := range d.Baseline.Drivers {
		head = append(head, string(x))
	}
	if err := c.Write(head); err != nil {
		return err
	}
	for _, day := range d.Days {
		row := []string{day.Day.In(d.Zone).Format(time.DateOnly), figureOf(day.Energy.KWh()), "", day.Excluded}
		if p, ok := expected[day.Day.Unix()]; ok {
			row[2] = figureOf(p.ExpectedKWh + p.AdjustmentKWh)
		}
		for _, v := range day.Drivers {
			row = append(row, figureOf(v))
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func figureOf(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

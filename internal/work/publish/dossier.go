package publish

import (
	"context"
	"errors"
	"fmt"
	"time"

	"curetally/internal/core/dossier"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
)

// EntryReader gives the entries of a register, for the load by hour of the day.
type EntryReader interface {
	Entries(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Entry, error)
}

// Gather states the savings of a project as State does and gives the statement
// with everything that it was made of. found is false when no baseline is frozen.
func Gather(ctx context.Context, s interface {
	Store
	EntryReader
}, p *plant.Plant, pr plant.Project, asked Asked,
) (dossier.Dossier, bool, error) {
	d, found, err := gather(ctx, s, p, pr, asked)
	if err != nil || !found {
		return d, found, err
	}
	if d.Shape, err = shapeOf(ctx, s, d); err != nil {
		return d, true, fmt.Errorf("load of project %s by hour: %w", pr.ID, err)
	}
	return d, true, nil
}

// gather is Gather without the load by hour, for which all entries are read. With
// an error it gives the baseline, where one is frozen.
func gather(ctx context.Context, s Store, p *plant.Plant, pr plant.Project, asked Asked) (out dossier.Dossier, found bool, err error) {
	out = dossier.Dossier{Site: p.Name, Zone: p.TimeZone, Project: pr}
	if out.Baseline, found, err = Frozen(ctx, s, pr.ID); err != nil || !found {
		return out, found, err
	}
	d, err := daysOf(ctx, s, p, pr, asked.Now)
	if err != nil {
		return out, true, err
	}
	terms, err := termsOf(ctx, s, p, out.Baseline, d)
	if err != nil {
		return out, true, err
	}
	terms.Period = asked.Period
	out.Days, out.Meters, out.Adjustments = d.days, terms.Meters, terms.Adjustments
	if out.Statement, err = savings.State(out.Baseline, pr, d.days, terms); err != nil {
		return out, true, err
	}
	n, err := savings.Normalise(out.Baseline, pr, d.days, terms)
	switch {
	case err == nil:
		out.Normalised = &n
	case !errors.Is(err, savings.ErrNoNormal):
		return out, true, err
	}
	return out, true, nil
}

// Normalise states the savings of a project's normal year, by a model of the
// reporting days of a period. found is false when no baseline is frozen.
func Normalise(ctx context.Context, s Store, p *plant.Plant, pr plant.Project, asked Asked) (out savings.Normalised, found bool, err error) {
	b, found, err := Frozen(ctx, s, pr.ID)
	if err != nil || !found {
		return out, found, err
	}
	d, err := daysOf(ctx, s, p, pr, asked.Now)
	if err != nil {
		return out, true, err
	}
	terms, err := termsOf(ctx, s, p, b, d)
	if err != nil {
		return out, true, err
	}
	terms.Period = asked.Period
	out, err = savings.Normalise(b, pr, d.days, terms)
	return out, true, err
}

// shapeOf reads the load of the boundary by hour of the day.
func shapeOf(ctx context.Context, s EntryReader, d dossier.Dossier) (dossier.Shape, error) {
	profile := dossier.NewProfile(d)
	from, to := d.Days[0].Day, d.Days[len(d.Days)-1].Day.AddDate(0, 0, 2)
	for _, reg := range d.Baseline.Boundary {
		entries, err := s.Entries(ctx, reg, from, to)
		if err != nil {
			return dossier.Shape{}, err
		}
		for _, e := range entries {
			profile.Add(e)
		}
	}
	return profile.Shape(), nil
}

package deeds

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/work/publish"
)

// Project looks a savings project up by the name that a person gave.
func (b Book) Project(name plant.ProjectID) (plant.Project, error) {
	pr, ok := b.Plant.FindProject(name)
	if !ok {
		return pr, Unknown("savings project", string(name), b.Plant.Projects, func(p plant.Project) string { return string(p.ID) })
	}
	return pr, nil
}

// Adjust records a non-routine adjustment. a.From and a.To name local days.
func (b Book) Adjust(ctx context.Context, a plant.Adjustment) (string, error) {
	pr, err := b.Project(a.Project)
	if err != nil {
		return "", err
	}
	a.From, a.To = b.day(a.From), b.day(a.To)
	if err := savings.CheckAdjustment(a); err != nil {
		return "", refused("%v", err)
	}
	if a.Factor != "" && !slices.ContainsFunc(pr.Factors, func(f plant.StaticFactor) bool { return f.Name == a.Factor }) {
		return "", Unknown("static factor", a.Factor, pr.Factors, func(f plant.StaticFactor) string { return f.Name })
	}
	n, err := b.Store.Adjust(ctx, a)
	if err != nil {
		return "", err
	}
	sign, size := "plus", a.Energy.KWh()
	if size < 0 {
		sign, size = "minus", -size
	}
	return fmt.Sprintf("recorded: adjustment %d of %s, %s %s kWh over %s to %s, %s; approved by %s",
		n, a.Project, sign, unit.Group(size, 1), b.date(a.From), b.date(a.To), a.Event, a.Approver), nil
}

// Freeze freezes a project's baseline: draft where one is given that was not measured
// here, else fitted on the days on record. f has the project and the approver; reason
// is why it takes the place of a frozen one.
func (b Book) Freeze(ctx context.Context, f plant.Frozen, reason string, draft *savings.Baseline) (savings.Baseline, error) {
	if err := named(f.Approver); err != nil {
		return savings.Baseline{}, err
	}
	pr, err := b.Project(f.Project)
	if err != nil {
		return savings.Baseline{}, err
	}
	info := savings.FreezeInfo{Approver: f.Approver, At: time.Now().UTC().Truncate(time.Second), Software: b.Software, Reason: reason}
	if draft != nil {
		return publish.FreezeGiven(ctx, b.Store, pr, *draft, info)
	}
	return publish.Freeze(ctx, b.Store, b.Plant, pr, info)
}

// Publish publishes the statement of a period that is over. p has the project, the
// person and, where the period was published before, the reason.
func (b Book) Publish(ctx context.Context, p plant.Published, period savings.Period) (string, error) {
	if err := named(p.By); err != nil {
		return "", err
	}
	pr, err := b.Project(p.Project)
	if err != nil {
		return "", err
	}
	out, err := publish.Publish(ctx, b.Store, b.Plant, pr, publish.Asked{Now: time.Now(), Period: period}, publish.Act{By: p.By, Reason: p.Reason, Software: b.Software})
	if errors.Is(err, publish.ErrUnchanged) {
		return fmt.Sprintf("published already: %s, %s, version %d says the same, word for word", out.Project, out.Period, out.Version), nil
	}
	if err != nil {
		return "", err
	}
	instead := ""
	if out.Version > 1 {
		instead = fmt.Sprintf(" in place of version %d", out.Version-1)
	}
	return fmt.Sprintf("published: %s, %s, version %d%s, by %s\n  SHA-256 %s", out.Project, out.Period, out.Version, instead, out.By, out.Hash), nil
}

package acts

import (
	"context"
	"fmt"
	"slices"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/store"
	"curetally/internal/work/plan"
)

// Done records that a task was carried out.
type Done struct {
	desk.Site
	Who
	When
	Task    string `arg:"" help:"Task as RULE/SUBJECT, for example reflector-clean/heron-3."`
	Note    string `help:"What was seen." placeholder:"TEXT"`
	Reading string `help:"What was measured, with its unit, for example \"1.2 W/cm²\"." placeholder:"VALUE"`
}

// Run records that a task was carried out; it counts anew from that instant.
func (c Done) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		t, err := countsAnew(ctx, p, db, c.Task)
		if err != nil {
			return err
		}
		if err := db.MarkDone(ctx, plant.Done{Rule: t.Rule, Subject: t.Subject, At: at, By: c.By, Note: c.Note, Reading: c.Reading}); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s done %s by %s\n", c.Task, desk.Moment(at, p), c.By)
		return err
	})
}

// countsAnew gives a task that a person may say to be done or left out. The change
// of a lamp is neither: the life of the lamp says when it is due.
func countsAnew(ctx context.Context, p *plant.Plant, db *store.DB, name string) (upkeep.Task, error) {
	look, err := plan.Look(ctx, db, p, time.Now())
	if err != nil {
		return upkeep.Task{}, err
	}
	t, err := findTask(look.Tasks, name)
	if err != nil {
		return upkeep.Task{}, err
	}
	changes := func(r plant.TaskRule) bool { return r.ID == t.Rule && r.LifeFraction >= 1 }
	if slices.ContainsFunc(p.Rules, changes) {
		return upkeep.Task{}, fmt.Errorf("task %s is the change of lamp %s — record it with curetally lamp remove %s --reason … and curetally lamp fit SERIAL %s, "+
			"so that the old lamp's life is closed and the new one's begins", name, t.Lamp, t.Lamp, t.Station)
	}
	return t, nil
}

func findTask(tasks []upkeep.Task, name string) (upkeep.Task, error) {
	var known []string
	for _, t := range tasks {
		if desk.TaskName(t) == name {
			return t, nil
		}
		known = append(known, desk.TaskName(t))
	}
	remedy := "curetally tasks --all lists them as RULE/SUBJECT"
	if near := strictyaml.Nearest(name, known); near != "" {
		remedy = "did you mean " + near + "?"
	}
	return upkeep.Task{}, fmt.Errorf("task %q is not among the tasks of this plant — %s", name, remedy)
}

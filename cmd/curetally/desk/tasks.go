package desk

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/store"
	"curetally/internal/work/plan"
)

// Tasks lists upkeep tasks.
type Tasks struct {
	Site
	All      bool `help:"List also tasks that are not due for a while."`
	Cautions bool `help:"Print the caution cards of each task."`
	JSON     bool `help:"Print as JSON."`
}

// taskName is how a person names a task: rule and subject.
func taskName(t upkeep.Task) string { return string(t.Rule) + "/" + t.Subject }

// Run lists the tasks.
func (c Tasks) Run(ctx context.Context, s Surroundings) error {
	return c.with(ctx, s, func(p *plant.Plant, db *store.DB) error {
		look, err := plan.Look(ctx, db, p, time.Now())
		if err != nil {
			return err
		}
		tasks := []upkeep.Task{}
		for _, t := range look.Tasks {
			if c.All || t.Status != upkeep.OK {
				tasks = append(tasks, t)
			}
		}
		switch {
		case c.JSON:
			return WriteJSON(s.Stdout, map[string]any{"at": look.At, "tasks": tasks})
		case len(tasks) > 0:
			return c.print(s.Stdout, p, tasks)
		case c.All:
			_, err = fmt.Fprintln(s.Stdout, "no task rule applies to this plant")
		default:
			_, err = fmt.Fprintln(s.Stdout, "nothing is due; --all lists everything")
		}
		return err
	})
}

func (c Tasks) print(w io.Writer, p *plant.Plant, tasks []upkeep.Task) error {
	var rows []string
	for _, t := range tasks {
		due := "no date"
		if !t.Due.IsZero() {
			due = t.Due.In(p.TimeZone).Format("Mon 2 Jan 2006")
		}
		if t.Guess {
			due += " (guess)"
		}
		rows = append(rows, row(string(t.Status), due, taskName(t), fmt.Sprintf("%.0f %%", 100*t.UsedFraction), fmt.Sprint(t.Minutes), t.Reason))
	}
	if err := table(w, "STATUS\tDUE\tTASK\tUSED\tMINUTES\tWHY", rows); err != nil || !c.Cautions {
		return err
	}
	for _, t := range tasks {
		fmt.Fprintf(w, "\n%s (%s)\n", t.Title, taskName(t))
		for _, card := range t.Cautions {
			if _, err := fmt.Fprintf(w, "  %s\n", strings.TrimSpace(card.Code+" "+card.Text)); err != nil {
				return err
			}
		}
	}
	return nil
}

// Done records that a task was carried out.
type Done struct {
	Site
	Who
	When
	Task string `arg:"" help:"Task as RULE/SUBJECT, for example reflector-clean/heron-3."`
	Note string `help:"What was seen or measured." placeholder:"TEXT"`
}

// Run records that a task was carried out; it counts anew from that instant.
func (c Done) Run(ctx context.Context, s Surroundings) error {
	return c.with(ctx, s, func(p *plant.Plant, db *store.DB) error {
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		look, err := plan.Look(ctx, db, p, time.Now())
		if err != nil {
			return err
		}
		t, err := findTask(look.Tasks, c.Task)
		if err != nil {
			return err
		}
		changes := func(r plant.TaskRule) bool { return r.ID == t.Rule && r.LifeFraction >= 1 }
		if slices.ContainsFunc(p.Rules, changes) {
			return fmt.Errorf("task %s is the change of lamp %s — record it with curetally lamp remove %s --reason … and curetally lamp fit SERIAL %s, "+
				"so that the old lamp's life is closed and the new one's begins", c.Task, t.Lamp, t.Lamp, t.Station)
		}
		if err := db.MarkDone(ctx, plant.Done{Rule: t.Rule, Subject: t.Subject, At: at, By: c.By, Note: c.Note}); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s done %s by %s\n", c.Task, moment(at, p), c.By)
		return err
	})
}

func findTask(tasks []upkeep.Task, name string) (upkeep.Task, error) {
	var known []string
	for _, t := range tasks {
		if taskName(t) == name {
			return t, nil
		}
		known = append(known, taskName(t))
	}
	remedy := "curetally tasks --all lists them as RULE/SUBJECT"
	if near := strictyaml.Nearest(name, known); near != "" {
		remedy = "did you mean " + near + "?"
	}
	return upkeep.Task{}, fmt.Errorf("task %q is not among the tasks of this plant — %s", name, remedy)
}

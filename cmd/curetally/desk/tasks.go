package desk

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
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

// TaskName is how a person names a task: rule and subject.
func TaskName(t upkeep.Task) string { return plan.TaskName(t) }

// Run lists the tasks.
func (c Tasks) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
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
		rows = append(rows, row(string(t.Status), due, TaskName(t), fmt.Sprintf("%.0f %%", 100*t.UsedFraction), fmt.Sprint(t.Minutes), t.Reason))
	}
	if err := table(w, "STATUS\tDUE\tTASK\tUSED\tMINUTES\tWHY", rows); err != nil {
		return err
	}
	if !c.Cautions {
		_, err := fmt.Fprintf(w, "\nBefore work read the cautions of the task: --cautions prints them. %s\n", upkeep.Deferral)
		return err
	}
	for _, t := range tasks {
		fmt.Fprintf(w, "\n%s (%s)\n", t.Title, TaskName(t))
		for _, card := range t.Cautions {
			if _, err := fmt.Fprintf(w, "  %s\n", strings.TrimSpace(card.Code+" "+card.Text)); err != nil {
				return err
			}
		}
	}
	return nil
}

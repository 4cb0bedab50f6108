package main

import (
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/work/plan"
)

type tasksCommand struct {
	siteFlags
	All      bool `help:"List also tasks that are not due for a while."`
	Cautions bool `help:"Print the caution cards of each task."`
	JSON     bool `help:"Print as JSON."`
}

// taskName is how a person names a task: rule and subject.
func taskName(t upkeep.Task) string { return string(t.Rule) + "/" + t.Subject }

// Run lists the tasks.
func (c tasksCommand) Run(s *surroundings) error {
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	look, err := plan.Look(s.ctx, db, &loaded.Plant, time.Now())
	if err != nil {
		return err
	}
	tasks := []upkeep.Task{}
	for _, t := range look.Tasks {
		if c.All || t.Status != upkeep.OK {
			tasks = append(tasks, t)
		}
	}
	if c.JSON {
		return writeJSON(s.stdout, map[string]any{"at": look.At, "tasks": tasks})
	}
	if len(tasks) == 0 {
		_, err := fmt.Fprintln(s.stdout, "nothing is due; --all lists everything")
		return err
	}
	w := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "STATUS\tDUE\tTASK\tUSED\tMINUTES\tWHY")
	for _, t := range tasks {
		due := "no date"
		if !t.Due.IsZero() {
			due = t.Due.In(loaded.Plant.TimeZone).Format("Mon 2 Jan 2006")
		}
		if t.Guess {
			due += " (guess)"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%.0f %%\t%d\t%s\n", t.Status, due, taskName(t), 100*t.UsedFraction, t.Minutes, t.Reason)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if c.Cautions {
		for _, t := range tasks {
			fmt.Fprintf(s.stdout, "\n%s (%s)\n", t.Title, taskName(t))
			for _, card := range t.Cautions {
				fmt.Fprintf(s.stdout, "  %s\n", strings.TrimSpace(card.Code+" "+card.Text))
			}
		}
	}
	return nil
}

type doneCommand struct {
	siteFlags
	Task string `arg:"" help:"Task as RULE/SUBJECT, for example reflector-clean/heron-3."`
	By   string `required:"" help:"Who did it." placeholder:"NAME"`
	Note string `help:"What was seen or measured."`
	At   string `help:"When it was done; now by default." placeholder:"TIME"`
}

// Run records that a task was carried out; it counts anew from that instant.
func (c doneCommand) Run(s *surroundings) error {
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	at, err := instant(c.At, &loaded.Plant)
	if err != nil {
		return err
	}
	now := time.Now()
	if at.After(now.Add(time.Minute)) {
		return fmt.Errorf("--at %s lies in the future: a task is recorded when it was done", at.Format(time.RFC3339))
	}
	look, err := plan.Look(s.ctx, db, &loaded.Plant, now)
	if err != nil {
		return err
	}
	for _, t := range look.Tasks {
		if taskName(t) != c.Task {
			continue
		}
		if t.Lamp != "" {
			return fmt.Errorf("task %s is the change of lamp %s: record it with curetally lamp remove %s --reason … and curetally lamp fit SERIAL %s, "+
				"so that the old lamp's life is closed and the new one's begins", c.Task, t.Lamp, t.Lamp, t.Station)
		}
		err := db.MarkDone(s.ctx, plant.Done{Rule: t.Rule, Subject: t.Subject, At: at, By: c.By, Note: c.Note})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.stdout, "recorded: %s done %s by %s\n", c.Task, at.In(loaded.Plant.TimeZone).Format("Mon 2 Jan 2006 15:04"), c.By)
		return err
	}
	return fmt.Errorf("task %q is not among the tasks of this plant: curetally tasks --all lists them as RULE/SUBJECT", c.Task)
}

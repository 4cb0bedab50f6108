package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
	"curetally/internal/work/plan"
)

// Why is the flag for the reason of a decision.
type Why struct {
	Reason string `required:"" help:"Why." placeholder:"TEXT"`
}

// Validate refuses a reason that says nothing.
func (f Why) Validate() error {
	if strings.TrimSpace(f.Reason) == "" {
		return errors.New("--reason TEXT is missing: expected why it is so decided")
	}
	return nil
}

// Postpone puts a task off.
type Postpone struct {
	desk.Site
	Who
	Why
	Task  string `arg:"" help:"Task as RULE/SUBJECT, for example reflector-clean/heron-3."`
	Until string `required:"" help:"Day to which it is put off, as 2026-03-20 in the site's time." placeholder:"DATE"`
}

// Run records the postponement. The day on which the task would fall due stays
// visible beside the new one.
func (c Postpone) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		until, err := time.ParseInLocation(time.DateOnly, c.Until, p.TimeZone)
		if err != nil {
			return fmt.Errorf("--until %q: expected a day such as 2026-03-20", c.Until)
		}
		now := time.Now()
		until = p.Day(until, 0)
		look, err := plan.Look(ctx, db, p, now)
		if err != nil {
			return err
		}
		t, err := findTask(look.Tasks, c.Task)
		if err != nil {
			return err
		}
		due := t.Due
		if !t.OriginalDue.IsZero() {
			due = t.OriginalDue
		}
		switch {
		case due.IsZero():
			return fmt.Errorf("task %s has no date, so there is nothing to put off: %s", c.Task, t.Reason)
		case !until.After(due) || !until.After(p.Day(now, 0)):
			return fmt.Errorf("--until %s is not after today and the day on which %s is due (%s) — give a later day", c.Until, c.Task, desk.Date(due, p))
		}
		if err := db.RecordTask(ctx, plant.TaskAct{
			Kind: plant.TaskPostpone, Rule: t.Rule, Subject: t.Subject, At: now.Truncate(time.Millisecond).UTC(), Due: due, Until: until, By: c.By, Note: c.Reason,
		}); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s, due %s, put off to %s by %s\n", c.Task, desk.Date(due, p), desk.Date(until, p), c.By)
		return err
	})
}

// Skip leaves a task out once.
type Skip struct {
	desk.Site
	Who
	When
	Why
	Task string `arg:"" help:"Task as RULE/SUBJECT, for example reflector-clean/heron-3."`
}

// Run records that a task was left out; it counts anew from that instant.
func (c Skip) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		t, err := countsAnew(ctx, p, db, c.Task)
		if err != nil {
			return err
		}
		if err := db.RecordTask(ctx, plant.TaskAct{
			Kind: plant.TaskSkip, Rule: t.Rule, Subject: t.Subject, At: at, Due: t.Due, By: c.By, Note: c.Reason,
		}); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s left out %s by %s\n", c.Task, desk.Moment(at, p), c.By)
		return err
	})
}

// Undo takes back what was recorded about a task.
type Undo struct {
	desk.Site
	Who
	Task string `arg:"" help:"Task as RULE/SUBJECT, for example reflector-clean/heron-3."`
	Note string `required:"" help:"Why it is taken back." placeholder:"TEXT"`
}

// Run writes a counter-entry to the act recorded last that still stands. Nothing
// is deleted.
func (c Undo) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		rule, subject, ok := strings.Cut(c.Task, "/")
		if !ok {
			return fmt.Errorf("task %q: expected RULE/SUBJECT, for example reflector-clean/heron-3", c.Task)
		}
		if named := func(r plant.TaskRule) bool { return r.ID == plant.RuleID(rule) }; !slices.ContainsFunc(p.Rules, named) {
			return desk.Unknown("rule", rule, p.Rules, func(r plant.TaskRule) string { return string(r.ID) })
		}
		history, err := db.TaskHistory(ctx, plant.RuleID(rule), subject)
		if err != nil {
			return err
		}
		if len(history) == 0 {
			return fmt.Errorf("nothing is on record about task %s that could be taken back", c.Task)
		}
		last := history[0]
		if err := db.RecordTask(ctx, plant.TaskAct{
			Kind: plant.TaskUndo, Rule: last.Rule, Subject: last.Subject, At: time.Now().Truncate(time.Millisecond).UTC(), Undoes: last.ID, By: c.By, Note: c.Note,
		}); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "taken back: %s %s %s by %s; both records are kept\n", c.Task, pastWord(last.Kind), desk.Moment(last.At, p), last.By)
		return err
	})
}

// pastWord is what an act was.
func pastWord(k plant.TaskActKind) string {
	switch k {
	case plant.TaskSkip:
		return "left out"
	case plant.TaskPostpone:
		return "put off"
	default:
		return "done"
	}
}

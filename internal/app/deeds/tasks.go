package deeds

import (
	"context"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/store"
	"curetally/internal/work/plan"
)

// Done records that a task was carried out; it counts anew from that instant. seen
// is the instant from which the person saw it count; where it is given and does not
// hold any more, the error is store.ErrConflict with who was faster.
func (b Book) Done(ctx context.Context, d plant.Done, seen time.Time) (string, error) {
	at, err := b.act(d.By, d.At)
	if err != nil {
		return "", err
	}
	t, err := b.countsAnew(ctx, d.Rule, d.Subject, seen)
	if err != nil {
		return "", err
	}
	d.At = at
	if err := b.Store.MarkDone(ctx, d); err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s done %s by %s", nameOf(t), b.moment(at), d.By), nil
}

// Skip records that a task was left out; it counts anew from that instant. a.Note
// is why; seen is as with Done.
func (b Book) Skip(ctx context.Context, a plant.TaskAct, seen time.Time) (string, error) {
	at, err := b.act(a.By, a.At)
	if err != nil {
		return "", err
	}
	t, err := b.countsAnew(ctx, a.Rule, a.Subject, seen)
	if err != nil {
		return "", err
	}
	a.Kind, a.At, a.Due = plant.TaskSkip, at, t.Due
	if err := b.Store.RecordTask(ctx, a); err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s left out %s by %s", nameOf(t), b.moment(at), a.By), nil
}

// Postpone puts a task off to the day a.Until. The day on which it would fall due
// stays visible beside the new one. a.Note is why; seen is as with Done.
func (b Book) Postpone(ctx context.Context, a plant.TaskAct, seen time.Time) (string, error) {
	now, err := b.act(a.By, time.Time{})
	if err != nil {
		return "", err
	}
	t, err := b.task(ctx, a.Rule, a.Subject, seen)
	if err != nil {
		return "", err
	}
	due, until := t.Due, b.day(a.Until)
	if !t.OriginalDue.IsZero() {
		due = t.OriginalDue
	}
	switch {
	case due.IsZero():
		return "", refused("task %s has no date, so there is nothing to put off: %s", nameOf(t), t.Reason)
	case !until.After(due) || !until.After(b.Plant.Day(now, 0)):
		return "", refused("%s is not after today and the day on which %s is due (%s) — give a later day", b.date(until), nameOf(t), b.date(due))
	}
	a.Kind, a.At, a.Due, a.Until = plant.TaskPostpone, now, due, until
	if err := b.Store.RecordTask(ctx, a); err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s, due %s, put off to %s by %s", nameOf(t), b.date(due), b.date(until), a.By), nil
}

// Undo writes a counter-entry to the act about a task that was recorded last and
// still stands. Nothing is deleted. a.Note is why.
func (b Book) Undo(ctx context.Context, a plant.TaskAct) (string, error) {
	now, err := b.act(a.By, time.Time{})
	if err != nil {
		return "", err
	}
	if is := func(r plant.TaskRule) bool { return r.ID == a.Rule }; !slices.ContainsFunc(b.Plant.Rules, is) {
		return "", Unknown("rule", string(a.Rule), b.Plant.Rules, func(r plant.TaskRule) string { return string(r.ID) })
	}
	history, err := b.Store.TaskHistory(ctx, a.Rule, a.Subject)
	if err != nil {
		return "", err
	}
	if len(history) == 0 {
		return "", refused("nothing is on record about task %s/%s that could be taken back", a.Rule, a.Subject)
	}
	last := history[0]
	a.Kind, a.At, a.Undoes = plant.TaskUndo, now, last.ID
	if err := b.Store.RecordTask(ctx, a); err != nil {
		return "", err
	}
	return fmt.Sprintf("taken back: %s/%s %s %s by %s; both records are kept", a.Rule, a.Subject, pastWord(last.Kind), b.moment(last.At), last.By), nil
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

func nameOf(t upkeep.Task) string { return string(t.Rule) + "/" + t.Subject }

// countsAnew gives a task that a person may say to be done or left out. The change
// of a lamp is neither: the life of the lamp says when it is due.
func (b Book) countsAnew(ctx context.Context, rule plant.RuleID, subject string, seen time.Time) (upkeep.Task, error) {
	t, err := b.task(ctx, rule, subject, seen)
	if err != nil {
		return t, err
	}
	changes := func(r plant.TaskRule) bool { return r.ID == t.Rule && r.LifeFraction >= 1 }
	if slices.ContainsFunc(b.Plant.Rules, changes) {
		return t, refused("task %s is the change of lamp %s — record it with curetally lamp remove %s --reason … and curetally lamp fit SERIAL %s, "+
			"so that the old lamp's life is closed and the new one's begins", nameOf(t), t.Lamp, t.Lamp, t.Station)
	}
	return t, nil
}

// task finds a task as it stands now.
func (b Book) task(ctx context.Context, rule plant.RuleID, subject string, seen time.Time) (upkeep.Task, error) {
	look, err := plan.Look(ctx, b.Store, b.Plant, time.Now())
	if err != nil {
		return upkeep.Task{}, err
	}
	var known []string
	for _, t := range look.Tasks {
		if t.Rule == rule && t.Subject == subject {
			return t, b.stale(ctx, t, seen)
		}
		known = append(known, nameOf(t))
	}
	name, remedy := string(rule)+"/"+subject, "curetally tasks --all lists them as RULE/SUBJECT"
	if near := strictyaml.Nearest(name, known); near != "" {
		remedy = "did you mean " + near + "?"
	}
	return upkeep.Task{}, &said{ErrUnknown, fmt.Sprintf("task %q is not among the tasks of this plant — %s", name, remedy)}
}

// stale refuses what a person decided on a task as it no longer is.
func (b Book) stale(ctx context.Context, t upkeep.Task, seen time.Time) error {
	if seen.IsZero() || seen.Equal(t.Anchor) {
		return nil
	}
	history, err := b.Store.TaskHistory(ctx, t.Rule, t.Subject)
	if err != nil {
		return err
	}
	if len(history) == 0 {
		return &said{store.ErrConflict, fmt.Sprintf("task %s was changed meanwhile — look at it again", nameOf(t))}
	}
	last := history[0]
	return &said{store.ErrConflict, fmt.Sprintf("task %s was %s by %s, %s, meanwhile — look at it again before you record anything",
		nameOf(t), pastWord(last.Kind), last.By, b.moment(last.At))}
}

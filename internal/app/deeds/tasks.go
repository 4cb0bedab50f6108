package deeds

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/notice"
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
	t, err := b.decide(ctx, decision{rule: d.Rule, subject: d.Subject, seen: seen, on: func(t upkeep.Task) (plant.TaskAct, error) {
		return plant.TaskAct{
			Kind: plant.TaskDone, Rule: d.Rule, Subject: d.Subject, At: at, By: d.By, Note: d.Note, Reading: d.Reading,
		}, b.countsAnew(t)
	}})
	if err != nil {
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
	t, err := b.decide(ctx, decision{rule: a.Rule, subject: a.Subject, seen: seen, on: func(t upkeep.Task) (plant.TaskAct, error) {
		a.Kind, a.At, a.Due = plant.TaskSkip, at, t.Due
		return a, b.countsAnew(t)
	}})
	if err != nil {
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
	var due, until time.Time
	t, err := b.decide(ctx, decision{rule: a.Rule, subject: a.Subject, seen: seen, on: func(t upkeep.Task) (plant.TaskAct, error) {
		due, until = t.Due, b.day(a.Until)
		if !t.OriginalDue.IsZero() {
			due = t.OriginalDue
		}
		switch {
		case due.IsZero():
			return a, refused("task %s has no date, so there is nothing to put off: %s", nameOf(t), t.Reason)
		case !until.After(due) || !until.After(b.Plant.Day(now, 0)):
			return a, refused("%s is not after today and the day on which %s is due (%s) — give a later day", b.date(until), nameOf(t), b.date(due))
		}
		put := a
		put.Kind, put.At, put.Due, put.Until = plant.TaskPostpone, now, due, until
		return put, nil
	}})
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s, due %s, put off to %s by %s", nameOf(t), b.date(due), b.date(until), a.By), nil
}

// decision is what a person decides on a task.
type decision struct {
	rule    plant.RuleID
	subject string
	seen    time.Time // anchor of the task as the person saw it; zero when not said
	// on makes the act on the task as it stands.
	on func(upkeep.Task) (plant.TaskAct, error)
}

// decide records a decision on a task as it stands, and only if it still stands so
// in the transaction that records it. A lamp that is changed elsewhere meanwhile
// makes it look again.
func (b Book) decide(ctx context.Context, d decision) (upkeep.Task, error) {
	mark, err := b.Store.TaskMark(ctx, d.rule, d.subject)
	if err != nil {
		return upkeep.Task{}, err
	}
	for {
		t, err := b.task(ctx, d.rule, d.subject, d.seen)
		if err != nil {
			return t, err
		}
		a, err := d.on(t)
		if err != nil {
			return t, err
		}
		seen := store.Seen{Mark: mark}
		if a.Kind == plant.TaskPostpone || a.At.After(t.Anchor) {
			seen.Notice = notice.TaskSubject(t.Rule, t.Subject, t.Anchor)
		}
		err = b.Store.RecordSeen(ctx, a, seen)
		if !errors.Is(err, store.ErrMoved) {
			return t, err
		}
		before := mark.Act
		if mark, err = b.Store.TaskMark(ctx, d.rule, d.subject); err != nil {
			return t, err
		}
		if mark.Act != before {
			return t, b.meanwhile(ctx, t)
		}
	}
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

// countsAnew refuses a task of which a person cannot say that it was done or left
// out: the life of a lamp says when its change is due.
func (b Book) countsAnew(t upkeep.Task) error {
	changes := func(r plant.TaskRule) bool { return r.ID == t.Rule && r.LifeFraction >= 1 }
	if slices.ContainsFunc(b.Plant.Rules, changes) {
		return refused("task %s is the change of lamp %s — record it with curetally lamp remove %s --reason … and curetally lamp fit SERIAL %s, "+
			"so that the old lamp's life is closed and the new one's begins", nameOf(t), t.Lamp, t.Lamp, t.Station)
	}
	return nil
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
	return b.meanwhile(ctx, t)
}

// meanwhile says that a task was changed, and by whom.
func (b Book) meanwhile(ctx context.Context, t upkeep.Task) error {
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

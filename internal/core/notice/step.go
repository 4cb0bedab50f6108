package notice

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Limits say how long something must last before it is told.
type Limits struct {
	Settle time.Duration // a finding, before it has begun
	Clear  time.Duration // its absence, before it has ended
	// Unanswered is how long an overdue task may stay without an answer; 0 means
	// for ever.
	Unanswered time.Duration
}

// Step is what a look at the conditions changes.
type Step struct {
	Records []Record // new or changed
	Notices []Notice
}

// Next compares what holds with what is on record. Calling it again with its own
// records and the same conditions at the same instant gives nothing.
func Next(records []Record, now []Condition, at time.Time, l Limits) Step {
	at = at.UTC().Truncate(time.Microsecond) // as it is stored
	known := make(map[string]Record, len(records))
	for _, r := range records {
		known[r.Subject] = r
	}
	var step Step
	present := make(map[string]bool, len(now))
	for _, c := range now {
		before, seen := known[c.Subject]
		if present[c.Subject] || before.Closed {
			continue // the same said twice, or seen before it was done
		}
		present[c.Subject] = true
		after := before
		after.Subject, after.Form, after.Topic, after.Press, after.Title, after.Gone = c.Subject, c.Form, c.Topic, c.Press, c.Title, false
		var told []Notice
		switch c.Form {
		case Finding:
			after, told = standing(after, c, at, l)
		case Task:
			after, told = task(after, c, at, l)
		case Statement:
			after, told = statement(after, c, at)
		}
		if after != before || !seen {
			step.Records = append(step.Records, after)
		}
		step.Notices = append(step.Notices, told...)
	}
	for _, r := range records {
		if present[r.Subject] {
			continue
		}
		after, told := absent(r, at, l)
		if after != r {
			step.Records = append(step.Records, after)
		}
		step.Notices = append(step.Notices, told...)
	}
	slices.SortStableFunc(step.Records, func(a, b Record) int { return cmp.Compare(a.Subject, b.Subject) })
	return step
}

func (c Condition) notice(kind Kind, transition string, at time.Time) Notice {
	return Notice{
		Kind: kind, Topic: c.Topic, Subject: c.Subject, Transition: transition, Press: c.Press,
		At: at, Due: c.Due, Title: c.Title, Text: c.Text, Remedy: c.Remedy,
	}
}

// standing moves a finding that is there.
func standing(r Record, c Condition, at time.Time, l Limits) (Record, []Notice) {
	if begun(r) {
		r.Pending = time.Time{}
		return r, nil
	}
	if r.Pending.IsZero() {
		r.Pending = at
	}
	if at.Sub(r.Pending) < l.Settle {
		return r, nil
	}
	r.Episode++
	r.Status, r.Since, r.Pending = fmt.Sprintf("begun %d", r.Episode), at, time.Time{}
	return r, []Notice{c.notice(FindingBegun, r.Status, at)}
}

func begun(r Record) bool { return r.Episode > 0 && r.Status == fmt.Sprintf("begun %d", r.Episode) }

// absent moves what is on record and is not there now.
func absent(r Record, at time.Time, l Limits) (Record, []Notice) {
	r.Gone = true
	if r.Form != Finding {
		return r, nil
	}
	if !begun(r) {
		r.Pending = time.Time{}
		return r, nil
	}
	if r.Pending.IsZero() {
		r.Pending = at
	}
	if at.Sub(r.Pending) < l.Clear {
		return r, nil
	}
	r.Status, r.Since, r.Pending = fmt.Sprintf("ended %d", r.Episode), at, time.Time{}
	return r, []Notice{{
		Kind: FindingEnded, Topic: r.Topic, Subject: r.Subject, Transition: r.Status, Press: r.Press,
		At: at, Title: "Ended: " + r.Title, Text: "It is no longer found.",
	}}
}

// kindOf gives the kind of notice of a task's status; empty for one that is not
// announced.
func kindOf(status string) Kind {
	switch status {
	case "upcoming":
		return TaskUpcoming
	case "due":
		return TaskDue
	case "overdue":
		return TaskOverdue
	default:
		return ""
	}
}

func task(r Record, c Condition, at time.Time, l Limits) (Record, []Notice) {
	if !c.Due.Equal(r.Due) {
		if !r.Due.IsZero() {
			r.Revision++
		}
		r.Due, r.Changed = c.Due.UTC(), at
	}
	status := c.Status
	if c.Round != "" {
		status += ", put off to " + c.Round
	}
	kind := kindOf(c.Status)
	if status != r.Status {
		r.Status, r.Since, r.Escalated, r.Acknowledged = status, at, false, false
		if kind == "" {
			return r, nil
		}
		n := c.notice(kind, status, at)
		n.Title = strings.ToUpper(c.Status[:1]) + c.Status[1:] + ": " + n.Title
		return r, []Notice{n}
	}
	if kind != TaskOverdue || l.Unanswered <= 0 || r.Escalated || r.Acknowledged || at.Sub(r.Since) < l.Unanswered {
		return r, nil
	}
	r.Escalated = true
	n := c.notice(TaskUnanswered, "unanswered, "+status, at)
	n.Title = "No answer: " + n.Title
	return r, []Notice{n}
}

func statement(r Record, c Condition, at time.Time) (Record, []Notice) {
	if r.Status == c.Status {
		return r, nil
	}
	r.Status, r.Since = c.Status, at
	return r, []Notice{c.notice(StatementPublished, c.Status, at)}
}

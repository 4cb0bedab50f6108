// Package notice decides what people are told, when, and by which channel. It
// compares what holds now (conditions) with what was announced (records) and
// gives the changes to announce; it routes a notice to channels, and says at
// which instant a channel may deliver it.
//
// All of it is pure: whoever stores records and notices does so in one
// transaction, under the key of subject and transition, so that each notice
// exists once whatever is repeated. A condition that flickers is not announced
// each time: a finding must last before it has begun, and be away before it has
// ended.
//
// Delivery is at least once. A message carries a key that stays the same when it
// is sent again, by which a receiver can drop a repetition.
package notice

import (
	"fmt"
	"time"

	"curetally/internal/core/plant"
)

// Kind says what a notice is about.
type Kind string

// The kinds of notices.
const (
	TaskUpcoming       Kind = "task-upcoming"
	TaskDue            Kind = "task-due"
	TaskOverdue        Kind = "task-overdue"
	TaskUnanswered     Kind = "task-unanswered" // overdue, and nobody has said that it is seen to
	FindingBegun       Kind = "finding-begun"
	FindingEnded       Kind = "finding-ended"
	StatementPublished Kind = "statement-published"
)

// Kinds lists all kinds.
func Kinds() []Kind {
	return []Kind{TaskUpcoming, TaskDue, TaskOverdue, TaskUnanswered, FindingBegun, FindingEnded, StatementPublished}
}

// Topic says whose work a notice is.
type Topic string

// The topics of notices.
const (
	Upkeep   Topic = "upkeep"   // tasks and lamps: the maintenance planner's
	Metering Topic = "metering" // meters, stations, the program itself: the engineer's
	Savings  Topic = "savings"  // statements and what they rest on: the energy manager's
)

// Form says how a condition moves.
type Form string

// The forms of conditions.
const (
	Task      Form = "task"
	Finding   Form = "finding"
	Statement Form = "statement"
)

// Condition is something that holds now.
type Condition struct {
	Form    Form
	Subject string // its name among all conditions; it stays the same as long as it holds
	Topic   Topic
	Press   plant.PressID // empty when it concerns the whole plant
	// Status is the word of a task (upcoming, due, overdue; anything else is not
	// announced) or the version of a statement; findings have none.
	Status string
	// Round tells one time that a task falls due from a later one: the day to which
	// it was put off; empty otherwise.
	Round  string
	Due    time.Time // local day of a task; zero means none
	Title  string    // one line
	Text   string
	Remedy string // what to do; may be empty
}

// Record is what was announced of a condition.
type Record struct {
	Subject string
	Form    Form
	Topic   Topic
	Press   plant.PressID
	Title   string
	// Status is the newest transition, as in Notice; empty before the first.
	Status string
	Since  time.Time // of Status
	// Pending is since when a finding is seen that has not begun, or away and has
	// not ended; zero for neither.
	Pending time.Time
	Episode int // how often a finding has begun
	// Due is the day of a task. Revision counts how often it moved, Changed is when
	// it last did.
	Due      time.Time
	Revision int
	Changed  time.Time
	// Escalated says that a task was reported as unanswered in this status.
	Escalated bool
	// Acknowledged says that a person has seen the notice of this status. It follows
	// from what is on record and is not stored with the Record.
	Acknowledged bool
	// Gone says that the condition was not there at the last look.
	Gone bool
	// Closed says of a task that it was done or skipped since it was announced; it is
	// over, whatever a look from before says. It follows from what is on record, as
	// Acknowledged does.
	Closed bool
}

// TaskSubject names a task among all conditions. It holds the instant from which the
// task counts: after the task was done it is another one.
func TaskSubject(rule plant.RuleID, subject string, anchor time.Time) string {
	if anchor.IsZero() {
		return fmt.Sprintf("task %s/%s since ever", rule, subject)
	}
	return fmt.Sprintf("task %s/%s since %d", rule, subject, anchor.Unix())
}

// Notice is one transition in words. The pair of Subject and Transition is its
// key.
type Notice struct {
	ID         int64         `json:"id"` // 0 before it is stored
	Kind       Kind          `json:"kind"`
	Topic      Topic         `json:"topic"`
	Subject    string        `json:"subject"`
	Transition string        `json:"transition"`
	Press      plant.PressID `json:"press,omitempty"`
	At         time.Time     `json:"at"`
	Due        time.Time     `json:"due,omitzero"`
	Title      string        `json:"title"`
	Text       string        `json:"text"`
	Remedy     string        `json:"remedy,omitempty"`
}

// Message is one or more notices on their way to one receiver.
type Message struct {
	// Key is the same whenever the same notices are sent again.
	Key     string
	Site    string
	Zone    *time.Location
	Notices []Notice // at least one, in the order of their transitions
}

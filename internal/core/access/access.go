// Package access says who may do what. A person has one of three roles; one table
// says of each action which role it takes at least, and the HTTP interface, the
// pages and the tests all ask that table.
//
// Who asks travels with the context of a request: whoever opens the door (package
// signin) puts the person there by With, and whoever acts reads it by Of, By and
// Allow. A context without a person may do nothing: a door that was forgotten
// shuts, it does not open.
//
// Where pages are open without sign-in (on this machine only, before the first
// person is added), the context holds Anyone, who may do all and has no name.
package access

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Role is what a person is at the plant. A later one may do all that an earlier
// one may.
type Role string

// The roles.
const (
	Reader   Role = "reader"   // looks
	Planner  Role = "planner"  // plans upkeep: tasks, lamps, notices
	Engineer Role = "engineer" // answers for figures, and for who may do what
)

// Roles gives all roles, the one that may least first.
func Roles() []Role { return []Role{Reader, Planner, Engineer} }

// rank orders roles; 0 is none.
func (r Role) rank() int { return slices.Index(Roles(), r) + 1 }

// Known says whether there is such a role.
func (r Role) Known() bool { return r.rank() > 0 }

// Least gives the role of the two that may less.
func Least(a, b Role) Role {
	if b.rank() < a.rank() {
		return b
	}
	return a
}

// Action is something that a person does. Those that the HTTP interface offers
// have the name of its operation.
type Action string

// The actions.
const (
	Look Action = "look" // at pages, tables, reports and metrics

	MarkDone     Action = "mark-done"
	SkipTask     Action = "skip-task"
	PostponeTask Action = "postpone-task"
	UndoTask     Action = "undo-task"
	FitLamp      Action = "fit-lamp"
	RemoveLamp   Action = "remove-lamp"
	ReceiveLamps Action = "receive-lamps"
	DisposeLamps Action = "dispose-lamps"
	ReadOutput   Action = "read-output"
	AnswerNotice Action = "answer-notice"
	ResendNotice Action = "resend-notice"
	ReadAudit    Action = "list-acts" // who did what

	DeclareExchange  Action = "declare-exchange"
	RuleOnReading    Action = "rule-on-reading"
	FreezeBaseline   Action = "freeze-baseline"
	AddAdjustment    Action = "add-adjustment"
	PublishStatement Action = "publish-statement"
)

// least is the table.
var least = map[Action]Role{
	Look: Reader,

	MarkDone: Planner, SkipTask: Planner, PostponeTask: Planner, UndoTask: Planner,
	FitLamp: Planner, RemoveLamp: Planner, ReceiveLamps: Planner, DisposeLamps: Planner, ReadOutput: Planner,
	AnswerNotice: Planner, ResendNotice: Planner, ReadAudit: Planner,

	DeclareExchange: Engineer, RuleOnReading: Engineer, FreezeBaseline: Engineer, AddAdjustment: Engineer, PublishStatement: Engineer,
}

// Actions gives all actions in the order of their names.
func Actions() []Action { return slices.Sorted(maps.Keys(least)) }

// LeastFor gives the role that an action takes at least; an unknown action is false.
func LeastFor(a Action) (Role, bool) {
	r, ok := least[a]
	return r, ok
}

// May says whether a role is enough for an action. No role is enough for an
// unknown action.
func (r Role) May(a Action) bool {
	want, ok := least[a]
	return ok && r.Known() && r.rank() >= want.rank()
}

// Person is who asks.
type Person struct {
	// Name is empty where pages are open without sign-in.
	Name string
	Role Role
	// Token is the title of the token that was shown; empty for a session.
	Token string
}

// Anyone is who asks where pages are open without sign-in.
func Anyone() Person { return Person{Role: Engineer} }

// SignedIn says whether it is known who asks.
func (p Person) SignedIn() bool { return p.Name != "" }

type personKey struct{}

// With gives a context in which a person asks.
func With(ctx context.Context, p Person) context.Context {
	return context.WithValue(ctx, personKey{}, p)
}

// Of gives the person who asks; false where nobody was let in.
func Of(ctx context.Context) (Person, bool) {
	p, ok := ctx.Value(personKey{}).(Person)
	return p, ok
}

// ErrNobody says that nobody was let in who could act.
var ErrNobody = errors.New("sign in first")

// Denied says that a role is not enough. Its text is for the person.
type Denied struct {
	Person Person
	Action Action
	Needs  Role
}

// Error says which role is needed and who can give it.
func (d *Denied) Error() string {
	who := d.Person.Name
	if d.Person.Token != "" {
		who += " with the token " + d.Person.Token
	}
	return fmt.Sprintf("%s may not do this (%s): it takes the role %s, and this is the role %s; an engineer of the plant can change it with curetally person role",
		who, d.Action, d.Needs, d.Person.Role)
}

// Allow is nil when the person who asks may do the action, ErrNobody when nobody
// was let in, else a *Denied.
func Allow(ctx context.Context, a Action) error {
	p, ok := Of(ctx)
	if !ok {
		return ErrNobody
	}
	want, known := least[a]
	if !known {
		return fmt.Errorf("action %q is in no table: %w", a, ErrNobody)
	}
	if !p.Role.May(a) {
		return &Denied{Person: p, Action: a, Needs: want}
	}
	return nil
}

// ErrBy says that a record would bear the wrong name, or none.
var ErrBy = errors.New("by")

// By gives the name under which an act is put on record: that of the person who is
// signed in, whatever a form says. A form that names somebody else is refused,
// because its sender expects another record. Where nobody is signed in the name of
// the form is taken, and one must be given.
func By(ctx context.Context, given string) (string, error) {
	given = strings.TrimSpace(given)
	p, ok := Of(ctx)
	switch {
	case !ok:
		return "", ErrNobody
	case p.SignedIn() && given != "" && given != p.Name:
		return "", fmt.Errorf("%w: you are signed in as %s and cannot put anything on record as %s — leave the name out", ErrBy, p.Name, given)
	case p.SignedIn():
		return p.Name, nil
	case given == "":
		return "", fmt.Errorf("%w: expected the name of the person who did it", ErrBy)
	default:
		return given, nil
	}
}

// Account is a person on record.
type Account struct {
	Name string `json:"name"`
	Role Role   `json:"role"`
	// Password is the hash of package secret; empty for a person who signs in
	// elsewhere or only by tokens. It is never shown.
	Password string    `json:"-"`
	Disabled bool      `json:"disabled"`
	Added    time.Time `json:"added"`
	AddedBy  string    `json:"added_by"`
}

// Purpose is what a token opens.
type Purpose string

// The purposes.
const (
	ForAPI      Purpose = "api"      // the HTTP interface, metrics too
	ForMetrics  Purpose = "metrics"  // metrics alone
	ForCalendar Purpose = "calendar" // the calendar alone, in its address
)

// Purposes gives all purposes.
func Purposes() []Purpose { return []Purpose{ForAPI, ForMetrics, ForCalendar} }

// Token is a token on record. The token itself is not: it was shown once.
type Token struct {
	ID       int64     `json:"id"`
	Person   string    `json:"person"`
	Title    string    `json:"title"`
	Purpose  Purpose   `json:"purpose"`
	Role     Role      `json:"role"` // at most; a person who may less, may less by it too
	Made     time.Time `json:"made"`
	Expires  time.Time `json:"expires,omitzero"` // zero: never
	LastUsed time.Time `json:"last_used,omitzero"`
	Revoked  time.Time `json:"revoked,omitzero"`
}

// State says in a word whether the token opens anything at an instant.
func (t Token) State(now time.Time) string {
	switch {
	case !t.Revoked.IsZero():
		return "revoked"
	case !t.Expires.IsZero() && !now.Before(t.Expires):
		return "expired"
	default:
		return "valid"
	}
}

// Lives of a session.
const (
	// SessionIdle is how long a session lives after it was last used: a shift.
	SessionIdle = 8 * time.Hour
	// SessionLife is how long it lives at most: a week of work.
	SessionLife = 7 * 24 * time.Hour
)

// Session is a person who has signed in with a browser.
type Session struct {
	Person  string
	Role    Role
	Began   time.Time
	Used    time.Time
	Expires time.Time // at the latest
}

// Lives says whether the session is good at an instant.
func (s Session) Lives(now time.Time) bool {
	return now.Before(s.Expires) && now.Before(s.Used.Add(SessionIdle))
}

// CheckName is nil for a name that a person can have.
func CheckName(name string) error {
	bad := func(r rune) bool { return r < ' ' || r == 0x7f || r == '\ufffd' }
	if name == "" || len(name) > 100 || strings.TrimSpace(name) != name || strings.ContainsFunc(name, bad) {
		return fmt.Errorf("name %q: expected 1 to 100 bytes of text without blanks around it, for example Ann", name)
	}
	return nil
}

// CheckRole is nil for a role that there is.
func CheckRole(r Role) error {
	if !r.Known() {
		return fmt.Errorf("role %q: expected reader, planner or engineer", r)
	}
	return nil
}

package access

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"
)

// What each role may do, written down a second time by what people at a plant do.
// Common practice, no source.
func TestRoles_MayWhatTheyAreFor(t *testing.T) {
	planner := []Action{MarkDone, SkipTask, PostponeTask, UndoTask, FitLamp, RemoveLamp, ReceiveLamps, DisposeLamps, ReadOutput, AnswerNotice, ResendNotice, ReadAudit}
	engineer := []Action{DeclareExchange, RuleOnReading, FreezeBaseline, AddAdjustment, PublishStatement}
	want := map[Action]Role{Look: Reader}
	for _, a := range planner {
		want[a] = Planner
	}
	for _, a := range engineer {
		want[a] = Engineer
	}
	for _, a := range Actions() {
		if got, ok := LeastFor(a); !ok || got != want[a] {
			t.Errorf("%s takes %s, want %s", a, got, want[a])
		}
	}
	if len(Actions()) != len(want) {
		t.Errorf("%d actions, want %d", len(Actions()), len(want))
	}
}

// A later role may all that an earlier one may, and more.
func TestRoles_GrowByRank(t *testing.T) {
	before := 0
	for i, r := range Roles() {
		n := 0
		for _, a := range Actions() {
			if r.May(a) {
				n++
			} else if i > 0 && Roles()[i-1].May(a) {
				t.Errorf("%s may not %s, which %s may", r, a, Roles()[i-1])
			}
		}
		if n <= before {
			t.Errorf("%s may %d actions, no more than the role before", r, n)
		}
		before = n
	}
	if Role("").May(Look) || Role("owner").May(Look) || Engineer.May("fly") {
		t.Error("an unknown role or action is allowed")
	}
	if Least(Planner, Reader) != Reader || Least(Reader, Engineer) != Reader || Least(Engineer, "") != "" {
		t.Error("the lesser role of two is wrong")
	}
}

func TestAllow(t *testing.T) {
	ctx := t.Context()
	if err := Allow(ctx, Look); !errors.Is(err, ErrNobody) {
		t.Errorf("a context without a person may look: %v", err)
	}
	if err := Allow(With(ctx, Anyone()), FreezeBaseline); err != nil {
		t.Errorf("where pages are open: %v", err)
	}
	ben := With(ctx, Person{Name: "Ben", Role: Reader, Token: "wall screen"})
	err := Allow(ben, MarkDone)
	if denied, ok := errors.AsType[*Denied](err); !ok || denied.Needs != Planner ||
		!strings.Contains(err.Error(), "Ben with the token wall screen") || !strings.Contains(err.Error(), "curetally person role") {
		t.Errorf("Ben marks a task done: %v", err)
	}
	if err := Allow(With(ctx, Person{Name: "Ann", Role: Engineer}), "fly"); err == nil {
		t.Error("an action of no table is allowed")
	}
}

func TestBy_CannotBeForged(t *testing.T) {
	ann := With(t.Context(), Person{Name: "Ann", Role: Planner})
	open := With(t.Context(), Anyone())
	for _, c := range []struct {
		name  string
		ctx   context.Context
		given string
		want  string
		err   error
	}{
		{"signed in", ann, "", "Ann", nil},
		{"signed in, own name", ann, " Ann ", "Ann", nil},
		{"signed in, another's name", ann, "Ben", "", ErrBy},
		{"open", open, "Ben", "Ben", nil},
		{"open, no name", open, " ", "", ErrBy},
		{"nobody", t.Context(), "Ben", "", ErrNobody},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got, err := By(c.ctx, c.given); got != c.want || !errors.Is(err, c.err) {
				t.Errorf("%q, %v; want %q, %v", got, err, c.want, c.err)
			}
		})
	}
}

func TestLives(t *testing.T) {
	now := time.Date(2026, 3, 9, 14, 30, 0, 0, time.UTC)
	s := Session{Began: now, Used: now, Expires: now.Add(SessionLife)}
	for _, c := range []struct {
		name        string
		used, asked time.Duration
		want        bool
	}{
		{"at once", 0, 0, true},
		{"within a shift", 0, SessionIdle - 1, true},
		{"idle for a shift", 0, SessionIdle, false},
		{"used all week", SessionLife - time.Hour, SessionLife - 1, true},
		{"past the week", SessionLife - time.Hour, SessionLife, false},
	} {
		s.Used = now.Add(c.used)
		if got := s.Lives(now.Add(c.asked)); got != c.want {
			t.Errorf("%s: lives %v, want %v", c.name, got, c.want)
		}
	}
	for want, token := range map[string]Token{
		"valid": {}, "revoked": {Revoked: now, Expires: now}, "expired": {Expires: now},
	} {
		if got := token.State(now); got != want {
			t.Errorf("token is %s, want %s", got, want)
		}
	}
}

func TestCheckName(t *testing.T) {
	for _, good := range []string{"Ann", "Åsa B.", "line-2@alder"} {
		if err := CheckName(good); err != nil {
			t.Error(err)
		}
	}
	for _, bad := range []string{"", " Ann", "Ann\n", "a\x00b", strings.Repeat("x", 101), "\xff"} {
		if CheckName(bad) == nil {
			t.Errorf("%q is taken as a name", bad)
		}
	}
	if CheckRole(Planner) != nil || CheckRole("boss") == nil {
		t.Error("roles are not told apart")
	}
}

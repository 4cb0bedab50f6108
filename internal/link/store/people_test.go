package store

import (
	"errors"
	"testing"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/access/secret"
)

func TestPeople(t *testing.T) {
	db, ctx := open(t), t.Context()
	same(t, "people at first", get(db.HasPeople(ctx))(t), false)
	must(t, db.AddPerson(ctx, access.Account{Name: "Ann", Role: access.Engineer, Password: "hash", AddedBy: "Kim"}))
	same(t, "people", get(db.HasPeople(ctx))(t), true)
	if err := db.AddPerson(ctx, access.Account{Name: "Ann", Role: access.Reader, AddedBy: "Kim"}); !errors.Is(err, ErrConflict) {
		t.Errorf("a second Ann: %v", err)
	}
	for _, bad := range []access.Account{{Name: " Ann", Role: access.Reader}, {Name: "Ben", Role: "boss"}} {
		if err := db.AddPerson(ctx, bad); err == nil {
			t.Errorf("%+v is added", bad)
		}
	}
	must(t, db.SetRole(ctx, "Ann", access.Planner, "Kim"))
	must(t, db.SetPassword(ctx, "Ann", "other", "Ann"))
	must(t, db.SetDisabled(ctx, "Ann", true, "Kim"))
	p := get(db.Person(ctx, "Ann"))(t)
	p.Added = time.Time{}
	same(t, "Ann", p, access.Account{Name: "Ann", Role: access.Planner, Password: "other", Disabled: true, AddedBy: "Kim"})
	for what, err := range map[string]error{
		"role": db.SetRole(ctx, "Ben", access.Reader, "Kim"), "password": db.SetPassword(ctx, "Ben", "x", "Kim"), "disabled": db.SetDisabled(ctx, "Ben", true, "Kim"),
	} {
		if !errors.Is(err, ErrNotFound) {
			t.Errorf("%s of nobody: %v", what, err)
		}
	}
	var acts []string
	for _, r := range get(db.AuditLog(ctx, 10))(t) {
		acts = append(acts, r.By+": "+r.Action+" "+r.Subject+" "+r.Detail)
	}
	same(t, "audit", acts, []string{
		"Kim: disable person Ann ", "Ann: set password Ann ", "Kim: change role Ann to planner", "Kim: add person Ann role engineer",
	})
}

func TestTokens(t *testing.T) {
	db, ctx, now := open(t), t.Context(), morning
	must(t, db.AddPerson(ctx, access.Account{Name: "Ann", Role: access.Planner, AddedBy: "Kim"}))
	make := func(title string, role access.Role, expires time.Time) int64 {
		return get(db.AddToken(ctx, access.Token{Person: "Ann", Title: title, Purpose: access.ForAPI, Role: role, Expires: expires}, secret.Digest(title), "Kim"))(t)
	}
	screen, all := make("screen", access.Reader, time.Time{}), make("all", access.Engineer, now.Add(time.Hour))
	if _, err := db.AddToken(ctx, access.Token{Person: "Ben", Title: "x", Purpose: access.ForAPI, Role: access.Reader}, secret.Digest("x"), "Kim"); !errors.Is(err, ErrNotFound) {
		t.Errorf("token of nobody: %v", err)
	}
	use := func(title string, at time.Time) access.Role {
		t.Helper()
		x, err := db.UseToken(ctx, secret.Digest(title), at)
		if errors.Is(err, ErrNotFound) {
			return ""
		}
		must(t, err)
		return x.Role
	}
	same(t, "lower role of the token", use("screen", now), access.Reader)
	same(t, "lower role of the person", use("all", now), access.Planner)
	same(t, "unknown", use("none", now), "")
	same(t, "expired", use("all", now.Add(time.Hour)), "")
	use("screen", now.Add(59*time.Second))
	use("screen", now.Add(61*time.Second))
	for _, x := range get(db.Tokens(ctx))(t) {
		if x.ID == screen && !x.LastUsed.Equal(now.Add(61*time.Second)) {
			t.Errorf("last used %v", x.LastUsed)
		}
	}
	must(t, db.SetDisabled(ctx, "Ann", true, "Kim"))
	same(t, "of a disabled person", use("screen", now), "")
	must(t, db.SetDisabled(ctx, "Ann", false, "Kim"))
	same(t, "enabled again", use("screen", now), access.Reader)
	must(t, db.RevokeToken(ctx, screen, "Kim"))
	same(t, "revoked", use("screen", now), "")
	if err := db.RevokeToken(ctx, screen, "Kim"); !errors.Is(err, ErrConflict) {
		t.Errorf("revoked twice: %v", err)
	}
	if err := db.RevokeToken(ctx, all+1, "Kim"); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown token revoked: %v", err)
	}
	if n := count(t, db, "SELECT count(*) FROM audit WHERE action IN ('make token', 'revoke token')"); n != 3 {
		t.Errorf("%d audit rows, want 3", n)
	}
}

func TestSessions(t *testing.T) {
	db, ctx, now := open(t), t.Context(), morning
	must(t, db.AddPerson(ctx, access.Account{Name: "Ann", Role: access.Planner, AddedBy: "Kim"}))
	begin := func(name string) { must(t, db.BeginSession(ctx, "Ann", secret.Digest(name), now)) }
	lives := func(name string, at time.Time) bool {
		t.Helper()
		_, err := db.UseSession(ctx, secret.Digest(name), at)
		if !errors.Is(err, ErrNotFound) {
			must(t, err)
		}
		return err == nil
	}
	begin("a")
	begin("b")
	same(t, "session", get(db.UseSession(ctx, secret.Digest("a"), now))(t).Role, access.Planner)
	must(t, db.SetRole(ctx, "Ann", access.Reader, "Kim"))
	same(t, "a role that was changed holds at once", get(db.UseSession(ctx, secret.Digest("a"), now))(t).Role, access.Reader)
	same(t, "used after seven hours", lives("a", now.Add(7*time.Hour)), true)
	same(t, "used eight hours later", lives("a", now.Add(14*time.Hour)), true)
	same(t, "idle for a shift", lives("b", now.Add(access.SessionIdle)), false)
	same(t, "after a week", lives("a", now.Add(access.SessionLife)), false)
	must(t, db.EndSession(ctx, secret.Digest("a"), "Ann"))
	same(t, "ended", lives("a", now), false)

	for what, act := range map[string]func() error{
		"password": func() error { return db.SetPassword(ctx, "Ann", "x", "Ann") },
		"disabled": func() error { return db.SetDisabled(ctx, "Ann", true, "Kim") },
	} {
		must(t, db.SetDisabled(ctx, "Ann", false, "Kim"))
		begin(what)
		must(t, act())
		same(t, "session after "+what, lives(what, now), false)
	}
	must(t, db.SetDisabled(ctx, "Ann", true, "Kim"))
	if err := db.BeginSession(ctx, "Ann", secret.Digest("c"), now); !errors.Is(err, ErrNotFound) {
		t.Errorf("session of a disabled person: %v", err)
	}
	must(t, db.SetDisabled(ctx, "Ann", false, "Kim"))
	begin("old")
	now = now.Add(access.SessionLife)
	begin("new")
	same(t, "sessions kept", count(t, db, "SELECT count(*) FROM session"), 1)
}

func TestOutsidePeople(t *testing.T) {
	db, ctx := open(t), t.Context()
	must(t, db.AddPerson(ctx, access.Account{Name: "Ann", Role: access.Planner, AddedBy: "Kim"}))
	same(t, "first time", get(db.AdmitOutside(ctx, "https://id.example 1", "Ben", access.Reader))(t).Role, access.Reader)
	same(t, "role changed elsewhere", get(db.AdmitOutside(ctx, "https://id.example 1", "Ben", access.Planner))(t).Role, access.Planner)
	same(t, "name changed elsewhere", get(db.AdmitOutside(ctx, "https://id.example 1", "Benjamin", access.Planner))(t).Name, "Ben")
	same(t, "role on record", get(db.Person(ctx, "Ben"))(t).Role, access.Planner)
	if _, err := db.AdmitOutside(ctx, "https://id.example 2", "Ann", access.Engineer); !errors.Is(err, ErrConflict) {
		t.Errorf("somebody from elsewhere takes Ann's name: %v", err)
	}
	must(t, db.SetDisabled(ctx, "Ben", true, "Kim"))
	if _, err := db.AdmitOutside(ctx, "https://id.example 1", "Ben", access.Planner); !errors.Is(err, ErrNotFound) {
		t.Errorf("a disabled person comes in from elsewhere: %v", err)
	}
	must(t, db.RefusedSignIn(ctx, "Ann", "192.0.2.7"))
	same(t, "refusal", get(db.AuditLog(ctx, 1))(t)[0].Detail, "from 192.0.2.7")
}

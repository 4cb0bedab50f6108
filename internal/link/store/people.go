package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/access"
)

// usedEvery is how exactly it is kept when a token or session was used last.
const usedEvery = time.Minute

const personColumns = "name, role, coalesce(password, ''), disabled, added, added_by"

func scanAccount(row pgx.CollectableRow) (access.Account, error) {
	var a access.Account
	err := row.Scan(&a.Name, &a.Role, &a.Password, &a.Disabled, &a.Added, &a.AddedBy)
	a.Added = a.Added.UTC()
	return a, err
}

// one takes the only row, or ErrNotFound with what was looked for.
func one[T any](rows []T, err error, what string) (T, error) {
	var none T
	switch {
	case err != nil:
		return none, fmt.Errorf("%s: %w", what, err)
	case len(rows) == 0:
		return none, fmt.Errorf("%s: %w", what, ErrNotFound)
	default:
		return rows[0], nil
	}
}

// People gives all people, by name.
func (db *DB) People(ctx context.Context) ([]access.Account, error) {
	return collect(ctx, db, scanAccount, "SELECT "+personColumns+" FROM person WHERE site = $1 ORDER BY name")
}

// Person gives one person, disabled or not; ErrNotFound where there is none.
func (db *DB) Person(ctx context.Context, name string) (access.Account, error) {
	rows, err := collect(ctx, db, scanAccount, "SELECT "+personColumns+" FROM person WHERE site = $1 AND name = $2", text(name))
	return one(rows, err, fmt.Sprintf("person %q", name))
}

// HasPeople says whether anybody was ever added.
func (db *DB) HasPeople(ctx context.Context) (bool, error) {
	rows, err := collect(ctx, db, pgx.RowTo[bool], "SELECT EXISTS (SELECT FROM person WHERE site = $1)")
	return err == nil && rows[0], err
}

// change carries out an act about people with its audit row.
func (db *DB) change(ctx context.Context, a AuditRow, do func(tx pgx.Tx, site int16) error) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		if err := do(tx, s.id); err != nil {
			return err
		}
		return audit(ctx, tx, s.id, a)
	})
	if err != nil {
		return fmt.Errorf("%s %s: %w", a.Action, a.Subject, err)
	}
	return nil
}

// AddPerson adds a person; AddedBy says who did. A name that is taken is
// ErrConflict.
func (db *DB) AddPerson(ctx context.Context, p access.Account) error {
	if err := errors.Join(access.CheckName(p.Name), access.CheckRole(p.Role)); err != nil {
		return err
	}
	row := AuditRow{By: p.AddedBy, Action: "add person", Subject: p.Name, Detail: "role " + string(p.Role)}
	err := db.change(ctx, row, func(tx pgx.Tx, site int16) error {
		_, err := tx.Exec(ctx, "INSERT INTO person (site, name, role, password, added_by) VALUES ($1, $2, $3, nullif($4, ''), $5)",
			site, p.Name, p.Role, p.Password, text(p.AddedBy))
		return err
	})
	if sqlState(err) == uniqueViolation {
		return fmt.Errorf("add person %s: %w: the name is taken — see curetally person list", p.Name, ErrConflict)
	}
	return err
}

// changePerson updates a person, who must be there.
func (db *DB) changePerson(ctx context.Context, a AuditRow, set string, value any, endSessions bool) error {
	return db.change(ctx, a, func(tx pgx.Tx, site int16) error {
		tag, err := tx.Exec(ctx, "UPDATE person SET "+set+" = $3 WHERE site = $1 AND name = $2", site, text(a.Subject), value)
		if err == nil && tag.RowsAffected() == 0 {
			err = fmt.Errorf("%w — see curetally person list", ErrNotFound)
		}
		if err != nil || !endSessions {
			return err
		}
		_, err = tx.Exec(ctx, "DELETE FROM session WHERE site = $1 AND person = $2", site, text(a.Subject))
		return err
	})
}

// SetRole changes what a person may do, from the next request on.
func (db *DB) SetRole(ctx context.Context, name string, role access.Role, by string) error {
	if err := access.CheckRole(role); err != nil {
		return err
	}
	return db.changePerson(ctx, AuditRow{By: by, Action: "change role", Subject: name, Detail: "to " + string(role)}, "role", role, false)
}

// SetDisabled shuts a person out or lets in again. The sessions of who is shut out
// end, and the person's tokens open nothing as long.
func (db *DB) SetDisabled(ctx context.Context, name string, disabled bool, by string) error {
	action := "enable person"
	if disabled {
		action = "disable person"
	}
	return db.changePerson(ctx, AuditRow{By: by, Action: action, Subject: name}, "disabled", disabled, true)
}

// SetPassword sets the hash of a password. All sessions of the person end.
func (db *DB) SetPassword(ctx context.Context, name, hash, by string) error {
	return db.changePerson(ctx, AuditRow{By: by, Action: "set password", Subject: name}, "password", hash, true)
}

// AddToken keeps a token by its digest and gives its number. The role is what the
// token may at most.
func (db *DB) AddToken(ctx context.Context, t access.Token, digest []byte, by string) (id int64, err error) {
	row := AuditRow{By: by, Action: "make token", Subject: t.Person, Detail: fmt.Sprintf("%q for %s with the role %s", t.Title, t.Purpose, t.Role)}
	if !t.Expires.IsZero() {
		row.Detail += " until " + t.Expires.UTC().Format(time.RFC3339)
	}
	err = db.change(ctx, row, func(tx pgx.Tx, site int16) error {
		var known bool
		if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM person WHERE site = $1 AND name = $2)", site, text(t.Person)).Scan(&known); err != nil {
			return err
		}
		if !known {
			return fmt.Errorf("person %q: %w — see curetally person list", t.Person, ErrNotFound)
		}
		return tx.QueryRow(ctx, "INSERT INTO token (site, person, title, purpose, role, digest, expires) VALUES ($1, $2, $3, $4, $5, $6, $7) RETURNING id",
			site, t.Person, text(t.Title), t.Purpose, t.Role, digest, until(t.Expires)).Scan(&id)
	})
	return id, err
}

const tokenColumns = "t.id, t.person, t.title, t.purpose, t.role, t.made, t.expires, t.last_used, t.revoked"

func scanToken(row pgx.CollectableRow) (access.Token, error) {
	var t access.Token
	var expires, used, revoked *time.Time
	err := row.Scan(&t.ID, &t.Person, &t.Title, &t.Purpose, &t.Role, &t.Made, &expires, &used, &revoked)
	t.Made = t.Made.UTC()
	for to, from := range map[*time.Time]*time.Time{&t.Expires: expires, &t.LastUsed: used, &t.Revoked: revoked} {
		if from != nil {
			*to = from.UTC()
		}
	}
	return t, err
}

// Tokens gives all tokens, the newest first.
func (db *DB) Tokens(ctx context.Context) ([]access.Token, error) {
	return collect(ctx, db, scanToken, "SELECT "+tokenColumns+" FROM token t WHERE t.site = $1 ORDER BY t.id DESC")
}

// RevokeToken makes a token open nothing any more. Revoking twice is ErrConflict.
func (db *DB) RevokeToken(ctx context.Context, id int64, by string) error {
	return db.change(ctx, AuditRow{By: by, Action: "revoke token", Subject: fmt.Sprint(id)}, func(tx pgx.Tx, site int16) error {
		var revoked *time.Time
		err := tx.QueryRow(ctx, "SELECT revoked FROM token WHERE site = $1 AND id = $2 FOR UPDATE", site, id).Scan(&revoked)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			return fmt.Errorf("%w — see curetally token list", ErrNotFound)
		case err != nil:
			return err
		case revoked != nil:
			return fmt.Errorf("%w: it was revoked at %s", ErrConflict, revoked.UTC().Format(time.RFC3339))
		}
		_, err = tx.Exec(ctx, "UPDATE token SET revoked = clock_timestamp() WHERE site = $1 AND id = $2", site, id)
		return err
	})
}

// UseToken gives the token of a digest that is good at an instant, with the role
// that it and its person have both, and keeps when it was used. ErrNotFound says
// that it is unknown, revoked, expired, or its person disabled.
func (db *DB) UseToken(ctx context.Context, digest []byte, now time.Time) (access.Token, error) {
	type owned struct {
		access.Token
		person access.Role
	}
	scan := func(row pgx.CollectableRow) (o owned, err error) {
		var expires, used *time.Time
		err = row.Scan(&o.ID, &o.Person, &o.Title, &o.Purpose, &o.Role, &o.Made, &expires, &used, &o.person)
		if used != nil {
			o.LastUsed = *used
		}
		if expires != nil {
			o.Expires = *expires
		}
		return o, err
	}
	rows, err := collect(ctx, db, scan, `SELECT t.id, t.person, t.title, t.purpose, t.role, t.made, t.expires, t.last_used, p.role
		FROM token t JOIN person p ON p.site = t.site AND p.name = t.person
		WHERE t.site = $1 AND t.digest = $2 AND t.revoked IS NULL AND (t.expires IS NULL OR t.expires > $3) AND NOT p.disabled`, digest, now.UTC())
	o, err := one(rows, err, "token")
	if err != nil {
		return access.Token{}, err
	}
	o.Role = access.Least(o.Role, o.person)
	if now.Sub(o.LastUsed) >= usedEvery {
		if err := db.touch(ctx, "UPDATE token SET last_used = $3 WHERE site = $1 AND id = $2", o.ID, now.UTC()); err != nil {
			return access.Token{}, fmt.Errorf("token: %w", err)
		}
	}
	return o.Token, nil
}

func (db *DB) touch(ctx context.Context, sql string, args ...any) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	_, err = db.pool.Exec(ctx, sql, append([]any{s.id}, args...)...)
	return err
}

// BeginSession keeps a session of a person by its digest. The person must not be
// disabled. Sessions that are over are removed.
func (db *DB) BeginSession(ctx context.Context, name string, digest []byte, now time.Time) error {
	return db.change(ctx, AuditRow{By: name, Action: "sign in", Subject: name}, func(tx pgx.Tx, site int16) error {
		if _, err := tx.Exec(ctx, "DELETE FROM session WHERE site = $1 AND (expires <= $2 OR used <= $3)", site, now.UTC(), now.Add(-access.SessionIdle).UTC()); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `INSERT INTO session (site, digest, person, began, used, expires)
			SELECT site, $3::bytea, name, $4::timestamptz, $4::timestamptz, $5::timestamptz FROM person WHERE site = $1 AND name = $2 AND NOT disabled`,
			site, text(name), digest, now.UTC(), now.Add(access.SessionLife).UTC())
		if err == nil && tag.RowsAffected() == 0 {
			return ErrNotFound
		}
		return err
	})
}

// UseSession gives the session of a digest that lives at an instant, and keeps when
// it was used. ErrNotFound says that there is none, that it is over, or that its
// person is disabled.
func (db *DB) UseSession(ctx context.Context, digest []byte, now time.Time) (access.Session, error) {
	scan := func(row pgx.CollectableRow) (x access.Session, err error) {
		err = row.Scan(&x.Person, &x.Role, &x.Began, &x.Used, &x.Expires)
		return x, err
	}
	rows, err := collect(ctx, db, scan, `SELECT x.person, p.role, x.began, x.used, x.expires
		FROM session x JOIN person p ON p.site = x.site AND p.name = x.person
		WHERE x.site = $1 AND x.digest = $2 AND NOT p.disabled`, digest)
	x, err := one(rows, err, "session")
	if err != nil {
		return x, err
	}
	if !x.Lives(now) {
		return access.Session{}, fmt.Errorf("session is over: %w", ErrNotFound)
	}
	if now.Sub(x.Used) >= usedEvery {
		if err := db.touch(ctx, "UPDATE session SET used = $3 WHERE site = $1 AND digest = $2", digest, now.UTC()); err != nil {
			return access.Session{}, fmt.Errorf("session: %w", err)
		}
	}
	return x, nil
}

// EndSession ends a session; ending one that is over is no error.
func (db *DB) EndSession(ctx context.Context, digest []byte, by string) error {
	return db.change(ctx, AuditRow{By: by, Action: "sign out", Subject: by}, func(tx pgx.Tx, site int16) error {
		_, err := tx.Exec(ctx, "DELETE FROM session WHERE site = $1 AND digest = $2", site, digest)
		return err
	})
}

// RefusedSignIn notes that somebody tried to sign in as a person who is on record.
// From is the address that asked.
func (db *DB) RefusedSignIn(ctx context.Context, name, from string) error {
	return db.change(ctx, AuditRow{By: name, Action: "refuse sign-in", Subject: name, Detail: "from " + from}, func(pgx.Tx, int16) error { return nil })
}

// AdmitOutside gives the person of an identity that signs in elsewhere, added with
// the name where it is new, and with the role that it has there now. A name that
// belongs to somebody else is ErrConflict; a disabled person is ErrNotFound.
func (db *DB) AdmitOutside(ctx context.Context, outside, name string, role access.Role) (access.Account, error) {
	if err := errors.Join(access.CheckName(name), access.CheckRole(role)); err != nil {
		return access.Account{}, err
	}
	rows, err := collect(ctx, db, scanAccount, "SELECT "+personColumns+" FROM person WHERE site = $1 AND outside = $2", text(outside))
	known, err := one(rows, err, "identity of "+name)
	switch {
	case errors.Is(err, ErrNotFound):
		return db.addOutside(ctx, outside, name, role)
	case err != nil:
		return known, err
	case known.Disabled:
		return known, fmt.Errorf("person %s is disabled: %w", known.Name, ErrNotFound)
	case known.Role != role:
		known.Role = role
		return known, db.SetRole(ctx, known.Name, role, known.Name)
	}
	return known, nil
}

func (db *DB) addOutside(ctx context.Context, outside, name string, role access.Role) (access.Account, error) {
	row := AuditRow{By: name, Action: "add person", Subject: name, Detail: "role " + string(role) + ", signs in elsewhere as " + outside}
	err := db.change(ctx, row, func(tx pgx.Tx, site int16) error {
		_, err := tx.Exec(ctx, "INSERT INTO person (site, name, role, outside, added_by) VALUES ($1, $2, $3, $4, $2)", site, name, role, text(outside))
		return err
	})
	if sqlState(err) == uniqueViolation {
		return access.Account{}, fmt.Errorf("%w: the name %s belongs to somebody else here", ErrConflict, name)
	}
	return access.Account{Name: name, Role: role}, err
}

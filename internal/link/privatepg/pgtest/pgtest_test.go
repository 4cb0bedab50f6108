package pgtest

import (
	"testing"

	"github.com/jackc/pgx/v5"
)

func TestNew_DatabasesAreApart(t *testing.T) {
	first, second := New(t), New(t)
	conn, err := pgx.Connect(t.Context(), first)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), "CREATE TABLE only_here (n int)"); err != nil {
		t.Fatal(err)
	}
	other, err := pgx.Connect(t.Context(), second)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close(t.Context())
	var exists bool
	if err := other.QueryRow(t.Context(), "SELECT to_regclass('only_here') IS NOT NULL").Scan(&exists); err != nil {
		t.Fatal(err)
	}
	if exists {
		t.Error("a table of one test database shows in another")
	}
}

func TestNewDurable_SyncsCommits(t *testing.T) {
	for _, c := range []struct{ url, want string }{{New(t), "off"}, {NewDurable(t), "on"}} {
		conn, err := pgx.Connect(t.Context(), c.url)
		if err != nil {
			t.Fatal(err)
		}
		var fsync string
		if err := conn.QueryRow(t.Context(), "SHOW fsync").Scan(&fsync); err != nil {
			t.Fatal(err)
		}
		conn.Close(t.Context())
		if fsync != c.want {
			t.Errorf("fsync is %s, expected %s", fsync, c.want)
		}
	}
}

package spool

import (
	"log/slog"
	"os"
	"testing"
)

func TestInUse(t *testing.T) {
	dir := t.TempDir()
	expect := func(when string, want bool) {
		t.Helper()
		if got, err := InUse(dir); err != nil || got != want {
			t.Errorf("%s: in use %v (%v), expected %v", when, got, err, want)
		}
	}
	expect("without a spool", false)
	if names, err := os.ReadDir(dir); err != nil || len(names) > 0 {
		t.Errorf("looking made %v (%v)", names, err)
	}
	s, err := Open(dir, Bounds{}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	expect("open", true)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	expect("closed", false)
}

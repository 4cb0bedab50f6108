package spool

import (
	"log/slog"
	"testing"

	"curetally/internal/sim/contract"
)

func TestSpool_KeepsTheContract(t *testing.T) {
	dir := t.TempDir()
	var s *Spool
	contract.TestSpool(t, func(t testing.TB) contract.Spool {
		if s != nil {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
		var err error
		if s, err = Open(dir, Bounds{}, slog.New(slog.DiscardHandler)); err != nil {
			t.Fatal(err)
		}
		return s
	})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

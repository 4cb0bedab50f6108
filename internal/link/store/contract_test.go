package store

import (
	"log/slog"
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/sim/contract"
)

func openContract(t testing.TB, p *plant.Plant) contract.Store {
	t.Helper()
	return openAt(t, pgtest.New(t), p, slog.New(slog.DiscardHandler))
}

func TestStore_KeepsTheContract(t *testing.T) {
	contract.TestStore(t, contract.Errors{Gap: ErrGap, Settled: ErrSettled, Conflict: ErrConflict, NotFound: ErrNotFound}, openContract)
}

func TestStore_IsTheSameAsItsModel(t *testing.T) {
	contract.SameAsModel(t, openContract)
}

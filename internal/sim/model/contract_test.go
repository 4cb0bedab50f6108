package model_test

import (
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/sim/contract"
	"curetally/internal/sim/model"
)

func TestStore_KeepsTheContract(t *testing.T) {
	contract.TestStore(t, contract.Errors{Gap: model.ErrGap, Settled: model.ErrSettled, Conflict: model.ErrConflict, NotFound: model.ErrNotFound},
		func(_ testing.TB, p *plant.Plant) contract.Store { return model.NewStore(p) })
}

func TestSpool_KeepsTheContract(t *testing.T) {
	disk := &model.Disk{}
	contract.TestSpool(t, func(testing.TB) contract.Spool { return model.OpenSpool(disk) })
}

// What was written and not synced is lost when another run opens the spool.
func TestSpool_LosesWhatIsNotSynced(t *testing.T) {
	disk := &model.Disk{}
	s := model.OpenSpool(disk)
	s.Write(plant.Facts{Refusals: []plant.Refusal{{Reason: "a"}}})
	if last, waiting := disk.Written(); last != 0 || waiting != 0 {
		t.Errorf("%d, %d waiting before the sync", last, waiting)
	}
	if all := disk.Waiting(); len(all) != 0 {
		t.Errorf("waiting %v", all)
	}
	s = model.OpenSpool(disk)
	if last := s.Sync(); last != 0 {
		t.Errorf("%d batches outlived the run", last)
	}
}

package savings_test

import (
	"slices"
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// A static factor that changed after the baseline asks for an adjustment that names
// it; one that was so all along does not.
func TestFactorChangesAskForAnAdjustment(t *testing.T) {
	pr, days := sheetsProject(t)
	pr.Factors = []plant.StaticFactor{{Name: "shifts", Value: "2"}, {Name: "width", Value: "450 mm"}}
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	if got := savings.FactorChanges(b, pr, nil); got != nil {
		t.Errorf("nothing changed: %+v", got)
	}
	pr.Factors = append(pr.Factors, plant.StaticFactor{Name: "shifts", Value: "3", From: days[15].Day})
	want := []savings.FactorChange{{Name: "shifts", Was: "2", Is: "3", From: days[15].Day}}
	if got := savings.FactorChanges(b, pr, nil); !slices.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	a := plant.Adjustment{Number: 1, From: days[15].Day, To: days[20].Day, Energy: unit.KilowattHour, Factor: "shifts"}
	if got := savings.FactorChanges(b, pr, []plant.Adjustment{a}); got != nil {
		t.Errorf("with an adjustment: %+v", got)
	}
	back := a
	back.Number, back.InsteadOf, back.Energy = 2, 1, 0
	if got := savings.FactorChanges(b, pr, []plant.Adjustment{a, back}); len(got) != 1 {
		t.Errorf("the adjustment was taken back: %+v", got)
	}
	// Changed in place, without a day.
	pr.Factors = []plant.StaticFactor{{Name: "shifts", Value: "2"}, {Name: "width", Value: "520 mm"}}
	if got := savings.FactorChanges(b, pr, nil); len(got) != 1 || got[0].Was != "450 mm" {
		t.Errorf("changed in place: %+v", got)
	}
}

package rules

import (
	"maps"
	"slices"
	"testing"

	"curetally/internal/core/plant"
)

// TestReadySets reads every ready-made set and checks that together they give
// each rule and lamp kind one name, and that each task says what it needs.
func TestReadySets(t *testing.T) {
	seen := map[plant.RuleID]string{}
	technologies := map[string]plant.Technology{"arc": plant.TechnologyArc, "led": plant.TechnologyLED, "gear": plant.TechnologyNone}
	for _, set := range Sets()["default"] {
		kinds, tasks := Ready(set)
		for _, k := range kinds {
			if k.Technology != technologies[set] {
				t.Errorf("%s: lamp kind %s is %s", set, k.Name, k.Technology)
			}
		}
		for _, r := range tasks {
			if other, double := seen[r.ID]; double {
				t.Errorf("rule %s is in %s and in %s", r.ID, other, set)
			}
			seen[r.ID] = set
			if r.Technology != technologies[set] || r.Title == string(r.ID) {
				t.Errorf("%s: %+v", set, r)
			}
			if r.Minutes == 0 && set != "gear" || r.Days == 0 && r.LitHours == 0 && r.LifeFraction == 0 && len(r.Conditions) == 0 || !r.Ready {
				t.Errorf("%s: rule %s says not how long it takes or when: %+v", set, r.ID, r)
			}
			// A person who works at a lamp or in a head isolates first or is told
			// why that is not needed: every task at a station has a card.
			if r.Scope != plant.PerPress && len(r.Cautions) == 0 {
				t.Errorf("%s: rule %s has no caution card", set, r.ID)
			}
		}
	}
	if len(seen) < 45 {
		t.Errorf("%d ready-made rules", len(seen))
	}
	for name, sets := range maps.All(Sets()) {
		for _, set := range sets {
			if !slices.Contains(Sets()["default"], set) {
				t.Errorf("set %s of %s is not in default", set, name)
			}
		}
	}
}

package coverage_test

import (
	"reflect"
	"testing"

	"curetally/internal/core/coverage"
)

// The stated 90 % interval holds the true saving about nine times in ten, on 120
// seeded plants for each trial; the bounds are wider than those of 500 plants by
// the spread of so few. curetally savings --coverage runs all 500.
// Source: simulation.
func TestIntervalsHoldTheTruth(t *testing.T) {
	for _, trial := range coverage.Trials(120) {
		r, err := trial.Run()
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("rho %v, %d days: held %.3f, neglecting %.3f", r.Rho, r.Days, r.Held, r.Neglecting)
		const slack = 0.035
		if r.Held < r.Least-slack || r.Held > r.Most+slack {
			t.Errorf("rho %v, %d days: held %.3f, want %.2f to %.2f", r.Rho, r.Days, r.Held, r.Least, r.Most)
		}
		if r.Rho == 0.8 && r.Neglecting > 0.6 {
			t.Errorf("rho %v: neglecting the correlation held %.3f: the plants have none", r.Rho, r.Neglecting)
		}
	}
}

func TestSameSeedSameTable(t *testing.T) {
	trial := coverage.Trials(10)[3]
	a, errA := trial.Run()
	b, errB := trial.Run()
	if errA != nil || errB != nil || !reflect.DeepEqual(a, b) {
		t.Errorf("%+v %v, then %+v %v", a, errA, b, errB)
	}
	if (coverage.Result{Held: 0.86, Least: 0.87, Most: 0.93}).Good() || !(coverage.Result{Held: 0.9, Least: 0.87, Most: 0.93}).Good() {
		t.Error("Good does not keep to its bounds")
	}
}

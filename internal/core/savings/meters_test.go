package savings_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
)

// metering is a register whose meter has a relative standard uncertainty in each
// period.
func metering(id plant.RegisterID, before, after float64) savings.Metering {
	return savings.Metering{
		Register: id, Stated: true, PowerFactor: 0.9,
		Before: accuracy.Figures{Energy: 3_000_000, Relative: before, Percent: 15}, After: accuracy.Figures{Energy: 1_000_000, Relative: after, Percent: 4},
	}
}

func stateWith(t *testing.T, meters ...savings.Metering) savings.Statement {
	t.Helper()
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	s, err := savings.State(b, pr, days, savings.Terms{Meters: meters})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Own computation, in Python, at a limit of 0.5 % taken as rectangular.
func TestMeterErrorIsCombined(t *testing.T) {
	const tq = 1.9782737863616806 // two-sided 90 % with 5.458 degrees of freedom
	r := 0.005 / math.Sqrt(3)
	other := metering("heron-1-meter/import", r, r)
	other.Exchanged = true
	apart := stateWith(t, other)
	near(t, "model", apart.ModelHalfWidthKWh/tq, 2876.9905843712254, 1e-9)
	near(t, "meters", apart.MeterHalfWidthKWh/tq, math.Hypot(649.6302084, 195.0346944), 1e-9)
	near(t, "independent", apart.HalfWidthKWh/tq, math.Hypot(2876.9905843712254, math.Hypot(649.6302084, 195.0346944)), 1e-9)

	same := stateWith(t, metering("heron-1-meter/import", r, r))
	near(t, "same meter", same.HalfWidthKWh/tq, math.Hypot(2876.9905843712254, 157476.50543278*r), 1e-9)
	near(t, "meters", same.MeterHalfWidthKWh/tq, same.SavedKWh*r, 1e-9)
	if end := same.Series[len(same.Series)-1]; end.HalfWidth != same.HalfWidthKWh {
		t.Errorf("the series ends with ± %v, the statement says ± %v", end.HalfWidth, same.HalfWidthKWh)
	}

	// A wider limit after the conversion: what goes beyond the common part is new.
	wide := stateWith(t, metering("heron-1-meter/import", r, 4*r))
	near(t, "wider after", wide.MeterHalfWidthKWh/tq,
		math.Hypot(wide.SavedKWh*r, wide.ActualKWh*r*math.Sqrt(15)), 1e-9)

	// Two meters that share the energy evenly are independent of each other.
	two := stateWith(t, metering("heron-1-meter/import", r, r), metering("heron-2-meter/import", r, r))
	near(t, "two meters", two.MeterHalfWidthKWh, same.MeterHalfWidthKWh/math.Sqrt2, 1e-12)

	// Without energy on record of the baseline's days, it is shared out as after.
	bare := metering("heron-1-meter/import", r, r)
	bare.Before.Energy = 0
	near(t, "no baseline loads", stateWith(t, bare).MeterHalfWidthKWh, same.MeterHalfWidthKWh, 1e-12)
}

// Without any accuracy the figures are those of the model, and the words say so.
func TestMeterErrorNotIncluded(t *testing.T) {
	none := stateWith(t)
	silent := metering("heron-1-meter/import", 0.01, 0.01)
	silent.Stated = false
	for name, s := range map[string]savings.Statement{"no meters": none, "no accuracy": stateWith(t, silent)} {
		near(t, name, s.HalfWidthKWh, 5691.475056670968, 1e-10) // as without the error of meters
		if s.MeterHalfWidthKWh != 0 || s.ModelHalfWidthKWh != s.HalfWidthKWh {
			t.Errorf("%s: ± %v = model ± %v, meters ± %v", name, s.HalfWidthKWh, s.ModelHalfWidthKWh, s.MeterHalfWidthKWh)
		}
		if w := s.UncertaintyWords(); !strings.Contains(w, "of the model alone") || !strings.Contains(w, "not included") {
			t.Errorf("%s: %s", name, w)
		}
	}
	text, err := json.Marshal(none)
	if err != nil || !strings.Contains(string(text), `"meters":[]`) {
		t.Errorf("%s %v", text, err)
	}
}

func TestUncertaintyWords(t *testing.T) {
	beyond := metering("heron-1-meter/import", 0.01, 0.02)
	beyond.After.Beyond, beyond.AssumedFactor = 0.93, true
	silent := metering("fan/import", 0, 0)
	silent.Stated = false
	s := stateWith(t, beyond, silent)
	s.ModelHalfWidthKWh, s.MeterHalfWidthKWh, s.HalfWidthKWh = 300, 400, 500
	want := "Model ± 300 kWh, meters ± 400 kWh, combined ± 500 kWh. " +
		"Not included is the error of fan/import: the configuration states no accuracy of them. " +
		"Part of the energy was counted at loads for which the accuracy classes promise nothing: heron-1-meter/import (93 %); " +
		"there as many amperes of error are supposed as at the least load with a promise. " +
		"A power factor of 0.9 is assumed where the configuration states none."
	if got := s.UncertaintyWords(); got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	if m := s.Meters[1]; m != (savings.MeterError{Register: "fan/import"}) {
		t.Errorf("%+v", m)
	}
	if m := s.Meters[0]; m.After != 0.02 || m.PercentBefore != 15 || m.BeyondAfter != 0.93 || m.PowerFactor != 0.9 {
		t.Errorf("%+v", m)
	}
}

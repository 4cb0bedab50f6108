package surveys

import (
	"os"
	"strings"
	"testing"

	"curetally/internal/core/survey"
)

const small = `
currency: EUR
hours: 4000
before: {volts: {value: 400, within: 1 %}, amps: {value: 12, standard: 0.5}, power_factor: 0.9, lamps: 10}
after: {kilowatts: 2, hours: 3000}
lamp_price: 280
energy_price: 0.2
investment: {value: 50000, within: 5000}
`

func TestRead(t *testing.T) {
	s, problems := Read("small.yaml", []byte(small))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if len(s.Before.Loads) != 1 || len(s.After.Loads) != 1 {
		t.Fatalf("loads %+v and %+v", s.Before.Loads, s.After.Loads)
	}
	before, after := s.Before.Loads[0], s.After.Loads[0]
	if before.Count != 1 || before.Phases != 3 || before.Hours != nil || before.Volts != (survey.Quantity{Value: 400, Within: 4}) ||
		before.Amperes != (survey.Quantity{Value: 12, Standard: 0.5}) || before.Factor.Value != 0.9 {
		t.Errorf("load before %+v", before)
	}
	if after.Kilowatts == nil || after.Kilowatts.Value != 2 || after.Hours == nil || after.Hours.Value != 3000 {
		t.Errorf("load after %+v", after)
	}
	if s.Hours.Value != 4000 || s.Before.LampPrice.Value != 280 || s.Years != 10 || s.Rate != 0.05 || s.Confidence != 0.9 || s.Investment.Within != 5000 {
		t.Errorf("survey %+v", s)
	}
}

// What is handed out as an example is free of problems and uses every way of a load.
func TestRead_Example(t *testing.T) {
	data, err := os.ReadFile("../../../../testdata/heron-case.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s, problems := Read("heron-case.yaml", data)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if len(s.Before.Loads) != 4 || len(s.After.Loads) != 3 || s.Later[8].Value != 12000 || s.Rate != 0.07 {
		t.Errorf("survey %+v", s)
	}
}

// All mistakes come at once, each with its line and what to do.
func TestRead_Problems(t *testing.T) {
	const bad = `currency: EU
before: {volts: 400, hours: 9999, lamps: -3}
after: {kwh: 5, kilowatts: 2}
energy_price: 0.2
investment: {value: 5, within: 300 %}
years: 99
carbon: 0.4
later: [{year: 120, amount: 5}]
confidence: 2
`
	_, problems := Read("bad.yaml", []byte(strings.Replace(bad, "300 %", "7", 1)))
	text := problems.Error()
	for _, want := range []string{
		"bad.yaml:1: currency: not a currency — ",
		"bad.yaml:2: before.lamps: not an amount of 0 or more — ",
		"bad.yaml:2: before: volts without amps, or amps without volts — ",
		"bad.yaml:2: before.power_factor: not greater than 0 and at most 1 — ",
		"bad.yaml:2: before.hours: more hours than a year has — ",
		"bad.yaml:3: after: expected one of three",
		"bad.yaml:5: investment: a margin that is greater than the figure — ",
		"bad.yaml:6: years: not between 1 and 50 — ",
		"bad.yaml:7: carbon: a carbon factor without its source — ",
		"bad.yaml:8: later[0].year: not a year of the case — ",
		"bad.yaml:9: confidence: not between 0.5 and 1 — ",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no problem %q in\n%s", want, text)
		}
	}
	if strings.Contains(text, "count") || strings.Contains(text, "phases") {
		t.Errorf("what was left out is a problem:\n%s", text)
	}
	for _, c := range []struct{ text, want string }{
		{bad, "investment.within: expected a margin of 0 or more"},
		{"hours: 3\n", "before: is missing"},
		{strings.Replace(small, "kilowatts: 2, hours: 3000", "", 1), "uses no energy"},
		{strings.Replace(small, "hours: 4000\n", "", 1), "before: no hours"},
		{strings.Replace(small, "kilowatts: 2", "loads: [{kwh: 2}], kilowatts: 2", 1), "has loads and the figures of a load beside them"},
		{small + "discount_rate: 7\n", "discount_rate: expected a rate per year"},
		{small + "interest: 7 %\n", "interest"},
		{strings.Replace(small, "volts: {value: 400, within: 1 %}", "phases: 2, volts: 400", 1), "before.phases: not 1 or 3"},
	} {
		if _, problems := Read("bad.yaml", []byte(c.text)); !strings.Contains(problems.Error(), c.want) {
			t.Errorf("no problem %q in\n%s", c.want, problems.Error())
		}
	}
}

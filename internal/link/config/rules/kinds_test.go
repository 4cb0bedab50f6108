package rules

import (
	"strings"
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

func kindsOf(t *testing.T, text string) ([]plant.LampKind, string) {
	t.Helper()
	var f File
	doc := strictyaml.Decode("kinds.yaml", []byte("lamp_kinds:\n"+text), &f)
	kinds := Kinds(doc, f.LampKinds)
	problems := doc.Problems()
	if len(problems) == 0 {
		return kinds, ""
	}
	return kinds, problems.Error()
}

func TestKinds_Costs(t *testing.T) {
	kinds, problems := kindsOf(t, "  - {name: a, technology: arc, doped: true, rated_hours: 900, price: 240.50 EUR, change_cost: 40 EUR, stop_cost: 600 EUR, lead_days: 14, arc_cm: 45}\n")
	if problems != "" {
		t.Fatal(problems)
	}
	k := kinds[0]
	if !k.Doped || k.Price.Float() != 240.5 || k.ChangeCost.Float() != 40 || k.StopCost.String() != "600.00 EUR" || k.LeadDays != 14 || k.ArcCentimeters != 45 {
		t.Errorf("read as %+v", k)
	}
	for text, want := range map[string]string{
		"technology: led, doped: true, rated_hours: 9":                                    "doped: only an arc is doped",
		"technology: arc, rated_hours: 9, price: 240":                                     "price: expected an amount of money with its currency",
		"technology: arc, rated_hours: 9, price: -240 EUR":                                "price: the amount is negative",
		"technology: arc, rated_hours: 9, price: 9 EUR, change_cost: 9 USD":               "change_cost: in USD, and other costs of this kind are in EUR",
		"technology: arc, rated_hours: 9, stop_cost: 9 EUR":                               "stop_cost: an unplanned stop has a cost and the lamp has no price",
		"technology: arc, rated_hours: 9, dirt_limit: 1":                                  "dirt_limit: not between",
		"technology: arc, rated_hours: 9, output_threshold: 0":                            "output_threshold: not between",
		"technology: arc, rated_hours: 9, life_shape: 101":                                "life_shape: not between",
		"technology: arc, rated_hours: 9, life_shape: 3, life_shape_spread: -1":           "life_shape_spread: not between",
		"technology: arc, rated_hours: 9, life_shape_spread: 0.3":                         "a spread without a shape",
		"technology: arc, rated_hours: 9, arc_cm: 501":                                    "arc_cm: not the length",
		"technology: led, rated_hours: 9, arc_cm: 45":                                     "arc_cm: not the length",
		"technology: arc, rated_hours: 9, lead_days: -1":                                  "lead_days: not between 0 and 730",
		"technology: arc, rated_hours: 9, lead_days: 731, price: 1 EUR, stop_cost: 1 USD": "stop_cost: in USD",
	} {
		if _, got := kindsOf(t, "  - {name: a, "+text+"}\n"); !strings.Contains(got, want) || !strings.Contains(got, " — ") {
			t.Errorf("%s: %q, expected %q with a remedy", text, got, want)
		}
	}
}

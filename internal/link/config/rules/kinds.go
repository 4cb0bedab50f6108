package rules

import (
	"cmp"
	"fmt"
	"slices"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

// Kinds checks lamp kinds; problems go to doc under lamp_kinds.
func Kinds(doc *strictyaml.Document, specs []Kind) []plant.LampKind {
	var kinds []plant.LampKind
	for i, s := range specs {
		at := fmt.Sprintf("lamp_kinds[%d]", i)
		if err := plant.ValidName(s.Name); err != nil {
			doc.Report(at+".name", err.Error(), "choose another name for the kind")
		}
		if slices.ContainsFunc(kinds, func(k plant.LampKind) bool { return k.Name == s.Name }) {
			doc.Report(at+".name", fmt.Sprintf("there are two lamp kinds %q", s.Name), "give each kind its own name")
		}
		technology, err := plant.ParseTechnology(s.Technology)
		if err != nil {
			doc.Report(at+".technology", fmt.Sprintf("unknown technology %q", s.Technology), "expected arc, led or hot-air")
		}
		if s.RatedHours <= 0 || s.RatedHours > 1e6 {
			doc.Report(at+".rated_hours", "not between 0 and 1000000", "write the rated useful life in hours, for example 1500")
		}
		if s.HoursPerStart < 0 || s.HoursPerStart > 100 {
			doc.Report(at+".hours_per_start", "not between 0 and 100", "write how many lit hours one start costs, for example 1")
		}
		if s.Doped && technology != plant.TechnologyArc {
			doc.Report(at+".doped", "only an arc is doped", "remove the key, or write technology: arc")
		}
		if s.ArcCM < 0 || s.ArcCM > 500 || s.ArcCM > 0 && technology != plant.TechnologyArc {
			doc.Report(at+".arc_cm", "not the length of an arc between 0 and 500 cm", "write the length of the arc of an arc lamp in centimetres, for example 45")
		}
		if !(s.MercuryMG >= 0 && s.MercuryMG <= 5000) || s.MercuryMG > 0 && technology != plant.TechnologyArc {
			doc.Report(at+".mercury_mg", "not the mercury of an arc lamp between 0 and 5000 mg", "write what the maker states of one arc lamp in milligrams, for example 60; a lamp of another technology has none")
		}
		s.Wear.check(doc, at+".wear")
		s.checkCosts(doc, at)
		s.checkShape(doc, at)
		s.checkOutput(doc, at)
		kinds = append(kinds, plant.LampKind{
			Name: s.Name, Title: cmp.Or(s.Title, s.Name), Technology: technology, RatedHours: s.RatedHours, HoursPerStart: s.HoursPerStart, Wear: plant.WearLaw(s.Wear), Doped: s.Doped,
			Price: s.Price.Money, ChangeCost: s.ChangeCost.Money, StopCost: s.StopCost.Money, LeadDays: s.LeadDays, ArcCentimeters: s.ArcCM, MercuryMilligrams: s.MercuryMG,
			LifeShape: s.LifeShape, LifeShapeSpread: s.LifeShapeSpread,
			DirtLimit: s.DirtLimit, OutputThreshold: s.OutputThreshold, CleanedBy: s.cleanedBy(technology),
		})
	}
	return kinds
}

// check checks how a lit hour wears.
func (w Wear) check(doc *strictyaml.Document, at string) {
	for _, l := range []struct {
		key         string
		value       float64
		least, most float64
		remedy      string
	}{
		{"drive_exponent", w.DriveExponent, 0, 5, "write the power of the drive with which the kind wears, for example 1.3"},
		{"reference_celsius", w.ReferenceCelsius, 0, 150, "write the temperature in °C at which an hour counts as one, for example 65"},
		{"activation_energy_ev", w.ActivationEnergy, 0, 3, "write the activation energy in electronvolt, for example 0.5"},
	} {
		if !(l.value >= l.least && l.value <= l.most) {
			doc.Report(at+"."+l.key, fmt.Sprintf("not between %g and %g", l.least, l.most), l.remedy)
		}
	}
	if w.HalvesPerKelvin != 0 && !(w.HalvesPerKelvin >= 1 && w.HalvesPerKelvin <= 100) {
		doc.Report(at+".halves_per_kelvin", "not between 1 and 100", "write with how many kelvin more the life halves, for example 10")
	}
	if w.HalvesPerKelvin != 0 && w.ActivationEnergy != 0 {
		doc.Report(at, "two laws for one temperature", "keep halves_per_kelvin or activation_energy_ev")
	}
}

// checkCosts checks what a change costs and how long an order takes.
func (s Kind) checkCosts(doc *strictyaml.Document, at string) {
	currency := cmp.Or(s.Price.Currency, s.ChangeCost.Currency, s.StopCost.Currency)
	for _, c := range []struct {
		key  string
		cost strictyaml.Money
	}{{"price", s.Price}, {"change_cost", s.ChangeCost}, {"stop_cost", s.StopCost}} {
		if c.cost.Currency != "" && c.cost.Currency != currency {
			doc.Report(at+"."+c.key, fmt.Sprintf("in %s, and other costs of this kind are in %s", c.cost.Currency, currency), "write all costs of one kind in one currency")
		}
	}
	if s.StopCost.Currency != "" && s.Price.Currency == "" {
		doc.Report(at+".stop_cost", "an unplanned stop has a cost and the lamp has no price", "give the price of the lamp, for example price: 240 EUR")
	}
	if s.LeadDays < 0 || s.LeadDays > 730 {
		doc.Report(at+".lead_days", "not between 0 and 730", "write how many days an order takes to arrive, for example 14")
	}
}

// checkShape checks what is held of the life before lamps have failed.
func (s Kind) checkShape(doc *strictyaml.Document, at string) {
	if s.LifeShape != 0 && !(s.LifeShape >= 0.1 && s.LifeShape <= 100) {
		doc.Report(at+".life_shape", "not between 0.1 and 100", "write the Weibull shape that is known of such lamps, for example 3")
	}
	if s.LifeShapeSpread != 0 && !(s.LifeShapeSpread > 0 && s.LifeShapeSpread <= 2) {
		doc.Report(at+".life_shape_spread", "not between 0 and 2", "write the standard deviation of the logarithm of the shape, for example 0.35")
	}
	if s.LifeShapeSpread != 0 && s.LifeShape == 0 {
		doc.Report(at+".life_shape_spread", "a spread without a shape", "give life_shape, for example 3")
	}
}

// cleanedBy is what the kind says, else the ready-made rules that clean the lens of
// its technology.
func (s Kind) cleanedBy(technology plant.Technology) []plant.RuleID {
	switch {
	case s.CleanedBy != nil:
		return s.CleanedBy
	case technology == plant.TechnologyLED:
		return []plant.RuleID{"window-clean"}
	case technology == plant.TechnologyArc:
		return []plant.RuleID{"reflector-clean", "quartz-plate-clean"}
	}
	return nil
}

// checkOutput checks how much output may be lost.
func (s Kind) checkOutput(doc *strictyaml.Document, at string) {
	if !(s.DirtLimit > 0 && s.DirtLimit < 1) {
		doc.Report(at+".dirt_limit", "not between 0 and 1", "write the share of the output that dirt may take, for example 0.1")
	}
	if !(s.OutputThreshold > 0 && s.OutputThreshold < 1) {
		doc.Report(at+".output_threshold", "not between 0 and 1", "write the share of the initial output at which the lamp is at its end, for example 0.7")
	}
}

package config

import (
	"fmt"
	"slices"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/beforeafter"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// savings reads the retrofit projects.
func (b *builder) savings() {
	for i, s := range b.in.Savings {
		at := fmt.Sprintf("savings[%d]", i)
		if err := plant.ValidName(s.Name); err != nil {
			b.report(at+".name", err.Error(), "choose another name for the project")
		}
		if slices.ContainsFunc(b.plant.Projects, func(o plant.Project) bool { return string(o.ID) == s.Name }) {
			b.reportf(at+".name", "give each project its own name", "there are two projects %q", s.Name)
		}
		p := plant.Project{
			ID: plant.ProjectID(s.Name), Title: orName(s.Title, s.Name), Press: b.projectPress(at, s.Press), Drivers: s.Drivers,
			Confidence: s.Confidence, Price: s.Price.Money, Carbon: s.Carbon, CarbonSource: s.CarbonSource,
			EstimatedLimit: s.EstimatedLimit,
		}
		p.Boundary = b.boundary(at+".boundary", s.Boundary, p.Press)
		b.drivers(at+".drivers", p)
		b.model(at, s, &p)
		p.Baseline = b.selection(at+".baseline", s.Baseline)
		p.Reporting = b.selection(at+".reporting", s.Reporting)
		b.checkProject(at, p)
		s.Resolve(b.path)
		b.terms.AddProject(b.doc, at, s.ProjectSpec, p)
		b.beforeAfter[p.ID] = beforeafter.Read(b.doc, at+".before_after", s.BeforeAfter, beforeafter.Site{Zone: b.plant.TimeZone, Known: func(name string) bool {
			_, known := b.owners[name]
			return known
		}})
		b.plant.Projects = append(b.plant.Projects, p)
	}
}

// projectPress is the press of a project; the only one when the file does not say.
func (b *builder) projectPress(at, name string) plant.PressID {
	names := b.pressNames()
	switch {
	case name == "" && len(names) == 1:
		return plant.PressID(names[0])
	case name == "":
		b.report(at+".press", "is missing", "name the press of the project")
	case !slices.Contains(names, name):
		b.reportf(at+".press", strictyaml.Suggest(name, names, "list it under presses"), "unknown press %q", name)
	}
	return plant.PressID(name)
}

// importRegister is the register that a meter's name alone stands for: its value
// "import", or its only energy register.
func importRegister(m metered) (plant.RegisterID, bool) {
	var all []plant.RegisterID
	for _, v := range m.Profile.Values {
		if !v.Cumulative {
			continue
		}
		id := plant.RegisterOf(m.ID, v.Name)
		if v.Name == plant.ValueImport {
			return id, true
		}
		all = append(all, id)
	}
	if len(all) == 1 {
		return all[0], true
	}
	return "", false
}

// boundary gives the energy registers of a project: those listed, by register or
// by meter, or those of all meters of the press when none are listed.
func (b *builder) boundary(at string, listed []string, press plant.PressID) []plant.RegisterID {
	var ids []plant.RegisterID
	if listed == nil {
		for _, m := range b.meters {
			if id, ok := importRegister(m); ok && m.Press == press {
				ids = append(ids, id)
			}
		}
		if len(ids) == 0 {
			b.report(at, "no meter belongs to the press, so the boundary is empty", "list the meters of the boundary")
		}
		return ids
	}
	if len(listed) == 0 {
		b.report(at, "the boundary is empty", "list meters or registers, or remove the key to take all meters of the press")
	}
	known := map[string]plant.RegisterID{}
	var names []string
	for _, m := range b.meters {
		if id, ok := importRegister(m); ok {
			known[string(m.ID)] = id
			names = append(names, string(m.ID))
		}
	}
	for _, r := range b.plant.Registers {
		if r.Quantity == plant.QuantityEnergy {
			known[string(r.ID)] = r.ID
			names = append(names, string(r.ID))
		}
	}
	for i, name := range listed {
		path := fmt.Sprintf("%s[%d]", at, i)
		id, ok := known[name]
		switch _, exists := b.plant.FindRegister(plant.RegisterID(name)); {
		case ok && b.sampled(id):
			b.reportf(path, "fit a meter with an energy register for measured savings, or leave this one out of the boundary",
				"%s is estimated from samples of power and cannot stand for measured energy", id)
		case ok && slices.Contains(ids, id):
			b.reportf(path, "keep one of the two", "register %s is in the boundary twice", id)
		case ok:
			ids = append(ids, id)
		case exists:
			b.reportf(path, "list registers of meters", "register %s does not count energy", name)
		default:
			b.reportf(path, strictyaml.Suggest(name, names, "list it under meters"), "unknown register %q", name)
		}
	}
	return ids
}

// sampled says whether a register is estimated from samples of power.
func (b *builder) sampled(id plant.RegisterID) bool {
	r, ok := b.plant.FindRegister(id)
	return ok && r.Curve == plant.FromPower
}

// drivers checks the independent variables, and that the press counts what they
// are made of.
func (b *builder) drivers(at string, p plant.Project) {
	var words []string
	for _, d := range plant.Drivers() {
		words = append(words, string(d))
	}
	needs := map[plant.Driver]plant.Quantity{plant.DriverArea: plant.QuantityArea, plant.DriverImpressions: plant.QuantityImpressions}
	for i, d := range p.Drivers {
		path := fmt.Sprintf("%s[%d]", at, i)
		if !slices.Contains(words, string(d)) {
			b.reportf(path, strictyaml.Suggest(string(d), words, ""), "unknown driver %q", d)
			continue
		}
		if slices.Index(p.Drivers, d) < i {
			b.reportf(path, "keep one of the two", "driver %s is there twice", d)
		}
		counts := func(r plant.Register) bool { return r.Press == p.Press && r.Quantity == needs[d] }
		if needs[d] != 0 && !slices.ContainsFunc(b.plant.Registers, counts) {
			b.reportf(path, "map a counter under topics, for example counters: {"+needs[d].String()+": {path: …, unit: …}}", "press %s has no %s counter", p.Press, needs[d])
		}
	}
}

// selection reads a period: local days from its first up to, not including, its
// last.
func (b *builder) selection(at string, s selectionSpec) plant.Selection {
	sel := plant.Selection{
		From: civil.Local(s.From.Time, b.plant.TimeZone), To: civil.Local(s.To.Time, b.plant.TimeZone),
		Technology: b.technology(at+".technology", s.Technology),
	}
	if !sel.From.IsZero() && !sel.To.IsZero() && !sel.From.Before(sel.To) {
		b.report(at+".to", "the period ends before it begins", "to is the first day after the period; write one later than from")
	}
	return sel
}

// checkProject checks the values of a project together.
func (b *builder) checkProject(at string, p plant.Project) {
	if !(p.Confidence > 0.5 && p.Confidence < 1) {
		b.report(at+".confidence", "not between 0.5 and 1", "write for example 0.90")
	}
	if !(p.EstimatedLimit >= 0 && p.EstimatedLimit <= 0.5) {
		b.report(at+".estimated_limit", "not between 0 and 0.5", "write the share of a day's energy that your measurement plan allows to be neither measured nor interpolated, for example 0.05")
	}
	if !(p.Carbon >= 0 && p.Carbon <= 10) {
		b.report(at+".carbon", "not between 0 and 10", "write kilograms of CO2-equivalent per kilowatt-hour, for example 0.461")
	}
	if p.Carbon > 0 && p.CarbonSource == "" {
		b.report(at+".carbon_source", "a carbon factor without its source", "write where the factor is from and for which year")
	}
	x, y := p.Baseline, p.Reporting
	sameLight := x.Technology == y.Technology || x.Technology == plant.TechnologyNone || y.Technology == plant.TechnologyNone
	apart := !x.To.IsZero() && !y.From.IsZero() && !y.From.Before(x.To) || !y.To.IsZero() && !x.From.IsZero() && !x.From.Before(y.To)
	if sameLight && !apart {
		b.report(at+".reporting", "baseline and reporting period overlap with the same technology, so days would count in both", "separate them by date (baseline to, reporting from) or by technology")
	}
}

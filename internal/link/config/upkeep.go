package config

import (
	"embed"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

//go:embed rules/*.yaml
var ruleFiles embed.FS

// readySets are the ready-made rule sets by the word that includes them.
func readySets() map[string][]string {
	return map[string][]string{"arc": {"arc"}, "led": {"led"}, "gear": {"gear"}, "default": {"arc", "led", "gear"}}
}

// upkeep reads lamp kinds and task rules. What the plant names itself takes the
// place of the ready-made of the same name.
func (b *builder) upkeep() {
	for _, set := range readySets()["default"] {
		kinds, _ := b.readySet(set)
		b.plant.LampKinds = append(b.plant.LampKinds, kinds...)
	}
	b.addKinds(b.lampKinds(b.doc, b.in.LampKinds))
	for i, r := range b.in.Rules {
		at := fmt.Sprintf("rules[%d]", i)
		if r.Include == "" {
			rule := readRule(b.doc, at, r)
			b.addRules(b.doc, at, []plant.TaskRule{rule}, true)
			continue
		}
		if r.Name != "" {
			b.report(at, "includes rules and has a name of its own", "keep one of the two")
		}
		b.include(at, r.Include)
	}
	b.lampKindsOfStations()
}

// include adds a ready-made set or a file of rules.
func (b *builder) include(at, what string) {
	if sets, ok := readySets()[what]; ok {
		for _, set := range sets {
			if slices.Contains(b.included, set) {
				b.reportf(at, "include each set once; default is all of them", "the set %s is already included", set)
				continue
			}
			b.included = append(b.included, set)
			_, rules := b.readySet(set)
			b.addRules(b.doc, at, rules, false)
		}
		return
	}
	if ext := filepath.Ext(what); ext != ".yaml" && ext != ".yml" {
		b.reportf(at, remedyFor(what, slices.Sorted(maps.Keys(readySets())), "")+" (the name of a file of rules ends in .yaml)", "unknown set of rules %q", what)
		return
	}
	data, err := readFile(b.path(what))
	if err != nil {
		b.unreadable(at, err)
		return
	}
	var set ruleSet
	doc := strictyaml.Decode(filepath.Join(b.folder, what), data, &set)
	b.addKinds(b.lampKinds(doc, set.LampKinds))
	for i, r := range set.Rules {
		path := fmt.Sprintf("rules[%d]", i)
		if r.Include != "" {
			doc.Report(path, "a file of rules includes others", "include them in the configuration itself")
			continue
		}
		b.addRules(doc, path, []plant.TaskRule{readRule(doc, path, r)}, true)
	}
	b.doc.Adopt(doc.Problems())
}

// readySet reads an embedded set; a test rules out that it has problems.
func (b *builder) readySet(name string) ([]plant.LampKind, []plant.TaskRule) {
	data, err := ruleFiles.ReadFile("rules/" + name + ".yaml")
	if err != nil {
		panic(err)
	}
	var set ruleSet
	doc := strictyaml.Decode(name+".yaml", data, &set)
	kinds := b.lampKinds(doc, set.LampKinds)
	var rules []plant.TaskRule
	for i, r := range set.Rules {
		rules = append(rules, readRule(doc, fmt.Sprintf("rules[%d]", i), r))
	}
	if problems := doc.Problems(); len(problems) > 0 {
		panic(problems)
	}
	return kinds, rules
}

// addKinds adds lamp kinds, replacing those of the same name.
func (b *builder) addKinds(kinds []plant.LampKind) {
	for _, k := range kinds {
		same := func(o plant.LampKind) bool { return o.Name == k.Name }
		if i := slices.IndexFunc(b.plant.LampKinds, same); i >= 0 {
			b.plant.LampKinds[i] = k
		} else {
			b.plant.LampKinds = append(b.plant.LampKinds, k)
		}
	}
}

// addRules adds rules. One written by the plant replaces an included one of the
// same name; two written by the plant, and two included, are a double name.
func (b *builder) addRules(doc *strictyaml.Document, at string, rules []plant.TaskRule, own bool) {
	for _, r := range rules {
		if r.ID == "" {
			continue
		}
		i := slices.IndexFunc(b.plant.Rules, func(o plant.TaskRule) bool { return o.ID == r.ID })
		switch {
		case i < 0:
			b.plant.Rules = append(b.plant.Rules, r)
		case own && !b.ownRules[r.ID]:
			b.plant.Rules[i] = r
		case !own && b.ownRules[r.ID]:
			// Written before the set is included: it still replaces.
		default:
			doc.Report(at, fmt.Sprintf("there are two rules %q", r.ID), "give each rule its own name")
		}
		if own {
			b.ownRules[r.ID] = true
		}
	}
}

// lampKinds checks lamp kinds.
func (b *builder) lampKinds(doc *strictyaml.Document, specs []lampKindSpec) []plant.LampKind {
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
		kinds = append(kinds, plant.LampKind{Name: s.Name, Title: orName(s.Title, s.Name), Technology: technology, RatedHours: s.RatedHours, HoursPerStart: s.HoursPerStart})
	}
	return kinds
}

// lampKindsOfStations completes and checks the lamp kind of each station: by
// default the ready-made kind of the technology mounted last.
func (b *builder) lampKindsOfStations() {
	var names []string
	for _, k := range b.plant.LampKinds {
		names = append(names, k.Name)
	}
	for i := range b.plant.Presses {
		for j := range b.plant.Presses[i].Stations {
			s := &b.plant.Presses[i].Stations[j]
			if s.LampKind == "" {
				s.LampKind = defaultKind(s.Technology)
			} else if !slices.Contains(names, s.LampKind) {
				b.reportf(fmt.Sprintf("presses[%d].stations[%d].lamp_kind", i, j), remedyFor(s.LampKind, names, ""), "unknown lamp kind %q", s.LampKind)
			}
		}
	}
}

// defaultKind is the ready-made lamp kind of the technology mounted last.
func defaultKind(mounted []plant.TechnologyFrom) string {
	if len(mounted) == 0 {
		return ""
	}
	switch mounted[len(mounted)-1].Technology {
	case plant.TechnologyArc:
		return "arc-lamp"
	case plant.TechnologyLED:
		return "led-module"
	default:
		return ""
	}
}

// cautionKnown says whether a code is one of the caution cards C1 to C20.
func cautionKnown(code string) bool {
	for n := 1; n <= 20; n++ {
		if code == fmt.Sprintf("C%d", n) {
			return true
		}
	}
	return false
}

// readRule checks a task rule.
func readRule(doc *strictyaml.Document, at string, s ruleSpec) plant.TaskRule {
	r := plant.TaskRule{
		ID: plant.RuleID(s.Name), Title: orName(s.Title, s.Name), Scope: plant.RuleScope(s.Scope), LitHours: s.LitHours,
		LifeFraction: s.LifeFraction, Starts: s.Starts, Days: s.Days, Lead: s.Lead, Grace: s.Grace, Minutes: s.Minutes,
		Parts: s.Parts, Cautions: s.Cautions,
	}
	if err := plant.ValidName(s.Name); err != nil {
		doc.Report(at+".name", err.Error(), "name the rule, for example lamp-change")
	}
	if s.Technology != "" {
		var err error
		if r.Technology, err = plant.ParseTechnology(s.Technology); err != nil {
			doc.Report(at+".technology", fmt.Sprintf("unknown technology %q", s.Technology), "expected arc, led or hot-air, or nothing for all")
		}
	}
	if scopes := []plant.RuleScope{plant.PerStation, plant.PerLamp, plant.PerPress}; !slices.Contains(scopes, r.Scope) {
		doc.Report(at+".scope", fmt.Sprintf("unknown scope %q", s.Scope), "expected station, lamp or press")
	}
	checkLimits(doc, at, r)
	for i, code := range s.Cautions {
		if !cautionKnown(code) {
			doc.Report(fmt.Sprintf("%s.cautions[%d]", at, i), fmt.Sprintf("unknown caution card %q", code), "expected C1 to C20")
		}
	}
	for i, part := range s.Parts {
		if strings.TrimSpace(part) == "" {
			doc.Report(fmt.Sprintf("%s.parts[%d]", at, i), "an empty part", "name the part, or remove it")
		}
	}
	return r
}

// checkLimits checks when a task falls due.
func checkLimits(doc *strictyaml.Document, at string, r plant.TaskRule) {
	limits := []struct {
		key   string
		value float64
		most  float64
	}{
		{"lit_hours", r.LitHours, 1e6},
		{"life_fraction", r.LifeFraction, 10},
		{"starts", float64(r.Starts), 1e9},
		{"days", float64(r.Days), 36_525},
		{"lead", float64(r.Lead), 3653},
		{"grace", float64(r.Grace), 3653},
		{"minutes", float64(r.Minutes), 100_000},
	}
	for _, l := range limits {
		if !(l.value >= 0 && l.value <= l.most) {
			doc.Report(at+"."+l.key, "out of range", fmt.Sprintf("expected 0 to %.0f", l.most))
		}
	}
	if r.LitHours == 0 && r.LifeFraction == 0 && r.Starts == 0 && r.Days == 0 {
		doc.Report(at, "the rule has no limit, so it never falls due", "give at least one of lit_hours, life_fraction, starts, days")
	}
	if r.LifeFraction != 0 && r.Scope != plant.PerLamp {
		doc.Report(at+".life_fraction", "only a lamp has a rated life", "write scope: lamp, or use lit_hours")
	}
	if r.Scope == plant.PerPress && (r.LitHours != 0 || r.Starts != 0) {
		doc.Report(at+".scope", "a press has no lit hours and starts of its own", "write scope: station, or use days")
	}
}

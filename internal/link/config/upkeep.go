package config

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/rules"
	"curetally/internal/link/config/strictyaml"
)

// upkeep reads lamp kinds and task rules. What the plant names itself takes the
// place of the ready-made of the same name.
func (b *builder) upkeep() {
	for _, set := range rules.Sets()["default"] {
		kinds, _ := rules.Ready(set)
		b.plant.LampKinds = append(b.plant.LampKinds, kinds...)
	}
	b.addKinds(rules.Kinds(b.doc, b.in.LampKinds))
	for i, r := range b.in.Rules {
		at := fmt.Sprintf("rules[%d]", i)
		if r.Include == "" {
			b.addRules(b.doc, at, []plant.TaskRule{r.Rule(b.doc, at)}, true)
			continue
		}
		if r.Name != "" {
			b.report(at, "includes rules and has a name of its own", "keep one of the two")
		}
		b.include(at, r.Include)
	}
	b.lampKindsOfStations()
}

// unheard warns of rules of the plant's own that look at a signal which no topic
// and no meter gives.
func (b *builder) unheard(file string) []Problem {
	known := []string{plant.SignalPower}
	for _, t := range b.plant.Topics {
		known = slices.AppendSeq(known, maps.Keys(t.Signals))
	}
	for _, m := range b.meters {
		for _, v := range m.Profile.Values {
			if !v.Cumulative {
				known = append(known, v.Name)
			}
		}
	}
	slices.Sort(known)
	known = slices.Compact(known)
	var out []Problem
	for i, r := range b.in.Rules {
		for j, c := range r.Conditions {
			if at := fmt.Sprintf("rules[%d].conditions[%d].signal", i, j); !slices.Contains(known, c.Signal) {
				out = append(out, Problem{
					File: file, Line: b.doc.Line(at), Path: at, Problem: fmt.Sprintf("nobody sends the signal %q, so this limit is never reached", c.Signal),
					Remedy: strictyaml.Suggest(c.Signal, known, "") + "; map it under signals of a topic",
				})
			}
		}
	}
	return out
}

// include adds a ready-made set or a file of rules.
func (b *builder) include(at, what string) {
	if sets, ok := rules.Sets()[what]; ok {
		for _, set := range sets {
			if slices.Contains(b.included, set) {
				b.reportf(at, "include each set once; default is all of them", "the set %s is already included", set)
				continue
			}
			b.included = append(b.included, set)
			_, ready := rules.Ready(set)
			b.addRules(b.doc, at, ready, false)
		}
		return
	}
	if ext := filepath.Ext(what); ext != ".yaml" && ext != ".yml" {
		b.reportf(at, strictyaml.Suggest(what, slices.Sorted(maps.Keys(rules.Sets())), "")+" (the name of a file of rules ends in .yaml)", "unknown set of rules %q", what)
		return
	}
	data, err := readFile(b.path(what))
	if err != nil {
		b.unreadable(at, err)
		return
	}
	var set rules.File
	doc := strictyaml.Decode(filepath.Join(b.folder, what), data, &set)
	b.addKinds(rules.Kinds(doc, set.LampKinds))
	for i, r := range set.Rules {
		path := fmt.Sprintf("rules[%d]", i)
		if r.Include != "" {
			doc.Report(path, "a file of rules includes others", "include them in the configuration itself")
			continue
		}
		b.addRules(doc, path, []plant.TaskRule{r.Rule(doc, path)}, true)
	}
	b.doc.Adopt(doc.Problems())
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
func (b *builder) addRules(doc *strictyaml.Document, at string, added []plant.TaskRule, own bool) {
	for _, r := range added {
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
				b.reportf(fmt.Sprintf("presses[%d].stations[%d].lamp_kind", i, j), strictyaml.Suggest(s.LampKind, names, ""), "unknown lamp kind %q", s.LampKind)
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

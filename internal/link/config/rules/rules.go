package rules

import (
	"cmp"
	"embed"
	"fmt"
	"slices"
	"strings"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

//go:embed *.yaml
var files embed.FS

// Sets lists the ready-made sets by the word that includes them.
func Sets() map[string][]string {
	return map[string][]string{"arc": {"arc"}, "led": {"led"}, "gear": {"gear"}, "default": {"arc", "led", "gear"}}
}

// Kind is a kind of lamp or module as written in YAML.
type Kind struct {
	Name          string  `yaml:"name,required"`
	Title         string  `yaml:"title"`
	Technology    string  `yaml:"technology,required"`
	RatedHours    float64 `yaml:"rated_hours,required"`
	HoursPerStart float64 `yaml:"hours_per_start"`
	Wear          Wear    `yaml:"wear"`
	Doped         bool    `yaml:"doped"`

	Price      strictyaml.Money `yaml:"price"`
	ChangeCost strictyaml.Money `yaml:"change_cost"`
	StopCost   strictyaml.Money `yaml:"stop_cost"`
	LeadDays   int              `yaml:"lead_days"`
	ArcCM      float64          `yaml:"arc_cm"`
	MercuryMG  float64          `yaml:"mercury_mg"`

	LifeShape       float64 `yaml:"life_shape"`
	LifeShapeSpread float64 `yaml:"life_shape_spread"`

	DirtLimit       float64        `yaml:"dirt_limit"`
	OutputThreshold float64        `yaml:"output_threshold"`
	CleanedBy       []plant.RuleID `yaml:"cleaned_by"`
}

// Wear is how one lit hour wears, as written in YAML.
type Wear struct {
	DriveExponent    float64 `yaml:"drive_exponent"`
	ReferenceCelsius float64 `yaml:"reference_celsius"`
	HalvesPerKelvin  float64 `yaml:"halves_per_kelvin"`
	ActivationEnergy float64 `yaml:"activation_energy_ev"`
}

// SetDefaults sets the temperature of a junction at which the hours of LED modules
// are usually rated. Common practice, no source.
func (w *Wear) SetDefaults() { w.ReferenceCelsius = 65 }

// File is a file of rules, ready-made or the plant's own.
type File struct {
	LampKinds []Kind `yaml:"lamp_kinds"`
	Rules     []Spec `yaml:"rules"`
}

// Spec is a task rule as written in YAML.
type Spec struct {
	// Include names a ready-made set or a file, instead of all else.
	Include      string      `yaml:"include,scalar"`
	Name         string      `yaml:"name"`
	Title        string      `yaml:"title"`
	Scope        string      `yaml:"scope"`
	Technology   string      `yaml:"technology"`
	LitHours     float64     `yaml:"lit_hours"`
	LifeFraction float64     `yaml:"life_fraction"`
	Starts       int64       `yaml:"starts"`
	AreaM2       float64     `yaml:"area_m2"`
	Days         int         `yaml:"days"`
	Conditions   []Condition `yaml:"conditions"`
	Lead         int         `yaml:"lead"`
	Grace        int         `yaml:"grace"`
	Minutes      int         `yaml:"minutes"`
	People       int         `yaml:"people"`
	Parts        []string    `yaml:"parts"`
	Cautions     []string    `yaml:"cautions"`
}

// Condition is a limit on a signal as written in YAML; exactly one of the limits is
// given.
type Condition struct {
	Signal   string   `yaml:"signal,required"`
	Below    *float64 `yaml:"below"`
	Above    *float64 `yaml:"above"`
	Falls    *float64 `yaml:"falls"`
	Rises    *float64 `yaml:"rises"`
	RisesBy  *float64 `yaml:"rises_by"`
	OffBelow float64  `yaml:"off_below"`
}

// condition checks a condition; problems go to doc under at.
func (c Condition) condition(doc *strictyaml.Document, at string) plant.Condition {
	out := plant.Condition{Signal: c.Signal, OffBelow: c.OffBelow}
	if err := plant.ValidName(c.Signal); err != nil {
		doc.Report(at+".signal", err.Error(), "write the name of the signal as topics or profiles give it, for example filter_pascals")
	}
	given := 0
	for _, l := range []struct {
		kind  plant.ConditionKind
		value *float64
	}{{plant.Below, c.Below}, {plant.Above, c.Above}, {plant.Falls, c.Falls}, {plant.Rises, c.Rises}, {plant.RisesBy, c.RisesBy}} {
		if l.value == nil {
			continue
		}
		given++
		out.Kind, out.Limit = l.kind, *l.value
		share := l.kind == plant.Falls || l.kind == plant.Rises
		if share && !(out.Limit > 0 && out.Limit < 1) {
			doc.Report(at+"."+string(l.kind), "not between 0 and 1", "write a share of what the signal was when the task was last done, for example 0.10")
		}
		if l.kind == plant.RisesBy && out.Limit <= 0 {
			doc.Report(at+".rises_by", "not greater than 0", "write by how much the signal may rise, in its unit")
		}
	}
	if given != 1 {
		doc.Report(at, fmt.Sprintf("%d limits on one signal", given), "give exactly one of below, above, falls, rises, rises_by")
	}
	return out
}

// SetDefaults sets what output may be lost: a tenth by dirt, three tenths in all.
// Common practice, no source.
func (s *Kind) SetDefaults() {
	s.DirtLimit, s.OutputThreshold = 0.10, 0.70
	s.Wear.SetDefaults()
}

// SetDefaults sets each station, a week ahead, three days of grace.
func (s *Spec) SetDefaults() { s.Scope, s.Lead, s.Grace = string(plant.PerStation), 7, 3 }

// Ready gives the lamp kinds and rules of one ready-made set. It panics when the
// set is unknown or wrong, which a test rules out.
func Ready(name string) ([]plant.LampKind, []plant.TaskRule) {
	data, err := files.ReadFile(name + ".yaml")
	if err != nil {
		panic(err)
	}
	var set File
	doc := strictyaml.Decode(name+".yaml", data, &set)
	kinds := Kinds(doc, set.LampKinds)
	var rules []plant.TaskRule
	for i, r := range set.Rules {
		rule := r.Rule(doc, fmt.Sprintf("rules[%d]", i))
		rule.Ready = true
		rules = append(rules, rule)
	}
	if problems := doc.Problems(); len(problems) > 0 {
		panic(problems)
	}
	return kinds, rules
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

// Rule checks a task rule; problems go to doc under at.
func (s Spec) Rule(doc *strictyaml.Document, at string) plant.TaskRule {
	r := plant.TaskRule{
		ID: plant.RuleID(s.Name), Title: cmp.Or(s.Title, s.Name), Scope: plant.RuleScope(s.Scope), LitHours: s.LitHours,
		LifeFraction: s.LifeFraction, Starts: s.Starts, AreaM2: s.AreaM2, Days: s.Days, Lead: s.Lead, Grace: s.Grace, Minutes: s.Minutes, People: s.People,
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
	for i, c := range s.Conditions {
		r.Conditions = append(r.Conditions, c.condition(doc, fmt.Sprintf("%s.conditions[%d]", at, i)))
	}
	if scopes := []plant.RuleScope{plant.PerStation, plant.PerLamp, plant.PerPress, plant.PerLoop, plant.PerExhaust}; !slices.Contains(scopes, r.Scope) {
		doc.Report(at+".scope", fmt.Sprintf("unknown scope %q", s.Scope), "expected station, lamp, press, loop or exhaust")
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
		{"area_m2", r.AreaM2, 1e12},
		{"days", float64(r.Days), 36_525},
		{"lead", float64(r.Lead), 3653},
		{"grace", float64(r.Grace), 3653},
		{"minutes", float64(r.Minutes), 100_000},
		{"people", float64(r.People), 100},
	}
	for _, l := range limits {
		if !(l.value >= 0 && l.value <= l.most) {
			doc.Report(at+"."+l.key, "out of range", fmt.Sprintf("expected 0 to %.0f", l.most))
		}
	}
	if r.LitHours == 0 && r.LifeFraction == 0 && r.Starts == 0 && r.AreaM2 == 0 && r.Days == 0 && len(r.Conditions) == 0 {
		doc.Report(at, "the rule has no limit, so it never falls due", "give at least one of lit_hours, life_fraction, starts, area_m2, days, conditions")
	}
	if r.LifeFraction != 0 && r.Scope != plant.PerLamp {
		doc.Report(at+".life_fraction", "only a lamp has a rated life", "write scope: lamp, or use lit_hours")
	}
	if r.Scope != plant.PerStation && r.Scope != plant.PerLamp && (r.LitHours != 0 || r.Starts != 0) {
		doc.Report(at+".scope", fmt.Sprintf("a %s has no lit hours and starts of its own", r.Scope), "write scope: station, or use days")
	}
}

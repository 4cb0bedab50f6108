package terms

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/govalues/decimal"

	"curetally/internal/core/hvac"
	"curetally/internal/core/plant"
	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
	"curetally/internal/core/usage"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// Spec are the keys of the whole plant.
type Spec struct {
	Tariffs []tariffSpec `yaml:"tariffs"`
	Carbon  []tableSpec  `yaml:"carbon"`
	Energy  energySpec   `yaml:"energy"`
}

// SetDefaults takes ten minutes of standby for needed.
func (s *Spec) SetDefaults() { s.Energy.StandbyLimit = 10 * time.Minute }

// ProjectSpec are the keys of a savings project.
type ProjectSpec struct {
	Tariff         string       `yaml:"tariff"`
	CarbonLocation string       `yaml:"carbon_location"`
	CarbonMarket   string       `yaml:"carbon_market"`
	Effects        *effectsSpec `yaml:"effects"`
}

type tableSpec struct {
	Name string `yaml:"name,required"`
	File string `yaml:"file,required"`
}

type tariffSpec struct {
	Name     string        `yaml:"name,required"`
	Holidays []civil.Date  `yaml:"holidays"`
	Versions []versionSpec `yaml:"versions,required"`
}

type versionSpec struct {
	From   civil.Date   `yaml:"from"`
	Prices []priceSpec  `yaml:"prices,required"`
	Demand []demandSpec `yaml:"demand"`
}

// whenSpec says when a price holds; without anything always.
type whenSpec struct {
	Season season `yaml:"season"`
	Days   days   `yaml:"days"`
	Hours  hours  `yaml:"hours"`
}

func (w whenSpec) when() tariff.When {
	t := tariff.When{First: w.Season.first, Last: w.Season.last, Days: w.Days, Begin: w.Hours.begin, End: w.Hours.end}
	if t.Days == [8]bool{} {
		t.Days = everyDay()
	}
	if t.Begin == t.End {
		t.End = tariff.MinutesOfDay
	}
	return t
}

type priceSpec struct {
	Name string `yaml:"name"`
	whenSpec
	Price Price `yaml:"price,required"`
}

type demandSpec struct {
	Name string `yaml:"name"`
	whenSpec
	Price   Price              `yaml:"price,required"`
	Window  time.Duration      `yaml:"window"`
	Step    time.Duration      `yaml:"step"`
	Ratchet strictyaml.Decimal `yaml:"ratchet"`
	Months  int                `yaml:"months"`
}

// SetDefaults sets a window of a quarter of an hour and a ratchet of 11 months.
func (d *demandSpec) SetDefaults() { d.Window, d.Months = 15*time.Minute, 11 }

type energySpec struct {
	StandbyLimit time.Duration `yaml:"standby_limit"`
	Night        hours         `yaml:"night"`
	Exhaust      []string      `yaml:"exhaust"`
	Tariff       string        `yaml:"tariff"`
}

// Terms is what energy is worth at a plant.
type Terms struct {
	Tariffs []*tariff.Tariff
	Tables  []Table
	// Limits say what use is avoidable.
	Limits usage.Limits
	// Tariff prices where energy went; nil without any.
	Tariff *tariff.Tariff
	// Projects have terms of their own.
	Projects map[plant.ProjectID]Project
}

// Project is what energy is worth in a savings project.
type Project struct {
	Tariff *tariff.Tariff // nil: the project's one price holds
	// Location and Market are tables of carbon factors; with nil the project's one
	// factor holds.
	Location, Market *Table
	// Effects are estimates beside what is measured; nil for none. Weather is the file
	// that their make-up air needs.
	Effects *hvac.Beside
	Weather string
}

// Valued says whether energy and carbon have terms beside the project's one price and
// one factor.
func (p Project) Valued() bool { return p.Tariff != nil || p.Location != nil || p.Market != nil }

// Table names a file of carbon factors, which is read where it is needed.
type Table struct{ Name, File string }

// reader checks what was read.
type reader struct {
	doc   *strictyaml.Document
	plant *plant.Plant
	terms Terms
}

func (r *reader) reportf(path, remedy, format string, args ...any) {
	r.doc.Report(path, fmt.Sprintf(format, args...), remedy)
}

// Read takes the terms of the whole plant, whose registers are known already; absolute
// makes a path of the file absolute.
func Read(doc *strictyaml.Document, s Spec, p *plant.Plant, absolute func(string) string) Terms {
	r := &reader{doc: doc, plant: p, terms: Terms{Projects: map[plant.ProjectID]Project{}}}
	for i, ts := range s.Tariffs {
		r.tariff(fmt.Sprintf("tariffs[%d]", i), ts)
	}
	for i, ts := range s.Carbon {
		path := fmt.Sprintf("carbon[%d].name", i)
		if slices.ContainsFunc(r.terms.Tables, func(o Table) bool { return o.Name == ts.Name }) {
			r.reportf(path, "give each table its own name", "there are two tables %q", ts.Name)
		}
		r.terms.Tables = append(r.terms.Tables, Table{ts.Name, absolute(ts.File)})
	}
	r.energy(s.Energy)
	return r.terms
}

// AddProject takes the terms of a savings project.
func (t *Terms) AddProject(doc *strictyaml.Document, at string, s ProjectSpec, p plant.Project) {
	r := &reader{doc: doc, terms: *t}
	own := Project{
		Tariff:   r.named(at+".tariff", s.Tariff),
		Location: r.table(at+".carbon_location", s.CarbonLocation), Market: r.table(at+".carbon_market", s.CarbonMarket),
		Effects: r.effects(at+".effects", s.Effects, p),
	}
	if s.Effects != nil && s.Effects.MakeUp != nil {
		own.Weather = s.Effects.MakeUp.Weather
	}
	t.Projects[p.ID] = own
	if tt := t.Projects[p.ID].Tariff; tt != nil && p.Price.Currency != "" && p.Price.Currency != currency(tt) {
		r.reportf(at+".price", "write both in one currency", "in %s, the tariff %s is in %s", p.Price.Currency, tt.Name, currency(tt))
	}
}

func currency(t *tariff.Tariff) string {
	if len(t.Versions) == 0 || len(t.Versions[0].Periods) == 0 {
		return ""
	}
	return t.Versions[0].Periods[0].Price.Currency
}

// named looks a tariff up; nil for no name.
func (r *reader) named(path, name string) *tariff.Tariff {
	if name == "" {
		return nil
	}
	var names []string
	for _, t := range r.terms.Tariffs {
		if t.Name == name {
			return t
		}
		names = append(names, t.Name)
	}
	r.reportf(path, strictyaml.Suggest(name, names, "list it under tariffs"), "unknown tariff %q", name)
	return nil
}

// table looks a table of carbon factors up; nil for no name.
func (r *reader) table(path, name string) *Table {
	if name == "" {
		return nil
	}
	var names []string
	for i, t := range r.terms.Tables {
		if t.Name == name {
			return &r.terms.Tables[i]
		}
		names = append(names, t.Name)
	}
	r.reportf(path, strictyaml.Suggest(name, names, "list it under carbon"), "unknown table of carbon factors %q", name)
	return nil
}

func (r *reader) energy(s energySpec) {
	if s.StandbyLimit < 0 {
		r.doc.Report("energy.standby_limit", "is negative", "write how long a station may stand by at a stretch, for example 10m")
	}
	r.terms.Limits = usage.Limits{Standby: s.StandbyLimit, NightBegin: s.Night.begin, NightEnd: s.Night.end}
	var known []string
	for _, reg := range r.plant.Registers {
		if reg.Quantity == plant.QuantityEnergy && reg.Station == "" && !reg.Part {
			known = append(known, string(reg.ID))
		}
	}
	for i, name := range s.Exhaust {
		path := fmt.Sprintf("energy.exhaust[%d]", i)
		j := slices.IndexFunc(known, func(id string) bool { owner, _ := plant.RegisterID(id).Split(); return id == name || owner == name })
		switch {
		case j < 0:
			r.reportf(path, strictyaml.Suggest(name, known, "list a meter of a press, not of a station"), "no meter or energy register %q that belongs to no station", name)
		case r.registerPress(known[j]) == "":
			r.reportf(path, "give the meter its press", "%s belongs to no press, so it is not known whose lamps it serves", known[j])
		default:
			r.terms.Limits.Exhaust = append(r.terms.Limits.Exhaust, plant.RegisterID(known[j]))
		}
	}
	r.terms.Tariff = r.named("energy.tariff", s.Tariff)
	if s.Tariff == "" && len(r.terms.Tariffs) == 1 {
		r.terms.Tariff = r.terms.Tariffs[0]
	}
}

func (r *reader) registerPress(id string) plant.PressID {
	reg, _ := r.plant.FindRegister(plant.RegisterID(id))
	return reg.Press
}

// tariff takes one tariff with its versions.
func (r *reader) tariff(at string, s tariffSpec) {
	t := &tariff.Tariff{Name: s.Name, Zone: r.plant.TimeZone}
	if err := plant.ValidName(s.Name); err != nil {
		r.doc.Report(at+".name", err.Error(), "choose another name for the tariff")
	}
	if slices.ContainsFunc(r.terms.Tariffs, func(o *tariff.Tariff) bool { return o.Name == s.Name }) {
		r.reportf(at+".name", "give each tariff its own name", "there are two tariffs %q", s.Name)
	}
	for _, h := range s.Holidays {
		t.Holidays = append(t.Holidays, dayOf(h.Time))
	}
	if !r.doc.Has(at + ".holidays") {
		for _, h := range r.plant.Holidays {
			t.Holidays = append(t.Holidays, dayOf(h))
		}
	}
	if len(s.Versions) == 0 {
		r.doc.Report(at+".versions", "the tariff has no version", "list at least one with its prices")
	}
	for i, vs := range s.Versions {
		path := fmt.Sprintf("%s.versions[%d]", at, i)
		v := r.version(path, vs)
		if i > 0 && !v.From.After(t.Versions[i-1].From) {
			r.doc.Report(path+".from", "the version does not begin after the one before it", "give each later version a from, in order, for example 2026-01-01")
		}
		t.Versions = append(t.Versions, v)
	}
	r.oneCurrency(at, t)
	r.terms.Tariffs = append(r.terms.Tariffs, t)
}

func dayOf(t time.Time) tariff.Day {
	y, m, d := t.Date()
	return tariff.Day{Year: y, Month: m, Day: d}
}

func (r *reader) version(at string, s versionSpec) tariff.Version {
	var v tariff.Version
	if !s.From.IsZero() {
		y, m, d := s.From.Date()
		v.From = r.plant.Day(time.Date(y, m, d, 12, 0, 0, 0, r.plant.TimeZone), 0)
	}
	sound := true
	for i, ps := range s.Prices {
		path := fmt.Sprintf("%s.prices[%d]", at, i)
		p := tariff.Period{Name: orNumber(ps.Name, i), When: ps.when(), Price: ps.Price.Money}
		sound = r.whole(path, p.When) && p.Price.Currency != "" && sound
		v.Periods = append(v.Periods, p)
	}
	for i, ds := range s.Demand {
		v.Demands = append(v.Demands, r.demand(fmt.Sprintf("%s.demand[%d]", at, i), ds, i))
	}
	if sound {
		r.faults(at, v)
	}
	return v
}

func orNumber(name string, i int) string {
	if name == "" {
		return fmt.Sprintf("price %d", i+1)
	}
	return name
}

// faults reports where a version has no price or several.
func (r *reader) faults(at string, v tariff.Version) {
	for _, f := range v.Faults() {
		if len(f.Periods) == 0 {
			r.reportf(at+".prices", "add a price for it, or widen one that is there", "no price for %s", f)
			continue
		}
		var names []string
		for _, i := range f.Periods {
			names = append(names, v.Periods[i].Name)
		}
		r.reportf(fmt.Sprintf("%s.prices[%d]", at, f.Periods[1]), "let exactly one hold: narrow its season, days or hours", "%s hold at once for %s", strings.Join(names, " and "), f)
	}
}

// whole says whether a price begins and ends on borders of the plant's intervals.
func (r *reader) whole(path string, w tariff.When) bool {
	step := int(r.plant.Interval.Minutes())
	for _, minute := range []int{w.Begin, w.End} {
		if step > 0 && minute%step != 0 {
			r.reportf(path+".hours", "write times on the border, or choose a shorter site.interval",
				"%02d:%02d lies within an interval of %d minutes, whose energy cannot be told apart", minute/60, minute%60, step)
			return false
		}
	}
	return true
}

func (r *reader) demand(at string, s demandSpec, i int) tariff.Demand {
	d := tariff.Demand{Name: orNumber(s.Name, i), When: s.when(), Price: s.Price.Money, Window: s.Window, Step: s.Step, Months: s.Months}
	if d.Step == 0 {
		d.Step = d.Window
	}
	r.whole(at, d.When)
	interval := max(r.plant.Interval, time.Minute)
	switch {
	case d.Window <= 0 || time.Hour%d.Window != 0 || d.Window%interval != 0:
		r.reportf(at+".window", "write a whole number of intervals that divides an hour, for example 15m or 30m", "a window of %v cannot be made of intervals of %v", d.Window, interval)
	case d.Step <= 0 || d.Step > d.Window || d.Step%interval != 0:
		r.reportf(at+".step", "write a whole number of intervals, at most the window; without it windows stand beside each other", "steps of %v cannot be made of intervals of %v", d.Step, interval)
	}
	if s.Ratchet != "" {
		ratchet, err := decimal.Parse(string(s.Ratchet))
		if err != nil || ratchet.Sign() <= 0 || ratchet.Cmp(decimal.One) > 0 {
			r.doc.Report(at+".ratchet", "not between 0 and 1", "write the share of the highest demand before that is charged at least, for example 0.8")
		}
		d.Ratchet = ratchet
	}
	if d.Months < 1 || d.Months > 35 {
		r.doc.Report(at+".months", "not between 1 and 35", "write how many months the ratchet looks back, usually 11")
	}
	return d
}

// oneCurrency checks that all prices of a tariff are in one.
func (r *reader) oneCurrency(at string, t *tariff.Tariff) {
	first := currency(t)
	check := func(path string, m unit.Money) {
		if m.Currency != first && m.Currency != "" && first != "" {
			r.reportf(path, "write all prices of a tariff in one currency", "in %s, the first price is in %s", m.Currency, first)
		}
	}
	for i, v := range t.Versions {
		for j, p := range v.Periods {
			check(fmt.Sprintf("%s.versions[%d].prices[%d].price", at, i, j), p.Price)
		}
		for j, d := range v.Demands {
			check(fmt.Sprintf("%s.versions[%d].demand[%d].price", at, i, j), d.Price)
		}
	}
}

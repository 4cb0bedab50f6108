// Package mvplan writes the measurement-and-verification plan of a savings project:
// what is agreed about boundary, baseline, adjustment, accuracy and duties before
// anything is saved, in fifteen items.
//
// Most of it follows from the configuration, so that the plan and the program cannot
// differ; the rest is what people wrote there for the plan alone. What nobody wrote
// is named as missing, with the key that takes it. A plan is only complete when
// nothing is.
//
// Source of the items: those that public guidance after the IPMVP Core Concepts
// lists, with the details of the 2001/2002 text on models and meters; the sign-off
// before the change is made is the fifteenth.
package mvplan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/readiness"
	"curetally/internal/core/savings"
)

// Item is one item of a plan.
type Item struct {
	Number int    `json:"number"`
	Title  string `json:"title"`
	// Statements are what is agreed, Missing what is not yet, each with the remedy.
	Statements []string `json:"statements"`
	Missing    []string `json:"missing"`
}

func (i *Item) say(format string, a ...any) {
	i.Statements = append(i.Statements, fmt.Sprintf(format, a...))
}

func (i *Item) miss(format string, a ...any) {
	i.Missing = append(i.Missing, fmt.Sprintf(format, a...))
}

// text says what people wrote under a key of the plan, or that they did not.
func (i *Item) text(label, written, key string) {
	if strings.TrimSpace(written) == "" {
		i.miss("%s: write it under plan: %s", label, key)
		return
	}
	i.say("%s: %s", label, written)
}

// Plan is a whole plan.
type Plan struct {
	Project  plant.ProjectID `json:"project"`
	Title    string          `json:"title"`
	Complete bool            `json:"complete"`
	Missing  int             `json:"missing"` // of all items
	Items    []Item          `json:"items"`
}

// Known is what the plan states beside the configuration.
type Known struct {
	Baseline savings.Baseline // zero while none is frozen
	Frozen   bool
	Ready    readiness.Readiness // how far the days on record go
	// Prices and Factors name the tariff and the tables of carbon factors; empty
	// where the project has one price and one factor.
	Prices, Factors []string
	Software        string // version of the program
}

// writer is a plan that is being written.
type writer struct {
	p     *plant.Plant
	pr    plant.Project
	known Known
}

// Of writes the plan of a project.
func Of(p *plant.Plant, pr plant.Project, known Known) Plan {
	w := writer{p, pr, known}
	out := Plan{Project: pr.ID, Title: pr.Title}
	for n, part := range []struct {
		title string
		write func(*Item)
	}{
		{"Facility and project", w.facility},
		{"Intent of the change", w.intent},
		{"Option and measurement boundary", w.boundary},
		{"Baseline: period, use and conditions", w.baseline},
		{"Reporting period", w.reporting},
		{"Basis for adjustment", w.adjustment},
		{"Calculation and analysis", w.calculation},
		{"Prices and factors", w.prices},
		{"Meters", w.meters},
		{"Responsibilities", w.duties},
		{"Expected accuracy", w.accuracy},
		{"Budget", func(i *Item) { i.text("budget of measurement and verification", pr.Plan.Budget, "budget") }},
		{"Form of the reports", func(i *Item) { i.text("reports", pr.Plan.Reports, "reports") }},
		{"Quality assurance", w.quality},
		{"Approval", w.approval},
	} {
		item := Item{Number: n + 1, Title: part.title, Statements: []string{}, Missing: []string{}}
		part.write(&item)
		out.Items = append(out.Items, item)
		out.Missing += len(item.Missing)
	}
	out.Complete = out.Missing == 0
	return out
}

func (w writer) day(t time.Time) string { return t.In(w.p.TimeZone).Format("2 Jan 2006") }

func (w writer) stations() []plant.Station {
	press, _ := w.p.FindPress(w.pr.Press)
	return press.Stations
}

func (w writer) facility(i *Item) {
	i.say("site: %s, time zone %s", w.p.Name, w.p.TimeZone)
	press, _ := w.p.FindPress(w.pr.Press)
	i.say("project: %s, press %s with %s", w.pr.Title, press.Title, count(len(press.Stations), "curing station"))
	i.text("what is made there and how it works", w.pr.Plan.Facility, "facility")
}

func (w writer) intent(i *Item) {
	i.text("intent", w.pr.Plan.Intent, "intent")
	for _, st := range w.stations() {
		words := make([]string, len(st.Technology))
		for j, t := range st.Technology {
			if words[j] = t.Technology.String(); !t.From.IsZero() {
				words[j] += " from " + w.day(t.From)
			}
		}
		i.say("station %s: %s", st.ID, strings.Join(words, ", "))
	}
	if at := w.known.Ready.Conversion; at.IsZero() {
		i.miss("day on which the old system goes: write it as conversion of the project")
	} else {
		i.say("conversion: %s", w.day(at))
	}
	i.text("how it is shown that the new system works as meant", w.pr.Plan.Commissioning, "commissioning")
}

func (w writer) boundary(i *Item) {
	plan := w.pr.Plan
	switch plan.Option {
	case plant.MVOptionKey:
		i.say("option A: the key parameter is measured, the others are estimated")
		if len(plan.Estimates) == 0 {
			i.miss("what option A estimates, with range and reason: write it under plan: estimates")
		}
		for _, e := range plan.Estimates {
			i.say("estimated: %s %s, within %s, because %s", e.What, e.Value, e.Range, e.Why)
		}
		i.text("how estimates are inspected again", plan.Reinspection, "reinspection")
	case plant.MVOptionAll:
		i.say("option B: all parameters inside the boundary are measured, nothing is estimated")
	case plant.MVOptionWhole:
		i.say("option C: the meter of the whole site; changes elsewhere on the site need adjustments")
	default:
		i.miss("option: write A, B or C under plan: option")
	}
	i.say("inside: %s", join(w.pr.Boundary))
	var outside []plant.RegisterID
	for _, r := range w.p.Registers {
		if r.Quantity == plant.QuantityEnergy && r.Press == w.pr.Press && !slices.Contains(w.pr.Boundary, r.ID) {
			outside = append(outside, r.ID)
		}
	}
	if len(outside) > 0 {
		i.say("measured on the press and outside: %s", join(outside))
	}
	if len(plan.Crosses) == 0 {
		i.miss("energy that crosses the boundary, such as supply, cooling water, exhaust heat: list it under plan: crosses")
	}
	for _, c := range plan.Crosses {
		i.say("crosses the boundary: %s", c)
	}
	if len(plan.Interactive) == 0 {
		i.miss("effects on energy outside the boundary, or why there are none: write effect and treatment under plan: interactive")
	}
	for _, e := range plan.Interactive {
		i.say("effect outside: %s — %s", e.Effect, e.Treatment)
	}
}

func (w writer) baseline(i *Item) {
	i.say("days: %s", w.selection(w.pr.Baseline))
	b := w.known.Baseline
	if w.known.Frozen && b.Given != nil {
		i.say("%s", b.Given.Words())
	}
	switch {
	case w.known.Frozen && len(b.Rows) == 0:
		i.say("frozen: version %d on %s by %s", b.Version, w.day(b.Frozen), b.Approver)
		i.say("data hash: %s", b.DataHash)
	case w.known.Frozen:
		i.say("frozen: version %d on %s by %s, %s from %s to %s, %d days left out", b.Version, w.day(b.Frozen), b.Approver,
			count(len(b.Rows), b.Granularity.Noun()), w.day(b.Rows[0].Day), w.day(b.Rows[len(b.Rows)-1].Day), len(b.Excluded))
		var kwh float64
		for _, r := range b.Rows {
			kwh += r.Energy.KWh()
		}
		i.say("use: %.0f kWh over these rows", kwh)
		i.say("data hash: %s", b.DataHash)
	default:
		i.miss("frozen baseline with its use: curetally baseline freeze %s --by NAME", w.pr.ID)
	}
	i.text("conditions", w.pr.Plan.Conditions, "conditions")
	if len(w.pr.Factors) == 0 {
		i.miss("static factors, such as shifts per day, substrate width, set-points of exhaust: list them under static_factors")
	}
	for _, f := range w.pr.Factors {
		if f.From.IsZero() {
			i.say("static factor: %s is %s", f.Name, f.Value)
		} else {
			i.say("static factor: %s is %s from %s", f.Name, f.Value, w.day(f.From))
		}
	}
}

func (w writer) reporting(i *Item) {
	i.say("days: %s", w.selection(w.pr.Reporting))
	if w.pr.Reporting.From.IsZero() && w.known.Ready.Conversion.IsZero() {
		i.miss("first day of the reporting period: write it as reporting: {from: …}")
	}
}

// selection says which days a period takes.
func (w writer) selection(s plant.Selection) string {
	from, to, with := "from the first day on record", "with no end set", "with any light source"
	if !s.From.IsZero() {
		from = "from " + w.day(s.From)
	}
	if !s.To.IsZero() {
		to = "to " + w.day(s.To.AddDate(0, 0, -1))
	}
	if s.Technology != plant.TechnologyNone {
		with = "with " + s.Technology.String() + " in use"
	}
	return strings.Join([]string{from, to, with}, ", ")
}

func (w writer) adjustment(i *Item) {
	i.say("avoided energy: the baseline is adjusted to the conditions of the reporting period")
	if len(w.pr.Drivers) > 0 {
		i.say("routine adjustment: by the model, at the %s of each day", join(w.pr.Drivers))
	}
	i.say("non-routine adjustment: one record per event with begin, end, energy, sign, evidence and approver; none without evidence")
	if len(w.pr.Expected) == 0 && len(w.pr.Drivers) > 0 {
		i.miss("what the drivers go through in the year to come: write it as expected_year")
	}
	for _, e := range w.pr.Expected {
		i.say("year to come: %s %.4g to %.4g per day", e.Driver, e.Low, e.High)
	}
}

package answers

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
	"curetally/internal/core/unit"
	"curetally/internal/core/usage"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
)

// EnergyQuestion is what is asked about energy. From and To begin local days; zero is
// the first on record, and the newest included.
type EnergyQuestion struct {
	By            []usage.By // one report for each
	From, To, Now time.Time
}

// Energy tells where energy went, and what it was asked with but for By.
func Energy(ctx context.Context, db *store.DB, conf *config.Config, q EnergyQuestion) (usage.Options, []usage.Report, error) {
	p := &conf.Plant
	o := usage.Options{
		Plant: p, Registers: usedRegisters(p), Limits: conf.Terms.Limits,
		Tariff: conf.Terms.Tariff, Price: flatPrice(p), Spans: map[plant.StationID][]plant.Span{}, Shift: shiftNames(p),
	}
	until := q.To
	if until.IsZero() {
		until = q.Now
	}
	for _, st := range p.Stations() {
		events, err := db.Events(ctx, st.ID, q.From, until)
		if err != nil {
			return o, nil, fmt.Errorf("states of %s: %w", st.ID, err)
		}
		o.Spans[st.ID] = ledger.Timeline(events, st.Silence, st.TechnologyAt)
	}
	var tallies []*usage.Tally
	asked := map[plant.RegisterID]bool{}
	for _, by := range q.By {
		o.By = by
		t := usage.New(o)
		tallies = append(tallies, t)
		for _, id := range t.Asked() {
			asked[id] = true
		}
	}
	var names []string
	for id := range asked {
		names = append(names, string(id))
	}
	slices.Sort(names)
	for e, err := range db.AllEntries(ctx, store.Window{Names: names, From: q.From, To: q.To}) {
		if err != nil {
			return o, nil, err
		}
		for _, t := range tallies {
			t.Add(e)
		}
	}
	var reports []usage.Report
	for _, t := range tallies {
		r, err := t.Report()
		if err != nil {
			return o, nil, err
		}
		reports = append(reports, r)
	}
	return o, reports, nil
}

// shiftNames names the shift of a press at an instant by the clock: with its press where
// there are several, because each has shifts of its own.
func shiftNames(p *plant.Plant) func(plant.PressID, time.Time) string {
	calendars := map[plant.PressID]*presscalendar.Calendar{}
	return func(press plant.PressID, at time.Time) string {
		c, ok := calendars[press]
		if !ok {
			c = presscalendar.Of(p, press)
			calendars[press] = c
		}
		prefix := ""
		if len(p.Presses) > 1 {
			prefix = cmp.Or(string(press), "whole site") + " "
		}
		w, ok := c.ShiftAt(at)
		if !ok {
			return prefix + "outside shifts"
		}
		return prefix + w.From.In(p.TimeZone).Format("15:04") + "-" + w.To.In(p.TimeZone).Format("15:04")
	}
}

// usedRegisters are those whose energy counts: of the savings boundaries where
// there are any, because a person made sure that none holds another; else all that
// are no part of another.
func usedRegisters(p *plant.Plant) []plant.RegisterID {
	var all []plant.RegisterID
	for _, pr := range p.Projects {
		for _, id := range pr.Boundary {
			if !slices.Contains(all, id) {
				all = append(all, id)
			}
		}
	}
	if len(all) > 0 {
		return all
	}
	for _, r := range p.Registers {
		if r.Quantity == plant.QuantityEnergy && !r.Part {
			all = append(all, r.ID)
		}
	}
	return all
}

// flatPrice is the price of the first savings project that has one.
func flatPrice(p *plant.Plant) unit.Money {
	for _, pr := range p.Projects {
		if pr.Price.Currency != "" {
			return pr.Price
		}
	}
	return unit.Money{}
}

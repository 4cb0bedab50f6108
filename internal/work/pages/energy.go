package pages

import (
	"strconv"
	"time"

	"curetally/internal/core/unit"
	"curetally/internal/core/usage"
)

// energyDays is how far back the page looks.
const energyDays = 28

// energy shows where energy went and which part of it could have been avoided.
func (p *Pages) energy(r *request) error {
	e, err := p.o.Figures.Energy(r.Context(), energyDays)
	if err != nil {
		return err
	}
	total := e.States.Total
	s := section{ID: "used", Heading: r.text("energy-used", strconv.Itoa(energyDays))}
	s.Glance = []glance{{Label: r.text("energy-total"), Value: r.number(total.Total.KWh(), 0), Unit: "kWh", Note: r.cost(total)}}
	if total.AreaM2 > 0 {
		s.Glance = append(s.Glance, glance{Label: r.text("energy-per-area"), Value: r.number(total.PerArea(), 1), Unit: "Wh/m²", Note: r.text("energy-area", r.number(total.AreaM2, 0))})
	}
	var avoidable unit.Energy
	for _, a := range e.States.Avoidable {
		avoidable += a.Energy
	}
	g := glance{Label: r.text("energy-avoidable"), Value: r.number(avoidable.KWh(), 0), Unit: "kWh", Note: r.text("energy-avoidable-note")}
	if total.Total > 0 {
		g.Note = r.text("energy-share", r.percent(avoidable.KWh()/total.Total.KWh())) + " " + g.Note
	}
	s.Glance = append(s.Glance, g)
	avoid := table{
		Caption: r.text("energy-avoidable-says"), Empty: r.text("energy-avoidable-none"),
		Heads: []head{{Text: r.text("energy-kind")}, {Text: r.text("register")}, {Text: r.text("energy-hours"), Unit: "h", Number: true}, {Text: r.text("energy"), Unit: "kWh", Number: true}},
	}
	for _, a := range e.States.Avoidable {
		avoid.Rows = append(avoid.Rows, []cell{{Text: r.words.Phrase(string(a.Kind))}, {Text: string(a.Register)}, {Text: r.number(a.Hours, 1)}, {Text: r.number(a.Energy.KWh(), 1)}})
	}
	s.Tables = []table{avoid}
	r.view.Sections = append(r.view.Sections, s,
		section{ID: "stations", Heading: r.text("energy-by-station"), Tables: []table{r.uses(e.Stations, "station")}},
		section{ID: "days", Heading: r.text("energy-by-day"), Tables: []table{r.uses(e.Days, "day")}})
	return nil
}

// cost writes what energy cost, nothing where it has no price.
func (r *request) cost(x usage.Row) string {
	if x.Cost.Currency == "" {
		return ""
	}
	return r.number(x.Cost.Float(), 2) + " " + x.Cost.Currency
}

// uses is the load by state, one row per station or day.
func (r *request) uses(rep usage.Report, name string) table {
	t := table{Caption: r.text("energy-says"), Empty: r.text("energy-none"), Heads: []head{{Text: r.text(name)}}}
	for _, h := range []string{"curing", "standby", "starting", "stopped", "unknown", "shared", "total"} {
		t.Heads = append(t.Heads, head{Text: r.text("energy-" + h), Unit: "kWh", Number: true})
	}
	area := rep.Total.AreaM2 > 0 && name == "day"
	if area {
		t.Heads = append(t.Heads, head{Text: r.text("energy-per-area"), Unit: "Wh/m²", Number: true})
	}
	kwh := func(e unit.Energy) cell { return cell{Text: r.number(e.KWh(), 1)} }
	line := func(key string, x usage.Row) []cell {
		row := []cell{{Text: key}, kwh(x.Curing), kwh(x.Standby), kwh(x.Starting), kwh(x.Stopped), kwh(x.Unknown), kwh(x.Shared), kwh(x.Total)}
		if area {
			row = append(row, cell{Text: r.number(x.PerArea(), 1)})
		}
		return row
	}
	for _, x := range rep.Rows {
		key := x.Key
		if day, err := time.Parse(time.DateOnly, key); err == nil {
			key = r.words.Date(day)
		}
		t.Rows = append(t.Rows, line(key, x))
	}
	if len(rep.Rows) > 1 {
		t.Rows = append(t.Rows, line(r.text("energy-total"), rep.Total))
	}
	return t
}

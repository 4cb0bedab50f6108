package pages

import (
	"strconv"
	"strings"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
)

// today shows what the press does, what is due, and what is wrong.
func (p *Pages) today(r *request) error {
	tasks, err := p.o.Upkeep.Tasks(r.Context())
	if err != nil {
		return err
	}
	r.view.Sections = append(r.view.Sections, r.wrong(), r.glance(tasks))
	for i, pr := range r.now.Presses {
		r.view.Sections = append(r.view.Sections, r.press(i, pr))
	}
	due := table{
		Caption: r.text("due-says"), Empty: r.text("due-none"),
		Heads: []head{{Text: r.text("task")}, {Text: r.text("task-status")}, {Text: r.text("task-when")}, {Text: r.text("task-spread")}},
	}
	for _, t := range tasks.Tasks {
		if t.Status != upkeep.OK {
			due.Rows = append(due.Rows, []cell{
				{Text: t.Title, Sub: t.Subject}, {Text: r.text("task-" + string(t.Status)), State: "task-" + string(t.Status)}, {Text: r.day(t.Due)}, {Text: r.spread(t)},
			})
		}
	}
	s := section{ID: "due", Heading: r.text("due"), Tables: []table{due}, Links: []link{{Href: "/work", Text: r.text("due-go")}}}
	r.view.Sections = append(r.view.Sections, s)
	return nil
}

// wrong lists what a person should look at.
func (r *request) wrong() section {
	s := section{ID: "wrong", Heading: r.text("wrong")}
	for _, f := range r.now.Findings {
		a := alert{Head: r.words.Phrase(f.Kind) + ": " + f.Subject, Text: r.words.Phrase(f.Text), Remedy: r.words.Phrase(f.Remedy)}
		if !f.Since.IsZero() {
			a.Head += ", " + r.text("wrong-since", r.moment(f.Since))
		}
		s.Alerts = append(s.Alerts, a)
	}
	if len(s.Alerts) == 0 {
		s.Quiet = r.text("wrong-none")
	}
	return s
}

// glance says in three figures what people ask first.
func (r *request) glance(tasks Tasks) section {
	counts := map[plant.State]int{}
	var watts float64
	var all, known int
	for _, pr := range r.now.Presses {
		for _, st := range pr.Stations {
			all++
			counts[st.State]++
			if st.Watts != nil {
				known++
				watts += *st.Watts
			}
		}
	}
	var others []string
	for _, st := range plant.States() {
		if n := counts[st]; n > 0 && st != plant.StateCuring {
			others = append(others, r.count(n)+" "+r.state(st))
		}
	}
	next := glance{Label: r.text("glance-next"), Value: r.text("glance-none")}
	if len(tasks.Tasks) > 0 && tasks.Tasks[0].Status != upkeep.OK {
		t := tasks.Tasks[0]
		next.Value, next.Note = r.day(t.Due), t.Title+", "+t.Subject
		if t.Status == upkeep.Overdue {
			next.Value = r.text("task-overdue")
		}
	}
	return section{ID: "glance", Glance: []glance{
		{r.text("glance-curing"), r.count(counts[plant.StateCuring]), r.text("glance-of", r.count(all)), strings.Join(others, ", ")},
		{r.text("glance-power"), r.number(watts/1000, 1), "kW", r.text("glance-known", r.count(known), r.count(all))},
		next,
	}}
}

// press shows the stations on the way of the web.
func (r *request) press(i int, pr Press) section {
	s := section{ID: "press-" + strconv.Itoa(i+1), Heading: pr.Title}
	t := table{
		Caption: r.text("stations-says"), Empty: r.text("stations-none"),
		Heads: []head{
			{Text: r.text("station")}, {Text: r.text("station-state")}, {Text: r.text("station-power"), Unit: "kW", Number: true},
			{Text: r.text("station-lit"), Unit: "h", Number: true}, {Text: r.text("station-energy"), Unit: "kWh", Number: true},
			{Text: r.text("station-lamp"), Unit: r.text("station-lamp-unit")},
		},
	}
	for _, st := range pr.Stations {
		word := r.state(st.State)
		if st.Inferred {
			word += ", " + r.text("state-inferred")
		}
		s.Web = append(s.Web, stop{"state-" + stateName(st.State), r.state(st.State), st.Title})
		since := r.text("station-since-unknown")
		if !st.Since.IsZero() {
			since = r.text("station-since", r.moment(st.Since), r.since(st.Since))
		}
		aside := r.source(st.Technology)
		if st.Name != st.Title {
			aside = strings.Trim(st.Name+", "+aside, ", ")
		}
		t.Rows = append(t.Rows, []cell{
			{Text: st.Title, Sub: aside}, {Text: word, State: "state-" + stateName(st.State), Sub: since}, {Text: r.kilowatts(st.Watts)},
			{Text: r.number(st.LitHours, 0)}, {Text: r.number(st.EnergyKWh, 0)}, r.fitted(st.Lamp),
		})
	}
	s.Tables = []table{t}
	return s
}

// fitted shows the lamp in a station.
func (r *request) fitted(l *Fitted) cell {
	if l == nil {
		return cell{Text: r.text("lamp-none")}
	}
	c := cell{Text: r.text("lamp-hours", r.number(l.Hours, 0)), Sub: l.Serial + ", " + l.Kind}
	if l.Rated > 0 {
		c.Text = r.text("lamp-hours-of", r.number(l.Hours, 0), r.number(l.Rated, 0), r.percent(l.Used))
		c.Bar = lifeBar(l.Used)
	}
	return c
}

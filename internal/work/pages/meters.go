package pages

import (
	"strconv"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/plant"
)

// meters shows how the meters do, and values that wait for a ruling.
func (p *Pages) meters(r *request) error {
	held, err := p.o.Live.Waiting(r.Context())
	if err != nil {
		return err
	}
	shares, err := p.o.Live.Measured(r.Context(), energyDays)
	if err != nil {
		return err
	}
	t := table{
		Caption: r.text("meters-says"), Empty: r.text("meters-none"),
		Heads: []head{
			{Text: r.text("meter")}, {Text: r.text("meter-health")}, {Text: r.text("station-power"), Unit: "kW", Number: true},
			{Text: r.text("energy"), Unit: "kWh", Number: true}, {Text: r.text("meter-measured"), Unit: r.text("energy-used", strconv.Itoa(energyDays)), Number: true}, {Text: r.text("meter-heard")},
		},
	}
	for _, m := range r.now.Meters {
		health := cell{Text: r.text("meter-sound"), State: "state-curing"}
		switch {
		case m.Silent:
			health = cell{Text: r.text("meter-silent"), State: "state-fault"}
		case m.Trouble != "":
			health = cell{Text: r.words.Phrase(m.Trouble), State: "state-fault"}
		}
		energy := cell{Text: r.number(m.EnergyKWh, 1)}
		if m.Estimated {
			energy.Sub = r.text("quality-estimated")
		}
		measured := cell{Text: "–"}
		if share, ok := shares[m.Name]; ok {
			measured.Text = r.number(100*share, 1) + "\u00a0%"
		}
		t.Rows = append(t.Rows, []cell{{Text: m.Name}, health, {Text: r.kilowatts(m.Watts)}, energy, measured, {Text: r.moment(m.Heard)}})
	}
	r.view.Sections = append(r.view.Sections, section{ID: "meters", Heading: r.text("page-meters"), Tables: []table{t}}, r.waiting(held))
	return nil
}

// waiting lists values that are held out of their curves.
func (r *request) waiting(held []Held) section {
	t := table{
		Caption: r.text("waiting-says"), Empty: r.text("waiting-none"),
		Heads: []head{
			{Text: r.text("register")}, {Text: r.text("waiting-at")}, {Text: r.text("waiting-before"), Number: true},
			{Text: r.text("waiting-value"), Number: true}, {Text: r.text("waiting-rule")},
		},
	}
	for i, h := range held {
		c := cell{}
		if r.may(access.RuleOnReading) {
			f := r.fill(form{
				ID: "rule-" + strconv.Itoa(i+1), Title: r.text("form-rule"), Button: r.text("form-record"), Action: "/meters/rule",
				Hidden: []hidden{{"register", h.Register}, {"at", h.At.Format(time.RFC3339Nano)}},
				Fields: append(r.by(), field{Name: "verdict", Label: r.text("form-verdict"), Kind: "choice", Options: []option{
					{string(plant.VerdictAccept), r.text("verdict-accept")}, {string(plant.VerdictDiscard), r.text("verdict-discard")}, {string(plant.VerdictRestart), r.text("verdict-restart")},
				}}, field{Name: "reason", Label: r.text("form-reason"), Kind: "text", Required: true}),
			})
			c.Form = &f
		}
		t.Rows = append(t.Rows, []cell{
			{Text: h.Register}, {Text: r.moment(h.At)}, {Text: r.number(h.Before, 3), Sub: h.Unit}, {Text: r.number(h.Value, 3), Sub: h.Unit}, c,
		})
	}
	return section{ID: "waiting", Heading: r.text("waiting"), Tables: []table{t}}
}

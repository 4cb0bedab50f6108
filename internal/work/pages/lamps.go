package pages

import (
	"strconv"

	"curetally/internal/core/lampledger"
)

// lamps shows the life of each lamp, its output, and what is in the store.
func (p *Pages) lamps(r *request) error {
	l, err := p.o.Upkeep.Lamps(r.Context(), r.view.Lang)
	if err != nil {
		return err
	}
	fitted := table{
		Caption: r.text("lamps-fitted-says"), Empty: r.text("lamps-fitted-none"),
		Heads: []head{{Text: r.text("station")}, {Text: r.text("lamp")}, {Text: r.text("lamp-life")}, {Text: r.text("lamp-change")}, {Text: r.text("lamp-others")}},
	}
	spent := table{
		Caption: r.text("lamps-spent-says"), Empty: r.text("lamps-spent-none"),
		Heads: []head{{Text: r.text("lamp")}, {Text: r.text("lamp-hours-head"), Unit: "h", Number: true}, {Text: r.text("lamp-out-since")}, {Text: r.text("lamp-deadline")}},
	}
	for _, x := range l.Lamps {
		switch lampledger.Place(x.Place) {
		case lampledger.Fitted:
			fitted.Rows = append(fitted.Rows, r.lampLine(x))
		case lampledger.Spent:
			deadline := r.text("lamp-no-deadline")
			if !x.Deadline.IsZero() {
				deadline = r.day(x.Deadline)
			}
			spent.Rows = append(spent.Rows, []cell{{Text: x.Serial, Sub: x.Kind}, {Text: r.number(x.Hours, 0)}, {Text: r.day(x.Since)}, {Text: deadline}})
		}
	}
	s := section{ID: "spent", Heading: r.text("lamps-spent"), Tables: []table{spent}}
	if l.Held.Count > 0 {
		s.Lead = append(s.Lead, r.text("lamps-mercury", r.count(l.Held.Count), r.number(l.Held.MercuryLow, 0), r.number(l.Held.MercuryHigh, 0)))
	}
	r.view.Sections = append(r.view.Sections,
		section{ID: "fitted", Heading: r.text("lamps-fitted"), Tables: []table{fitted}},
		section{ID: "stock", Heading: r.text("lamps-stock"), Tables: []table{r.stock(l.Stock)}}, s,
		section{ID: "output", Heading: r.text("lamps-output"), Pictures: r.pictures(l.Output), Quiet: r.quiet(len(l.Output) == 0, "lamps-output-none")})
	return nil
}

// quiet is a text where there is nothing.
func (r *request) quiet(nothing bool, name string) string {
	if nothing {
		return r.text(name)
	}
	return ""
}

func (r *request) lampLine(x Lamp) []cell {
	life := cell{Text: r.text("lamp-hours", r.number(x.Hours, 0)), Sub: r.text("lamp-since", r.day(x.Since))}
	if x.Used != nil {
		life.Text = r.text("lamp-hours-of", r.number(x.Hours, 0), r.number(x.Rated, 0), r.percent(*x.Used))
		life.Bar = lifeBar(*x.Used)
	}
	change := cell{Text: r.text("lamp-no-date")}
	if !x.P50.IsZero() {
		change = cell{Text: r.text("lamp-about", r.day(x.P50))}
		if !x.P10.IsZero() && !x.P90.IsZero() {
			change.Sub = r.text("task-between", r.day(x.P10), r.day(x.P90))
		}
	}
	others := cell{Text: "–"}
	if x.Remaining != nil {
		name := "lamp-half-last"
		if x.AtLeast {
			name = "lamp-half-last-least"
		}
		others.Text = r.text(name, r.number(*x.Remaining, 0))
	}
	return []cell{{Text: x.Station}, {Text: x.Serial, Sub: x.Kind}, life, change, others}
}

func (r *request) stock(all []Stock) table {
	t := table{
		Caption: r.text("stock-says"), Empty: r.text("stock-none"),
		Heads: []head{
			{Text: r.text("stock-kind")}, {Text: r.text("stock-spares"), Number: true}, {Text: r.text("stock-fitted"), Number: true},
			{Text: r.text("stock-spent"), Number: true}, {Text: r.text("stock-need"), Number: true}, {Text: r.text("stock-order")},
		},
	}
	for _, k := range all {
		order := cell{Text: r.text("stock-no-order")}
		if k.Order > 0 {
			name := "stock-order-by"
			if k.Late {
				name = "stock-order-now"
			}
			order.Text = r.text(name, r.count(k.Order), r.day(k.By))
		}
		order.Sub = r.text("stock-lead", strconv.Itoa(k.LeadDays))
		if k.Assumed {
			order.Sub += ", " + r.text("stock-assumed")
		}
		t.Rows = append(t.Rows, []cell{
			{Text: k.Kind}, {Text: r.count(k.Spares)}, {Text: r.count(k.Fitted)}, {Text: r.count(k.Spent)}, {Text: r.count(k.Need), Sub: r.text("stock-weeks", strconv.Itoa(k.Weeks))}, order,
		})
	}
	return t
}

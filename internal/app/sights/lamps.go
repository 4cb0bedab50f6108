package sights

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"time"

	"curetally/internal/app/answers"
	"curetally/internal/app/faces"
	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/words"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/pages"
	"curetally/internal/work/plan"
)

// needWeeks is how far ahead the need of lamps is told.
const needWeeks = 26

// Lamps implements pages.Upkeep.
func (s Sight) Lamps(ctx context.Context, language string) (pages.Lamps, error) {
	var out pages.Lamps
	book, look := s.Book(), s.Outlook()
	if book == nil || look == nil {
		return out, faces.ErrStarting
	}
	w, err := words.New(language)
	if err != nil {
		return out, err
	}
	p, now := s.plant(), time.Now()
	for _, l := range book.Lamps {
		out.Lamps = append(out.Lamps, lampOf(p, l, look))
	}
	needs, err := answers.Needs(p, *look, book.Book, needWeeks)
	if err != nil {
		return out, err
	}
	for _, k := range needs {
		row := pages.Stock{
			Kind: title(k.Stock.Kind), Spares: k.Stock.Spares, Fitted: k.Stock.Fitted, Spent: k.Stock.Spent,
			Need: k.Need[len(k.Need)-1].Enough(p.Upkeep.ServiceLevel), Weeks: needWeeks, LeadDays: k.Lead, Assumed: k.Assumed,
		}
		if k.Order.Quantity > 0 {
			row.Order, row.By, row.Late = k.Order.Quantity, p.Day(now, k.Order.ByDay), k.Order.Late
		}
		out.Stock = append(out.Stock, row)
	}
	out.Held = spares.Hold(p, answers.SpentLamps(book.Book), p.Upkeep.SpentDays, now)
	outputs, err := lampbook.Outputs(ctx, s.Store, p, book.Book)
	if err != nil {
		return out, err
	}
	for i, o := range outputs {
		picture, err := draw(outputFigure(o, w, i), w)
		if err != nil {
			return out, err
		}
		out.Output = append(out.Output, picture)
	}
	return out, nil
}

func title(k plant.LampKind) string {
	if k.Title != "" {
		return k.Title
	}
	return k.Name
}

func lampOf(p *plant.Plant, l lampbook.Lamp, look *plan.Outlook) pages.Lamp {
	out := pages.Lamp{
		Serial: string(l.Lamp.Serial), Kind: title(l.Kind), Place: string(l.Place), Station: string(l.Station), Since: l.Since,
		Hours: l.Life.Equivalent, Rated: l.Kind.RatedHours, AtLeast: l.Outlook.AtLeast,
	}
	if out.Kind == "" {
		out.Kind = l.Lamp.Kind
	}
	if l.Life.RatedHours > 0 && !math.IsNaN(l.Life.UsedFraction) {
		out.Used = &l.Life.UsedFraction
	}
	switch l.Place {
	case lampledger.Fitted:
		if st, ok := p.FindStation(l.Station); ok && st.Title != "" {
			out.Station = st.Title
		}
		if r := l.Outlook.Remaining; !math.IsNaN(r) && !math.IsInf(r, 0) {
			out.Remaining = &r
		}
		for _, t := range look.Tasks {
			if t.Lamp == l.Lamp.Serial && !t.DueP50.IsZero() && lasts(p, t) && (out.P50.IsZero() || t.DueP50.Before(out.P50)) {
				out.P10, out.P50, out.P90 = t.DueP10, t.DueP50, t.DueP90
			}
		}
	case lampledger.Spent:
		if (lampledger.Stock{Kind: l.Kind}).Mercury() {
			out.Deadline = p.Day(l.Since, p.Upkeep.SpentDays)
		}
	}
	return out
}

// lasts says whether a task is about the rated life of a lamp.
func lasts(p *plant.Plant, t upkeep.Task) bool {
	for _, r := range p.Rules {
		if r.ID == t.Rule {
			return r.LifeFraction > 0
		}
	}
	return false
}

// outputFigure draws the readings of a lamp's output over its lit hours, the decline
// that was fitted to them, and the band in which it reaches its limit.
func outputFigure(o lampbook.Output, w *words.Words, i int) figure.Figure {
	l := o.Lamp
	f := figure.Figure{
		Name: fmt.Sprintf("output-%d", i+1), Title: w.Text("web-lamps-plot", string(l.Lamp.Serial), string(l.Station)), Says: w.Phrase(o.Said()),
		Table: figure.Table{Heads: []string{w.Text("web-lamps-plot-hours"), w.Text("web-lamps-plot-axis")}},
	}
	dots := figure.Mark{Kind: figure.Dots, Ink: figure.Metered, Key: w.Text("web-lamps-plot-readings")}
	high, last := 0.0, o.Watch.Age
	for _, r := range o.Taken {
		dots.Points = append(dots.Points, figure.Point{X: r.Hours, Y: r.Output})
		f.Table.Rows = append(f.Table.Rows, []string{w.Number(r.Hours, 0), w.Number(r.Output, 2)})
		high, last = max(high, r.Output), max(last, r.Hours)
	}
	marks := []figure.Mark{dots}
	d, end := o.Watch.Decline, o.Watch.End
	if o.Missing == "" && d.Initial > 0 {
		if finite(end.Hours) {
			last = max(last, min(end.Hours, 2*last))
		}
		high = max(high, d.Initial)
		line := figure.Mark{Kind: figure.Line, Ink: figure.Saved, Key: w.Text("web-lamps-plot-line")}
		for k := range 41 {
			x := last * float64(k) / 40
			line.Points = append(line.Points, figure.Point{X: x, Y: d.Initial * math.Exp(-d.Decay*x)})
		}
		limit := l.Kind.OutputThreshold * d.Initial
		if finite(end.Low) && finite(end.High) && end.Low < last {
			marks = append(marks, figure.Mark{Kind: figure.Band, Ink: figure.Spread, Key: w.Text("web-lamps-plot-band"), Points: []figure.Point{
				{X: end.Low, Y: 0, To: 1.05 * high}, {X: min(end.High, last), Y: 0, To: 1.05 * high},
			}})
		}
		marks = append(marks, line, figure.Mark{Kind: figure.Level, Ink: figure.Limit, Key: w.Text("web-lamps-plot-limit"), Points: []figure.Point{{Y: limit}}})
	}
	if last <= 0 {
		last = 1
	}
	if high <= 0 {
		high = 1
	}
	short := func(v float64, decimals int) string { return w.Number(v, decimals) }
	f.Panels = []figure.Panel{{
		X:     figure.Axis{Label: w.Text("web-lamps-plot-hours"), Low: 0, High: last, Ticks: figure.Steps(0, last, short)},
		Y:     figure.Axis{Label: w.Text("web-lamps-plot-axis"), Low: 0, High: 1.05 * high, Ticks: figure.Steps(0, 1.05*high, short)},
		Marks: marks,
	}}
	return f
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// draw writes a figure for wide and for narrow pages.
func draw(f figure.Figure, w *words.Words) (pages.Picture, error) {
	p := pages.Picture{Title: f.Title, Says: f.Says, Heads: f.Table.Heads, Rows: f.Table.Rows, Words: f.Table.Words}
	wide, err := figure.SVG(f, figure.Options{})
	if err != nil {
		return p, err
	}
	narrow, err := figure.SVG(f, figure.Options{Width: figure.Narrow, Suffix: "-narrow"})
	if err != nil {
		return p, err
	}
	p.Wide, p.Narrow = template.HTML(wide), template.HTML(narrow) //nolint:gosec // drawn here; all texts in it are escaped
	return p, nil
}

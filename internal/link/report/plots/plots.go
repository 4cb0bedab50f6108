// Package plots lays out the plots of a savings report: how the baseline model fits,
// energy before and after, energy saved so far, the running sums by which drift is
// found, the residuals, and the load over the day. Each is a figure with its words in
// the language of the report and the table that it is drawn from.
//
// What is drawn comes from the dossier of a statement, so a plot cannot differ from the
// figures beside it. Pages write a figure with figure.SVG, paper with figure.Draw.
//
// A plot that there is nothing for is not there: the load needs entries by the hour, the
// sum for drift some weeks after the conversion, and a baseline from a survey has no
// rows that could be drawn.
package plots

import (
	"time"

	"curetally/internal/core/dossier"
	"curetally/internal/core/savings"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/words"
)

// The names of the plots.
const (
	Fit         = "fit"
	BeforeAfter = "before-after"
	Saved       = "saved"
	CuSum       = "cusum"
	Residuals   = "residuals"
	Load        = "load"
)

// Of gives the plots that there is something for, in the order of a report.
func Of(d dossier.Dossier, w *words.Words) []figure.Figure {
	m := maker{d: d, w: w, before: d.Before(), after: d.After()}
	var out []figure.Figure
	for _, f := range []struct {
		name string
		draw func() ([]figure.Panel, figure.Table)
	}{
		{Fit, m.fit}, {BeforeAfter, m.beforeAfter}, {Saved, m.saved}, {CuSum, m.cusum}, {Residuals, m.residuals}, {Load, m.load},
	} {
		if panels, table := f.draw(); len(panels) > 0 {
			out = append(out, figure.Figure{
				Name: f.name, Title: w.Text("plot-" + f.name), Says: w.Text("plot-"+f.name+"-says") + m.more(f.name), Panels: panels, Table: table,
			})
		}
	}
	return out
}

// maker lays out the plots of one dossier.
type maker struct {
	d             dossier.Dossier
	w             *words.Words
	before, after []dossier.Row
}

// more is what only some dossiers have in a plot.
func (m maker) more(name string) string {
	switch {
	case name == Fit && len(m.d.Baseline.Drivers) > 1:
		return " " + m.w.Text("plot-fit-several")
	case name == CuSum && len(m.d.Watched()) > 0:
		return " " + m.w.Text("plot-cusum-limit")
	default:
		return ""
	}
}

// number writes a label of an axis.
func (m maker) number(v float64, decimals int) string { return m.w.Number(v, decimals) }

// axis is a range of values with room, that holds 0 where asked for.
func (m maker) axis(label string, values []float64, zero bool) figure.Axis {
	var low, high float64
	for i, v := range values {
		if i == 0 && !zero {
			low, high = v, v
		}
		low, high = min(low, v), max(high, v)
	}
	wide, high := figure.Roomy(low, high, 0.05)
	if zero && low == 0 {
		wide = 0
	}
	return figure.Axis{Label: label, Low: wide, High: high, Ticks: figure.Steps(wide, high, m.number)}
}

// over is an axis of local days.
func (m maker) over(days []time.Time) (figure.Calendar, figure.Axis) {
	first, last := days[0], days[0]
	for _, day := range days {
		if day.Before(first) {
			first = day
		}
		if day.After(last) {
			last = day
		}
	}
	c := figure.NewCalendar(first, m.d.Zone)
	low, high := -0.75, c.At(last)+0.75
	return c, figure.Axis{Label: m.w.Text("plot-day", m.d.Zone.String()), Low: low, High: high, Ticks: c.Ticks(low, high, m.w)}
}

// day writes a date of a table.
func (m maker) day(t time.Time) string { return m.w.Date(t.In(m.d.Zone)) }

// dots are the places of rows: x and y of each.
func dots(rows []dossier.Row, x, y func(dossier.Row) float64) []figure.Point {
	out := make([]figure.Point, len(rows))
	for i, r := range rows {
		out[i] = figure.Point{X: x(r), Y: y(r)}
	}
	return out
}

func actual(r dossier.Row) float64   { return r.Actual }
func expected(r dossier.Row) float64 { return r.Expected }
func residual(r dossier.Row) float64 { return r.Residual() }

func xs(points ...[]figure.Point) []float64 {
	var out []float64
	for _, list := range points {
		for _, p := range list {
			out = append(out, p.X)
		}
	}
	return out
}

func ys(points ...[]figure.Point) []float64 {
	var out []float64
	for _, list := range points {
		for _, p := range list {
			out = append(out, p.Y)
		}
	}
	return out
}

func daysOf(rows ...[]dossier.Row) []time.Time {
	var out []time.Time
	for _, list := range rows {
		for _, r := range list {
			out = append(out, r.Day)
			if r.Days > 1 { // the last day of a week or month that has all
				out = append(out, r.Day.AddDate(0, 0, r.Days-1))
			}
		}
	}
	return out
}

// middle is the place of the middle of a row.
func middle(c figure.Calendar, r dossier.Row) float64 { return c.At(r.Day) + float64(r.Days-1)/2 }

// driver names the only driver.
func (m maker) driver() string {
	return m.w.Text("per-day", m.w.Text("driver-"+string(m.d.Baseline.Drivers[0])))
}

// half is the half-width of a running total; 0 where it is not known.
func half(p savings.SeriesPoint) float64 { return max(p.HalfWidth, 0) }

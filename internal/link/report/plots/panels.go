package plots

import (
	"strconv"
	"time"

	"curetally/internal/core/dossier"
	"curetally/internal/core/drift"
	"curetally/internal/link/report/figure"
)

// fit shows the rows of the baseline with the model: over the driver where there is one,
// over what the model expects where there are several, over time where there is none.
func (m maker) fit() ([]figure.Panel, figure.Table) {
	if len(m.before) == 0 {
		return nil, figure.Table{}
	}
	p := figure.Panel{}
	var line figure.Mark
	x := expected
	switch len(m.d.Baseline.Drivers) {
	case 0:
		c, axis := m.over(daysOf(m.before))
		x = func(r dossier.Row) float64 { return middle(c, r) }
		p.X = axis
		line = figure.Mark{Kind: figure.Line, Points: []figure.Point{{X: axis.Low, Y: m.before[0].Expected}, {X: axis.High, Y: m.before[0].Expected}}}
	case 1:
		x = func(r dossier.Row) float64 { return r.PerDay[0] }
		for _, pt := range m.d.ModelLine() {
			line.Points = append(line.Points, figure.Point{X: pt.X, Y: pt.Y})
		}
		p.X = m.axis(m.driver(), xs(dots(m.before, x, actual)), false)
	default:
		p.X = m.axis(m.w.Text("plot-expected-axis"), xs(dots(m.before, x, actual)), false)
		line.Points = []figure.Point{{X: p.X.Low, Y: p.X.Low}, {X: p.X.High, Y: p.X.High}}
	}
	line.Ink, line.Key = figure.Expected, m.w.Text("plot-model")
	rows := dots(m.before, x, actual)
	p.Y = m.axis(m.w.Text("kwh-per-day"), ys(rows, line.Points), false)
	p.Marks = []figure.Mark{{Kind: figure.Dots, Ink: figure.Metered, Key: m.w.Text("plot-rows"), Points: rows}, line}

	t := figure.Table{Heads: []string{m.w.Text("row-begins")}, Words: 1}
	for _, d := range m.d.Baseline.Drivers {
		t.Heads = append(t.Heads, m.w.Text("per-day", m.w.Text("driver-"+string(d))))
	}
	t.Heads = append(t.Heads, m.w.Text("kwh-per-day"), m.w.Text("fitted"))
	for _, r := range m.before {
		cells := []string{m.day(r.Day)}
		for _, v := range r.PerDay {
			cells = append(cells, m.w.Number(v, 2))
		}
		t.Rows = append(t.Rows, append(cells, m.w.Number(r.Actual, 1), m.w.Number(r.Expected, 1)))
	}
	return []figure.Panel{p}, t
}

// beforeAfter shows the energy of each row of both periods with what the model expects.
func (m maker) beforeAfter() ([]figure.Panel, figure.Table) {
	if len(m.before)+len(m.after) == 0 {
		return nil, figure.Table{}
	}
	c, axis := m.over(daysOf(m.before, m.after))
	wide := 1.0
	if len(m.after) > 0 && m.after[0].Days > 1 {
		wide = float64(m.after[0].Days)
	}
	x := func(r dossier.Row) float64 { return middle(c, r) }
	bars, after := dots(m.before, x, actual), dots(m.after, x, actual)
	dashes := append(dots(m.before, x, expected), dots(m.after, x, expected)...)
	var stems []figure.Point
	for i, r := range m.after {
		if r.Expected > r.Actual {
			stems = append(stems, figure.Point{X: after[i].X, Y: r.Actual, To: r.Expected})
		}
	}
	p := figure.Panel{X: axis, Y: m.axis(m.w.Text("kwh-per-day"), ys(bars, after, dashes), true)}
	p.Y.High += 0.12 * (p.Y.High - p.Y.Low) // head room for the names of the periods
	p.Y.Ticks = figure.Steps(p.Y.Low, p.Y.High, m.number)
	p.Marks = []figure.Mark{
		{Kind: figure.Bars, Ink: figure.Metered, Key: m.w.Text("actual"), Wide: 0.68 * wide, Points: append(bars, after...)},
		{Kind: figure.Stems, Ink: figure.Saved, Key: m.w.Text("plot-difference"), Wide: 0.34 * wide, Points: stems},
		{Kind: figure.Dashes, Ink: figure.Expected, Key: m.w.Text("plot-expected"), Wide: 0.92 * wide, Points: dashes},
	}
	p.Marks = append(p.Marks, m.periods(c)...)

	t := figure.Table{Heads: []string{m.w.Text("plot-month"), m.w.Text("period"), m.w.Text("row-days"), m.w.Text("actual-kwh"), m.w.Text("expected-kwh")}, Words: 2}
	t.Rows = append(m.months(m.before, "baseline-period"), m.months(m.after, "reporting-period")...)
	return []figure.Panel{p}, t
}

// periods names the periods; where they lie within each other there is no edge.
func (m maker) periods(c figure.Calendar) []figure.Mark {
	var out []figure.Mark
	end := -1.0
	for i, rows := range [][]dossier.Row{m.before, m.after} {
		if len(rows) == 0 {
			continue
		}
		last := rows[len(rows)-1]
		from, to := c.At(rows[0].Day)-0.5, c.At(last.Day)+float64(last.Days)-0.5
		if i == 1 && from < end {
			return nil
		}
		name := m.w.Text([]string{"baseline-period", "reporting-period"}[i])
		out = append(out, figure.Mark{Kind: figure.Name, Ink: figure.Text, Text: name, Points: []figure.Point{{X: from, To: to}}})
		if i == 1 && end > 0 {
			out = append(out, figure.Mark{Kind: figure.Edge, Ink: figure.Muted, Points: []figure.Point{{X: from}}})
		}
		end = to
	}
	return out
}

// months adds rows up by calendar month.
func (m maker) months(rows []dossier.Row, period string) [][]string {
	var out [][]string
	for i := 0; i < len(rows); {
		y, month, _ := rows[i].Day.In(m.d.Zone).Date()
		var actual, expected float64
		days := 0
		for ; i < len(rows); i++ {
			r := rows[i]
			if y2, m2, _ := r.Day.In(m.d.Zone).Date(); y2 != y || m2 != month {
				break
			}
			days += r.Days
			actual += float64(r.Days) * r.Actual
			expected += float64(r.Days) * r.Expected
		}
		name := m.w.Month(time.Date(y, month, 1, 0, 0, 0, 0, time.UTC), true)
		out = append(out, []string{name, m.w.Text(period), m.w.Number(float64(days), 0), m.w.Number(actual, 0), m.w.Number(expected, 0)})
	}
	return out
}

// saved shows the energy avoided so far with its band.
func (m maker) saved() ([]figure.Panel, figure.Table) {
	series := m.d.Statement.Series
	if len(series) == 0 {
		return nil, figure.Table{}
	}
	days := make([]time.Time, len(series))
	for i, p := range series {
		days[i] = p.Day
	}
	c, axis := m.over(days)
	band := []figure.Point{{X: axis.Low}}
	line := []figure.Point{{X: axis.Low}}
	edges := []float64{0}
	t := figure.Table{Heads: []string{m.w.Text("day"), m.w.Text("saved-total"), m.w.Text("plot-half-width")}, Words: 1}
	for _, p := range series {
		x, h := c.At(p.Day), half(p)
		line = append(line, figure.Point{X: x, Y: p.CumulativeSaved})
		band = append(band, figure.Point{X: x, Y: p.CumulativeSaved + h, To: p.CumulativeSaved - h})
		edges = append(edges, p.CumulativeSaved+h, p.CumulativeSaved-h)
		t.Rows = append(t.Rows, []string{m.day(p.Day), m.w.Number(p.CumulativeSaved, 0), m.w.Number(h, 0)})
	}
	key := m.w.Text("plot-saved-band", m.w.Percent(m.d.Statement.Confidence, 0))
	return []figure.Panel{{X: axis, Y: m.axis(m.w.Text("saved-kwh"), edges, true), Marks: []figure.Mark{
		{Kind: figure.Band, Ink: figure.Spread, Points: band},
		{Kind: figure.Line, Ink: figure.Saved, Key: key, Points: line},
	}}}, t
}

// cusum shows the running total of metered less expected energy, and below it the sum by
// which a lasting rise after the conversion is found.
func (m maker) cusum() ([]figure.Panel, figure.Table) {
	sums := m.d.CuSum()
	if len(sums) == 0 {
		return nil, figure.Table{}
	}
	c, axis := m.over(daysOf(m.before, m.after))
	lines := [2]figure.Mark{
		{Kind: figure.Line, Ink: figure.Metered, Key: m.w.Text("baseline-period")},
		{Kind: figure.Line, Ink: figure.Saved, Key: m.w.Text("reporting-period")},
	}
	watched := map[int64]string{}
	sum := figure.Mark{Kind: figure.Line, Ink: figure.Expected, Key: m.w.Text("plot-rise")}
	for _, p := range m.d.Watched() {
		watched[p.Day.Unix()] = m.w.Number(p.Sum, 2)
		sum.Points = append(sum.Points, figure.Point{X: c.At(p.Day), Y: p.Sum})
	}
	t := figure.Table{Heads: []string{m.w.Text("row-begins"), m.w.Text("cusum")}, Words: 1}
	if len(sum.Points) > 0 {
		t.Heads = append(t.Heads, m.w.Text("plot-rise-axis"))
	}
	var values []float64
	for _, s := range sums {
		k := 0
		if s.After {
			k = 1
		}
		lines[k].Points = append(lines[k].Points, figure.Point{X: c.At(s.Day) + float64(s.Days-1), Y: s.Value})
		values = append(values, s.Value)
		cells := []string{m.day(s.Day), m.w.Number(s.Value, 0)}
		if len(sum.Points) > 0 {
			cells = append(cells, watched[s.Day.Unix()])
		}
		t.Rows = append(t.Rows, cells)
	}
	total := figure.Panel{X: axis, Y: m.axis(m.w.Text("plot-cusum-axis"), values, true), Marks: lines[:]}
	if len(sum.Points) == 0 {
		return []figure.Panel{total}, t
	}
	return []figure.Panel{total, m.rise(c, sum)}, t
}

// rise is the chart of drift with its limit.
func (m maker) rise(c figure.Calendar, sum figure.Mark) figure.Panel {
	limit := figure.Mark{Kind: figure.Level, Ink: figure.Limit, Key: m.w.Text("plot-limit"), Points: []figure.Point{{Y: drift.Limit}}}
	low, high := sum.Points[0].X-0.75, sum.Points[len(sum.Points)-1].X+0.75
	return figure.Panel{
		X:     figure.Axis{Label: m.w.Text("plot-day", m.d.Zone.String()), Low: low, High: high, Ticks: c.Ticks(low, high, m.w)},
		Y:     m.axis(m.w.Text("plot-rise-axis"), append(ys(sum.Points), drift.Limit), true),
		Marks: []figure.Mark{sum, limit},
	}
}

// residuals shows the baseline's residuals over what the model expects, over time, and each
// over the one before.
func (m maker) residuals() ([]figure.Panel, figure.Table) {
	if len(m.before) < 2 {
		return nil, figure.Table{}
	}
	y := m.axis(m.w.Text("plot-residual-axis"), ys(dots(m.before, expected, residual)), false)
	zero := figure.Mark{Kind: figure.Level, Ink: figure.Muted, Points: []figure.Point{{}}}
	panel := func(x figure.Axis, points []figure.Point) figure.Panel {
		return figure.Panel{X: x, Y: y, Marks: []figure.Mark{zero, {Kind: figure.Dots, Ink: figure.Metered, Points: points}}}
	}
	over := dots(m.before, expected, residual)
	c, axis := m.over(daysOf(m.before))
	inTime := dots(m.before, func(r dossier.Row) float64 { return middle(c, r) }, residual)
	var lags []figure.Point
	for _, p := range m.d.Lags() {
		lags = append(lags, figure.Point{X: p.X, Y: p.Y})
	}
	t := figure.Table{Words: 1, Heads: []string{m.w.Text("row-begins"), m.w.Text("fitted"), m.w.Text("residual"), m.w.Text("plot-leverage"), m.w.Text("plot-studentized")}}
	for _, r := range m.d.Baseline.Residuals() {
		t.Rows = append(t.Rows, []string{m.day(r.Day), m.w.Number(r.ExpectedKWh, 1), m.w.Number(r.ResidualKWh, 1), m.w.Number(r.Leverage, 4), m.w.Number(r.Studentized, 2)})
	}
	return []figure.Panel{
		panel(m.axis(m.w.Text("plot-expected-axis"), xs(over), false), over), panel(axis, inTime),
		panel(m.axis(m.w.Text("plot-residual-before"), xs(lags), false), lags),
	}, t
}

// load shows the mean power by hour of the local day, before and after.
func (m maker) load() ([]figure.Panel, figure.Table) {
	s := m.d.Shape
	t := figure.Table{Heads: []string{m.w.Text("plot-hour")}, Words: 1}
	x := figure.Axis{Label: m.w.Text("plot-hour-axis", m.d.Zone.String()), Low: 0, High: dossier.HoursOfDay}
	p := figure.Panel{}
	for hour := range dossier.HoursOfDay {
		t.Rows = append(t.Rows, []string{strconv.Itoa(hour)})
	}
	for hour := 0; hour <= dossier.HoursOfDay; hour += 3 {
		x.Ticks = append(x.Ticks, figure.Tick{At: float64(hour), Label: strconv.Itoa(hour)})
	}
	var values []float64
	for _, side := range []struct {
		name string
		ink  figure.Ink
		days int
		kw   [dossier.HoursOfDay]float64
	}{{"baseline-period", figure.Expected, s.BeforeDays, s.Before}, {"reporting-period", figure.Saved, s.AfterDays, s.After}} {
		if side.days == 0 {
			continue
		}
		line := figure.Mark{Kind: figure.Line, Ink: side.ink, Key: m.w.Text("plot-load-of", m.w.Text(side.name), m.w.Count(side.days, "days"))}
		for hour, kw := range side.kw {
			line.Points = append(line.Points, figure.Point{X: float64(hour), Y: kw}, figure.Point{X: float64(hour + 1), Y: kw})
			t.Rows[hour] = append(t.Rows[hour], m.w.Number(kw, 2))
		}
		values = append(values, side.kw[:]...)
		t.Heads = append(t.Heads, m.w.Text("plot-load-kw", m.w.Text(side.name)))
		p.Marks = append(p.Marks, line)
	}
	if len(p.Marks) == 0 {
		return nil, figure.Table{}
	}
	p.X, p.Y = x, m.axis(m.w.Text("plot-kw-axis"), values, true)
	return []figure.Panel{p}, t
}

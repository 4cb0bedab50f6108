package workbook

import (
	"fmt"

	"curetally/internal/core/savings"
)

// adjustments writes those that the statement counts.
func (m *maker) adjustments() {
	s, w := m.adjusted, m.words
	s.begin(w.Text("sheet-adjustments"), w.Text("adjustments-note"), firstRow-1, 12, 12, 12, 14, 12, 14, 40, 40, 24)
	s.heads(firstRow-1, w.Text("number"), w.Text("from"), w.Text("until"), w.Text("kwh"), w.Text("event-days"), w.Text("kwh-per-day"),
		w.Text("event"), w.Text("evidence"), w.Text("approver"))
	for i, a := range m.d.Statement.Adjustments {
		row := firstRow + i
		s.put(1, row, a.Number, input)
		s.put(2, row, a.From.In(m.d.Zone), inputDay)
		s.put(3, row, a.To.In(m.d.Zone), inputDay)
		s.put(4, row, a.TotalKWh, input)
		s.formula(5, row, figure, "%s-%s", at(3, row), at(2, row))
		s.formula(6, row, figure, "%s/%s", at(4, row), at(5, row))
		s.put(7, row, a.Event, plain)
		s.put(8, row, a.Evidence, plain)
		s.put(9, row, a.Approver, plain)
	}
}

// addition is the formula of what the adjustments add on a day.
func (m *maker) addition(day string) string {
	n := len(m.d.Statement.Adjustments)
	if n == 0 {
		return "0"
	}
	column := func(c int) string { return m.adjusted.column(c, firstRow, firstRow+n-1) }
	return fmt.Sprintf("SUMPRODUCT((%s<=%s)*(%s>%s)*%s)", column(2), day, column(3), day, column(6))
}

// daysLast is the last row of the sheet of days.
func (m *maker) daysLast() int { return firstRow + len(m.d.Statement.Series) - 1 }

// counted writes the days that the statement counts.
func (m *maker) counted() {
	s, w := m.days, m.words
	heads := []string{w.Text("day"), w.Text("row-begins"), w.Text("kwh"), w.Text("adjustment-kwh"), w.Text("scheduled-hours")}
	heads = append(heads, m.driverNames()...)
	s.begin(w.Text("sheet-days"), w.Text("days-note"), firstRow-1, widths(12, len(heads)-1)...)
	s.heads(firstRow-1, heads...)
	for i, d := range m.d.Counted() {
		row := firstRow + i
		s.put(1, row, d.Day.In(m.d.Zone), inputDay)
		s.put(2, row, m.d.RowOf(d.Day).In(m.d.Zone), inputDay)
		s.put(3, row, d.Energy.KWh(), input)
		s.formula(4, row, figure, "%s", m.addition(at(1, row)))
		s.put(5, row, d.ScheduledHours, input)
		for j, v := range d.Drivers {
			s.put(6+j, row, v, input)
		}
	}
}

// The columns of the sheet of rows after those of the frame.
const (
	afterExpected = iota
	afterAdjusted
	afterSaved
	afterTotal
	afterEcho
	afterVariance
	afterCusum
)

func (m *maker) afterFrame() frame { return frame{m, m.rows, len(m.after)} }

// reporting writes the rows that the statement counts, made of the days.
func (m *maker) reporting() {
	f, w := m.afterFrame(), m.words
	heads := append(f.heads(), w.Text("expected-kwh"), w.Text("adjustment-kwh"), w.Text("saved-kwh"), w.Text("saved-total"),
		w.Text("echo"), w.Text("variance"), w.Text("cusum"))
	f.s.begin(w.Text("sheet-rows"), w.Text("rows-note"), firstRow-1, widths(12, len(heads)-1)...)
	f.s.heads(firstRow-1, heads...)
	key := m.days.column(2, firstRow, m.daysLast())
	for i, r := range m.after {
		row := firstRow + i
		cell := func(n int) string { return at(f.beyond(n), row) }
		above := func(n int) string { return at(f.beyond(n), row-1) }
		if i == 0 {
			above = func(int) string { return "0" }
		}
		f.s.put(1, row, r.Day.In(m.d.Zone), day)
		f.s.formula(2, row, figure, "COUNTIF(%s,%s)", key, at(1, row))
		sum := func(of int) string {
			return fmt.Sprintf("SUMIF(%s,%s,%s)", key, at(1, row), m.days.column(of, firstRow, m.daysLast()))
		}
		f.s.formula(3, row, figure, "%s", sum(3))
		for j := range m.k {
			f.s.formula(f.driver(j), row, figure, "%s", sum(6+j))
		}
		f.derive(row)
		f.s.formula(f.beyond(afterExpected), row, figure, "%s*(%s)", at(2, row), f.predicted(row))
		f.s.formula(f.beyond(afterAdjusted), row, figure, "%s", sum(4))
		f.s.formula(f.beyond(afterSaved), row, figure, "%s+%s-%s", cell(afterExpected), cell(afterAdjusted), at(3, row))
		f.s.formula(f.beyond(afterTotal), row, figure, "%s+%s", above(afterTotal), cell(afterSaved))
		f.s.formula(f.beyond(afterEcho), row, figure, "MAX(%s,0)*%s+%s", m.ref("rho"), above(afterEcho), at(2, row))
		f.s.formula(f.beyond(afterVariance), row, figure, "%[1]s+%[2]s^2+2*%[2]s*MAX(%[3]s,0)*%[4]s",
			above(afterVariance), at(2, row), m.ref("rho"), above(afterEcho))
		f.s.formula(f.beyond(afterCusum), row, figure, "%s+%s-%s", above(afterCusum), at(3, row), cell(afterExpected))
	}
}

// metering writes the error of the meters: shares of the energy, relative
// uncertainties, and what they make of the saving.
func (m *maker) metering() {
	s, w := m.meters, m.words
	s.begin(w.Text("sheet-meters"), w.Text("meters-note"), firstRow-1, widths(30, 11)...)
	s.heads(firstRow-1, w.Text("register"), w.Text("accuracy-stated"), w.Text("kwh-before"), w.Text("kwh-after"), w.Text("relative-before"),
		w.Text("relative-after"), w.Text("exchanged"), w.Text("share-before"), w.Text("share-after"), w.Text("common"), w.Text("meter-part"))
	last := firstRow + len(m.d.Meters) - 1
	energies := m.weights()
	for i, x := range m.d.Meters {
		row := firstRow + i
		s.put(1, row, string(x.Register), plain)
		s.put(2, row, number(x.Stated), input)
		s.put(3, row, energies[i][0], input)
		s.put(4, row, energies[i][1], input)
		s.put(5, row, x.Before.Relative, input)
		s.put(6, row, x.After.Relative, input)
		s.put(7, row, number(x.Exchanged), input)
		s.formula(8, row, percent, "%s/SUM(%s)", at(3, row), s.column(3, firstRow, last))
		s.formula(9, row, percent, "%s/SUM(%s)", at(4, row), s.column(4, firstRow, last))
		s.formula(10, row, figure, "IF(OR(%[1]s=1,MAX(%[2]s,%[3]s)=0),0,MIN(%[2]s,%[3]s)/MAX(%[2]s,%[3]s))", at(7, row), at(5, row), at(6, row))
		before := fmt.Sprintf("(%s*%s*%s)", "'"+m.results.name+"'!$C$"+fmt.Sprint(adjustedRow), at(8, row), at(5, row))
		after := fmt.Sprintf("(%s*%s*%s)", "'"+m.results.name+"'!$C$"+fmt.Sprint(actualRow), at(9, row), at(6, row))
		s.formula(11, row, figure, "%[1]s*SQRT(MAX(%[2]s^2+%[3]s^2-2*%[4]s*%[2]s*%[3]s,0))", at(2, row), before, after, at(10, row))
	}
	m.cell["meter"] = "0"
	if len(m.d.Meters) > 0 {
		s.put(1, last+2, w.Text("meter-uncertainty"), plain)
		s.formula(11, last+2, figure, "SQRT(SUMSQ(%s))", s.column(11, firstRow, last))
		m.cell["meter"] = s.abs(11, last+2)
	}
}

// weights gives the energy of each register in both periods as the statement
// shares it out: never below 0, and those of one period for the other where that
// has none.
func (m *maker) weights() [][2]float64 {
	out := make([][2]float64, len(m.d.Meters))
	var before, after float64
	for i, x := range m.d.Meters {
		out[i] = [2]float64{max(x.Before.Energy.KWh(), 0), max(x.After.Energy.KWh(), 0)}
		before, after = before+out[i][0], after+out[i][1]
	}
	for i := range out {
		switch {
		case before == 0 && after == 0: // no share then, and no error
			out[i] = [2]float64{1, 1}
		case before == 0:
			out[i][0] = out[i][1]
		}
	}
	return out
}

func number(is bool) int {
	if is {
		return 1
	}
	return 0
}

// leftOut lists what no figure counts.
func (m *maker) leftOut() {
	s, w := m.add("left-out"), m.words
	s.begin(w.Text("sheet-left-out"), w.Text("left-out-note"), firstRow-1, 14, 16, 90)
	s.heads(firstRow-1, w.Text("day"), w.Text("period"), w.Text("reason"))
	row := firstRow
	for _, list := range []struct {
		period string
		days   []savings.ExcludedDay
	}{{w.Text("baseline-period"), m.d.Baseline.Excluded}, {w.Text("reporting-period"), m.d.Statement.Excluded}} {
		for _, x := range list.days {
			s.put(1, row, x.Day.In(m.d.Zone), inputDay)
			s.put(2, row, list.period, plain)
			s.put(3, row, w.Phrase(x.Reason), plain)
			row++
		}
	}
	for _, o := range m.d.Statement.OutsideRange {
		s.put(1, row, o.Day.In(m.d.Zone), inputDay)
		s.put(2, row, w.Text("reporting-period"), plain)
		s.put(3, row, w.Text("outside", w.Text("driver-"+string(o.Driver)), w.Significant(o.Value, 4), w.Significant(o.Low, 4), w.Significant(o.High, 4)), plain)
		row++
	}
}

package workbook

import (
	"fmt"
	"strings"
)

func (m *maker) beforeFrame() frame { return frame{m, m.base, len(m.before)} }

// baseline writes the rows that the model was fitted to, with the fit of each.
func (m *maker) baseline() {
	f := m.beforeFrame()
	m.cell["intercept"] = m.model.abs(colValue, coefficientRow)
	m.cell["mean"] = m.model.abs(colMean, coefficientRow)
	heads := f.heads()
	for j := range m.c {
		heads = append(heads, m.words.Text("z-column", j+1))
	}
	heads = append(heads, m.words.Text("y-centred"), m.words.Text("fitted"), m.words.Text("residual"))
	f.s.begin(m.words.Text("sheet-baseline"), m.words.Text("baseline-note"), firstRow-1, widths(12, len(heads)-1)...)
	f.s.heads(firstRow-1, heads...)
	for i, r := range m.before {
		row := firstRow + i
		f.s.put(1, row, r.Day.In(m.d.Zone), inputDay)
		f.s.put(2, row, r.Days, input)
		f.s.put(3, row, r.Energy.KWh(), input)
		for j, v := range r.Drivers {
			f.s.put(f.driver(j), row, v, input)
		}
		f.derive(row)
		for j := range m.c {
			f.s.formula(f.beyond(j), row, figure, "(%s-%s)/%s", at(f.column(j), row), m.columnMean(j), m.columnSpread(j))
		}
		f.s.formula(f.beyond(m.c), row, figure, "%s-%s", at(f.energy(), row), m.ref("mean"))
		f.s.formula(f.beyond(m.c+1), row, figure, "%s", f.predicted(row))
		f.s.formula(f.beyond(m.c+2), row, figure, "%s-%s", at(f.energy(), row), at(f.beyond(m.c+1), row))
	}
}

// The columns of the table of coefficients.
const (
	colName = iota + 1
	colValue
	colError
	colT
	colInflation
	colMean
	colSpread
	colScaled // coefficient of the scaled column
	colLinest
	colLinestDiffers
	colShift // of the rows counted against the baseline's mean, in spreads
)

func (m *maker) columnMean(j int) string   { return m.model.abs(colMean, coefficientRow+1+j) }
func (m *maker) columnSpread(j int) string { return m.model.abs(colSpread, coefficientRow+1+j) }

// spread is the range of a column of the table over the model's columns.
func (m *maker) over(col int) string {
	return m.model.column(col, coefficientRow+1, coefficientRow+m.c)
}

// fit writes the model: the normal equations, their solution and its statistics.
func (m *maker) fit() {
	s, f, w := m.model, m.beforeFrame(), m.words
	s.begin(w.Text("sheet-model"), w.Text("model-note"), 0, 38, 18, 16, 16, 16, 16, 16, 16, 18, 18)
	m.named(s, sizeRow, "n", w.Text("baseline-rows"), "COUNT(%s)", f.all(3))
	s.put(1, sizeRow+1, w.Text("parameters"), plain)
	s.formula(2, sizeRow+1, figure, "%d+COUNT(%s)", m.c+1, s.column(2, changeRow, changeRow+1))
	m.cell["p"] = s.abs(2, sizeRow+1)
	for i, c := range m.d.Baseline.ChangePoints {
		s.put(1, changeRow+i, w.Text("change-point", i+1), plain)
		s.put(2, changeRow+i, c, input)
		s.put(3, changeRow+i, w.Text("change-point-note"), note)
	}
	s.heads(coefficientRow-1, w.Text("coefficient"), w.Text("value"), w.Text("std-error"), w.Text("t-value"), w.Text("inflation"),
		w.Text("column-mean"), w.Text("column-spread"), w.Text("scaled-coefficient"), w.Text("by-linest"), w.Text("difference"))
	s.put(colName, coefficientRow, w.Text("intercept"), plain)
	s.formula(colMean, coefficientRow, figure, "AVERAGE(%s)", f.all(f.energy()))
	for j, name := range m.columnNames() {
		row := coefficientRow + 1 + j
		s.put(colName, row, name, plain)
		s.formula(colMean, row, figure, "AVERAGE(%s)", f.all(f.column(j)))
		s.formula(colSpread, row, figure, "STDEV(%s)", f.all(f.column(j)))
		s.formula(colValue, row, figure, "%s/%s", at(colScaled, row), at(colSpread, row))
	}
	m.solve(m.statistics(coefficientRow+m.c+3) + 3)
}

// solve writes Z'Z and its inverse from a row on, and by them the coefficients with
// their errors.
func (m *maker) solve(row int) {
	s, f, w, c := m.model, m.beforeFrame(), m.words, m.c
	s.formula(colT, coefficientRow, figure, "%s/%s", at(colValue, coefficientRow), at(colError, coefficientRow))
	if c == 0 {
		s.formula(colValue, coefficientRow, figure, "%s", m.ref("mean"))
		s.formula(colError, coefficientRow, figure, "%s/SQRT(%s)", m.ref("s"), m.ref("n"))
		return
	}
	z := m.base.block(f.beyond(0), firstRow, f.beyond(c-1), f.last())
	y := f.all(f.beyond(c))
	s.put(1, row-1, w.Text("z-squared"), head)
	s.array(2, row, c, c, "MMULT(TRANSPOSE(%s),%s)", z, z)
	square := s.block(2, row, 1+c, row+c-1)
	row += c + 2
	s.put(1, row-1, w.Text("z-inverse"), head)
	s.array(2, row, c, c, "MINVERSE(%s)", square)
	m.cell["inverse"] = s.block(2, row, 1+c, row+c-1)
	row += c + 2
	s.put(1, row-1, w.Text("z-response"), head)
	s.array(2, row, 1, c, "MMULT(TRANSPOSE(%s),%s)", z, y)
	s.array(colScaled, coefficientRow+1, 1, c, "MMULT(%s,%s)", m.ref("inverse"), s.column(2, row, row+c-1))
	s.formula(colValue, coefficientRow, figure, "%s-SUMPRODUCT(%s,%s)", m.ref("mean"), m.over(colValue), m.over(colMean))
	linest := fmt.Sprintf("LINEST(%s,%s)", f.all(f.energy()), m.base.block(f.column(0), firstRow, f.column(c-1), f.last()))
	for j := range c + 1 { // LINEST gives the last column first
		s.formula(colLinest, coefficientRow+j, reference, "INDEX(%s,1,%d)", linest, place(j, c))
		s.formula(colLinestDiffers, coefficientRow+j, reference, "%s-%s", at(colValue, coefficientRow+j), at(colLinest, coefficientRow+j))
	}
	for j := range c {
		diagonal := fmt.Sprintf("INDEX(%s,%d,%d)", m.ref("inverse"), j+1, j+1)
		r := coefficientRow + 1 + j
		s.formula(colError, r, figure, "%s*SQRT(%s)/%s", m.ref("s"), diagonal, at(colSpread, r))
		s.formula(colInflation, r, figure, "(%s-1)*%s", m.ref("n"), diagonal)
		s.formula(colT, r, figure, "%s/%s", at(colValue, r), at(colError, r))
	}
	means := fmt.Sprintf("%s/%s", m.over(colMean), m.over(colSpread))
	s.array(colError, coefficientRow, 1, 1, "%s*SQRT(1/%s+SUM(MMULT(TRANSPOSE(%s),%s)*TRANSPOSE(%s)))", m.ref("s"), m.ref("n"), means, m.ref("inverse"), means)
}

// place is where LINEST has a coefficient.
func place(j, c int) int {
	if j == 0 {
		return c + 1
	}
	return c + 1 - j
}

// statistics writes what is known of the fit from a row on, and gives the row below.
func (m *maker) statistics(row int) int {
	s, f, w := m.model, m.beforeFrame(), m.words
	resid := f.all(f.beyond(m.c + 2))
	next := m.base.column(f.beyond(m.c+2), firstRow+1, f.last())
	before := m.base.column(f.beyond(m.c+2), firstRow, f.last()-1)
	s.put(1, row, w.Text("statistics"), head)
	row++
	line := func(name, format string, a ...any) {
		m.named(s, row, name, w.Text("stat-"+name), format, a...)
		row++
	}
	line("sse", "SUMSQ(%s)", resid)
	line("s", "SQRT(%s/(%s-%s))", m.ref("sse"), m.ref("n"), m.ref("p"))
	line("r2", "1-%s/DEVSQ(%s)", m.ref("sse"), f.all(f.energy()))
	line("adj_r2", "1-(1-%s)*(%s-1)/(%s-%s)", m.ref("r2"), m.ref("n"), m.ref("n"), m.ref("p"))
	line("cv", "%s/%s", m.ref("s"), m.ref("mean"))
	line("nmbe", "SUM(%s)/((%s-%s)*%s)", resid, m.ref("n"), m.ref("p"), m.ref("mean"))
	line("dw", "IF(%[3]s=0,0,SUMXMY2(%[1]s,%[2]s)/%[3]s)", next, before, m.ref("sse"))
	line("rho", "IF(%[3]s=0,0,SUMPRODUCT(%[1]s,%[2]s)/%[3]s)", next, before, m.ref("sse"))
	line("n_effective", "IF(%s>0,%s*(1-%s)/(1+%s),%s)", m.ref("rho"), m.ref("n"), m.ref("rho"), m.ref("rho"), m.ref("n"))
	line("df", "MAX(%s-%s,1)", m.ref("n_effective"), m.ref("p"))
	return row
}

// named writes a labelled formula whose cell others find by name.
func (m *maker) named(s sheet, row int, name, label, format string, a ...any) {
	s.put(1, row, label, plain)
	s.formula(2, row, figure, format, a...)
	m.cell[name] = s.abs(2, row)
}

// hash writes the text over which the data hash of the baseline goes.
func (m *maker) hash() {
	s, w := m.add("hash"), m.words
	s.begin(w.Text("sheet-hash"), w.Text("hash-note", m.d.Baseline.DataHash), 0, 80)
	for i, line := range strings.Split(strings.TrimSuffix(m.d.Baseline.DataText(), "\n"), "\n") {
		s.put(1, firstRow+i, line, plain)
	}
}

// student writes the two-sided quantile of Student's distribution at a
// confidence: spreadsheets cut degrees of freedom down to a whole number, so that
// any other number of them goes by the beta distribution.
func student(confidence, df string) string {
	beta := fmt.Sprintf("_xlfn.BETA.INV(%s,0.5,%s/2)", confidence, df)
	return fmt.Sprintf("IF(%[2]s=INT(%[2]s),_xlfn.T.INV.2T(1-%[1]s,%[2]s),SQRT(%[2]s*%[3]s/(1-%[3]s)))", confidence, df, beta)
}

package workbook

import (
	"fmt"
	"strings"

	"curetally/internal/core/regression"
	"curetally/internal/core/savings"
	"curetally/internal/core/stats"
)

// The rows of the results that other sheets refer to.
const (
	expectedRow = firstRow + iota
	adjustmentRow
	adjustedRow
	actualRow
	savedRow
)

// line is one result: its formula and what the program stated.
type line struct {
	name, unit string
	formula    string
	stated     float64
}

// result writes every figure of the statement by its formula, beside what the
// program stated.
func (m *maker) result() {
	s, w, st := m.results, m.words, m.d.Statement
	s.begin(w.Text("workbook-title", m.d.Project.ID, m.d.Site), w.Text("results-note"), firstRow-1, 52, 14, 22, 22, 22)
	s.put(1, 3, w.Text("period-of", w.Date(st.From.In(m.d.Zone)), w.Date(st.To.In(m.d.Zone)), w.Count(st.Days, "days")), plain)
	s.heads(firstRow-1, w.Text("result"), w.Text("unit"), w.Text("recomputed"), w.Text("stated"), w.Text("difference"))
	row := firstRow
	write := func(lines []line) {
		for _, l := range lines {
			s.put(1, row, l.name, plain)
			s.put(2, row, l.unit, plain)
			s.formula(3, row, figure, "%s", l.formula)
			s.put(4, row, l.stated, reference)
			s.formula(5, row, reference, "%s-%s", at(3, row), at(4, row))
			row++
		}
	}
	write(m.energyLines())
	saved, adjusted, actual := s.abs(3, savedRow), s.abs(3, adjustedRow), s.abs(3, actualRow)
	head := row
	write(m.uncertaintyLines(row))
	for _, i := range st.Intervals {
		write(m.intervalLines(i.Confidence, row, s.abs(3, head+standardLine), i))
	}
	hours := fmt.Sprintf("SUM(%s)", m.days.column(5, firstRow, m.daysLast()))
	kw := func(energy string) string { return fmt.Sprintf("IF(%[1]s>0,%[2]s/%[1]s,0)", hours, energy) }
	write([]line{
		{w.Text("mean-kw-before"), "kW", kw(adjusted), st.ExpectedMeanKW},
		{w.Text("mean-kw-after"), "kW", kw(actual), st.ActualMeanKW},
	})
	m.terms(row+1, saved, write, &row)
	if m.d.Normalised != nil {
		write(m.normalisedLines(row))
	}
	write(m.modelLines())
}

// normalisedLines writes the saving in a year of normal conditions: the baseline's
// part by the model that the workbook fits, that of the reporting model and its
// uncertainty by the figures that the program states. row is the first of them.
func (m *maker) normalisedLines(row int) []line {
	n, w := m.d.Normalised, m.words
	number := func(v float64) string { return fmt.Sprintf("%.17g", v) }
	var parts []string
	for _, kind := range n.Normal {
		perDay := make([]string, len(kind.PerDay))
		for i, v := range kind.PerDay {
			perDay[i] = number(v)
		}
		sum := m.model.abs(colValue, coefficientRow)
		for j, column := range m.columnFormulas(perDay) {
			sum += "+" + m.coefficient(j) + "*" + column
		}
		parts = append(parts, number(kind.Days)+"*("+sum+")")
	}
	cell := func(i int) string { return m.results.abs(3, row+i) }
	meter := 0.0
	t := stats.Quantile(n.Confidence, n.DegreesOfFreedom)
	if t > 0 {
		meter = n.MeterHalfWidthKWh / t
	}
	half := fmt.Sprintf("%s*SQRT(%s^2+%s^2+%s^2)", student(fmt.Sprint(n.Confidence), number(n.DegreesOfFreedom)), number(n.BaselineStandard), number(n.ReportingStandard), number(meter))
	return []line{
		{w.Text("normal-baseline", w.Number(n.Days, 0)), "kWh", strings.Join(parts, "+"), n.BaselineKWh},
		{w.Text("normal-reporting"), "kWh", number(n.ReportingKWh), n.ReportingKWh},
		{w.Text("normal-saved"), "kWh", cell(0) + "-" + cell(1), n.SavedKWh},
		{w.Text("normal-half-width"), "kWh", half, n.HalfWidthKWh},
	}
}

// terms writes price and factor as data, and what they make of the saving.
func (m *maker) terms(at int, saved string, write func([]line), row *int) {
	s, w, st, pr := m.results, m.words, m.d.Statement, m.d.Project
	s.put(1, at, w.Text("price"), plain)
	s.put(2, at, pr.Price.Currency+"/kWh", plain)
	s.put(3, at, pr.Price.Float(), input)
	s.put(1, at+1, w.Text("factor", pr.CarbonSource), plain)
	s.put(2, at+1, "kg/kWh", plain)
	s.put(3, at+1, pr.Carbon, input)
	*row = at + 2
	write([]line{
		{w.Text("cost-saved"), pr.Price.Currency, fmt.Sprintf("ROUND(%s*%s,4)", saved, s.abs(3, at)), st.Cost.Float()},
		{w.Text("carbon-saved"), "kg", fmt.Sprintf("%s*%s", saved, s.abs(3, at+1)), st.CarbonKg},
	})
	*row++
}

func (m *maker) energyLines() []line {
	f, st, w := m.afterFrame(), m.d.Statement, m.words
	cell := func(row int) string { return m.results.abs(3, row) }
	return []line{
		{w.Text("expected"), "kWh", fmt.Sprintf("SUM(%s)", f.all(f.beyond(afterExpected))), st.ExpectedKWh},
		{w.Text("adjustments"), "kWh", fmt.Sprintf("SUM(%s)", f.all(f.beyond(afterAdjusted))), st.AdjustmentKWh},
		{w.Text("adjusted-baseline"), "kWh", cell(expectedRow) + "+" + cell(adjustmentRow), st.ExpectedKWh + st.AdjustmentKWh},
		{w.Text("actual"), "kWh", fmt.Sprintf("SUM(%s)", f.all(3)), st.ActualKWh},
		{w.Text("saved"), "kWh", cell(adjustedRow) + "-" + cell(actualRow), st.SavedKWh},
		{w.Text("saved-fraction"), "", fmt.Sprintf("IF(%[1]s=0,0,(%[1]s-%[2]s)/%[1]s)", cell(adjustedRow), cell(actualRow)), st.SavedFraction},
	}
}

// uncertaintyLines writes how the half-width comes about; row is the first of them.
func (m *maker) uncertaintyLines(row int) []line {
	f, st, w, b := m.afterFrame(), m.d.Statement, m.words, m.d.Baseline
	cell := func(n int) string { return m.results.abs(3, row+n) }
	leverage, variance := m.d.Spread()
	standard := stats.Total{Leverage: leverage, ResidualSD: b.Model.ResidualSD, N: b.Model.N, P: b.Parameters(), Rho: b.Model.Rho}.Standard(variance)
	t := stats.Quantile(st.Confidence, stats.EffectiveDF(b.Model.N, b.Parameters(), b.Model.Rho))
	return []line{
		{w.Text("confidence"), "", fmt.Sprint(st.Confidence), st.Confidence},
		{w.Text("leverage"), "", m.leverage(), leverage},
		{w.Text("sum-variance"), "", m.rows.abs(f.beyond(afterVariance), f.last()), variance},
		{w.Text("model-standard"), "kWh", fmt.Sprintf("%s*SQRT(MAX(%s,0)*%s/%s+%s)", m.ref("s"), cell(1), m.ref("n"), m.ref("n_effective"), cell(2)), standard},
		{w.Text("student-t"), "", student(cell(0), m.ref("df")), t},
		{w.Text("standard"), "kWh", fmt.Sprintf("SQRT(%s^2+%s^2)", cell(3), m.ref("meter")), st.HalfWidthKWh / t},
		{w.Text("model-half-width"), "kWh", cell(4) + "*" + cell(3), st.ModelHalfWidthKWh},
		{w.Text("meter-half-width"), "kWh", cell(4) + "*" + m.ref("meter"), st.MeterHalfWidthKWh},
		{w.Text("half-width"), "kWh", cell(4) + "*" + cell(standardLine), st.HalfWidthKWh},
	}
}

// standardLine is where among the lines of uncertaintyLines the combined standard
// uncertainty stands.
const standardLine = 5

// leverage is the formula of v'(X'X)⁻¹v with v the sums of the model's columns over
// the rows counted. In centred columns it splits into the share of the mean and
// that of the slopes, for which the model's sheet gets a column.
func (m *maker) leverage() string {
	f := m.afterFrame()
	days := f.all(2)
	q := fmt.Sprintf("SUM(%s)^2/%s", days, m.ref("n"))
	if m.c == 0 {
		return q
	}
	m.model.put(colShift, coefficientRow-1, m.words.Text("shift"), head)
	x := m.rows.block(f.column(0), firstRow, f.column(m.c-1), f.last())
	m.model.array(colShift, coefficientRow+1, 1, m.c, "(MMULT(TRANSPOSE(%s),%s)-SUM(%s)*%s)/%s", x, days, days, m.over(colMean), m.over(colSpread))
	return q + fmt.Sprintf("+SUMPRODUCT(MMULT(%s,%s),%s)", m.ref("inverse"), m.over(colShift), m.over(colShift))
}

// intervalLines writes the saving's interval at one level.
func (m *maker) intervalLines(level float64, row int, standard string, stated savings.Interval) []line {
	w, st := m.words, m.d.Statement
	saved, fraction := m.results.abs(3, savedRow), m.results.abs(3, savedRow+1)
	half := m.results.abs(3, row)
	onDrivers := 1.26
	if m.d.Baseline.Shape() == regression.Mean {
		onDrivers = 1
	}
	summary := fmt.Sprintf("IF(%[1]s=0,0,%[2]s*%[3]g*ABS(%[4]s/%[1]s)*SQRT(%[5]s/%[6]s*(1+2/%[6]s)/%[7]d))", fraction,
		student(fmt.Sprint(level), "("+m.ref("n")+"-"+m.ref("p")+")"), onDrivers, m.ref("cv"), m.ref("n"), m.ref("n_effective"), st.Rows)
	percent := w.Percent(level, 0)
	return []line{
		{w.Text("half-width-at", percent), "kWh", student(fmt.Sprint(level), m.ref("df")) + "*" + standard, stated.HalfWidthKWh},
		{w.Text("fraction-at", percent), "", fmt.Sprintf("IF(%[1]s=0,0,%[2]s/ABS(%[1]s))", saved, half), stated.Fraction},
		{w.Text("guideline-at", percent), "", summary, stated.Guideline},
	}
}

// modelLines writes the coefficients and statistics of the baseline.
func (m *maker) modelLines() []line {
	w, f := m.words, m.d.Baseline.Model
	var out []line
	for j, name := range append([]string{w.Text("intercept")}, m.columnNames()...) {
		out = append(out,
			line{w.Text("coefficient-of", name), "", m.model.abs(colValue, coefficientRow+j), f.Coefficients[j]},
			line{w.Text("std-error-of", name), "", m.model.abs(colError, coefficientRow+j), f.StdErrors[j]},
		)
	}
	d := m.d.Baseline.Diagnosis
	for j, v := range d.Inflation {
		out = append(out, line{w.Text("inflation-of", m.columnNames()[j]), "", m.model.abs(colInflation, coefficientRow+1+j), v})
	}
	for _, x := range []struct {
		name   string
		stated float64
	}{
		{"sse", f.SSE}, {"s", f.ResidualSD}, {"r2", f.R2}, {"adj_r2", f.AdjR2}, {"cv", f.CVRMSE}, {"nmbe", f.NMBE}, {"dw", f.DurbinWatson},
		{"rho", f.Rho}, {"n_effective", m.d.Statement.NEffective},
	} {
		out = append(out, line{w.Text("stat-" + x.name), "", m.ref(x.name), x.stated})
	}
	return out
}

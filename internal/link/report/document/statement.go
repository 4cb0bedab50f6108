package document

import (
	"strings"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/savings"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/plots"
)

// result says what was saved in a paragraph and in the sum that it comes from.
func (m maker) result() []Block {
	st := m.d.Statement
	level := m.Percent(st.Confidence, 0)
	text := m.Text("doc-result-says", m.day(st.From), m.day(st.To), m.Count(st.Days, "days"), m.kwh(st.ExpectedKWh+st.AdjustmentKWh), m.kwh(st.ActualKWh),
		m.kwh(st.SavedKWh), m.kwh(st.HalfWidthKWh), level, m.Percent(st.SavedFraction, 1))
	out := []Block{Lead(text)}
	if !st.Shown {
		out = append(out, Note{m.Text("doc-not-shown"), m.Text("doc-not-shown-says", level)})
	}
	if st.Given != nil {
		out = append(out, Note{m.Text("doc-not-measured"), m.given(*st.Given)})
	}
	sum := figure.Table{Words: 1, Heads: []string{"", m.Text("kwh")}}
	for _, l := range []struct {
		name string
		kwh  float64
	}{
		{"expected", st.ExpectedKWh}, {"adjustments", st.AdjustmentKWh}, {"adjusted-baseline", st.ExpectedKWh + st.AdjustmentKWh},
		{"actual", st.ActualKWh}, {"saved", st.SavedKWh}, {"half-width", st.HalfWidthKWh},
	} {
		sum.Rows = append(sum.Rows, []string{m.Text(l.name), m.Number(l.kwh, 1)})
	}
	out = append(out, Table{"", sum})
	if st.ScheduledHours > 0 {
		out = append(out, Paragraph(m.Text("doc-mean-power", m.Number(st.ScheduledHours, 0), m.Number(st.ExpectedMeanKW, 2), m.Number(st.ActualMeanKW, 2))))
	}
	return append(out, m.levels()...)
}

// given says where a baseline is from that was not measured.
func (m maker) given(g savings.Given) string {
	if g.Source == savings.FromSurvey {
		return m.Text("doc-from-survey", g.File, m.Number(g.KWhYear, 0), m.Number(g.StandardKWhYear, 0))
	}
	return m.Text("doc-from-bills", g.File)
}

// levels is the statement at all levels of confidence.
func (m maker) levels() []Block {
	t := figure.Table{Words: 1, Heads: []string{m.Text("confidence"), m.Text("plot-half-width"), m.Text("doc-fraction"), m.Text("doc-guideline"), m.Text("doc-shown")}}
	share := func(v float64) string {
		if v == 0 { // nothing is saved, or there is no model to take it from
			return "–"
		}
		return m.Percent(v, 2)
	}
	for _, i := range m.d.Statement.Intervals {
		t.Rows = append(t.Rows, []string{m.Percent(i.Confidence, 0), m.Number(i.HalfWidthKWh, 1), share(i.Fraction), share(i.Guideline), m.yes(i.Shown)})
	}
	says := "doc-levels-says"
	if m.d.Statement.Given != nil {
		says = "doc-levels-given"
	}
	return []Block{Table{m.Text("doc-levels"), t}, Paragraph(m.Text(says))}
}

// boundary says inside of what was measured, and which days belong to which period.
func (m maker) boundary() []Block {
	pr, b := m.d.Project, m.d.Baseline
	var registers, drivers []string
	for _, r := range b.Boundary {
		registers = append(registers, string(r))
	}
	for _, d := range b.Drivers {
		drivers = append(drivers, m.driver(string(d)))
	}
	out := Pairs{
		{m.Text("doc-site"), m.d.Site}, {m.Text("doc-project"), string(pr.ID)}, {m.Text("doc-press"), string(pr.Press)},
		{m.Text("doc-registers"), list(registers)}, {m.Text("doc-drivers"), list(drivers)},
		{m.Text("baseline-period"), m.selection(b.Chosen.From, b.Chosen.To, b.Chosen.Technology)},
		{m.Text("reporting-period"), m.selection(pr.Reporting.From, pr.Reporting.To, pr.Reporting.Technology.String())},
		{m.Text("doc-zone"), m.d.Zone.String()},
	}
	blocks := []Block{Paragraph(m.Text("doc-boundary-says")), out}
	if len(b.Factors) > 0 {
		t := figure.Table{Words: 2, Heads: []string{m.Text("doc-factor"), m.Text("doc-at-freezing")}}
		for _, f := range b.Factors {
			t.Rows = append(t.Rows, []string{f.Name, f.Value})
		}
		blocks = append(blocks, Table{m.Text("doc-factors"), t})
	}
	return blocks
}

// baseline is the frozen model with how good it is.
func (m maker) baseline() []Block {
	b := m.d.Baseline
	out := []Block{Pairs{
		{m.Text("doc-version"), version(b.Version)}, {m.Text("approver"), b.Approver}, {m.Text("doc-frozen"), m.Moment(b.Frozen.In(m.d.Zone))},
		{m.Text("doc-software"), b.Software}, {m.Text("doc-hash"), b.DataHash}, {m.Text("doc-form"), m.Text("form-" + string(m.form()))},
		{m.Text("doc-granularity"), m.Text("granularity-" + string(m.granularity()))},
	}}
	if b.Reason != "" {
		out = append(out, Paragraph(m.Text("doc-reason", b.Reason)))
	}
	if !b.Measured() || len(b.Rows) == 0 {
		return out
	}
	out = append(out, m.coefficients(), m.diagnostics(), m.acceptance())
	if len(b.Ranges) > 0 {
		t := figure.Table{Words: 1, Heads: []string{m.Text("doc-drivers"), m.Text("doc-least"), m.Text("doc-greatest"), m.Text("doc-valid-from"), m.Text("doc-valid-to")}}
		for _, r := range b.Ranges {
			t.Rows = append(t.Rows, []string{m.Text("per-day", m.driver(string(r.Driver))), m.Number(r.Min, 2), m.Number(r.Max, 2), m.Number(r.Low(), 2), m.Number(r.High(), 2)})
		}
		out = append(out, Table{m.Text("doc-ranges"), t}, Paragraph(m.Text("doc-ranges-says")))
	}
	out = append(out, m.plot(plots.Fit)...)
	return append(out, m.plot(plots.Residuals)...)
}

// form is that of the model; one that names none is linear.
func (m maker) form() regression.Form {
	if len(m.d.Baseline.Drivers) == 0 {
		return regression.Mean
	}
	if f := m.d.Baseline.Shape(); f != regression.Auto {
		return f
	}
	return regression.Linear
}

func (m maker) granularity() plant.Granularity {
	if g := m.d.Baseline.Granularity; g != "" {
		return g
	}
	return plant.Daily
}

func (m maker) coefficients() Block {
	f := m.d.Baseline.Model
	t := figure.Table{Words: 1, Heads: []string{m.Text("coefficient"), m.Text("value"), m.Text("std-error"), m.Text("t-value"), m.Text("inflation")}}
	for j, name := range f.Names {
		inflation := ""
		if v := m.d.Baseline.Diagnosis.Inflation; j > 0 && j <= len(v) {
			inflation = m.Number(v[j-1], 2)
		}
		t.Rows = append(t.Rows, []string{m.column(name), m.coefficient(f.Coefficients[j], 6), m.coefficient(f.StdErrors[j], 4), m.Number(f.TValues[j], 2), inflation})
	}
	for i, c := range m.d.Baseline.ChangePoints {
		t.Rows = append(t.Rows, []string{m.Text("change-point", i+1), m.Significant(c, 6), "", "", ""})
	}
	return Table{m.Text("doc-coefficients"), t}
}

// limits are those that the model is accepted by.
func (m maker) limits() plant.ModelLimits {
	if l := m.d.Project.Limits; l != nil {
		return *l
	}
	u := regression.UsualLimits()
	return plant.ModelLimits{CVRMSE: u.CVRMSE, NMBE: u.NMBE, R2: u.R2, T: u.T, Rows: u.Rows}
}

func (m maker) diagnostics() Block {
	f, x, l := m.d.Baseline.Model, m.d.Baseline.Diagnosis, m.limits()
	t := figure.Table{Words: 1, Heads: []string{m.Text("doc-figure"), m.Text("value"), m.Text("plot-limit")}}
	for _, r := range [][3]string{
		{"baseline-rows", m.whole(f.N), "≥ " + m.whole(l.Rows)}, {"parameters", m.whole(x.Parameters), ""},
		{"stat-s", m.Number(f.ResidualSD, 3), ""}, {"stat-cv", m.Percent(f.CVRMSE, 2), "≤ " + m.Percent(l.CVRMSE, 1)},
		{"stat-nmbe", m.Percent(f.NMBE, 3), "± " + m.Percent(l.NMBE, 2)}, {"stat-r2", m.Number(f.R2, 4), "> " + m.Number(l.R2, 2)},
		{"stat-adj_r2", m.Number(f.AdjR2, 4), ""}, {"stat-dw", m.Number(f.DurbinWatson, 3), ""}, {"stat-rho", m.Number(f.Rho, 3), ""},
		{"stat-n_effective", m.Number(m.d.Statement.NEffective, 1), ""},
	} {
		t.Rows = append(t.Rows, []string{m.Text(r[0]), r[1], r[2]})
	}
	return Table{m.Text("doc-diagnostics"), t}
}

func (m maker) acceptance() Block {
	x := m.d.Baseline.Diagnosis
	if x.Accepted {
		return Paragraph(m.Text("doc-accepted"))
	}
	var why []string
	for _, r := range x.Reasons {
		why = append(why, m.Phrase(r))
	}
	return Note{m.Text("doc-not-accepted"), strings.Join(why, "; ")}
}

// periods shows both periods and what was saved in the second.
func (m maker) periods() []Block {
	out := m.plot(plots.BeforeAfter)
	out = append(out, m.plot(plots.Saved)...)
	return append(out, m.plot(plots.Load)...)
}

// uncertainty says what the half-width is made of and what it leaves out.
func (m maker) uncertainty() []Block {
	st := m.d.Statement
	var stated, silent, beyond []string
	assumed := false
	t := figure.Table{Words: 1, Heads: []string{
		m.Text("register"), m.Text("relative-before"), m.Text("relative-after"), m.Text("doc-load-before"), m.Text("doc-load-after"),
		m.Text("doc-power-factor"), m.Text("doc-exchanged"),
	}}
	for _, x := range st.Meters {
		name := string(x.Register)
		if !x.Stated {
			silent = append(silent, name)
			t.Rows = append(t.Rows, []string{name, m.Text("doc-unstated"), m.Text("doc-unstated"), "", "", "", m.yes(x.Exchanged)})
			continue
		}
		stated = append(stated, name)
		assumed = assumed || x.AssumedFactor
		if worst := max(x.BeyondBefore, x.BeyondAfter); worst >= beyondShare {
			beyond = append(beyond, name+" ("+m.Percent(worst, 0)+")")
		}
		t.Rows = append(t.Rows, []string{
			name, m.Percent(x.Before, 2), m.Percent(x.After, 2), m.Number(x.PercentBefore, 0) + "\u00a0%", m.Number(x.PercentAfter, 0) + "\u00a0%",
			m.Number(x.PowerFactor, 2), m.yes(x.Exchanged),
		})
	}
	var out []Block
	if len(stated) == 0 {
		out = append(out, Paragraph(m.Text("doc-model-alone")))
	} else {
		out = append(out, Paragraph(m.Text("doc-parts", m.kwh(st.ModelHalfWidthKWh), m.kwh(st.MeterHalfWidthKWh), m.kwh(st.HalfWidthKWh), m.Percent(st.Confidence, 0))))
		if len(silent) > 0 {
			out = append(out, Paragraph(m.Text("doc-silent", list(silent))))
		}
	}
	if len(beyond) > 0 {
		out = append(out, Paragraph(m.Text("doc-beyond-class", list(beyond))))
	}
	if assumed {
		out = append(out, Paragraph(m.Text("doc-assumed-factor", m.Number(accuracy.AssumedFactor, 2))))
	}
	if st.Rho > 0 {
		out = append(out, Paragraph(m.Text("doc-correlated", m.Number(st.Rho, 2), m.whole(m.d.Baseline.Model.N), m.Number(st.NEffective, 0))))
	}
	if len(t.Rows) > 0 {
		out = append(out, Table{m.Text("doc-meters"), t})
	}
	return out
}

// normal is what is saved in a year of normal conditions, where such are written down.
func (m maker) normal() []Block {
	n := m.d.Normalised
	if n == nil {
		return nil
	}
	level := m.Percent(n.Confidence, 0)
	out := []Block{Paragraph(m.Text("doc-normal-says", m.Number(n.Days, 0), m.kwh(n.BaselineKWh), m.kwh(n.ReportingKWh), m.kwh(n.SavedKWh), m.kwh(n.HalfWidthKWh), level, m.Percent(n.SavedFraction, 1)))}
	if !n.Shown {
		out = append(out, Paragraph(m.Text("doc-normal-not-shown", level)))
	}
	return append(out, Paragraph(m.Text("doc-normal-parts", m.kwh(n.ModelHalfWidthKWh), m.kwh(n.MeterHalfWidthKWh))))
}

// beyondShare is the share of energy beyond the classes from which on it is told.
const beyondShare = 0.05

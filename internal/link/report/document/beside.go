package document

import (
	"strings"

	"curetally/internal/core/savings"
	"curetally/internal/core/valuation"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/plots"
)

// data says how good the data are, which days are left out, and which stand apart.
func (m maker) data() []Block {
	st := m.d.Statement
	q := figure.Table{Words: 1, Heads: []string{m.Text("doc-quality"), m.Text("kwh"), m.Text("doc-share")}}
	for _, x := range st.Quality {
		q.Rows = append(q.Rows, []string{m.Phrase(x.Quality), m.Number(x.KWh, 1), m.Percent(x.Fraction, 2)})
	}
	out := []Block{Paragraph(m.Text("doc-quality-says", m.Percent(m.d.Project.EstimatedLimit, 0)))}
	if len(q.Rows) > 0 {
		out = append(out, Table{m.Text("doc-by-quality"), q})
	}
	days := figure.Table{Words: 3, Heads: []string{m.Text("day"), m.Text("period"), m.Text("reason")}}
	for _, side := range []struct {
		period string
		days   []savings.ExcludedDay
	}{{"baseline-period", m.d.Baseline.Excluded}, {"reporting-period", st.Excluded}} {
		for _, x := range side.days {
			days.Rows = append(days.Rows, []string{m.day(x.Day), m.Text(side.period), m.Phrase(x.Reason)})
		}
	}
	if len(days.Rows) > 0 {
		out = append(out, Table{m.Text("doc-left-out", m.whole(len(days.Rows))), days})
	} else {
		out = append(out, Paragraph(m.Text("doc-none-left-out")))
	}
	if x := st.Extrapolated; x.Days > 0 {
		t := figure.Table{Words: 2, Heads: []string{m.Text("day"), m.Text("reason")}}
		for _, o := range st.OutsideRange {
			t.Rows = append(t.Rows, []string{m.day(o.Day), m.Text("outside", m.driver(string(o.Driver)), m.Significant(o.Value, 4), m.Significant(o.Low, 4), m.Significant(o.High, 4))})
		}
		out = append(out, Table{m.Text("doc-apart", m.Count(x.Days, "days")), t},
			Paragraph(m.Text("doc-apart-says", m.kwh(x.ExpectedKWh), m.kwh(x.ActualKWh), m.kwh(x.SavedKWh))))
	}
	return out
}

// adjustments are events that the model cannot know, and changes without one.
func (m maker) adjustments() []Block {
	out := []Block{}
	if len(m.d.Statement.Adjustments) == 0 {
		out = append(out, Paragraph(m.Text("doc-no-adjustments")))
	}
	for _, a := range m.d.Statement.Adjustments {
		what := a.Event
		if a.Factor != "" {
			what += " (" + a.Factor + ")"
		}
		out = append(out, Table{m.Text("doc-adjustment", a.Number, what), figure.Table{Words: 2, Heads: []string{"", ""}, Rows: [][]string{
			{m.Text("doc-event-period"), m.selection(a.From, a.To, "")}, {m.Text("doc-whole-event"), m.signedKWh(a.TotalKWh)},
			{m.Text("doc-counted-part"), m.Text("doc-counted-of", m.signedKWh(a.CountedKWh), m.whole(a.CountedDays), m.whole(a.EventDays))},
			{m.Text("evidence"), a.Evidence}, {m.Text("approver"), a.Approver},
		}}})
	}
	for _, c := range savings.FactorChanges(m.d.Baseline, m.d.Project, m.d.Adjustments) {
		since := m.day(c.From)
		if since == "" {
			since = "–"
		}
		out = append(out, Note{m.Text("doc-changed", c.Name), m.Text("doc-changed-says", c.Was, c.Is, since)})
	}
	return out
}

// worth is money and carbon: by price and factor of the project, and by tariff and tables
// where there are such terms.
func (m maker) worth() []Block {
	st, pr := m.d.Statement, m.d.Project
	t := figure.Table{Words: 1, Heads: []string{"", m.Text("doc-would-have"), m.Text("doc-did"), m.Text("doc-avoided")}}
	row := func(name, expected, actual, saved string) {
		t.Rows = append(t.Rows, []string{name, expected, actual, saved})
	}
	row(m.Text("doc-by-price", m.Number(pr.Price.Float(), 4)+"\u00a0"+pr.Price.Currency), "", "", m.money(st.Cost))
	kg := func(v float64) string { return m.Number(v, 0) + "\u00a0kg" }
	row(m.Text("doc-by-factor", m.Significant(pr.Carbon, 4)), kg(st.ExpectedCarbonKg), kg(st.ActualCarbonKg), kg(st.CarbonKg))
	sources := []string{}
	if pr.CarbonSource != "" {
		sources = append(sources, m.Text("doc-factor-source", m.Significant(pr.Carbon, 4), pr.CarbonSource))
	}
	var out []Block
	if v := m.d.Worth; v != nil {
		if v.Cost != nil {
			row(m.Text("doc-by-tariff", m.d.Tariff), m.money(v.Cost.Expected), m.money(v.Cost.Actual), m.money(v.Cost.Saved))
		}
		for _, c := range []struct {
			name   string
			carbon *valuation.Carbon
		}{{"doc-by-location", v.Location}, {"doc-by-market", v.Market}} {
			if c.carbon != nil {
				row(m.Text(c.name, c.carbon.Table), kg(c.carbon.ExpectedKg), kg(c.carbon.ActualKg), kg(c.carbon.SavedKg))
				sources = append(sources, m.Text("doc-table-source", c.carbon.Table, strings.Join(c.carbon.Sources, "; ")))
				if c.carbon.UnknownActual+c.carbon.UnknownExpected > 0 {
					sources = append(sources, m.Text("doc-no-factor", m.kwh(c.carbon.UnknownActual.KWh())))
				}
			}
		}
		if v.Unpriced > 0 {
			sources = append(sources, m.Text("doc-unpriced", m.kwh(v.Unpriced.KWh())))
		}
		out = append(out, m.demand(v)...)
	}
	blocks := append([]Block{Table{"", t}}, out...)
	if m.d.Unvalued != "" {
		sources = append(sources, m.Phrase(m.d.Unvalued))
	}
	for _, s := range sources {
		blocks = append(blocks, Paragraph(s))
	}
	return append(blocks, Paragraph(m.Text("doc-worth-says")))
}

func (m maker) demand(v *valuation.Valuation) []Block {
	if len(v.Demand) == 0 {
		return nil
	}
	t := figure.Table{Words: 2, Heads: []string{m.Text("plot-month"), m.Text("doc-demand-name"), m.Text("row-days"), m.Text("doc-would-have-kw"), m.Text("doc-billed-kw"), m.Text("doc-avoided")}}
	for _, x := range v.Demand {
		t.Rows = append(t.Rows, []string{
			m.Month(x.Month.In(m.d.Zone), true), x.Name, m.whole(x.Days), m.Number(x.Expected.Billed.KWh(), 1), m.Number(x.Actual.Billed.KWh(), 1), m.money(x.Saved),
		})
	}
	return []Block{Table{m.Text("doc-demand"), t}, Paragraph(m.Text("doc-demand-says"))}
}

// beside are estimates outside the meters, each on its line.
func (m maker) beside() []Block {
	if len(m.d.Effects) == 0 {
		return []Block{Paragraph(m.Text("doc-no-effects"))}
	}
	level := m.d.Statement.Confidence
	t := figure.Table{Words: 2, Heads: []string{m.Text("doc-effect"), m.Text("doc-carrier"), m.Text("saved-kwh"), m.Text("plot-half-width")}}
	out := []Block{Paragraph(m.Text("doc-effects-says", m.Percent(level, 0)))}
	var notes []Block
	told := map[string]bool{}
	for _, l := range m.d.Effects {
		t.Rows = append(t.Rows, []string{m.Phrase(l.Name), m.Phrase(l.Carrier), m.Signed(l.KWh, tenths(l.KWh)), m.Number(l.HalfWidth(level), tenths(l.KWh))})
		if l.Note != "" && !told[l.Note] {
			told[l.Note] = true
			var said []string
			for part := range strings.SplitSeq(l.Note, "; ") {
				said = append(said, m.Phrase(part))
			}
			notes = append(notes, Note{m.Text("doc-note"), strings.Join(said, "; ")})
		}
	}
	return append(append(out, Table{"", t}), notes...)
}

// beforeAfter is the table of what changed beside energy; mercury that is no longer in the
// lamps has a sentence of its own.
func (m maker) beforeAfter() []Block {
	if len(m.d.BeforeAfter) == 0 {
		return nil
	}
	t := figure.Table{Words: 1, Heads: []string{m.Text("doc-quantity"), m.Text("doc-before"), m.Text("doc-after")}}
	from := figure.Table{Words: 3, Heads: []string{m.Text("doc-quantity"), m.Text("doc-before-from"), m.Text("doc-after-from")}}
	var more []Block
	var unknown []string
	for _, r := range m.d.BeforeAfter {
		before, after := "–", "–"
		if r.Before.Known {
			before = m.Number(r.Before.Value, r.Decimals)
		}
		if r.After.Known {
			after = m.Number(r.After.Value, r.Decimals)
		}
		t.Rows = append(t.Rows, []string{m.Phrase(r.Title), before, after})
		if r.Before.Known || r.After.Known {
			from.Rows = append(from.Rows, []string{m.Phrase(r.Title), m.origin(r.Before.From), m.origin(r.After.From)})
		} else {
			unknown = append(unknown, m.Phrase(r.Title))
		}
		if len(r.Notes) > 0 {
			said := make([]string, len(r.Notes))
			for i, n := range r.Notes {
				said[i] = m.origin(n)
			}
			more = append(more, Note{m.Phrase(r.Title), strings.Join(said, ". ") + "."})
		}
		if r.Key == "mercury_milligrams" && r.Before.Known && r.After.Known {
			more = append(more, Paragraph(m.Text("doc-mercury", m.Number(r.Before.Value-r.After.Value, r.Decimals))))
		}
	}
	out := []Block{Paragraph(m.Text("doc-table-says")), Table{"", t}}
	if len(from.Rows) > 0 {
		out = append(out, Table{m.Text("doc-origin"), from})
	}
	if len(unknown) > 0 {
		out = append(out, Paragraph(m.Text("doc-unknown", strings.Join(unknown, "; "))))
	}
	return append(out, more...)
}

// origin says where a cell is from; what is not known ends with what to do.
func (m maker) origin(from string) string {
	parts := strings.Split(from, "; ")
	for i, p := range parts {
		parts[i] = m.Phrase(p)
	}
	return strings.Join(parts, "; ")
}

// drift is whether use began to rise.
func (m maker) drift() []Block {
	out := m.plot(plots.CuSum)
	switch d, found := m.d.Drift(); {
	case found:
		out = append(out, Note{m.Text("doc-drift-found"), m.Text("doc-drift-says", m.day(d.Began), m.kwh(d.MoreKWh), m.Count(d.Days, "days"), m.whole(d.Learned), m.day(d.Found))})
	case len(m.d.Watched()) == 0:
		out = append(out, Paragraph(m.Text("doc-drift-early")))
	default:
		out = append(out, Paragraph(m.Text("doc-drift-none")))
	}
	return out
}

// cautions say what the statement is not.
func (m maker) cautions() []Block {
	st := m.d.Statement
	names := []string{"doc-caution-scope"}
	if len(st.Series) > 0 && len(m.d.Baseline.ChangePoints) > 0 {
		names = append(names, "doc-caution-change")
	}
	if st.AdjustmentKWh != 0 {
		names = append(names, "doc-caution-adjusted")
	}
	if len(m.d.Effects) > 0 {
		names = append(names, "doc-caution-exhaust")
	}
	names = append(names, "doc-caution-inventory", "doc-caution-safety")
	var out []Block
	for _, n := range names {
		out = append(out, Paragraph(m.Text(n)))
	}
	return out
}

// formulas are those that the figures come from, with their sources.
func (m maker) formulas() []Block {
	t := figure.Table{Words: 3, Heads: []string{m.Text("doc-figure"), m.Text("doc-formula"), m.Text("doc-source")}}
	for _, name := range []string{"saving", "model", "half-width", "correlation", "guideline", "meters", "adjustment", "carbon", "drift"} {
		t.Rows = append(t.Rows, []string{m.Text("formula-" + name), m.Text("formula-" + name + "-is"), m.Text("formula-" + name + "-from")})
	}
	return []Block{Table{"", t}, Paragraph(m.Text("doc-recompute"))}
}

package workbook

import (
	"curetally/internal/core/valuation"
)

// Columns of the sheet of what stands beside the statement.
const (
	besideName = iota + 1
	besideUnit
	besideExpected
	besideActual
	besideSaved
	besideHalf
)

// beside lists what the saving is worth by tariff and tables of factors, the estimates outside
// the meters, and what changed beside energy. None of it is in a figure of the statement, so
// only differences are formulas here.
func (m *maker) beside() {
	d := m.d
	if d.Worth == nil && len(d.Effects) == 0 && len(d.BeforeAfter) == 0 {
		return
	}
	s, w := m.add("beside"), m.words
	s.begin(w.Text("sheet-beside"), w.Text("beside-note"), firstRow-1, 48, 12, 18, 18, 18, 18)
	s.heads(firstRow-1, "", w.Text("unit"), w.Text("doc-would-have"), w.Text("doc-did"), w.Text("doc-avoided"), w.Text("plot-half-width"))
	row := firstRow
	both := func(name, unit string, expected, actual float64) {
		s.put(besideName, row, name, plain)
		s.put(besideUnit, row, unit, plain)
		s.put(besideExpected, row, expected, input)
		s.put(besideActual, row, actual, input)
		s.formula(besideSaved, row, figure, "%s-%s", at(besideExpected, row), at(besideActual, row))
		row++
	}
	if v := d.Worth; v != nil {
		if c := v.Cost; c != nil {
			both(w.Text("doc-by-tariff", d.Tariff), c.Saved.Currency, c.Expected.Float(), c.Actual.Float())
		}
		for _, x := range v.Demand {
			both(w.Month(x.Month.In(d.Zone), true)+", "+x.Name, "kW", x.Expected.Billed.KWh(), x.Actual.Billed.KWh())
		}
		for _, x := range []struct {
			name   string
			carbon *valuation.Carbon
		}{{"doc-by-location", v.Location}, {"doc-by-market", v.Market}} {
			if x.carbon != nil {
				both(w.Text(x.name, x.carbon.Table), "kg", x.carbon.ExpectedKg, x.carbon.ActualKg)
			}
		}
	}
	for _, l := range d.Effects {
		s.put(besideName, row, w.Phrase(l.Name)+" ("+w.Phrase(l.Carrier)+")", plain)
		s.put(besideUnit, row, "kWh", plain)
		s.put(besideSaved, row, l.KWh, input)
		s.put(besideHalf, row, l.HalfWidth(d.Statement.Confidence), input)
		row++
	}
	m.changed(s, row+1)
}

// changed is the table of what changed beside energy.
func (m *maker) changed(s sheet, row int) {
	w := m.words
	if len(m.d.BeforeAfter) == 0 {
		return
	}
	s.heads(row, w.Text("doc-quantity"), "", w.Text("doc-before"), w.Text("doc-after"))
	for _, r := range m.d.BeforeAfter {
		row++
		s.put(besideName, row, w.Phrase(r.Title), plain)
		if r.Before.Known {
			s.put(besideExpected, row, r.Before.Value, input)
		}
		if r.After.Known {
			s.put(besideActual, row, r.After.Value, input)
		}
	}
}

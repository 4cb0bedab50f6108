package workbook

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/xuri/excelize/v2"

	"curetally/internal/core/dossier"
	"curetally/internal/core/regression"
	"curetally/internal/link/report/words"
)

// maker writes one dossier.
type maker struct {
	*book
	d             dossier.Dossier
	before, after []dossier.Row
	k, c          int // drivers and columns of the model

	results, model, base, rows, days, meters, adjusted sheet
	// Where the rest finds what a sheet computes, by absolute address.
	cell map[string]string
}

// firstRow is where the data of every sheet begins.
const firstRow = 5

// ErrNoRows says that a baseline was not fitted to rows, so that there is nothing to
// compute it from again.
var ErrNoRows = errors.New("the baseline has no rows to recompute")

// Write writes the workbook of a dossier. It returns ErrNoRows for a baseline from a
// survey.
func Write(out io.Writer, d dossier.Dossier, w *words.Words) (err error) {
	if len(d.Baseline.Rows) == 0 {
		return fmt.Errorf("workbook of %s: %w: it is from a survey, whose own file tells how it comes about — curetally case FILE recomputes it", d.Project.ID, ErrNoRows)
	}
	m := &maker{
		book: newBook(w), d: d, before: d.Before(), after: d.After(),
		k: len(d.Baseline.Drivers), c: d.Baseline.Model.P - 1, cell: map[string]string{},
	}
	defer func() { err = errors.Join(err, m.file.Close()) }()
	for _, s := range []struct {
		at   *sheet
		name string
	}{
		{&m.results, "results"}, {&m.model, "model"}, {&m.base, "baseline"}, {&m.rows, "rows"}, {&m.days, "days"},
		{&m.meters, "meters"}, {&m.adjusted, "adjustments"},
	} {
		*s.at = m.add(s.name)
	}
	m.baseline()
	m.fit()
	m.adjustments()
	m.counted()
	m.reporting()
	m.metering()
	m.result()
	m.leftOut()
	m.beside()
	m.hash()
	if m.err != nil {
		return fmt.Errorf("write workbook: %w", m.err)
	}
	yes := true
	if err := m.file.DeleteSheet("Sheet1"); err != nil {
		return fmt.Errorf("write workbook: %w", err)
	}
	if err := m.file.SetCalcProps(&excelize.CalcPropsOptions{FullCalcOnLoad: &yes}); err != nil {
		return fmt.Errorf("write workbook: %w", err)
	}
	m.file.SetActiveSheet(0)
	if _, err := m.file.WriteTo(out); err != nil {
		return fmt.Errorf("write workbook: %w", err)
	}
	return nil
}

// ref is the address of what a sheet computes; a name without one is a mistake of
// the program.
func (m *maker) ref(name string) string {
	address, ok := m.cell[name]
	if !ok {
		panic("workbook: nothing computes " + name)
	}
	return address
}

// columnFormulas gives what the form makes of the drivers per day, whose cells are
// named, in the order of the model's columns.
func (m *maker) columnFormulas(perDay []string) []string {
	below := func(change int) string { return fmt.Sprintf("MAX(%s-%s,0)", m.change(change), perDay[0]) }
	above := func(change int) string { return fmt.Sprintf("MAX(%s-%s,0)", perDay[0], m.change(change)) }
	var out []string
	switch m.d.Baseline.Shape() {
	case regression.Mean:
		return nil
	case regression.Linear, regression.Auto:
		return perDay
	case regression.Cooling3:
		out = []string{above(0)}
	case regression.Heating3:
		out = []string{below(0)}
	case regression.Cooling4, regression.Heating4:
		out = []string{below(0), above(0)}
	case regression.Five:
		out = []string{below(0), above(1)}
	}
	return append(out, perDay[1:]...)
}

// Rows of the model's sheet: change points and coefficients begin below its head.
const (
	sizeRow        = 5
	changeRow      = sizeRow + 3
	coefficientRow = changeRow + 4 // two change points at most
)

func (m *maker) change(i int) string { return m.model.abs(2, changeRow+i) }

// coefficients is the range of the coefficients after the intercept; the
// intercept's own cell is the one above.
func (m *maker) coefficient(j int) string { return m.model.abs(2, coefficientRow+1+j) }

// names of drivers and of the model's columns.
func (m *maker) driverNames() []string {
	out := make([]string, m.k)
	for j, d := range m.d.Baseline.Drivers {
		out[j] = m.words.Text("driver-" + string(d))
	}
	return out
}

func (m *maker) columnNames() []string {
	out := make([]string, m.c)
	for j, name := range m.d.Baseline.Model.Names[1:] {
		driver, side, _ := strings.Cut(name, " ")
		out[j] = m.words.Text("driver-" + driver)
		if side != "" {
			out[j] += " " + m.words.Text("side-"+side)
		}
	}
	return out
}

// frame is the layout that the rows of both periods share: date, days, energy,
// drivers as sums, then per day energy, drivers and the model's columns.
type frame struct {
	m    *maker
	s    sheet
	rows int
}

func (f frame) last() int        { return firstRow + f.rows - 1 }
func (f frame) driver(j int) int { return 4 + j }
func (f frame) energy() int      { return 4 + f.m.k }
func (f frame) perDay(j int) int { return 5 + f.m.k + j }
func (f frame) column(j int) int { return 5 + 2*f.m.k + j }
func (f frame) beyond(n int) int { return 5 + 2*f.m.k + f.m.c + n }
func (f frame) all(c int) string { return f.s.column(c, firstRow, f.last()) }
func (f frame) heads() []string {
	w := f.m.words
	out := []string{w.Text("row-begins"), w.Text("row-days"), w.Text("kwh")}
	out = append(out, f.m.driverNames()...)
	out = append(out, w.Text("kwh-per-day"))
	for _, name := range append(f.m.driverNames(), f.m.columnNames()...) {
		out = append(out, w.Text("per-day", name))
	}
	for j := range f.m.c {
		out[len(out)-f.m.c+j] = w.Text("x-column", j+1, f.m.columnNames()[j])
	}
	return out
}

// derive writes the formulas of one row from its sums to the model's columns.
func (f frame) derive(row int) {
	f.s.formula(f.energy(), row, figure, "%s/%s", at(3, row), at(2, row))
	names := make([]string, f.m.k)
	for j := range names {
		names[j] = at(f.perDay(j), row)
		f.s.formula(f.perDay(j), row, figure, "%s/%s", at(f.driver(j), row), at(2, row))
	}
	for j, formula := range f.m.columnFormulas(names) {
		f.s.formula(f.column(j), row, figure, "%s", formula)
	}
}

// predicted is the formula of the model's energy per day in a row.
func (f frame) predicted(row int) string {
	out := f.m.ref("intercept")
	for j := range f.m.c {
		out += "+" + f.m.coefficient(j) + "*" + at(f.column(j), row)
	}
	return out
}

// widths are those of a sheet with so many columns after the date.
func widths(first float64, n int) []float64 {
	out := []float64{first}
	for range n {
		out = append(out, 14)
	}
	return out
}

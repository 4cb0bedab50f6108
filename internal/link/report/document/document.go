// Package document lays out the savings report that an auditor reads: the result with
// its uncertainty, what it was measured inside of and against, how good the model, the
// meters and the data are, and what stands beside the statement: money, carbon, effects
// outside the meters, what changed beside energy, and drift.
//
// A Document is finished texts, tables and plots in order, in one language; the packages
// that write it as a page or on paper add nothing and leave nothing out, so both say the
// same.
//
// It decides nothing. Everything in it was computed by the core and is in the dossier of
// the statement; what the core says in English is said in the language by its pattern. No
// instant of its making is in it: the same dossier gives the same document.
package document

import (
	"math"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/dossier"
	"curetally/internal/core/unit"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/plots"
	"curetally/internal/link/report/words"
)

// Document is a report in finished words.
type Document struct {
	Language string // its two letters
	Title    string
	// Site, Project and Period say on every page of what the report is.
	Site, Project, Period string
	// Stated is the newest instant on which something of the report was settled: the end
	// of the last day counted.
	Stated time.Time
	// Behind, Page and Continued are words for those who write: what stands before the table
	// behind a plot, "page N of M" with two places, and what follows a heading on a further page.
	Behind, Page, Continued string
	Sections                []Section
}

// Section is a heading with its blocks.
type Section struct {
	Name   string // for identifiers
	Title  string
	Blocks []Block
}

// Block is one of Lead, Paragraph, Note, Pairs, Table and Plot.
type Block interface{ block() }

// Lead is the paragraph that says the result.
type Lead string

// Paragraph is any other.
type Paragraph string

// Note is what a reader must not overlook.
type Note struct{ Title, Text string }

// Pairs are labels with their values.
type Pairs [][2]string

// Table is a table under a title, which may be empty.
type Table struct {
	Title string
	figure.Table
}

// Plot is a figure with its table behind it.
type Plot struct{ figure.Figure }

func (Lead) block()      {}
func (Paragraph) block() {}
func (Note) block()      {}
func (Pairs) block()     {}
func (Table) block()     {}
func (Plot) block()      {}

// maker lays out one document.
type maker struct {
	*words.Words
	d     dossier.Dossier
	plots map[string]figure.Figure
}

// Of lays out the report of a dossier.
func Of(d dossier.Dossier, w *words.Words) Document {
	m := maker{w, d, map[string]figure.Figure{}}
	for _, f := range plots.Of(d, w) {
		m.plots[f.Name] = f
	}
	st := d.Statement
	name := d.Project.Title
	if name == "" {
		name = string(d.Project.ID)
	}
	out := Document{
		Language: w.Language(), Title: w.Text("doc-title", name), Site: d.Site, Project: string(d.Project.ID),
		Period: w.Text("period-of", m.day(st.From), m.day(st.To), w.Count(st.Days, "days")), Stated: m.d.Statement.To,
		Behind: w.Text("doc-behind"), Page: w.Text("doc-page"), Continued: w.Text("doc-continued"),
	}
	for _, s := range []struct {
		name   string
		blocks func() []Block
	}{
		{"result", m.result}, {"boundary", m.boundary}, {"baseline", m.baseline}, {"periods", m.periods}, {"uncertainty", m.uncertainty}, {"normal", m.normal},
		{"data", m.data}, {"adjustments", m.adjustments}, {"worth", m.worth}, {"beside", m.beside}, {"table", m.beforeAfter},
		{"drift", m.drift}, {"cautions", m.cautions}, {"formulas", m.formulas},
	} {
		if blocks := s.blocks(); len(blocks) > 0 {
			out.Sections = append(out.Sections, Section{s.name, w.Text("doc-" + s.name), blocks})
		}
	}
	return out
}

// plot gives a plot by its name, or nothing.
func (m maker) plot(name string) []Block {
	if f, ok := m.plots[name]; ok {
		return []Block{Plot{f}}
	}
	return nil
}

func (m maker) day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return m.Date(t.In(m.d.Zone))
}

// kwh writes an energy: whole kilowatt-hours, and tenths of small ones.
func (m maker) kwh(v float64) string { return m.Number(v, tenths(v)) + "\u00a0kWh" }

func (m maker) signedKWh(v float64) string { return m.Signed(v, tenths(v)) + "\u00a0kWh" }

func tenths(v float64) int {
	if v > -100 && v < 100 {
		return 1
	}
	return 0
}

func (m maker) money(v unit.Money) string { return m.Number(v.Float(), 2) + "\u00a0" + v.Currency }

func (m maker) yes(is bool) string {
	if is {
		return m.Text("doc-yes")
	}
	return m.Text("doc-no")
}

// coefficient writes a number to some digits; what is 0 but for rounding is 0.
func (m maker) coefficient(v float64, digits int) string {
	if math.Abs(v) < 1e-9 {
		v = 0
	}
	return m.Significant(v, digits)
}

// driver names a driver.
func (m maker) driver(name string) string { return m.Text("driver-" + name) }

// column names a column of the model: a driver, or a side of its change point.
func (m maker) column(name string) string {
	driver, side, _ := strings.Cut(name, " ")
	if driver == "intercept" {
		return m.Text("intercept")
	}
	out := m.driver(driver)
	if side != "" {
		out += " " + m.Text("side-"+side)
	}
	return out
}

// selection says which days a period takes.
func (m maker) selection(from, to time.Time, technology string) string {
	var said []string
	if !from.IsZero() {
		said = append(said, m.Text("doc-from", m.day(from)))
	}
	if !to.IsZero() {
		said = append(said, m.Text("doc-until", m.day(to.In(m.d.Zone).AddDate(0, 0, -1))))
	}
	if technology != "" {
		said = append(said, m.Text("doc-lit-by", m.Phrase(technology)))
	}
	if len(said) == 0 {
		return m.Text("doc-all-days")
	}
	return strings.Join(said, ", ")
}

// list writes names in a row; a dash for none.
func list(names []string) string {
	if len(names) == 0 {
		return "–"
	}
	return strings.Join(names, ", ")
}

// number writes a whole number.
func (m maker) whole(n int) string { return m.Number(float64(n), 0) }

// version writes the number of a version, which is no quantity.
func version(n int) string { return strconv.Itoa(n) }

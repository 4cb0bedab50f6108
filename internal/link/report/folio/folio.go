// Package folio writes a savings report as A4 pages in PDF: the same document as the
// page, in the same order and words, with its plots as lines.
//
// The tables behind the plots are not printed; they hold a line for every day, and the
// page and the workbook have them. Each page says in its footer of which project, site and
// period it is.
//
// The same document gives the same bytes: its date is the last day that the statement
// counts.
package folio

import (
	"fmt"
	"io"
	"strings"

	"curetally/internal/core/dossier"
	"curetally/internal/link/report/document"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/paper"
	"curetally/internal/link/report/words"
)

// Write writes the report of a dossier as PDF.
func Write(out io.Writer, d dossier.Dossier, w *words.Words) error {
	doc := document.Of(d, w)
	about := paper.About{Title: doc.Title + ", " + doc.Site, Producer: "curetally", Language: doc.Language, At: doc.Stated}
	var failed error
	err := paper.Write(out, about, func(s *paper.Sheet) {
		if err := draw(folio{s, doc}); err != nil {
			s.PDF.SetError(err)
			failed = err
		}
	})
	if failed != nil {
		err = failed
	}
	if err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

// folio is the drawing of a document.
type folio struct {
	*paper.Sheet
	document.Document
}

func draw(f folio) error {
	f.Number = f.Page
	f.Foot = f.Site + " · " + f.Project + " · " + f.Period
	f.Begin()
	f.Text(0, 9, paper.Grey, f.Site+" · "+f.Project)
	f.Bold(0, 19, paper.Black, f.Title)
	f.Text(0, 9, paper.Grey, f.Period)
	f.Space(2)
	f.Rule(paper.Black, 0.6)
	f.Space(2)
	for _, s := range f.Sections {
		f.Again = f.Title
		if f.Need(roomOf(s)) {
			f.Space(-sectionGap)
		}
		f.Space(sectionGap)
		f.Again = s.Title + ", " + f.Continued
		f.Bold(0, 13, paper.Black, s.Title)
		f.Space(0.8)
		f.Rule(paper.Hairline, 0.2)
		f.Space(1.5)
		for _, b := range s.Blocks {
			if err := f.block(b); err != nil {
				return err
			}
		}
	}
	return nil
}

// Room in millimetres: what a heading needs with the beginning of its text, what is
// above it, and what the title and words of a plot need.
const (
	headingRoom = 34.0
	sectionGap  = 5.0
	plotRoom    = 24.0
)

// roomOf is what the beginning of a section needs: its heading does not stand alone.
func roomOf(s document.Section) float64 {
	if p, ok := s.Blocks[0].(document.Plot); ok {
		return headingRoom + plotRoom + heightOf(p.Figure)*paper.PerPoint
	}
	return headingRoom
}

// heightOf is that of a plot in points.
func heightOf(f figure.Figure) float64 {
	if len(f.Panels) == 1 {
		return singlePoints
	}
	return panelPoints * float64(len(f.Panels))
}

func (f folio) block(b document.Block) error {
	switch x := b.(type) {
	case document.Lead:
		f.Text(0, 12, paper.Black, string(x))
		f.Space(2)
	case document.Paragraph:
		f.Text(0, paper.Body, paper.Black, string(x))
		f.Space(1.4)
	case document.Note:
		f.Space(0.6)
		f.Note(x.Title, x.Text, paper.Red)
	case document.Pairs:
		t := figure.Table{Words: 2}
		for _, p := range x {
			t.Rows = append(t.Rows, []string{p[0], p[1]})
		}
		f.table("", t, true)
	case document.Table:
		f.table(x.Title, x.Table, false)
	case document.Plot:
		return f.plot(x.Figure)
	default:
		return fmt.Errorf("a block of kind %T has no form on paper", b)
	}
	return nil
}

// plot draws a figure under its title, with its words below, all on one page.
func (f folio) plot(x figure.Figure) error {
	high := heightOf(x)
	f.Need(high*paper.PerPoint + plotRoom)
	f.Space(2.5)
	f.Bold(0, 11, paper.Black, x.Title)
	f.Space(1)
	if err := f.Plot(x, high); err != nil {
		return err
	}
	f.Space(1)
	f.Text(0, 8, paper.Grey, x.Says)
	f.Space(2)
	return nil
}

// Heights of plots in points.
const (
	singlePoints = 190
	panelPoints  = 135
)

// table draws a table with columns as wide as their texts want, or as narrow as the page
// asks. Labels are grey.
func (f folio) table(title string, t figure.Table, labels bool) {
	columns := f.columns(t)
	f.Table(title, "", columns, len(t.Rows), func(i int) []paper.Cell {
		cells := make([]paper.Cell, len(t.Rows[i]))
		for j, text := range t.Rows[i] {
			cells[j] = paper.Cell{Text: text}
		}
		if labels {
			cells[0].Ink = paper.Grey
		}
		return cells
	})
	f.Space(1)
}

// columns shares the width of the page. A column gets at least what its longest word
// needs, or a figure or a short text whole; what is left goes to those that could use
// more, and what nobody needs to the last column of words, so that labels stand close to
// what they are of.
func (f folio) columns(t figure.Table) []paper.Column {
	n := len(t.Heads)
	if n == 0 {
		n = len(t.Rows[0])
	}
	out := make([]paper.Column, n)
	least, most := make([]float64, n), make([]float64, n)
	f.Font(paper.Body, "", paper.Black)
	for j := range out {
		out[j].AtRight = j >= t.Words
		whole, word := 0.0, 0.0
		for _, r := range t.Rows {
			whole = max(whole, f.PDF.GetStringWidth(paper.Printable(r[j])))
			word = max(word, f.longest(r[j]))
		}
		if out[j].AtRight || whole < shortText {
			word = whole
		}
		if len(t.Heads) > 0 {
			out[j].Title = t.Heads[j]
			whole = max(whole, f.PDF.GetStringWidth(paper.Printable(t.Heads[j])))
			word = max(word, f.longest(t.Heads[j]))
		}
		least[j] = min(word, widestWord) + paper.Gutter + slack
		most[j] = max(whole+paper.Gutter+slack, least[j])
	}
	share(out, least, most, max(t.Words-1, 0))
	return out
}

// Words wider than that in millimetres are broken, as checksums are; texts shorter than
// the other are not. Some slack keeps what was measured from being broken after rounding.
const (
	widestWord = 46.0
	shortText  = 30.0
	slack      = 0.2
)

// share gives widths that add up to the page.
func share(out []paper.Column, least, most []float64, spareTo int) {
	const page = paper.Right - paper.Left
	left, wish := page, 0.0
	for j := range out {
		left -= least[j]
		wish += most[j] - least[j]
	}
	for j := range out {
		out[j].Width = least[j]
		switch {
		case left < 0: // all become narrower alike
			out[j].Width *= page / (page - left)
		case wish > 0:
			out[j].Width += (most[j] - least[j]) * min(1, left/wish)
		}
	}
	if spare := left - wish; spare > 0 {
		out[spareTo].Width += spare
	}
}

// longest is the width of the longest word of a text.
func (f folio) longest(text string) float64 {
	widest := 0.0
	for word := range strings.FieldsSeq(paper.Printable(text)) {
		widest = max(widest, f.PDF.GetStringWidth(word))
	}
	return widest
}

package paper

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
)

// The page in millimetres: A4 is 210 × 297 (ISO 216). The content ends at Bottom; below it
// is the footer.
const (
	Left   = 18.0
	Right  = 210 - 18.0
	Top    = 16.0
	Bottom = 297 - 20.0

	PerPoint = 25.4 / 72 // millimetres in a point
	lead     = 1.35      // line height by type size

	Family = "Sans"
	Body   = 9.0 // points
	Gutter = 2.5 // between columns
)

// Ink is a colour, in red, green and blue. A page stays legible in black and white: no
// meaning is in the colour alone.
type Ink [3]int

// The inks.
var (
	Black    = Ink{28, 32, 36}
	Grey     = Ink{104, 110, 116}
	Hairline = Ink{190, 194, 198}
	Green    = Ink{32, 104, 74}
	Ochre    = Ink{150, 94, 10}
	Red      = Ink{168, 40, 32}
)

// About says of what a document is. Dates in it are At, so that nothing is taken from
// the clock.
type About struct {
	Title, Author, Producer string
	Language                string // its two letters
	At                      time.Time
}

// Sheet is the drawing with its state; one goroutine draws.
type Sheet struct {
	PDF *fpdf.Fpdf
	// Foot is at the left of each page's footer, Again the head of a page on which
	// something goes on.
	Foot, Again string
	// Number is "page %d of %d" in the document's language.
	Number string
	pages  int // 0 while that is not known
}

// Write draws a document twice and writes the second: the first tells how many pages
// there are.
func Write(w io.Writer, a About, draw func(*Sheet)) error {
	s := New(a, 0)
	draw(s)
	if pages := s.PDF.PageCount(); s.PDF.Ok() {
		s = New(a, pages)
		draw(s)
	}
	if err := s.PDF.Output(w); err != nil {
		return fmt.Errorf("draw pages: %w", err)
	}
	return nil
}

// New begins a document of so many pages; it has none yet.
func New(a About, pages int) *Sheet {
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(a.At.UTC())
	pdf.SetModificationDate(a.At.UTC())
	pdf.SetProducer(Printable(a.Producer), true)
	pdf.SetTitle(Printable(a.Title), true)
	pdf.SetAuthor(Printable(a.Author), true)
	pdf.SetLang(a.Language)
	pdf.AddUTF8FontFromBytes(Family, "", liberationsansregular.TTF)
	pdf.AddUTF8FontFromBytes(Family, "B", liberationsansbold.TTF)
	pdf.SetMargins(Left, Top, Left)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCellMargin(0)
	s := &Sheet{PDF: pdf, Number: "page %d of %d", pages: pages}
	pdf.SetFooterFunc(s.footer)
	return s
}

// Column is one of a table. One column may have width 0 and takes what is left.
type Column struct {
	Width   float64
	AtRight bool
	Title   string
}

// Cell is one text of a table; the zero ink is that of text.
type Cell struct {
	Text string
	Ink  Ink
	Bold bool
}

// Begin begins a page.
func (p *Sheet) Begin() {
	p.PDF.AddPage()
	p.PDF.SetXY(Left, Top)
}

// footer says to which document a page belongs.
func (p *Sheet) footer() {
	y := Bottom + 6
	p.Draw(Hairline, 0.2)
	p.PDF.Line(Left, y, Right, y)
	p.Font(8, "", Grey)
	number := fmt.Sprintf(p.Number, p.PDF.PageNo(), p.pages)
	wide := p.PDF.GetStringWidth(number)
	p.At(Right-wide, y+1.5, 8, "", Grey, number)
	p.At(Left, y+1.5, 8, "", Grey, p.Fit(p.Foot, Right-Left-wide-Gutter))
}

// Height is that of a line of a type size in points, in millimetres.
func Height(size float64) float64 { return size * PerPoint * lead }

// Font sets type size in points, style and ink.
func (p *Sheet) Font(size float64, style string, ink Ink) {
	p.PDF.SetFont(Family, style, size)
	p.PDF.SetTextColor(ink[0], ink[1], ink[2])
}

// Draw sets ink and width in millimetres of lines.
func (p *Sheet) Draw(ink Ink, width float64) {
	p.PDF.SetDrawColor(ink[0], ink[1], ink[2])
	p.PDF.SetLineWidth(width)
}

// At writes one line at a place and leaves the position alone.
func (p *Sheet) At(x, y, size float64, style string, ink Ink, text string) {
	was := p.PDF.GetY()
	p.Font(size, style, ink)
	p.PDF.SetXY(x, y)
	p.PDF.CellFormat(0, Height(size), text, "", 0, "L", false, 0, "")
	p.PDF.SetXY(Left, was)
}

// Space moves down.
func (p *Sheet) Space(mm float64) { p.PDF.SetXY(Left, p.PDF.GetY()+mm) }

// Need begins a new page when less than a height is left. It says whether it did.
func (p *Sheet) Need(mm float64) bool {
	if p.PDF.GetY()+mm <= Bottom {
		return false
	}
	p.Begin()
	p.Font(8, "", Grey)
	p.Text(0, 8, Grey, p.Fit(p.Again, Right-Left))
	p.Space(2)
	return true
}

// Rule draws a line across.
func (p *Sheet) Rule(ink Ink, width float64) {
	p.Draw(ink, width)
	p.PDF.Line(Left, p.PDF.GetY(), Right, p.PDF.GetY())
}

// Text writes a paragraph at an indent in millimetres and moves below it.
func (p *Sheet) Text(indent, size float64, ink Ink, text string) {
	p.paragraph(indent, size, "", ink, text)
}

// Bold is Text in bold.
func (p *Sheet) Bold(indent, size float64, ink Ink, text string) {
	p.paragraph(indent, size, "B", ink, text)
}

func (p *Sheet) paragraph(indent, size float64, style string, ink Ink, text string) {
	p.Font(size, style, ink)
	for _, line := range p.Lines(text, Right-Left-indent) {
		p.Need(Height(size))
		y := p.PDF.GetY()
		p.At(Left+indent, y, size, style, ink, line)
		p.PDF.SetXY(Left, y+Height(size))
	}
}

// Pair is a label with its text.
func (p *Sheet) Pair(label, text string) {
	const indent = 40
	p.Need(Height(Body))
	p.At(Left, p.PDF.GetY(), Body, "", Grey, label)
	p.Text(indent, Body, Black, text)
}

// Note is a paragraph with a bar beside it; one of more than a page goes without.
func (p *Sheet) Note(title, text string, ink Ink) {
	p.Font(Body, "", Black)
	lines := p.Lines(text, Right-Left-5)
	high := float64(1+len(lines))*Height(Body) + 3
	if high > Bottom-Top-30 {
		p.Bold(4, Body, ink, title)
		p.Text(4, Body, Black, text)
		p.Space(2)
		return
	}
	p.Need(high)
	y := p.PDF.GetY()
	p.PDF.SetFillColor(244, 245, 246)
	p.PDF.Rect(Left, y, Right-Left, high, "F")
	p.PDF.SetFillColor(ink[0], ink[1], ink[2])
	p.PDF.Rect(Left, y, 1, high, "F")
	p.Space(1.5)
	p.Bold(4, Body, ink, title)
	p.Text(4, Body, Black, text)
	p.PDF.SetXY(Left, y+high)
	p.Space(2)
}

// pad is the space above and below a row.
const pad = 0.6

// Table draws rows, on as many pages as it takes, with the head on each.
func (p *Sheet) Table(title, beside string, columns []Column, rows int, row func(int) []Cell) {
	rest := Right - Left
	for _, c := range columns {
		rest -= c.Width
	}
	for i := range columns {
		if columns[i].Width == 0 {
			columns[i].Width = rest
		}
	}
	p.Need(30)
	p.Space(2.5)
	y := p.PDF.GetY()
	if title != "" {
		p.Bold(0, 11, Black, title)
	}
	if beside != "" {
		p.Font(11, "B", Black)
		p.At(Left+p.PDF.GetStringWidth(title)+4, y+0.9, 8.5, "", Grey, beside)
	}
	p.Space(1)
	p.head(columns)
	for i := range rows {
		p.wholeRow(columns, row(i))
		p.Space(pad)
		p.Rule(Hairline, 0.1)
		p.Space(pad)
	}
	p.Space(1)
}

// head is the titles of the columns, where there are any.
func (p *Sheet) head(columns []Column) {
	if !slices.ContainsFunc(columns, func(c Column) bool { return c.Title != "" }) {
		return
	}
	cells := make([]Cell, len(columns))
	for i, c := range columns {
		cells[i] = Cell{Text: c.Title, Ink: Grey}
	}
	p.row(columns, p.split(columns, cells), cells, 8)
	p.Rule(Black, 0.3)
	p.Space(pad)
}

// wholeRow draws a row of a table, on a new page where this one has no room. A
// row of more than a page is broken, any other is kept together.
func (p *Sheet) wholeRow(columns []Column, cells []Cell) {
	lines := p.split(columns, cells)
	most := 1
	for _, l := range lines {
		most = max(most, len(l))
	}
	if high := float64(most)*Height(Body) + 2*pad; high < Bottom-Top-30 && p.Need(high) {
		p.head(columns)
	}
	for most > 0 {
		fits := int((Bottom - p.PDF.GetY() - 2*pad) / Height(Body))
		if fits < 1 {
			p.Need(Bottom)
			p.head(columns)
			continue
		}
		now := min(fits, most)
		part := make([][]string, len(lines))
		for j, l := range lines {
			part[j], lines[j] = l[:min(now, len(l))], l[min(now, len(l)):]
		}
		p.row(columns, part, cells, Body)
		most -= now
	}
}

// split breaks each cell into lines that fit its column.
func (p *Sheet) split(columns []Column, cells []Cell) [][]string {
	out := make([][]string, len(cells))
	for i, c := range cells {
		p.Font(Body, c.style(), Black)
		out[i] = p.Lines(c.Text, columns[i].Width-Gutter)
	}
	return out
}

func (c Cell) style() string {
	if c.Bold {
		return "B"
	}
	return ""
}

// row draws lines of one row and moves below them.
func (p *Sheet) row(columns []Column, lines [][]string, cells []Cell, size float64) {
	x, y, most := Left, p.PDF.GetY(), 0
	for i, c := range columns {
		ink := cells[i].Ink
		if ink == (Ink{}) {
			ink = Black
		}
		p.Font(size, cells[i].style(), ink)
		for j, line := range lines[i] {
			at := x
			if c.AtRight {
				at = x + c.Width - Gutter - p.PDF.GetStringWidth(line)
			}
			p.At(at, y+float64(j)*Height(size), size, cells[i].style(), ink, line)
		}
		most, x = max(most, len(lines[i])), x+c.Width
	}
	p.PDF.SetXY(Left, y+float64(most)*Height(size))
}

// Lines breaks a text at spaces, and a word that is wider than the width within
// itself, in the font that is set.
func (p *Sheet) Lines(text string, width float64) []string {
	var out []string
	for paragraph := range strings.SplitSeq(text, "\n") {
		line := ""
		for _, word := range strings.Fields(Printable(paragraph)) {
			if joined := strings.TrimLeft(line+" "+word, " "); p.PDF.GetStringWidth(joined) <= width {
				line = joined
				continue
			}
			if line != "" {
				out = append(out, line)
			}
			for line = word; p.PDF.GetStringWidth(line) > width; {
				start := p.start(line, width)
				out, line = append(out, start), line[len(start):]
			}
		}
		out = append(out, line)
	}
	return out
}

// start is the longest beginning of a word that fits, at least one character.
func (p *Sheet) start(word string, width float64) string {
	end := 0
	for i, c := range word {
		next := i + len(string(c))
		if end > 0 && p.PDF.GetStringWidth(word[:next]) > width {
			break
		}
		end = next
	}
	return word[:end]
}

// Fit shortens a line to a width, in the font that is set.
func (p *Sheet) Fit(text string, width float64) string {
	text = Printable(text)
	if p.PDF.GetStringWidth(text) <= width {
		return text
	}
	return p.start(text, width-p.PDF.GetStringWidth("…")) + "…"
}

// Printable replaces what a page cannot show: control characters become spaces,
// broken text and signs outside the basic plane, for which the font has no
// measures, a question mark.
func Printable(s string) string {
	return strings.Map(func(c rune) rune {
		switch {
		case unicode.IsControl(c):
			return ' '
		case c == unicode.ReplacementChar, c > 0xFFFF:
			return '?'
		default:
			return c
		}
	}, strings.ToValidUTF8(s, "?"))
}

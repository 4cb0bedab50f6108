package signoff

import (
	"fmt"
	"strings"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
)

// The page in millimetres: A4 is 210 × 297 (ISO 216).
const (
	left, right = 18.0, 210 - 18.0
	top         = 16.0
	bottom      = 297 - 20.0 // where the content ends; below it is the footer
	lead        = 1.35       // line height by type size
	perPoint    = 25.4 / 72

	family = "Sans"
	body   = 9.0 // points
	gutter = 2.5 // between columns
)

// rgb is an ink. The page stays legible in black and white: no meaning is in the
// colour alone.
type rgb [3]int

// The inks.
var (
	inkText     = rgb{28, 32, 36}
	inkMuted    = rgb{104, 110, 116}
	inkRule     = rgb{190, 194, 198}
	inkGood     = rgb{32, 104, 74}
	inkDoubtful = rgb{150, 94, 10}
	inkWrong    = rgb{168, 40, 32}
)

func inkOf(outcome string) rgb {
	switch outcome {
	case "good":
		return inkGood
	case "doubtful":
		return inkDoubtful
	case "wrong":
		return inkWrong
	default:
		return inkMuted
	}
}

// page is the drawing with its state; one goroutine draws.
type page struct {
	pdf    *fpdf.Fpdf
	record Record
	// running is the meter whose pages are drawn, for the footer.
	running string
	// pages is how many there are; 0 while that is not known.
	pages int
}

// column is one of a table. One column may have width 0 and takes what is left.
type column struct {
	width float64
	right bool // alignment
	title string
}

// cell is one text of a table; the zero ink is that of text.
type cell struct {
	text string
	ink  rgb
	bold bool
}

// begin begins a page.
func (p *page) begin() {
	p.pdf.AddPage()
	p.pdf.SetXY(left, top)
}

// footer says to which record a page belongs.
func (p *page) footer() {
	y := bottom + 6
	p.draw(inkRule, 0.2)
	p.pdf.Line(left, y, right, y)
	p.font(8, "", inkMuted)
	number := fmt.Sprintf("page %d of %d", p.pdf.PageNo(), p.pages)
	wide := p.pdf.GetStringWidth(number)
	p.at(right-wide, y+1.5, 8, "", inkMuted, number)
	p.at(left, y+1.5, 8, "", inkMuted, p.fit(printable(p.record.Site+" · "+p.running+" · "+p.record.At.Format(clock)), right-left-wide-gutter))
}

func height(size float64) float64 { return size * perPoint * lead }

func (p *page) font(size float64, style string, ink rgb) {
	p.pdf.SetFont(family, style, size)
	p.pdf.SetTextColor(ink[0], ink[1], ink[2])
}

func (p *page) draw(ink rgb, width float64) {
	p.pdf.SetDrawColor(ink[0], ink[1], ink[2])
	p.pdf.SetLineWidth(width)
}

// at writes one line at a place and leaves the position alone.
func (p *page) at(x, y, size float64, style string, ink rgb, text string) {
	was := p.pdf.GetY()
	p.font(size, style, ink)
	p.pdf.SetXY(x, y)
	p.pdf.CellFormat(0, height(size), text, "", 0, "L", false, 0, "")
	p.pdf.SetXY(left, was)
}

// space moves down.
func (p *page) space(mm float64) { p.pdf.SetXY(left, p.pdf.GetY()+mm) }

// need begins a new page when less than a height is left. It says whether it did.
func (p *page) need(mm float64) bool {
	if p.pdf.GetY()+mm <= bottom {
		return false
	}
	p.begin()
	p.font(8, "", inkMuted)
	p.text(0, 8, inkMuted, p.fit(printable("Commissioning record of meters · "+p.record.Site+" · "+p.running), right-left-20)+", continued")
	p.space(2)
	return true
}

func (p *page) rule(ink rgb, width float64) {
	p.draw(ink, width)
	p.pdf.Line(left, p.pdf.GetY(), right, p.pdf.GetY())
}

// text and bold write a paragraph at an indent and move below it.
func (p *page) text(indent, size float64, ink rgb, text string) {
	p.paragraph(indent, size, "", ink, text)
}

func (p *page) bold(indent, size float64, ink rgb, text string) {
	p.paragraph(indent, size, "B", ink, text)
}

func (p *page) paragraph(indent, size float64, style string, ink rgb, text string) {
	p.font(size, style, ink)
	for _, line := range p.lines(text, right-left-indent) {
		p.need(height(size))
		y := p.pdf.GetY()
		p.at(left+indent, y, size, style, ink, line)
		p.pdf.SetXY(left, y+height(size))
	}
}

// heading is the name of a meter with its verdict at the right.
func (p *page) heading(name, verdict string) {
	const size, verdictSize = 14, 11
	p.need(30)
	word := strings.ToUpper(printable(verdict))
	p.font(verdictSize, "B", inkText)
	wide := p.pdf.GetStringWidth(word)
	y := p.pdf.GetY()
	p.at(right-wide, y+0.8, verdictSize, "B", inkOf(verdict), word)
	p.font(size, "B", inkText)
	for _, line := range p.lines(name, right-left-wide-gutter) {
		p.bold(0, size, inkText, line)
	}
	p.space(1)
	p.rule(inkRule, 0.2)
	p.space(1.5)
}

// pair is a label with its text.
func (p *page) pair(label, text string) {
	const indent = 40
	p.need(height(body))
	p.at(left, p.pdf.GetY(), body, "", inkMuted, label)
	p.text(indent, body, inkText, text)
}

// note is a paragraph with a bar beside it; one of more than a page goes without.
func (p *page) note(title, text string, ink rgb) {
	p.font(body, "", inkText)
	lines := p.lines(text, right-left-5)
	high := float64(1+len(lines))*height(body) + 3
	if high > bottom-top-30 {
		p.bold(4, body, ink, title)
		p.text(4, body, inkText, text)
		p.space(2)
		return
	}
	p.need(high)
	y := p.pdf.GetY()
	p.pdf.SetFillColor(244, 245, 246)
	p.pdf.Rect(left, y, right-left, high, "F")
	p.pdf.SetFillColor(ink[0], ink[1], ink[2])
	p.pdf.Rect(left, y, 1, high, "F")
	p.space(1.5)
	p.bold(4, body, ink, title)
	p.text(4, body, inkText, text)
	p.pdf.SetXY(left, y+high)
	p.space(2)
}

// pad is the space above and below a row.
const pad = 0.6

// table draws rows, on as many pages as it takes, with the head on each.
func (p *page) table(title, beside string, columns []column, rows int, row func(int) []cell) {
	rest := right - left
	for _, c := range columns {
		rest -= c.width
	}
	for i := range columns {
		if columns[i].width == 0 {
			columns[i].width = rest
		}
	}
	p.need(30)
	p.space(2.5)
	y := p.pdf.GetY()
	p.bold(0, 11, inkText, title)
	if beside != "" {
		p.font(11, "B", inkText)
		p.at(left+p.pdf.GetStringWidth(title)+4, y+0.9, 8.5, "", inkMuted, beside)
	}
	p.space(1)
	p.head(columns)
	for i := range rows {
		p.wholeRow(columns, row(i))
		p.space(pad)
		p.rule(inkRule, 0.1)
		p.space(pad)
	}
	p.space(1)
}

// head is the titles of the columns.
func (p *page) head(columns []column) {
	cells := make([]cell, len(columns))
	for i, c := range columns {
		cells[i] = cell{text: c.title, ink: inkMuted}
	}
	p.row(columns, p.split(columns, cells), cells, 8)
	p.rule(inkText, 0.3)
	p.space(pad)
}

// wholeRow draws a row of a table, on a new page where this one has no room. A
// row of more than a page is broken, any other is kept together.
func (p *page) wholeRow(columns []column, cells []cell) {
	lines := p.split(columns, cells)
	most := 1
	for _, l := range lines {
		most = max(most, len(l))
	}
	if high := float64(most)*height(body) + 2*pad; high < bottom-top-30 && p.need(high) {
		p.head(columns)
	}
	for most > 0 {
		fits := int((bottom - p.pdf.GetY() - 2*pad) / height(body))
		if fits < 1 {
			p.need(bottom)
			p.head(columns)
			continue
		}
		now := min(fits, most)
		part := make([][]string, len(lines))
		for j, l := range lines {
			part[j], lines[j] = l[:min(now, len(l))], l[min(now, len(l)):]
		}
		p.row(columns, part, cells, body)
		most -= now
	}
}

// split breaks each cell into lines that fit its column.
func (p *page) split(columns []column, cells []cell) [][]string {
	out := make([][]string, len(cells))
	for i, c := range cells {
		p.font(body, c.style(), inkText)
		out[i] = p.lines(c.text, columns[i].width-gutter)
	}
	return out
}

func (c cell) style() string {
	if c.bold {
		return "B"
	}
	return ""
}

// row draws lines of one row and moves below them.
func (p *page) row(columns []column, lines [][]string, cells []cell, size float64) {
	x, y, most := left, p.pdf.GetY(), 0
	for i, c := range columns {
		ink := cells[i].ink
		if ink == (rgb{}) {
			ink = inkText
		}
		p.font(size, cells[i].style(), ink)
		for j, line := range lines[i] {
			at := x
			if c.right {
				at = x + c.width - gutter - p.pdf.GetStringWidth(line)
			}
			p.at(at, y+float64(j)*height(size), size, cells[i].style(), ink, line)
		}
		most, x = max(most, len(lines[i])), x+c.width
	}
	p.pdf.SetXY(left, y+float64(most)*height(size))
}

// lines breaks a text at spaces, and a word that is wider than the width within
// itself, in the font that is set.
func (p *page) lines(text string, width float64) []string {
	var out []string
	for paragraph := range strings.SplitSeq(text, "\n") {
		line := ""
		for _, word := range strings.Fields(printable(paragraph)) {
			if joined := strings.TrimLeft(line+" "+word, " "); p.pdf.GetStringWidth(joined) <= width {
				line = joined
				continue
			}
			if line != "" {
				out = append(out, line)
			}
			for line = word; p.pdf.GetStringWidth(line) > width; {
				start := p.start(line, width)
				out, line = append(out, start), line[len(start):]
			}
		}
		out = append(out, line)
	}
	return out
}

// start is the longest beginning of a word that fits, at least one character.
func (p *page) start(word string, width float64) string {
	end := 0
	for i, c := range word {
		next := i + len(string(c))
		if end > 0 && p.pdf.GetStringWidth(word[:next]) > width {
			break
		}
		end = next
	}
	return word[:end]
}

// fit shortens a line to a width.
func (p *page) fit(text string, width float64) string {
	if p.pdf.GetStringWidth(text) <= width {
		return text
	}
	return p.start(text, width-p.pdf.GetStringWidth("…")) + "…"
}

// printable replaces what a page cannot show: control characters become spaces,
// broken text and signs outside the basic plane, for which the font has no
// measures, a question mark.
func printable(s string) string {
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

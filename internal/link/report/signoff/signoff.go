package signoff

import (
	"fmt"
	"io"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
)

// Record is a commissioning record, in texts that are ready to print.
type Record struct {
	Site string
	// At is when the record was made; it is printed in its own zone.
	At      time.Time
	By      string
	Program string
	// Safety is the note on top of the first page; Notice, when there is one,
	// stands below it.
	Safety, Notice string
	Meters         []Meter
}

// Meter is the part of a record about one meter. It begins on a page of its own.
type Meter struct {
	Name string
	// Plate says what the meter is and how it is connected, a pair per line.
	Plate [][2]string
	// Problem says why the meter could not be read; empty when it could.
	Problem string
	// Verdict is the worst outcome of its checks.
	Verdict string
	// ValuesAt says when the values were read, empty when they never were.
	ValuesAt  string
	Values    []Value
	Checks    []Check
	Movements []Movement
}

// Value is one line of the table of values.
type Value struct {
	Name, Number, Unit string
	// Remark is short; Doubt, when there is one, takes its place and says why the
	// number is not plausible.
	Remark, Doubt string
}

// Check is one verdict.
type Check struct {
	Name    string
	Outcome string // good, doubtful, wrong or open
	Says    string
	Remedy  string // empty when nothing is to be done
}

// Movement is how one energy register moved while it was watched.
type Movement struct {
	Register, Counts, Watched, Moved, Power string
}

// Write writes the record as PDF. It is drawn twice: the first drawing tells how
// many pages there are.
func Write(w io.Writer, r Record) error {
	drawn := drawRecord(r, 0)
	pages := drawn.PageCount()
	if drawn.Ok() {
		drawn = drawRecord(r, pages)
	}
	if err := drawn.Output(w); err != nil {
		return fmt.Errorf("draw the record: %w", err)
	}
	return nil
}

func drawRecord(r Record, pages int) *fpdf.Fpdf {
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(r.At.UTC())
	pdf.SetModificationDate(r.At.UTC())
	pdf.SetProducer(printable(r.Program), true)
	pdf.SetTitle(printable("Commissioning record, "+r.Site), true)
	pdf.SetAuthor(printable(r.By), true)
	pdf.SetLang("en")
	pdf.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	pdf.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	pdf.SetMargins(left, top, left)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCellMargin(0)
	p := &page{pdf: pdf, record: r, pages: pages}
	pdf.SetFooterFunc(p.footer)
	if len(r.Meters) == 0 {
		p.begin()
		p.title()
	}
	for i := range r.Meters {
		p.meter(&r.Meters[i], i == 0)
	}
	p.signatures()
	return pdf
}

const clock = "Mon 2 Jan 2006 15:04:05 MST"

// meter draws the pages of one meter.
func (p *page) meter(m *Meter, first bool) {
	p.begin() // draws the footer of the page before, so the name changes after
	p.running = m.Name
	if first {
		p.title()
	} else {
		p.text(0, 8, inkMuted, "Commissioning record of meters · "+p.record.Site)
		p.space(2)
	}
	p.heading(m.Name, m.Verdict)
	for _, line := range m.Plate {
		p.pair(line[0], line[1])
	}
	p.space(2)
	if m.Problem != "" {
		p.note("Not read", m.Problem, inkWrong)
	}
	p.values(m)
	p.checks(m.Checks)
	p.movements(m.Movements)
}

// title is the head of the first page.
func (p *page) title() {
	p.bold(0, 18, inkText, "Commissioning record of meters")
	p.space(1.5)
	p.rule(inkText, 0.5)
	p.space(2.5)
	p.pair("Site", p.record.Site)
	p.pair("Time", p.record.At.Format(clock))
	p.pair("By", p.record.By)
	p.pair("Program", p.record.Program)
	p.space(2)
	p.note("Safety", p.record.Safety, inkText)
	if p.record.Notice != "" {
		p.note("Note", p.record.Notice, inkDoubtful)
	}
	p.space(2)
}

// values is the table of what was read.
func (p *page) values(m *Meter) {
	if len(m.Values) == 0 {
		return
	}
	columns := []column{{width: 52, title: "Value"}, {width: 34, right: true, title: "Reading"}, {width: 14, title: "Unit"}, {title: "Remark"}}
	p.table("Values", "as configured, read "+m.ValuesAt, columns, len(m.Values), func(i int) []cell {
		v := m.Values[i]
		cells := []cell{{text: v.Name}, {text: v.Number}, {text: v.Unit}, {text: v.Remark, ink: inkMuted}}
		if v.Doubt != "" {
			cells[3] = cell{text: "not plausible: " + v.Doubt, ink: inkWrong}
		}
		return cells
	})
}

// checks is the table of verdicts.
func (p *page) checks(all []Check) {
	if len(all) == 0 {
		return
	}
	columns := []column{{width: 24, title: "Check"}, {width: 22, title: "Outcome"}, {title: "Found, and what to do"}}
	p.table("Verdicts", "", columns, len(all), func(i int) []cell {
		c := all[i]
		says := cell{text: c.Says}
		if c.Remedy != "" {
			says.text += "\n→ " + c.Remedy
		}
		return []cell{{text: c.Name}, {text: c.Outcome, ink: inkOf(c.Outcome), bold: true}, says}
	})
}

// movements is the table of energy registers against power.
func (p *page) movements(all []Movement) {
	if len(all) == 0 {
		return
	}
	columns := []column{
		{width: 56, title: "Register"},
		{width: 22, title: "Counts"},
		{width: 22, right: true, title: "Watched"},
		{width: 36, right: true, title: "Register moved"},
		{right: true, title: "Power samples give"},
	}
	p.table("Register movement against power", "", columns, len(all), func(i int) []cell {
		m := all[i]
		return []cell{{text: m.Register}, {text: m.Counts}, {text: m.Watched}, {text: m.Moved}, {text: m.Power}}
	})
}

// signatures are the boxes at the end, both on one page.
func (p *page) signatures() {
	const high, gap = 34, 6.0
	p.need(high + 18)
	p.space(3)
	p.bold(0, 11, inkText, "Signatures")
	p.text(0, 8, inkMuted, "The electrician answers for the wiring, the engineer for the settings and the values above.")
	p.space(1.5)
	y, width := p.pdf.GetY(), (right-left-gap)/2
	for i, who := range []string{"Electrician (licensed)", "Engineer"} {
		x := left + float64(i)*(width+gap)
		p.draw(inkRule, 0.2)
		p.pdf.Rect(x, y, width, high, "D")
		p.at(x+3, y+2.5, 9, "B", inkText, who)
		for j, field := range []string{"Name", "Signature", "Date"} {
			line := y + 13 + float64(j)*9
			p.at(x+3, line-3.4, 8, "", inkMuted, field)
			p.pdf.Line(x+20, line, x+width-3, line)
		}
	}
	p.pdf.SetY(y + high)
}

package signoff

import (
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/link/report/paper"
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

// Write writes the record as PDF.
func Write(w io.Writer, r Record) error {
	if err := paper.Write(w, about(r), func(s *paper.Sheet) { drawRecord(s, r) }); err != nil {
		return fmt.Errorf("commissioning record: %w", err)
	}
	return nil
}

func about(r Record) paper.About {
	return paper.About{Title: "Commissioning record, " + r.Site, Author: r.By, Producer: r.Program, Language: "en", At: r.At}
}

func drawRecord(s *paper.Sheet, r Record) {
	p := &page{s, r}
	p.run("")
	if len(r.Meters) == 0 {
		p.Begin()
		p.title()
	}
	for i := range r.Meters {
		p.meter(&r.Meters[i], i == 0)
	}
	p.signatures()
}

// page is the drawing of a record.
type page struct {
	*paper.Sheet
	record Record
}

// run says which meter the pages are about.
func (p *page) run(name string) {
	p.Foot = p.record.Site + " · " + name + " · " + p.record.At.Format(clock)
	p.Again = "Commissioning record of meters · " + p.record.Site + " · " + name + ", continued"
}

func inkOf(outcome string) paper.Ink {
	switch outcome {
	case "good":
		return paper.Green
	case "doubtful":
		return paper.Ochre
	case "wrong":
		return paper.Red
	default:
		return paper.Grey
	}
}

const clock = "Mon 2 Jan 2006 15:04:05 MST"

// meter draws the pages of one meter.
func (p *page) meter(m *Meter, first bool) {
	p.Begin() // draws the footer of the page before, so the name changes after
	p.run(m.Name)
	if first {
		p.title()
	} else {
		p.Text(0, 8, paper.Grey, "Commissioning record of meters · "+p.record.Site)
		p.Space(2)
	}
	p.heading(m.Name, m.Verdict)
	for _, line := range m.Plate {
		p.Pair(line[0], line[1])
	}
	p.Space(2)
	if m.Problem != "" {
		p.Note("Not read", m.Problem, paper.Red)
	}
	p.values(m)
	p.checks(m.Checks)
	p.movements(m.Movements)
}

// title is the head of the first page.
func (p *page) title() {
	p.Bold(0, 18, paper.Black, "Commissioning record of meters")
	p.Space(1.5)
	p.Rule(paper.Black, 0.5)
	p.Space(2.5)
	p.Pair("Site", p.record.Site)
	p.Pair("Time", p.record.At.Format(clock))
	p.Pair("By", p.record.By)
	p.Pair("Program", p.record.Program)
	p.Space(2)
	p.Note("Safety", p.record.Safety, paper.Black)
	if p.record.Notice != "" {
		p.Note("Note", p.record.Notice, paper.Ochre)
	}
	p.Space(2)
}

// values is the table of what was read.
func (p *page) values(m *Meter) {
	if len(m.Values) == 0 {
		return
	}
	columns := []paper.Column{{Width: 52, Title: "Value"}, {Width: 34, AtRight: true, Title: "Reading"}, {Width: 14, Title: "Unit"}, {Title: "Remark"}}
	p.Table("Values", "as configured, read "+m.ValuesAt, columns, len(m.Values), func(i int) []paper.Cell {
		v := m.Values[i]
		cells := []paper.Cell{{Text: v.Name}, {Text: v.Number}, {Text: v.Unit}, {Text: v.Remark, Ink: paper.Grey}}
		if v.Doubt != "" {
			cells[3] = paper.Cell{Text: "not plausible: " + v.Doubt, Ink: paper.Red}
		}
		return cells
	})
}

// checks is the table of verdicts.
func (p *page) checks(all []Check) {
	if len(all) == 0 {
		return
	}
	columns := []paper.Column{{Width: 24, Title: "Check"}, {Width: 22, Title: "Outcome"}, {Title: "Found, and what to do"}}
	p.Table("Verdicts", "", columns, len(all), func(i int) []paper.Cell {
		c := all[i]
		says := paper.Cell{Text: c.Says}
		if c.Remedy != "" {
			says.Text += "\n→ " + c.Remedy
		}
		return []paper.Cell{{Text: c.Name}, {Text: c.Outcome, Ink: inkOf(c.Outcome), Bold: true}, says}
	})
}

// movements is the table of energy registers against power.
func (p *page) movements(all []Movement) {
	if len(all) == 0 {
		return
	}
	columns := []paper.Column{
		{Width: 56, Title: "Register"},
		{Width: 22, Title: "Counts"},
		{Width: 22, AtRight: true, Title: "Watched"},
		{Width: 36, AtRight: true, Title: "Register moved"},
		{AtRight: true, Title: "Power samples give"},
	}
	p.Table("Register movement against power", "", columns, len(all), func(i int) []paper.Cell {
		m := all[i]
		return []paper.Cell{{Text: m.Register}, {Text: m.Counts}, {Text: m.Watched}, {Text: m.Moved}, {Text: m.Power}}
	})
}

// heading is the name of a meter with its verdict at the right.
func (p *page) heading(name, verdict string) {
	const size, verdictSize = 14, 11
	p.Need(30)
	word := strings.ToUpper(paper.Printable(verdict))
	p.Font(verdictSize, "B", paper.Black)
	wide := p.PDF.GetStringWidth(word)
	y := p.PDF.GetY()
	p.At(paper.Right-wide, y+0.8, verdictSize, "B", inkOf(verdict), word)
	p.Font(size, "B", paper.Black)
	for _, line := range p.Lines(name, paper.Right-paper.Left-wide-paper.Gutter) {
		p.Bold(0, size, paper.Black, line)
	}
	p.Space(1)
	p.Rule(paper.Hairline, 0.2)
	p.Space(1.5)
}

// signatures are the boxes at the end, both on one page.
func (p *page) signatures() {
	const high, gap = 34, 6.0
	p.Need(high + 18)
	p.Space(3)
	p.Bold(0, 11, paper.Black, "Signatures")
	p.Text(0, 8, paper.Grey, "The electrician answers for the wiring, the engineer for the settings and the values above.")
	p.Space(1.5)
	y, width := p.PDF.GetY(), (paper.Right-paper.Left-gap)/2
	for i, who := range []string{"Electrician (licensed)", "Engineer"} {
		x := paper.Left + float64(i)*(width+gap)
		p.Draw(paper.Hairline, 0.2)
		p.PDF.Rect(x, y, width, high, "D")
		p.At(x+3, y+2.5, 9, "B", paper.Black, who)
		for j, field := range []string{"Name", "Signature", "Date"} {
			line := y + 13 + float64(j)*9
			p.At(x+3, line-3.4, 8, "", paper.Grey, field)
			p.PDF.Line(x+20, line, x+width-3, line)
		}
	}
	p.PDF.SetY(y + high)
}

package workbook

import (
	"fmt"
	"math"
	"time"

	"github.com/xuri/excelize/v2"

	"curetally/internal/link/report/words"
)

// style is how a cell looks; input tells what is data from what is computed.
type style int

const (
	plain style = iota
	title
	head
	note
	input     // a value that everything else comes from
	figure    // a formula
	day       // a formula or value that is a date
	inputDay  // a date that is data
	percent   // a fraction
	reference // what the program stated
)

// book is a workbook that is being written. The first error stays and later calls
// do nothing; one goroutine writes.
type book struct {
	file   *excelize.File
	words  *words.Words
	styles map[style]int
	err    error
}

func newBook(w *words.Words) *book {
	b := &book{file: excelize.NewFile(), words: w, styles: map[style]int{}}
	const inkMuted = "5B6770"
	const full = 0 // as many digits as there are
	data := excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"E8F1F2"}}
	dates, share, long := "yyyy-mm-dd", "0.00%", "#,##0.0000"
	for _, l := range []struct {
		is  style
		how excelize.Style
	}{
		{plain, excelize.Style{NumFmt: full}},
		{title, excelize.Style{Font: &excelize.Font{Bold: true, Size: 14}}},
		{head, excelize.Style{
			Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"},
			Border: []excelize.Border{{Type: "bottom", Color: inkMuted, Style: 1}},
		}},
		{note, excelize.Style{Font: &excelize.Font{Color: inkMuted}}},
		{input, excelize.Style{NumFmt: full, Fill: data}},
		{figure, excelize.Style{CustomNumFmt: &long}},
		{day, excelize.Style{CustomNumFmt: &dates}},
		{inputDay, excelize.Style{CustomNumFmt: &dates, Fill: data}},
		{percent, excelize.Style{CustomNumFmt: &share}},
		{reference, excelize.Style{CustomNumFmt: &long, Font: &excelize.Font{Color: inkMuted}}},
	} {
		if b.err == nil {
			b.styles[l.is], b.err = b.file.NewStyle(&l.how)
		}
	}
	return b
}

// sheet is one page of the book.
type sheet struct {
	b    *book
	name string
}

// add appends a sheet with its title in the first row.
func (b *book) add(name string) sheet {
	s := sheet{b, b.words.Text("sheet-" + name)}
	if b.err == nil {
		_, b.err = b.file.NewSheet(s.name)
	}
	return s
}

func at(col, row int) string {
	name, err := excelize.CoordinatesToCellName(col, row)
	if err != nil {
		panic(err) // columns and rows are counted by the program
	}
	return name
}

// abs is an absolute address on the sheet, for formulas of other sheets.
func (s sheet) abs(col, row int) string {
	name, err := excelize.CoordinatesToCellName(col, row, true)
	if err != nil {
		panic(err)
	}
	return "'" + s.name + "'!" + name
}

// column is an absolute range of one column.
func (s sheet) column(col, from, to int) string { return s.block(col, from, col, to) }

// block is an absolute range.
func (s sheet) block(col, row, toCol, toRow int) string {
	end, err := excelize.CoordinatesToCellName(toCol, toRow, true)
	if err != nil {
		panic(err)
	}
	return s.abs(col, row) + ":" + end
}

func (s sheet) put(col, row int, v any, how style) {
	if s.b.err != nil {
		return
	}
	if f, ok := v.(float64); ok && (math.IsNaN(f) || math.IsInf(f, 0)) {
		v = ""
	}
	if t, ok := v.(time.Time); ok {
		v = serial(t)
	}
	s.b.err = s.b.file.SetCellValue(s.name, at(col, row), v)
	s.look(col, row, how)
}

// formula puts a formula in one cell.
func (s sheet) formula(col, row int, how style, format string, a ...any) {
	if s.b.err != nil {
		return
	}
	s.b.err = s.b.file.SetCellFormula(s.name, at(col, row), fmt.Sprintf(format, a...))
	s.look(col, row, how)
}

// array puts one formula in a block of cells, which it fills.
func (s sheet) array(col, row, cols, rows int, format string, a ...any) {
	if s.b.err != nil {
		return
	}
	ref, kind := at(col, row), excelize.STCellFormulaTypeArray
	if cols > 1 || rows > 1 {
		ref += ":" + at(col+cols-1, row+rows-1)
	}
	s.b.err = s.b.file.SetCellFormula(s.name, at(col, row), fmt.Sprintf(format, a...), excelize.FormulaOpts{Ref: &ref, Type: &kind})
	for i := range cols {
		for j := range rows {
			s.look(col+i, row+j, figure)
		}
	}
}

func (s sheet) look(col, row int, how style) {
	if s.b.err == nil {
		s.b.err = s.b.file.SetCellStyle(s.name, at(col, row), at(col, row), s.b.styles[how])
	}
}

// heads writes the titles of columns.
func (s sheet) heads(row int, titles ...string) {
	for i, t := range titles {
		s.put(1+i, row, t, head)
	}
}

// begin writes title and note of a sheet and keeps its top in view.
func (s sheet) begin(heading, text string, frozen int, widths ...float64) {
	s.put(1, 1, heading, title)
	s.put(1, 2, text, plain)
	for i, w := range widths {
		if s.b.err == nil {
			col, _ := excelize.ColumnNumberToName(i + 1) // a number of the program's
			s.b.err = s.b.file.SetColWidth(s.name, col, col, w)
		}
	}
	if frozen > 0 && s.b.err == nil {
		s.b.err = s.b.file.SetPanes(s.name, &excelize.Panes{Freeze: true, YSplit: frozen, TopLeftCell: at(1, frozen+1), ActivePane: "bottomLeft"})
	}
}

// serial is the local date of an instant as spreadsheets count days: whole days
// since 30 December 1899.
func serial(t time.Time) int {
	y, m, d := t.Date()
	epoch := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Sub(epoch).Hours() / 24)
}

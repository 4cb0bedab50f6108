package sheet

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Format says how a file is written.
type Format struct {
	// Delimiter separates cells; 0 means a comma, or a semicolon where the comma
	// is the decimal mark.
	Delimiter rune
	// DecimalComma: numbers are written as 1234,5.
	DecimalComma bool
	// Zone is the time zone of instants that carry no offset.
	Zone *time.Location
	// TimeLayout is how instants are written, as package time describes
	// layouts; empty means ISO 8601 with a T or a blank.
	TimeLayout string
	// Twice says which of two instants is meant by a local time that exists
	// twice; empty refuses it.
	Twice Twice
	// Headers gives the header of a column that the file names otherwise.
	Headers map[string]string
}

// Twice chooses between the instants of a local time that clocks show twice.
type Twice string

// The choices. The empty one refuses such a time.
const (
	TwiceEarlier Twice = "earlier"
	TwiceLater   Twice = "later"
)

// Columns are the columns that a table must and may have.
type Columns struct{ Required, Optional []string }

// maxRow bounds the bytes of one row, so that a quote that never closes does
// not take the whole file into memory.
const maxRow = 1 << 20

// Rows reads a table row by row, in memory that does not grow with the file. It
// belongs to one goroutine.
type Rows struct {
	name     string
	csv      *csv.Reader
	in       *bounded
	format   Format
	clock    clock
	columns  map[string]int
	width    int
	row      []string
	line     int
	broken   bool // the row cannot be told into cells
	problems []Problem
	err      error
}

// Stream begins to read a table; the name shows in problems. What is wrong with
// the header comes back at once, all of it.
func Stream(name string, r io.Reader, f Format, want Columns) (*Rows, error) {
	in := &bounded{r: bufio.NewReaderSize(r, 1<<16), left: maxRow}
	t := &Rows{name: name, csv: csv.NewReader(in), in: in, format: f, clock: newClock(f), columns: map[string]int{}}
	t.csv.TrimLeadingSpace = true
	t.csv.ReuseRecord = true
	t.csv.FieldsPerRecord = -1 // compared below, so that reading goes on
	t.csv.Comma = f.Delimiter
	switch {
	case f.Delimiter == 0 && f.DecimalComma:
		t.csv.Comma = ';'
	case f.Delimiter == 0:
		t.csv.Comma = ','
	}
	header, err := t.csv.Read()
	if errors.Is(err, io.EOF) {
		return nil, Problem{File: name, Line: 1, Text: "the file is empty: expected a header with the columns " + strings.Join(want.Required, ", ")}
	}
	if err != nil {
		return nil, Problem{File: name, Line: 1, Text: err.Error()}
	}
	return t, t.find(header, want)
}

// find looks the columns up in the header.
func (r *Rows) find(header []string, want Columns) error {
	names := make([]string, len(header))
	for i, h := range header {
		names[i] = plain(h)
	}
	r.width = len(header)
	var problems []error
	for i, column := range slices.Concat(want.Required, want.Optional) {
		asked, mapped := r.format.Headers[column]
		if !mapped {
			asked = column
		}
		asked = plain(asked)
		at := slices.Index(names, asked)
		switch {
		case at < 0 && !mapped && i >= len(want.Required): // may be missing
		case at < 0:
			problems = append(problems, Problem{File: r.name, Line: 1, Column: asked, Text: fmt.Sprintf("this column is missing: the header has %s (cells are separated by %q)", strings.Join(names, ", "), r.csv.Comma)})
		case slices.Contains(names[at+1:], asked):
			problems = append(problems, Problem{File: r.name, Line: 1, Column: asked, Text: "two columns have this name: rename one of them"})
		default:
			r.columns[column] = at
		}
	}
	return errors.Join(problems...)
}

// plain is a header as it is compared.
func plain(header string) string {
	return strings.ToLower(strings.TrimSpace(strings.TrimPrefix(header, "\ufeff")))
}

// Next goes to the next row; false means that the file ended or, as Err says,
// that it cannot be read on.
func (r *Rows) Next() bool {
	r.problems, r.broken, r.in.left = r.problems[:0], false, maxRow
	row, err := r.csv.Read()
	parse, unparsable := errors.AsType[*csv.ParseError](err)
	switch {
	case errors.Is(err, io.EOF):
		return false
	case unparsable:
		r.row, r.line, r.broken = row, parse.StartLine, true
		r.Report("", parse.Err.Error())
		return true
	case err != nil:
		r.err = fmt.Errorf("%s: after line %d: %w", r.name, r.line, err)
		return false
	}
	r.row = row
	r.line, _ = r.csv.FieldPos(0)
	if len(row) != r.width {
		r.broken = true
		r.Report("", fmt.Sprintf("%d cells, the header has %d", len(row), r.width))
	}
	return true
}

// Err is why reading ended before the end of the file.
func (r *Rows) Err() error { return r.err }

// Line is the line of the row.
func (r *Rows) Line() int { return r.line }

// Problems gives what is wrong with the row, as far as its cells were asked for.
// The slice is valid until Next.
func (r *Rows) Problems() []Problem { return r.problems }

// Broken says that the row could not be told into cells; its problems say why.
func (r *Rows) Broken() bool { return r.broken }

// Report adds a problem of the row that only the caller can see.
func (r *Rows) Report(column, text string) {
	r.problems = append(r.problems, Problem{File: r.name, Line: r.line, Column: column, Text: text})
}

// Raw is the row as written, but for its quotes.
func (r *Rows) Raw() string { return strings.Join(r.row, string(r.csv.Comma)) }

// Has says whether the file has the column.
func (r *Rows) Has(column string) bool {
	_, ok := r.columns[column]
	return ok
}

// cell gives a cell's text; ok is false when the row is broken or the column is
// missing.
func (r *Rows) cell(column string) (text string, ok bool) {
	i, ok := r.columns[column]
	if !ok || r.broken {
		return "", false
	}
	return strings.TrimSpace(r.row[i]), true
}

// Empty says whether the row has nothing in the column.
func (r *Rows) Empty(column string) bool {
	text, _ := r.cell(column)
	return text == ""
}

// maxText bounds the characters of a cell of text.
const maxText = 200

// Text reads a cell of text, which may be empty.
func (r *Rows) Text(column string) string {
	text, _ := r.cell(column)
	if len(text) > maxText || !utf8.ValidString(text) || strings.ContainsFunc(text, unicode.IsControl) {
		r.Report(column, fmt.Sprintf("%.40q: expected text in UTF-8 of up to %d bytes", text, maxText))
		return ""
	}
	return text
}

// Time reads an instant, in UTC. A local time that does not exist, or exists
// twice and nothing says which, is a problem.
func (r *Rows) Time(column string) time.Time {
	text, ok := r.cell(column)
	if !ok {
		return time.Time{}
	}
	at, err := r.clock.parse(text)
	if err != nil {
		r.Report(column, err.Error())
	}
	return at
}

// Units reads a decimal number as whole units, rounded down; see Units.
func (r *Rows) Units(column string, perOne int64) int64 {
	text, ok := r.number(column)
	if !ok {
		return 0
	}
	units, err := Units(text, perOne)
	if err != nil {
		r.Report(column, err.Error())
	}
	return units
}

// Float reads a finite number.
func (r *Rows) Float(column string) float64 {
	text, ok := r.number(column)
	if !ok {
		return 0
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(text, "xX_") {
		r.Report(column, fmt.Sprintf("%q is no number: expected one such as 1234.5", text))
		return 0
	}
	return v
}

// Whole reads a whole number.
func (r *Rows) Whole(column string) int64 {
	text, ok := r.cell(column)
	if !ok {
		return 0
	}
	v, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		r.Report(column, fmt.Sprintf("%q is no whole number: expected one such as 1234", text))
	}
	return v
}

// number gives the text of a number with a point as its decimal mark. The other
// mark is a problem: it may be a separator of groups.
func (r *Rows) number(column string) (text string, ok bool) {
	text, ok = r.cell(column)
	if !ok {
		return "", false
	}
	mark, other, remedy := ",", ".", "remove the points, a comma is the decimal mark here"
	if !r.format.DecimalComma {
		mark, other, remedy = ".", ",", "state with --decimal-comma that it is the decimal mark, or remove it"
	}
	if strings.Contains(text, other) {
		r.Report(column, fmt.Sprintf("%q has a %s: %s", text, map[string]string{",": "comma", ".": "point"}[other], remedy))
		return "", false
	}
	if mark == "," {
		text = strings.ReplaceAll(text, ",", ".")
	}
	return text, true
}

// errLongRow says that a row is longer than any that a person would write.
var errLongRow = fmt.Errorf("a row of more than %d bytes: is a quote not closed", maxRow)

// bounded refuses to give more than left bytes.
type bounded struct {
	r    io.Reader
	left int
}

// Read implements io.Reader.
func (b *bounded) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, errLongRow
	}
	n, err := b.r.Read(p)
	b.left -= n
	return n, err
}

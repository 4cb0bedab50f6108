// Package sheet reads tables that people keep as files of comma-separated
// values: a header that names the columns, then one row per line. Columns are
// found by name, in any order; columns that nobody asked for are ignored.
//
// Every cell that cannot be read is a problem with its place (file, line,
// column), what was expected and what stands there. A Table reads a whole file:
// all its problems come at once, and a file with a problem gives no rows. Rows
// reads a file of any length row by row, each with its problems; what they mean
// for the file is for the caller to say.
//
// Values keep what was written: a number is also available as an exact decimal
// text, so that a register value becomes whole units without rounding twice.
package sheet

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"math/bits"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Problem is one thing that is wrong with a file.
type Problem struct {
	File   string
	Line   int // 1 for the header
	Column string
	Text   string // what is wrong and what was expected
}

// Error gives the problem as "file:line: column: text".
func (p Problem) Error() string {
	if p.Column == "" {
		return fmt.Sprintf("%s:%d: %s", p.File, p.Line, p.Text)
	}
	return fmt.Sprintf("%s:%d: %s: %s", p.File, p.Line, p.Column, p.Text)
}

// maxProblems bounds how many problems are listed; the rest is counted.
const maxProblems = 50

// Table is a file with the columns that were asked for.
type Table struct {
	file     string
	columns  map[string]int
	rows     [][]string
	lines    []int // line of each row
	problems []error
	more     int // problems beyond maxProblems
}

// Read reads a table. The name shows in problems. Columns that are missing from
// the header, lines of another length and quotes that do not close are problems;
// they come from Err together with those of the cells.
func Read(name string, r io.Reader, columns ...string) *Table {
	t := &Table{file: name, columns: map[string]int{}}
	c := csv.NewReader(r)
	c.TrimLeadingSpace = true
	c.ReuseRecord = false
	c.FieldsPerRecord = -1 // compared below, so that reading goes on
	header, err := c.Read()
	if errors.Is(err, io.EOF) {
		t.report(1, "", "the file is empty: expected a header with the columns "+strings.Join(columns, ", "))
		return t
	}
	if err != nil {
		t.report(1, "", err.Error())
		return t
	}
	for i, h := range header {
		header[i] = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))
	}
	for _, want := range columns {
		i := slices.Index(header, want)
		if i < 0 {
			t.report(1, want, "this column is missing: the header has "+strings.Join(header, ", "))
			continue
		}
		if slices.Contains(header[i+1:], want) {
			t.report(1, want, "this column stands twice in the header: expected each name once, in capitals or not")
		}
		t.columns[want] = i
	}
	t.body(c, len(header))
	return t
}

func (t *Table) body(c *csv.Reader, width int) {
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			return
		}
		if parse, ok := errors.AsType[*csv.ParseError](err); ok {
			t.report(parse.Line, "", parse.Err.Error())
			continue
		}
		if err != nil {
			t.report(len(t.rows)+2, "", err.Error())
			return
		}
		line, _ := c.FieldPos(0)
		if len(row) != width {
			t.report(line, "", fmt.Sprintf("%d cells, the header has %d", len(row), width))
			continue
		}
		t.rows = append(t.rows, row)
		t.lines = append(t.lines, line)
	}
}

func (t *Table) report(line int, column, text string) {
	if len(t.problems) == maxProblems {
		t.more++
		return
	}
	t.problems = append(t.problems, Problem{File: t.file, Line: line, Column: column, Text: text})
}

// Report adds a problem that only the caller can see, at a row.
func (t *Table) Report(row int, column, text string) { t.report(t.Line(row), column, text) }

// Err gives all problems found so far, or nil.
func (t *Table) Err() error {
	if len(t.problems) == 0 {
		return nil
	}
	problems := t.problems
	if t.more > 0 {
		problems = append(slices.Clone(problems), fmt.Errorf("%s: %d problems more", t.file, t.more))
	}
	return errors.Join(problems...)
}

// Len is the number of rows.
func (t *Table) Len() int { return len(t.rows) }

// Line is the line of a row in the file.
func (t *Table) Line(row int) int { return t.lines[row] }

// cell gives a cell's text; ok is false when the column is missing, which is
// reported once for the header.
func (t *Table) cell(row int, column string) (string, bool) {
	i, ok := t.columns[column]
	if !ok {
		return "", false
	}
	return strings.TrimSpace(t.rows[row][i]), true
}

// Time reads an RFC 3339 instant.
func (t *Table) Time(row int, column string) time.Time {
	text, ok := t.cell(row, column)
	if !ok {
		return time.Time{}
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Report(row, column, fmt.Sprintf("%q is no instant: expected RFC 3339, for example 2026-03-02T06:00:00Z", text))
	}
	return at.UTC()
}

// Float reads a finite number.
func (t *Table) Float(row int, column string) float64 {
	text, ok := t.cell(row, column)
	if !ok {
		return 0
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		t.Report(row, column, fmt.Sprintf("%q is no number: expected one such as 1234.5", text))
		return 0
	}
	return v
}

// Units reads a decimal number and multiplies it by perOne, rounded down to
// whole units: kilowatt-hours with 1 000 000 give milliwatt-hours, exactly for
// up to six decimals.
func (t *Table) Units(row int, column string, perOne int64) int64 {
	text, ok := t.cell(row, column)
	if !ok {
		return 0
	}
	units, err := Units(text, perOne)
	if err != nil {
		t.Report(row, column, err.Error())
	}
	return units
}

// Units gives a decimal number as whole units, rounded down; see Table.Units.
func Units(text string, perOne int64) (int64, error) {
	if units, ok := quick(text, perOne); ok {
		return units, nil
	}
	if len(text) > 40 || strings.ContainsAny(text, "/_xXoObBpP") || exponent(text) > 40 {
		return 0, fmt.Errorf("%.50q is no number: expected one such as 1234.5", text)
	}
	v, ok := new(big.Rat).SetString(text)
	if !ok {
		return 0, fmt.Errorf("%q is no number: expected one such as 1234.5", text)
	}
	v.Mul(v, new(big.Rat).SetInt64(perOne))
	whole := new(big.Int).Div(v.Num(), v.Denom()) // Euclidean: down, as the denominator is positive
	if !whole.IsInt64() {
		return 0, fmt.Errorf("%s is out of range", text)
	}
	return whole.Int64(), nil
}

// exponent is the magnitude of the power of ten in a number.
func exponent(text string) int {
	i := strings.IndexAny(text, "eE")
	if i < 0 {
		return 0
	}
	n, err := strconv.Atoi(text[i+1:])
	if err != nil {
		return math.MaxInt
	}
	return max(n, -n)
}

// quick is Units for plain numbers of up to 18 digits; ok is false for all
// others. perOne must be above 0.
func quick(text string, perOne int64) (units int64, ok bool) {
	var digits uint64
	scale, point, n := uint64(1), false, 0
	for i := range len(text) {
		switch c := text[i]; {
		case c == '-' && i == 0:
		case c == '.' && !point:
			point = true
		case c >= '0' && c <= '9' && n < 18:
			digits = digits*10 + uint64(c-'0')
			n++
			if point {
				scale *= 10
			}
		default:
			return 0, false
		}
	}
	high, low := bits.Mul64(digits, uint64(perOne))
	if n == 0 || high >= scale {
		return 0, false
	}
	whole, rest := bits.Div64(high, low, scale)
	if whole >= math.MaxInt64 {
		return 0, false
	}
	if text[0] != '-' {
		return int64(whole), true
	}
	if rest > 0 {
		whole++
	}
	return -int64(whole), true
}

// Decimal writes whole units as a number of which perOne make one; perOne is a
// power of ten, so that nothing is lost: Units gives the units back.
func Decimal(units, perOne int64) string {
	places := len(strconv.FormatInt(perOne, 10)) - 1
	if places == 0 {
		return strconv.FormatInt(units, 10)
	}
	sign, magnitude := "", uint64(units)
	if units < 0 {
		sign, magnitude = "-", -magnitude
	}
	text := fmt.Sprintf("%0*d", places+1, magnitude)
	cut := len(text) - places
	return sign + text[:cut] + "." + text[cut:]
}

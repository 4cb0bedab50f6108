// Package history has the commands that bring history into a plant's store and
// take it out again: import from files of comma-separated values, export as such
// files or as Parquet. Each command is a struct whose fields are its flags.
//
// An import looks before it writes: every row is read and judged first, and a
// file with a row that must be refused is left alone unless its good rows are
// asked for. What is on record stays. What was exported as comma-separated
// values can be imported again and gives the same facts.
//
// Times without an offset are those of the site, unless the file is said to be
// written in another zone. Values of registers are as the meter shows them,
// before the ratio of any transformers.
package history

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app"
	"curetally/internal/core/plant"
	"curetally/internal/link/sheet"
	"curetally/internal/link/store"
	"curetally/internal/work/intake"
)

// Import is the command with one for each kind of history.
type Import struct {
	Readings ImportReadings `cmd:"" help:"Values of registers: columns time, register and value (or --register)."`
	States   ImportStates   `cmd:"" help:"States of stations: columns time, station, state and where there are technology, lit_s, starts, boot, seq."`
	Signals  ImportSignals  `cmd:"" help:"Process values: columns time, subject, name, value."`
	Lamps    ImportLamps    `cmd:"" help:"Lamp changes: columns time, station, lamp, action (fit or remove), kind, reason, by."`
}

// Sheet are the flags that say how a file is written.
type Sheet struct {
	desk.Site
	File         string   `arg:"" help:"CSV file with a header; columns are found by name, in any order, others are ignored."`
	Zone         string   `help:"Time zone of times without an offset, as Europe/Berlin or +01:00; the site's by default." placeholder:"ZONE"`
	Ambiguous    string   `help:"What a local time means that exists twice, in the night when clocks are set back: earlier, later or refuse." enum:"refuse,earlier,later" default:"refuse"`
	TimeLayout   string   `help:"How times are written, shown by the example of 2 January 2006 15:04:05, such as \"02.01.2006 15:04\"; ISO 8601 by default." placeholder:"LAYOUT"`
	DecimalComma bool     `help:"Numbers are written as 1234,5, and cells are separated by semicolons."`
	Delimiter    string   `help:"What separates cells: one character, or tab; a comma by default." placeholder:"CHAR"`
	Column       []string `help:"A column that has another header here, as value=Reading; may be repeated." sep:"none" placeholder:"NAME=HEADER"`
	DryRun       bool     `help:"Write nothing; report what would be taken, is on record, or is refused."`
	JSON         bool     `help:"Print the report as JSON."`
}

// Validate refuses flags that make no sense.
func (c Sheet) Validate() error {
	if c.Delimiter != "" && c.Delimiter != "tab" && (utf8.RuneCountInString(c.Delimiter) != 1 || strings.ContainsAny(c.Delimiter, "\"\r\n\uFFFD")) {
		return fmt.Errorf("--delimiter %q: expected one character, or tab", c.Delimiter)
	}
	if c.DecimalComma && c.Delimiter == "," {
		return errors.New("--decimal-comma: the comma cannot separate cells as well — give another --delimiter")
	}
	if c.Zone != "" {
		if _, err := sheet.Zone(c.Zone); err != nil {
			return fmt.Errorf("--zone: %w", err)
		}
	}
	for _, m := range c.Column {
		if name, header, ok := strings.Cut(m, "="); !ok || name == "" || strings.TrimSpace(header) == "" {
			return fmt.Errorf("--column %q: expected NAME=HEADER, such as value=Reading", m)
		}
	}
	return c.checkLayout()
}

// checkLayout refuses a layout by which an instant is not read back.
func (c Sheet) checkLayout() error {
	if c.TimeLayout == "" {
		return nil
	}
	if strings.Contains(c.TimeLayout, "MST") {
		return fmt.Errorf("--time-layout %q: an abbreviation such as MST names no zone surely — leave such a column away, or have offsets written", c.TimeLayout)
	}
	probe := time.Date(2013, 11, 22, 17, 48, 0, 0, time.UTC)
	got, err := time.Parse(c.TimeLayout, probe.Format(c.TimeLayout))
	if y, m, d := got.Date(); err != nil || y != 2013 || m != 11 || d != 22 {
		return fmt.Errorf("--time-layout %q: expected the example instant 2 January 2006 15:04:05 written as in the file, such as %q", c.TimeLayout, "02.01.2006 15:04")
	}
	return nil
}

// format is what the flags say, with the columns that a form knows.
func (c Sheet) format(p *plant.Plant, columns sheet.Columns) (sheet.Format, error) {
	f := sheet.Format{DecimalComma: c.DecimalComma, Zone: p.TimeZone, TimeLayout: c.TimeLayout, Headers: map[string]string{}}
	if c.Ambiguous != "refuse" {
		f.Twice = sheet.Twice(c.Ambiguous)
	}
	f.Delimiter, _ = utf8.DecodeRuneInString(c.Delimiter)
	switch c.Delimiter {
	case "":
		f.Delimiter = 0
	case "tab":
		f.Delimiter = '\t'
	}
	known := slices.Concat(columns.Required, columns.Optional)
	for _, m := range c.Column {
		name, header, _ := strings.Cut(m, "=")
		if !slices.Contains(known, name) {
			return f, fmt.Errorf("--column %s: this form has the columns %s", m, strings.Join(known, ", "))
		}
		f.Headers[name] = header
	}
	if c.Zone == "" {
		return f, nil
	}
	zone, err := sheet.Zone(c.Zone)
	f.Zone = zone
	return f, err
}

// Facts are the flags of an import of facts.
type Facts struct {
	Sheet
	SkipRefused bool `help:"Take the good rows of a file in which others are refused; by default such a file is left alone."`
}

// ImportReadings brings in values of registers.
type ImportReadings struct {
	Facts
	Register string `help:"Register that all rows are of, as OWNER/VALUE; the file then needs no such column." placeholder:"NAME"`
	Unit     string `help:"Unit of energy values: kWh, Wh, MWh or mWh; a column unit says it for each row. Other values are in m², m or counts." enum:"kWh,Wh,MWh,mWh" default:"kWh"`
}

// Run imports readings.
func (c ImportReadings) Run(ctx context.Context, s desk.Surroundings) error {
	return c.run(ctx, s, func(p *plant.Plant) (form, error) { return readingForm(p, c.Register, c.Unit) })
}

// ImportStates brings in states of stations.
type ImportStates struct{ Facts }

// Run imports states.
func (c ImportStates) Run(ctx context.Context, s desk.Surroundings) error {
	return c.run(ctx, s, func(p *plant.Plant) (form, error) { return stateForm(p), nil })
}

// ImportSignals brings in process values.
type ImportSignals struct{ Facts }

// Run imports signals.
func (c ImportSignals) Run(ctx context.Context, s desk.Surroundings) error {
	return c.run(ctx, s, func(p *plant.Plant) (form, error) { return signalForm(p), nil })
}

func (c Facts) run(ctx context.Context, s desk.Surroundings, build func(*plant.Plant) (form, error)) error {
	if f, err := os.Open(c.File); err != nil { // before a database is started
		return err
	} else if err := f.Close(); err != nil {
		return err
	}
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		form, err := build(p)
		if err != nil {
			return err
		}
		src := file{path: c.File, form: form, now: time.Now()}
		if src.format, err = c.format(p, form.columns); err != nil {
			return err
		}
		report, err := intake.Take(ctx, intake.Options{
			Source: &src, Store: db, Name: c.File, Show: shown(p), Settle: func(ctx context.Context) error { return app.Settle(ctx, p, db, desk.Quiet(s.Log)) },
			Progress: progress(c.File, s.Log), SkipRefused: c.SkipRefused, DryRun: c.DryRun, Now: time.Now().UTC(),
		})
		return c.conclude(ctx, s, p, result{Report: report, DryRun: c.DryRun, File: c.File}, err)
	})
}

// conclude prints the report and says what it means.
func (c Facts) conclude(ctx context.Context, s desk.Surroundings, p *plant.Plant, r result, err error) error {
	refused := errors.Is(err, intake.ErrRefused)
	if err != nil && !refused {
		if ctx.Err() != nil {
			return errors.New("interrupted: what was taken so far stays; the same command goes on from there")
		}
		return err
	}
	r.LeftAlone = refused
	if err := r.print(s, p, c.JSON); err != nil {
		return err
	}
	switch {
	case refused:
		return fmt.Errorf("%s: %s refused, so nothing is taken — mend the file, or take its other rows with --skip-refused", c.File, rowsAre(r.Refused))
	case r.Refused > 0 || r.Conflicts > 0:
		return desk.ErrFinding
	}
	return nil
}

package history

import (
	"bufio"
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"slices"
	"strconv"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/columnar"
	"curetally/internal/link/sheet"
	"curetally/internal/link/store"
)

// Export is the command with one for each kind of fact, and one for entries.
type Export struct {
	Readings ExportReadings `cmd:"" help:"Values of registers as the meters showed them."`
	States   ExportStates   `cmd:"" help:"States of stations with their counters."`
	Signals  ExportSignals  `cmd:"" help:"Process values."`
	Entries  ExportEntries  `cmd:"" help:"Amounts by register, interval, state, light source and lamp; computed, so never imported."`
	Lamps    ExportLamps    `cmd:"" help:"Lamp changes."`
}

// Target are the flags that say what is wanted and where it goes.
type Target struct {
	desk.Site
	From   string `help:"First instant, as 2026-03-01 or \"2026-03-01 06:00\" in the site's time or with an offset; the first on record by default." placeholder:"TIME"`
	To     string `help:"First instant that is not wanted any more, in the same form; all by default." placeholder:"TIME"`
	Format string `help:"csv (UTC times; values in kWh, s, m², m or counts, exactly) or parquet (typed columns in whole units)." enum:"csv,parquet" default:"csv"`
	Out    string `help:"File to write; - is standard output. It is whole or not there." default:"-" placeholder:"FILE"`
	Force  bool   `help:"Write over a file that exists."`
}

// Validate refuses what is no instant in any zone.
func (c Target) Validate() error {
	_, err := c.window(time.UTC, nil)
	return err
}

// window is the stretch of time that is wanted, of owners with these names.
func (c Target) window(zone *time.Location, names []string) (store.Window, error) {
	w := store.Window{Names: names}
	var err error
	if w.From, err = instant("--from", c.From, zone); err != nil {
		return w, err
	}
	if w.To, err = instant("--to", c.To, zone); err != nil {
		return w, err
	}
	if !w.To.IsZero() && !w.From.Before(w.To) {
		return w, fmt.Errorf("--to %s: expected an instant after --from %s", c.To, c.From)
	}
	return w, nil
}

func instant(flag, text string, zone *time.Location) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02 15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%s %q: expected an instant such as 2026-03-09T14:30:00Z, or the site's time such as %q", flag, text, "2026-03-09 14:30")
}

// write opens the store and lets fill write the target.
func (c Target) write(ctx context.Context, s desk.Surroundings, names []string, fill func(*exporting) error) error {
	if err := checkTarget(c.Out, c.Force); err != nil {
		return err
	}
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		x := &exporting{db: db, plant: p, parquet: c.Format == "parquet"}
		var err error
		if x.window, err = c.window(p.TimeZone, names); err != nil {
			return err
		}
		if x.quantities, err = db.Quantities(ctx); err != nil {
			return err
		}
		return writeFile(c.Out, c.Force, s.Stdout, func(w io.Writer) error {
			x.w = w
			return fill(x)
		})
	})
}

// exporting is one export.
type exporting struct {
	db         *store.DB
	plant      *plant.Plant
	window     store.Window
	quantities columnar.Quantities
	parquet    bool
	w          io.Writer
}

// checkNames refuses names of registers that were never there: an empty file
// would look as if nothing had been counted.
func (x *exporting) checkNames() error {
	known := slices.Sorted(maps.Keys(x.quantities))
	for _, n := range x.window.Names {
		if _, ok := x.quantities[plant.RegisterID(n)]; !ok {
			return desk.Unknown("register", n, known, func(r plant.RegisterID) string { return string(r) })
		}
	}
	return nil
}

func (x *exporting) checkStations() error {
	for _, n := range x.window.Names {
		if _, ok := x.plant.FindStation(plant.StationID(n)); !ok {
			return desk.Unknown("station", n, x.plant.Stations(), func(s plant.Station) string { return string(s.ID) })
		}
	}
	return nil
}

// amount gives an amount of a register as an exact number and its unit.
func (x *exporting) amount(r plant.RegisterID, units int64) (number, unit string) {
	u := exact(x.quantities[r])
	return sheet.Decimal(units, u.perOne), u.name
}

// ExportReadings takes values of registers out.
type ExportReadings struct {
	Target
	Register []string `help:"Only this register; may be repeated." placeholder:"NAME"`
}

// Run exports readings.
func (c ExportReadings) Run(ctx context.Context, s desk.Surroundings) error {
	return c.write(ctx, s, c.Register, func(x *exporting) error {
		if err := x.checkNames(); err != nil {
			return err
		}
		all := x.db.AllReadings(ctx, x.window)
		if x.parquet {
			_, err := columnar.Readings(x.w, all, x.quantities)
			return err
		}
		return writeCSV(x.w, all, []string{"time", "register", "value", "unit", "modulus"}, func(r plant.Reading) []string {
			value, unit := x.amount(r.Register, r.Value)
			modulus := ""
			if r.Modulus != 0 {
				modulus, _ = x.amount(r.Register, r.Modulus)
			}
			return []string{stamp(r.At), string(r.Register), value, unit, modulus}
		})
	})
}

// ExportStates takes states of stations out.
type ExportStates struct {
	Target
	Station []string `help:"Only this station; may be repeated." placeholder:"NAME"`
}

// Run exports states.
func (c ExportStates) Run(ctx context.Context, s desk.Surroundings) error {
	return c.write(ctx, s, c.Station, func(x *exporting) error {
		if err := x.checkStations(); err != nil {
			return err
		}
		all := x.db.AllEvents(ctx, x.window)
		if x.parquet {
			_, err := columnar.States(x.w, all)
			return err
		}
		header := []string{"time", "station", "state", "technology", "lit_s", "starts", "boot", "seq", "arrived", "clock_distrusted", "last_will"}
		return writeCSV(x.w, all, header, func(e plant.StationEvent) []string {
			lit, starts := "", ""
			if e.LitMillis >= 0 {
				lit = sheet.Decimal(e.LitMillis, 1000)
			}
			if e.Starts >= 0 {
				starts = strconv.FormatInt(e.Starts, 10)
			}
			return []string{
				stamp(e.At), string(e.Station), e.State.String(), e.Technology.String(), lit, starts, e.Boot, strconv.FormatInt(e.Sequence, 10),
				stamp(e.Arrived), strconv.FormatBool(e.ClockDistrusted), strconv.FormatBool(e.LastWill),
			}
		})
	})
}

// ExportSignals takes process values out.
type ExportSignals struct {
	Target
	Subject []string `help:"Only this press, station or meter; may be repeated." placeholder:"NAME"`
}

// Run exports signals.
func (c ExportSignals) Run(ctx context.Context, s desk.Surroundings) error {
	return c.write(ctx, s, c.Subject, func(x *exporting) error {
		all := x.db.AllSignals(ctx, x.window)
		if x.parquet {
			_, err := columnar.Signals(x.w, all)
			return err
		}
		return writeCSV(x.w, all, []string{"time", "subject", "name", "value"}, func(v plant.Signal) []string {
			return []string{stamp(v.At), v.Subject, v.Name, strconv.FormatFloat(v.Value, 'g', -1, 64)}
		})
	})
}

// ExportEntries takes entries out.
type ExportEntries struct {
	Target
	Register []string `help:"Only this register; may be repeated." placeholder:"NAME"`
}

// Run exports entries.
func (c ExportEntries) Run(ctx context.Context, s desk.Surroundings) error {
	return c.write(ctx, s, c.Register, func(x *exporting) error {
		if err := x.checkNames(); err != nil {
			return err
		}
		all := x.db.AllEntries(ctx, x.window)
		if x.parquet {
			_, err := columnar.Entries(x.w, all, x.quantities)
			return err
		}
		return writeCSV(x.w, all, []string{"start", "register", "state", "technology", "lamp", "amount", "unit", "quality"}, func(e plant.Entry) []string {
			number, unit := x.amount(e.Register, e.Amount)
			return []string{stamp(e.Start), string(e.Register), e.State.String(), e.Technology.String(), string(e.Lamp), number, unit, e.Quality.String()}
		})
	})
}

// ExportLamps takes lamp changes out. In Parquet each row is a fitting with its
// end, in CSV each change is a row.
type ExportLamps struct {
	Target
	Station []string `help:"Only this station; may be repeated." placeholder:"NAME"`
}

// Run exports lamp changes.
func (c ExportLamps) Run(ctx context.Context, s desk.Surroundings) error {
	return c.write(ctx, s, c.Station, func(x *exporting) error {
		if err := x.checkStations(); err != nil {
			return err
		}
		lamps, err := x.db.Lamps(ctx)
		if err != nil {
			return err
		}
		kinds := map[plant.LampSerial]string{}
		for _, l := range lamps {
			kinds[l.Serial] = l.Kind
		}
		fittings, err := x.db.AllFittings(ctx)
		if err != nil {
			return err
		}
		if x.parquet {
			in := slices.DeleteFunc(fittings, func(f plant.Fitting) bool { return !x.wants(f, f.From) })
			_, err := columnar.Fittings(x.w, whole(in), kinds)
			return err
		}
		return writeCSV(x.w, whole(x.lampRows(fittings, kinds)), []string{"time", "station", "lamp", "action", "kind", "reason", "by"}, func(row []string) []string { return row })
	})
}

// wants says whether a change of a fitting at an instant is in the window.
func (x *exporting) wants(f plant.Fitting, at time.Time) bool {
	w := x.window
	return !at.Before(w.From) && (w.To.IsZero() || at.Before(w.To)) && (w.Names == nil || slices.Contains(w.Names, string(f.Station)))
}

// lampRows are the changes in the window in order of time; at one instant a lamp
// goes before the next one comes.
func (x *exporting) lampRows(fittings []plant.Fitting, kinds map[plant.LampSerial]string) [][]string {
	type change struct {
		at  time.Time
		fit int
		row []string
	}
	var all []change
	for _, f := range fittings {
		if x.wants(f, f.From) {
			all = append(all, change{f.From, 1, []string{stamp(f.From), string(f.Station), string(f.Lamp), "fit", kinds[f.Lamp], "", f.By}})
		}
		if !f.To.IsZero() && x.wants(f, f.To) {
			all = append(all, change{f.To, 0, []string{stamp(f.To), string(f.Station), string(f.Lamp), "remove", "", f.Reason, ""}})
		}
	}
	slices.SortStableFunc(all, func(a, b change) int { return cmp.Or(a.at.Compare(b.at), a.fit-b.fit) })
	rows := make([][]string, len(all))
	for i, c := range all {
		rows[i] = c.row
	}
	return rows
}

// whole gives values that are in memory as a sequence.
func whole[T any](all []T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, v := range all {
			if !yield(v, nil) {
				return
			}
		}
	}
}

// stamp writes an instant in UTC with all the digits that it has.
func stamp(at time.Time) string { return at.UTC().Format(time.RFC3339Nano) }

func writeCSV[T any](w io.Writer, in iter.Seq2[T, error], header []string, row func(T) []string) error {
	c := csv.NewWriter(w)
	if err := c.Write(header); err != nil {
		return err
	}
	for v, err := range in {
		if err != nil {
			return err
		}
		if err := c.Write(row(v)); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// buffered gathers what is written for fn.
func buffered(w io.Writer, fn func(io.Writer) error) error {
	b := bufio.NewWriterSize(w, 1<<16)
	if err := fn(b); err != nil {
		return errors.Join(err, b.Flush())
	}
	return b.Flush()
}

// existsError is what is said of a target that is there already.
func existsError(path string) error {
	return fmt.Errorf("%s exists already: give another name, or write over it with --force", path)
}

package history

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/sheet"
	"curetally/internal/work/intake"
)

// form is how one kind of fact is written in a row.
type form struct {
	columns sheet.Columns
	// read makes a fact of a row and reports what is wrong with it.
	read func(r *sheet.Rows, out *intake.Row)
}

// file is a file of facts; it implements intake.Source.
type file struct {
	path   string
	format sheet.Format
	form   form
	now    time.Time
}

// Each implements intake.Source.
func (f *file) Each(fn func(*intake.Row) error) error {
	in, err := os.Open(f.path)
	if err != nil {
		return err
	}
	defer in.Close() // only read
	return f.each(in, fn)
}

func (f *file) each(in io.Reader, fn func(*intake.Row) error) error {
	rows, err := sheet.Stream(f.path, in, f.format, f.form.columns)
	if err != nil {
		return err
	}
	var row intake.Row
	for rows.Next() {
		row = intake.Row{Line: rows.Line(), Refused: row.Refused[:0]}
		if !rows.Broken() {
			f.form.read(rows, &row)
			f.checkInstant(rows, &row)
		}
		for _, p := range rows.Problems() {
			row.Refused = append(row.Refused, intake.Problem{Line: p.Line, Column: p.Column, Text: p.Text})
		}
		if len(row.Refused) > 0 {
			row.Raw = rows.Raw()
		}
		if err := fn(&row); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Years of the facts that the record keeps.
const firstYear, lastYear = 2000, 2099

// checkInstant refuses what has not happened yet and what is older than any
// record, such as a day and month that were exchanged.
func (f *file) checkInstant(rows *sheet.Rows, row *intake.Row) {
	if len(rows.Problems()) > 0 {
		return
	}
	if problem := wrongInstant(cmp.Or(row.Reading.At, row.Event.At, row.Signal.At), f.now); problem != "" {
		rows.Report("time", problem)
	}
}

func wrongInstant(at, now time.Time) string {
	switch {
	case at.Year() < firstYear || at.Year() > lastYear:
		return fmt.Sprintf("%s: expected an instant of the years %d to %d", at.Format(time.RFC3339), firstYear, lastYear)
	case at.After(now.Add(time.Minute)):
		return fmt.Sprintf("%s lies in the future: is it another zone, or are day and month exchanged", at.Format(time.RFC3339))
	default:
		return ""
	}
}

// names finds what rows name and remembers what is said of unknown names, of
// which a long file may have many.
type names[T any] struct {
	what  string
	known map[string]T
	order []string
	said  map[string]string
}

// saidKept bounds what is remembered.
const saidKept = 1000

func namesOf[T any](what string, all []T, nameOf func(T) string) *names[T] {
	n := &names[T]{what: what, known: map[string]T{}, said: map[string]string{}}
	for _, v := range all {
		n.known[nameOf(v)] = v
		n.order = append(n.order, nameOf(v))
	}
	return n
}

// find gives what a cell names; ok is false where the row has a problem with it.
func (n *names[T]) find(r *sheet.Rows, column string) (v T, ok bool) {
	problems := len(r.Problems())
	name := r.Text(column)
	if len(r.Problems()) > problems {
		return v, false
	}
	if v, ok = n.known[name]; !ok {
		r.Report(column, n.unknown(name))
	}
	return v, ok
}

func (n *names[T]) unknown(name string) string {
	if text, ok := n.said[name]; ok {
		return text
	}
	text := desk.Unknown(n.what, name, n.order, func(s string) string { return s }).Error()
	if len(n.said) < saidKept {
		n.said[name] = text
	}
	return text
}

// units gives, by quantity, what one of each unit is in whole units of the
// register. The first unit of each list is taken where none is stated.
func units(q plant.Quantity) []unitOf {
	switch q {
	case plant.QuantityEnergy:
		return []unitOf{{"kWh", 1_000_000}, {"Wh", 1000}, {"MWh", 1_000_000_000}, {"mWh", 1}}
	case plant.QuantityTime:
		return []unitOf{{"h", 3_600_000}, {"s", 1000}, {"ms", 1}}
	case plant.QuantityArea:
		return []unitOf{{"m²", 10_000}, {"m2", 10_000}, {"cm²", 1}}
	case plant.QuantityLength:
		return []unitOf{{"m", 1000}, {"km", 1_000_000}, {"mm", 1}}
	case plant.QuantityImpressions:
		return []unitOf{{"impressions", 1}, {"count", 1}}
	default:
		return []unitOf{{"count", 1}}
	}
}

type unitOf struct {
	name   string
	perOne int64
}

// exact is the unit in which values are exported: a power of ten of whole units.
func exact(q plant.Quantity) unitOf {
	if q == plant.QuantityTime {
		return units(q)[1]
	}
	return units(q)[0]
}

func findUnit(q plant.Quantity, name string) (perOne int64, ok bool) {
	for _, u := range units(q) {
		if u.name == name {
			return u.perOne, true
		}
	}
	return 0, false
}

// isRead says whether a register has readings: the others are made of events.
func isRead(r plant.Register) bool { return r.Curve == plant.FromReadings }

func registerName(r plant.Register) string { return string(r.ID) }

// readingForm is the form of readings, in which all rows are of one register
// where it is named. energy is the unit of energy values.
func readingForm(p *plant.Plant, name, energy string) (form, error) {
	read := slices.DeleteFunc(slices.Clone(p.Registers), func(r plant.Register) bool { return !isRead(r) })
	registers := namesOf("register", read, registerName)
	f := form{columns: sheet.Columns{Required: []string{"time", "register", "value"}, Optional: []string{"unit", "modulus"}}}
	if name == "" {
		f.read = func(r *sheet.Rows, out *intake.Row) {
			reg, ok := registers.find(r, "register")
			if !ok {
				r.Time("time")
				r.Float("value")
				return
			}
			readReading(r, reg, energy, &out.Reading)
		}
		return f, nil
	}
	reg, ok := registers.known[name]
	if !ok {
		return f, desk.Unknown("register", name, read, registerName)
	}
	f.columns.Required = []string{"time", "value"}
	f.read = func(r *sheet.Rows, out *intake.Row) { readReading(r, reg, energy, &out.Reading) }
	return f, nil
}

func readReading(r *sheet.Rows, reg plant.Register, energy string, out *plant.Reading) {
	out.Register = reg.ID
	out.At = r.Time("time").Truncate(time.Microsecond)
	perOne, _ := findUnit(reg.Quantity, energy)
	switch {
	case r.Has("unit") && !r.Empty("unit"):
		unit, ok := r.Text("unit"), false
		if perOne, ok = findUnit(reg.Quantity, unit); !ok {
			r.Report("unit", fmt.Sprintf("%s counts %s: expected %s, not %q", reg.ID, reg.Quantity, anyOf(units(reg.Quantity)), unit))
			return
		}
	case reg.Quantity != plant.QuantityEnergy:
		perOne = units(reg.Quantity)[0].perOne
	}
	problems := len(r.Problems())
	out.Value = r.Units("value", perOne)
	limit := reg.Rules.Modulus
	if r.Has("modulus") && !r.Empty("modulus") {
		out.Modulus = r.Units("modulus", perOne)
		limit = out.Modulus
	}
	if len(r.Problems()) > problems {
		return
	}
	switch {
	case reg.Rules.Net: // counts both ways
	case out.Value < 0:
		r.Report("value", "a register value below 0: expected a value of 0 or more")
	case limit > 0 && out.Value >= limit:
		r.Report("value", fmt.Sprintf("%s never shows %s or more — give the value as the meter shows it, before any transformer ratio", reg.ID, amount(limit, reg.Quantity)))
	}
}

func anyOf(all []unitOf) string {
	text := all[0].name
	for _, u := range all[1:] {
		text += " or " + u.name
	}
	return text
}

// amount shows an amount with its unit.
func amount(units int64, q plant.Quantity) string {
	u := exact(q)
	return sheet.Decimal(units, u.perOne) + " " + u.name
}

// shown gives the value of a reading with its unit.
func shown(p *plant.Plant) func(plant.Reading) string {
	registers := namesOf("register", p.Registers, registerName)
	return func(r plant.Reading) string { return amount(r.Value, registers.known[string(r.Register)].Quantity) }
}

func stateForm(p *plant.Plant) form {
	stations := namesOf("station", p.Stations(), func(s plant.Station) string { return string(s.ID) })
	return form{
		columns: sheet.Columns{
			Required: []string{"time", "station", "state"},
			Optional: []string{"technology", "lit_s", "starts", "boot", "seq", "arrived", "clock_distrusted", "last_will"},
		},
		read: func(r *sheet.Rows, out *intake.Row) {
			out.Kind = intake.Event
			st, _ := stations.find(r, "station")
			out.Event.Station = st.ID
			readState(r, &out.Event)
		},
	}
}

func readState(r *sheet.Rows, e *plant.StationEvent) {
	e.At = r.Time("time").Truncate(time.Millisecond)
	e.Arrived, e.Sequence, e.LitMillis, e.Starts = e.At, e.At.UnixMilli(), -1, -1
	var err error
	if e.State, err = plant.ParseState(r.Text("state")); err != nil {
		r.Report("state", err.Error())
	}
	if !r.Empty("technology") {
		if e.Technology, err = plant.ParseTechnology(r.Text("technology")); err != nil {
			r.Report("technology", err.Error())
		}
	}
	if !r.Empty("lit_s") {
		if e.LitMillis = r.Units("lit_s", 1000); e.LitMillis < 0 {
			r.Report("lit_s", "lit time below 0: leave the cell empty where the station counts none")
		}
	}
	if !r.Empty("starts") {
		if e.Starts = r.Whole("starts"); e.Starts < 0 {
			r.Report("starts", "starts below 0: leave the cell empty where the station counts none")
		}
	}
	e.Boot = r.Text("boot")
	switch {
	case !r.Empty("seq"):
		e.Sequence = r.Whole("seq")
	case e.Boot != "":
		r.Report("seq", "a boot id without a number: expected the number of the message since that boot")
	}
	if !r.Empty("arrived") {
		e.Arrived = r.Time("arrived").Truncate(time.Microsecond)
		if y := e.Arrived.Year(); !e.Arrived.IsZero() && (y < firstYear || y > lastYear) {
			r.Report("arrived", fmt.Sprintf("expected an instant of the years %d to %d", firstYear, lastYear))
		}
	}
	e.ClockDistrusted, e.LastWill = readFlag(r, "clock_distrusted"), readFlag(r, "last_will")
}

func readFlag(r *sheet.Rows, column string) bool {
	switch text := r.Text(column); text {
	case "", "false":
		return false
	case "true":
		return true
	default:
		r.Report(column, fmt.Sprintf("%q: expected true or false", text))
		return false
	}
}

func signalForm(p *plant.Plant) form {
	var all []string
	for _, pr := range p.Presses {
		all = append(all, string(pr.ID))
	}
	for _, st := range p.Stations() {
		all = append(all, string(st.ID))
	}
	for _, b := range p.Buses {
		for _, m := range b.Meters {
			all = append(all, string(m.ID))
		}
	}
	subjects := namesOf("press, station or meter", all, func(s string) string { return s })
	return form{
		columns: sheet.Columns{Required: []string{"time", "subject", "name", "value"}},
		read: func(r *sheet.Rows, out *intake.Row) {
			out.Kind = intake.Signal
			v := &out.Signal
			v.Subject, _ = subjects.find(r, "subject")
			v.At = r.Time("time").Truncate(time.Millisecond)
			v.Name, v.Value = r.Text("name"), r.Float("value")
			if err := plant.ValidName(v.Name); err != nil {
				r.Report("name", err.Error())
			}
		},
	}
}

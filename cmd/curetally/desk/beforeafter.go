package desk

import (
	"context"
	"fmt"
	"io"
	"slices"
	"time"

	"curetally/internal/core/beforeafter"
	"curetally/internal/core/dossier"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// sides tells the days of both periods apart.
type sides struct {
	plant    *plant.Plant
	project  plant.Project
	baseline savings.Baseline
	counted  map[int64]bool
	// Windows of records, from the first day to the last.
	before, after window
}

type window struct{ from, to time.Time }

func (w window) holds(at time.Time) bool { return !at.Before(w.from) && at.Before(w.to) }

// days is how many local days the window has.
func (w window) days() int { return int(w.to.Sub(w.from).Hours()/24 + 0.5) }

// printBeforeAfter fills the table of each project and prints it.
func printBeforeAfter(ctx context.Context, s Surroundings, all planned) error {
	p := &all.conf.Plant
	tables := []map[string]any{}
	for _, pr := range all.projects {
		st, b, err := stated(ctx, all, pr)
		if err != nil {
			return err
		}
		d, entries := sidesOf(p, pr, b, st), all.conf.BeforeAfter[pr.ID]
		measured, err := d.measured(ctx, all.db, entries)
		if err != nil {
			return err
		}
		rows := beforeafter.Table(entries, measured)
		if all.json {
			tables = append(tables, d.json(rows))
		} else if err := d.print(s.Stdout, rows); err != nil {
			return err
		}
	}
	if all.json {
		return WriteJSON(s.Stdout, map[string]any{"tables": tables})
	}
	return nil
}

// Beside adds to a dossier what stands beside its statement: what the saving is worth,
// what is estimated outside the meters, and what changed beside energy.
func Beside(ctx context.Context, db *store.DB, conf *config.Config, d *dossier.Dossier) (err error) {
	pr := d.Project
	if conf.Terms.Projects[pr.ID].Valued() && d.Statement.Granularity != plant.Daily {
		d.Unvalued = "a tariff and tables of carbon factors need a baseline of days"
	} else if d.Worth, err = valuationOf(ctx, db, conf, pr, d.Baseline, d.Statement); err != nil {
		return err
	}
	if t := conf.Terms.Projects[pr.ID].Tariff; t != nil {
		d.Tariff = t.Name
	}
	if d.Effects, err = effectsOf(conf, pr, d.Statement); err != nil {
		return err
	}
	entries := conf.BeforeAfter[pr.ID]
	measured, err := sidesOf(&conf.Plant, pr, d.Baseline, d.Statement).measured(ctx, db, entries)
	if err != nil {
		return err
	}
	d.BeforeAfter = beforeafter.Table(entries, measured)
	return nil
}

// stated states the savings of a project to date.
func stated(ctx context.Context, all planned, pr plant.Project) (savings.Statement, savings.Baseline, error) {
	st, b, found, err := publish.State(ctx, all.db, &all.conf.Plant, pr, publish.Asked{Now: time.Now()})
	if err == nil && !found {
		err = noBaseline(pr)
	}
	return st, b, err
}

func sidesOf(p *plant.Plant, pr plant.Project, b savings.Baseline, st savings.Statement) sides {
	d := sides{plant: p, project: pr, baseline: b, counted: map[int64]bool{}}
	for _, x := range st.Series {
		d.counted[p.Day(x.Day, 0).Unix()] = true
	}
	if len(b.Rows) > 0 { // a baseline from a survey or from bills may have none
		last := b.Rows[len(b.Rows)-1]
		d.before = window{p.Day(b.Rows[0].Day, 0), p.Day(last.Day, 1)}
		if last.End.After(d.before.to) {
			d.before.to = last.End
		}
	}
	d.after = window{p.Day(st.From, 0), p.Day(st.To, 1)}
	return d
}

// span holds both windows.
func (d sides) span() window {
	w := d.before
	if w.from.IsZero() {
		return d.after
	}
	if d.after.from.Before(w.from) {
		w.from = d.after.from
	}
	if d.after.to.After(w.to) {
		w.to = d.after.to
	}
	return w
}

// of says on which sides an instant counts.
func (d sides) of(at time.Time) (before, after bool) {
	day := d.plant.Day(at, 0)
	return d.baseline.Covers(day), d.counted[day.Unix()]
}

// measured gives what signals, meters and records say.
func (d sides) measured(ctx context.Context, db *store.DB, entries []beforeafter.Entry) (map[string]beforeafter.Sides, error) {
	out := map[string]beforeafter.Sides{}
	peak, err := d.peak(ctx, db)
	if err != nil {
		return nil, err
	}
	out[beforeafter.PeakKilowatts] = peak
	for _, e := range entries {
		if e.Signal == nil {
			continue
		}
		highs, err := db.DailyHighs(ctx, e.Signal.Subject, e.Signal.Name, d.span().from)
		if err != nil {
			return nil, fmt.Errorf("signal %s/%s: %w", e.Signal.Subject, e.Signal.Name, err)
		}
		var values [2][]float64
		for _, v := range highs {
			before, after := d.of(v.At)
			if before {
				values[0] = append(values[0], v.Value)
			}
			if after {
				values[1] = append(values[1], v.Value)
			}
		}
		out[e.Quantity] = beforeafter.Sides{Before: beforeafter.Measured(*e.Signal, values[0]), After: beforeafter.Measured(*e.Signal, values[1])}
	}
	for key, count := range map[string]func(context.Context, *store.DB, window) (beforeafter.Cell, error){
		beforeafter.LampChanges: d.lampChanges, beforeafter.MercuryYear: d.mercury, beforeafter.UpkeepHours: d.upkeep,
	} {
		if _, given := out[key]; given {
			continue
		}
		var s beforeafter.Sides
		if d.before.to.After(d.after.from) && d.after.to.After(d.before.from) {
			s.Before.From = "the periods lie within each other, so records cannot be told apart"
			s.After.From = s.Before.From
		} else {
			if s.Before, err = count(ctx, db, d.before); err != nil {
				return nil, err
			}
			if s.After, err = count(ctx, db, d.after); err != nil {
				return nil, err
			}
		}
		out[key] = s
	}
	return out, nil
}

// peak is the highest mean power of the boundary over an interval of the days that count.
func (d sides) peak(ctx context.Context, db *store.DB) (beforeafter.Sides, error) {
	span := d.span()
	used, err := boundaryEnergy(ctx, db, d.project, span.from, span.to)
	if err != nil {
		return beforeafter.Sides{}, err
	}
	var s beforeafter.Sides
	for _, u := range used {
		kw := u.Energy.KWh() / d.plant.Interval.Hours()
		cell := beforeafter.Cell{Value: kw, Known: true, From: fmt.Sprintf("measured, the highest mean of %v, %s", d.plant.Interval, Moment(u.Start, d.plant))}
		before, after := d.of(u.Start)
		if before && (!s.Before.Known || kw > s.Before.Value) {
			s.Before = cell
		}
		if after && (!s.After.Known || kw > s.After.Value) {
			s.After = cell
		}
	}
	return s, nil
}

// lampChanges counts lamps that were taken out because of their age or a failure.
func (d sides) lampChanges(ctx context.Context, db *store.DB, w window) (beforeafter.Cell, error) {
	changed, err := d.changed(ctx, db, w)
	return beforeafter.Counted(float64(len(changed)), w.days(), Count(len(changed), "lamp")), err
}

// changed lists those lamps.
func (d sides) changed(ctx context.Context, db *store.DB, w window) ([]plant.LampSerial, error) {
	fittings, err := db.AllFittings(ctx)
	if err != nil {
		return nil, fmt.Errorf("fittings: %w", err)
	}
	var out []plant.LampSerial
	for _, f := range fittings {
		st, ok := d.plant.FindStation(f.Station)
		wears := f.Reason != "moved" && f.Reason != "conversion"
		if ok && st.Press == d.project.Press && !f.To.IsZero() && wears && w.holds(f.To) {
			out = append(out, f.Lamp)
		}
	}
	return out, nil
}

// mercury adds up what is in the lamps that were changed, by their kinds.
func (d sides) mercury(ctx context.Context, db *store.DB, w window) (beforeafter.Cell, error) {
	changed, err := d.changed(ctx, db, w)
	if err != nil {
		return beforeafter.Cell{}, err
	}
	lamps, err := db.Lamps(ctx)
	if err != nil {
		return beforeafter.Cell{}, fmt.Errorf("lamps: %w", err)
	}
	kinds := map[plant.LampSerial]string{}
	for _, l := range lamps {
		kinds[l.Serial] = l.Kind
	}
	held := make([]plant.LampKind, len(changed))
	for i, serial := range changed {
		held[i], _ = d.plant.FindLampKind(kinds[serial])
	}
	return beforeafter.Mercury(held, w.days()), nil
}

// upkeep adds up the minutes of the tasks that were done.
func (d sides) upkeep(ctx context.Context, db *store.DB, w window) (beforeafter.Cell, error) {
	acts, err := db.TaskActs(ctx)
	if err != nil {
		return beforeafter.Cell{}, fmt.Errorf("task log: %w", err)
	}
	undone := map[int64]bool{}
	for _, a := range acts {
		if a.Kind == plant.TaskUndo {
			undone[a.Undoes] = true
		}
	}
	n, minutes := 0, 0
	for _, a := range acts {
		if a.Kind != plant.TaskDone || undone[a.ID] || !w.holds(a.At) || !d.ofPress(a.Subject) {
			continue
		}
		i := slices.IndexFunc(d.plant.Rules, func(r plant.TaskRule) bool { return r.ID == a.Rule })
		if i < 0 {
			continue
		}
		n++
		minutes += d.plant.Rules[i].Minutes * max(d.plant.Rules[i].People, 1)
	}
	return beforeafter.Counted(float64(minutes)/60, w.days(), fmt.Sprintf("%s of the task log, %d minutes of work by their rules", Count(n, "task"), minutes)), nil
}

// ofPress says whether the subject of a task is the press of the project or a station
// of it.
func (d sides) ofPress(subject string) bool {
	st, ok := d.plant.FindStation(plant.StationID(subject))
	return subject == string(d.project.Press) || ok && st.Press == d.project.Press
}

func (d sides) print(w io.Writer, rows []beforeafter.Row) error {
	before := "nothing measured"
	if !d.before.from.IsZero() {
		before = Date(d.before.from, d.plant) + " to " + Date(d.plant.Day(d.before.to, -1), d.plant)
	}
	fmt.Fprintf(w, "before and after of %s: %s against %s to %s\n", d.project.ID, before, Date(d.after.from, d.plant), Date(d.plant.Day(d.after.to, -1), d.plant))
	shown := func(r beforeafter.Row, c beforeafter.Cell) string {
		if !c.Known {
			return ""
		}
		return unit.Group(c.Value, r.Decimals)
	}
	var lines, notes []string
	for _, r := range rows {
		lines = append(lines, row(r.Title, shown(r, r.Before), shown(r, r.After), "before: "+r.Before.From))
		lines = append(lines, "\t\t\tafter: "+r.After.From)
		notes = append(notes, r.Notes...)
	}
	if err := table(w, "QUANTITY\tBEFORE\tAFTER\tFROM", lines); err != nil {
		return err
	}
	for _, n := range notes {
		if _, err := fmt.Fprintln(w, n); err != nil {
			return err
		}
	}
	return nil
}

// cellJSON is a cell as data; a value that is not known is null.
type cellJSON struct {
	Value *float64 `json:"value"`
	From  string   `json:"from"`
}

type beforeAfterRow struct {
	Quantity string   `json:"quantity"`
	Title    string   `json:"title"`
	Before   cellJSON `json:"before"`
	After    cellJSON `json:"after"`
	Notes    []string `json:"notes,omitempty"`
}

func (d sides) json(rows []beforeafter.Row) map[string]any {
	cell := func(c beforeafter.Cell) cellJSON {
		if !c.Known {
			return cellJSON{From: c.From}
		}
		return cellJSON{&c.Value, c.From}
	}
	out := []beforeAfterRow{}
	for _, r := range rows {
		out = append(out, beforeAfterRow{r.Key, r.Title, cell(r.Before), cell(r.After), r.Notes})
	}
	return map[string]any{
		"project": d.project.ID, "rows": out,
		"before": map[string]time.Time{"from": d.before.from, "to": d.before.to}, "after": map[string]time.Time{"from": d.after.from, "to": d.after.to},
	}
}

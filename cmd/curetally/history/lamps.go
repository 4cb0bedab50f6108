package history

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app"
	"curetally/internal/core/plant"
	"curetally/internal/link/sheet"
	"curetally/internal/link/store"
	"curetally/internal/work/intake"
)

// ImportLamps brings in lamp changes: all of a file, or none of it.
type ImportLamps struct {
	Sheet
	By string `help:"Who made the changes whose row names nobody." placeholder:"NAME"`
}

// maxLampRows bounds the rows of a file of lamp changes, which is kept in memory:
// more lamp changes than that are those of another file.
const maxLampRows = 10_000

// Run imports lamp changes. A file of which any row contradicts another, or what
// is on record, is left alone: lamp lives hang together.
func (c ImportLamps) Run(ctx context.Context, s desk.Surroundings) error {
	in, err := os.Open(c.File)
	if err != nil {
		return err
	}
	defer in.Close() // only read
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		format, err := c.format(p, lampColumns)
		if err != nil {
			return err
		}
		rows, err := sheet.Stream(c.File, in, format, lampColumns)
		if err != nil {
			return err
		}
		a, err := newAlmanac(ctx, p, db)
		if err != nil {
			return err
		}
		if err := a.readAll(rows, c.By); err != nil {
			return err
		}
		a.settleRows()
		r := result{File: c.File, DryRun: c.DryRun, LeftAlone: len(a.problems) > 0, Report: a.report()}
		if !r.LeftAlone && !c.DryRun && r.Taken > 0 {
			if err := db.ChangeLamps(ctx, a.changes()); err != nil {
				return err
			}
			if err := app.Settle(ctx, p, db, desk.Quiet(s.Log)); err != nil {
				return err
			}
		}
		if err := r.print(s, p, c.JSON); err != nil {
			return err
		}
		if r.LeftAlone {
			return fmt.Errorf("%s: %s refused, so nothing is taken — mend the file", c.File, rowsAre(r.Refused))
		}
		return nil
	})
}

var lampColumns = sheet.Columns{Required: []string{"time", "station", "lamp", "action"}, Optional: []string{"kind", "reason", "by"}}

// maxListed bounds the problems that a report lists.
const maxListed = 100

// lampRow is one change as it is written.
type lampRow struct {
	line    int
	at      time.Time
	station plant.StationID // may be empty for a removal
	lamp    plant.LampSerial
	remove  bool
	kind    string
	reason  string
	by      string
}

// stay is a lamp's time in a station, on record or of the file.
type stay struct {
	store.LampChange
	line  int  // where the file says so; 0 when it is on record
	ended bool // the file ends it
}

// almanac holds all stays of lamps, those on record and those of a file.
type almanac struct {
	plant    *plant.Plant
	kinds    map[plant.LampSerial]string
	stays    []*stay
	rows     []lampRow
	total    int64
	onRecord int64
	repeated int64
	problems []intake.Problem
	bad      map[int]bool // lines with problems
}

func newAlmanac(ctx context.Context, p *plant.Plant, db *store.DB) (*almanac, error) {
	a := &almanac{plant: p, kinds: map[plant.LampSerial]string{}, bad: map[int]bool{}}
	lamps, err := db.Lamps(ctx)
	if err != nil {
		return nil, err
	}
	for _, l := range lamps {
		a.kinds[l.Serial] = l.Kind
	}
	fittings, err := db.AllFittings(ctx)
	for _, f := range fittings {
		a.stays = append(a.stays, &stay{LampChange: store.LampChange{Fitting: f, Recorded: true}})
	}
	return a, err
}

func (a *almanac) report() intake.Report {
	r := intake.Report{Rows: a.total, OnRecord: a.onRecord, Repeated: a.repeated, Refused: int64(len(a.bad)), Problems: []intake.Problem{}}
	shown := min(len(a.problems), maxListed)
	r.Problems = append(r.Problems, a.problems[:shown]...)
	r.Unlisted = int64(len(a.problems) - shown)
	if len(a.problems) == 0 {
		r.Taken = a.total - a.onRecord - a.repeated
	}
	for i := range a.rows {
		if at := &a.rows[i].at; r.First == nil {
			r.First, r.Last = at, at
		} else {
			r.Last = at // rows are in order
		}
	}
	return r
}

func (a *almanac) problem(line int, column, text string) {
	a.problems = append(a.problems, intake.Problem{Line: line, Column: column, Text: text})
	a.bad[line] = true
}

// readAll reads the rows of a file; by is who made the changes whose row names
// nobody.
func (a *almanac) readAll(rows *sheet.Rows, by string) error {
	stations := namesOf("station", a.plant.Stations(), func(s plant.Station) string { return string(s.ID) })
	kinds := namesOf("lamp kind", a.plant.LampKinds, func(k plant.LampKind) string { return k.Name })
	now := time.Now()
	for rows.Next() {
		if a.total++; a.total > maxLampRows {
			return fmt.Errorf("more than %d lamp changes: is this another file", maxLampRows)
		}
		row := lampRow{line: rows.Line(), at: rows.Time("time").Truncate(time.Millisecond), lamp: plant.LampSerial(rows.Text("lamp")), reason: rows.Text("reason"), by: rows.Text("by")}
		if len(rows.Problems()) == 0 {
			if text := wrongInstant(row.at, now); text != "" {
				rows.Report("time", text)
			}
			row.check(rows, by)
		}
		if !rows.Broken() && (!row.remove || !rows.Empty("station")) {
			st, _ := stations.find(rows, "station")
			row.station = st.ID
		}
		if !rows.Empty("kind") {
			k, _ := kinds.find(rows, "kind")
			row.kind = k.Name
		}
		for _, p := range rows.Problems() {
			a.problem(p.Line, p.Column, p.Text)
		}
		if len(rows.Problems()) == 0 {
			a.rows = append(a.rows, row)
		}
	}
	// At one instant a lamp goes before the next one comes.
	slices.SortStableFunc(a.rows, func(x, y lampRow) int {
		if c := x.at.Compare(y.at); c != 0 || x.remove == y.remove {
			return c
		}
		if x.remove {
			return -1
		}
		return 1
	})
	return rows.Err()
}

// check looks at the cells that need no plant.
func (row *lampRow) check(r *sheet.Rows, by string) {
	if row.lamp == "" {
		r.Report("lamp", "nothing here: expected the serial of the lamp")
	}
	if row.by == "" {
		row.by = by
	}
	if strings.TrimSpace(row.by) == "" {
		r.Report("by", "nobody is named: say who made the change here, or for all rows with --by NAME")
	}
	switch action := r.Text("action"); action {
	case "fit":
	case "remove":
		row.remove = true
		if !slices.Contains(plant.RemovalReasons(), row.reason) {
			r.Report("reason", fmt.Sprintf("%q: expected one of %s", row.reason, strings.Join(plant.RemovalReasons(), ", ")))
		}
	default:
		r.Report("action", fmt.Sprintf("%q: expected fit or remove", action))
	}
}

// settleRows lets the rows happen one after the other and then looks whether any
// lamp is in two places, or any station holds two.
func (a *almanac) settleRows() {
	for _, row := range a.rows {
		var err error
		if row.remove {
			err = a.remove(row)
		} else {
			err = a.fit(row)
		}
		if err != nil {
			a.problem(row.line, "", err.Error())
		}
	}
	for i, x := range a.stays {
		for _, y := range a.stays[:i] {
			if (x.line > 0 || y.line > 0) && (x.Lamp == y.Lamp || x.Station == y.Station) && overlap(x.Fitting, y.Fitting) {
				first, second := x, y
				if first.line < second.line {
					first, second = y, x
				}
				a.problem(first.line, "", fmt.Sprintf("lamp %s in %s, while %s", first.Lamp, first.Station, second.says(a.plant)))
				break
			}
		}
	}
	slices.SortStableFunc(a.problems, func(x, y intake.Problem) int { return x.Line - y.Line })
}

// says tells a stay in words.
func (s *stay) says(p *plant.Plant) string {
	text := fmt.Sprintf("lamp %s is in %s from %s", s.Lamp, s.Station, desk.Moment(s.From, p))
	if s.To.IsZero() {
		text += " until today"
	} else {
		text += " to " + desk.Moment(s.To, p)
	}
	if s.line > 0 {
		return text + fmt.Sprintf(" (line %d)", s.line)
	}
	return text + " (on record)"
}

func overlap(x, y plant.Fitting) bool {
	return (y.To.IsZero() || x.From.Before(y.To)) && (x.To.IsZero() || y.From.Before(x.To))
}

func (a *almanac) fit(row lampRow) error {
	known, isKnown := a.kinds[row.lamp]
	switch {
	case !isKnown && row.kind == "":
		return fmt.Errorf("lamp %s is not on record: expected its kind", row.lamp)
	case isKnown && row.kind != "" && row.kind != known:
		return fmt.Errorf("lamp %s is of kind %s, not %s", row.lamp, known, row.kind)
	}
	for _, s := range a.stays {
		if s.Lamp == row.lamp && s.Station == row.station && s.From.Equal(row.at) {
			if s.line > 0 {
				a.repeated++
			} else {
				a.onRecord++
			}
			return nil
		}
	}
	if !isKnown {
		a.kinds[row.lamp] = row.kind
	}
	f := plant.Fitting{Lamp: row.lamp, Station: row.station, From: row.at, By: row.by}
	a.stays = append(a.stays, &stay{LampChange: store.LampChange{Fitting: f, Kind: a.kinds[row.lamp]}, line: row.line})
	return nil
}

func (a *almanac) remove(row lampRow) error {
	for _, s := range a.stays {
		if s.Lamp != row.lamp || (row.station != "" && s.Station != row.station) {
			continue
		}
		switch {
		case s.To.Equal(row.at) && s.Reason != row.reason && s.ended:
			return fmt.Errorf("taken out for another reason than %s, as another row says — remove one of them", row.reason)
		case s.To.Equal(row.at) && s.Reason != row.reason:
			return fmt.Errorf("on record with the reason %s, here %s — what is on record stays", s.Reason, row.reason)
		case s.To.Equal(row.at) && s.ended:
			a.repeated++
			return nil
		case s.To.Equal(row.at):
			a.onRecord++
			return nil
		case s.To.IsZero() && s.From.Before(row.at):
			s.To, s.Reason, s.RemovedBy, s.ended = row.at, row.reason, row.by, true
			return nil
		}
	}
	where := "in no station"
	if row.station != "" {
		where = "not in " + string(row.station)
	}
	return fmt.Errorf("lamp %s is %s on %s", row.lamp, where, desk.Moment(row.at, a.plant))
}

// changes are what is new.
func (a *almanac) changes() []store.LampChange {
	var out []store.LampChange
	for _, s := range a.stays {
		if s.line > 0 || s.ended {
			out = append(out, s.LampChange)
		}
	}
	return out
}

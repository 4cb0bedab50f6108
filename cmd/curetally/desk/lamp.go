package desk

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
)

// LampList lists all lamps with what they have lived.
type LampList struct {
	Site
	JSON bool `help:"Print as JSON."`
}

// lampRow is one lamp as listed.
type lampRow struct {
	Serial     plant.LampSerial `json:"serial"`
	Kind       string           `json:"kind"`
	Place      string           `json:"place"`
	Station    plant.StationID  `json:"station,omitempty"` // where it is fitted now
	Fitted     time.Time        `json:"fitted,omitzero"`   // last
	Removed    time.Time        `json:"removed,omitzero"`
	Reason     string           `json:"reason,omitempty"`
	LitHours   float64          `json:"lit_hours"`
	Starts     int64            `json:"starts"`
	Equivalent float64          `json:"equivalent_hours"`
	Rated      float64          `json:"rated_hours"` // 0 when the kind states none
	Used       float64          `json:"used_fraction"`
	Curing     float64          `json:"curing_hours"`
	Standby    float64          `json:"standby_hours"`
	Silent     float64          `json:"silent_hours"` // while fitted, the state unknown
	Doubtful   float64          `json:"doubtful_lit_hours"`
	Area       float64          `json:"printed_m2"`
	Fittings   []fittingRow     `json:"fittings"`
}

// fittingRow is one stay of a lamp in a station.
type fittingRow struct {
	Station plant.StationID `json:"station"`
	Fitted  time.Time       `json:"fitted"`
	Removed time.Time       `json:"removed,omitzero"`
	Reason  string          `json:"reason,omitempty"`
}

// Run lists lamps in the order of their latest fitting, spares last.
func (c LampList) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		book, err := lampbook.Read(ctx, db, p, time.Now())
		if err != nil {
			return err
		}
		lamps := lampRows(book)
		if c.JSON {
			return WriteJSON(s.Stdout, map[string]any{"lamps": lamps})
		}
		if len(lamps) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "no lamp is on record; record one with curetally lamp fit SERIAL STATION --by NAME")
			return err
		}
		var rows []string
		for _, l := range lamps {
			used := ""
			if l.Rated > 0 {
				used = fmt.Sprintf("%.0f %% of %s h", 100*l.Used, unit.Group(l.Rated, 0))
			}
			rows = append(rows, row(string(l.Serial), l.Kind, l.Place, string(l.Station), Date(l.Fitted, p), Date(l.Removed, p), l.Reason,
				unit.Group(l.LitHours, 1), unit.Group(l.Curing, 1), unit.Group(l.Standby, 1), strconv.FormatInt(l.Starts, 10),
				unit.Group(l.Equivalent, 1), used, unit.Group(l.Area, 0)))
		}
		return table(s.Stdout, "SERIAL\tKIND\tPLACE\tSTATION\tFITTED\tREMOVED\tREASON\tLIT h\tCURING h\tSTANDBY h\tSTARTS\tEQUIVALENT h\tUSED\tPRINTED m²", rows)
	})
}

func lampRows(book lampbook.Book) []lampRow {
	rows := []lampRow{}
	for _, l := range book.Lamps {
		r := lampRow{
			Serial: l.Lamp.Serial, Kind: l.Lamp.Kind, Place: string(l.Place), Station: l.Station, Reason: l.Reason,
			LitHours: unit.HoursFromMillis(l.Counters.Lit), Starts: l.Counters.Starts,
			Equivalent: l.Life.Equivalent, Rated: l.Life.RatedHours, Used: l.Life.UsedFraction,
			Curing: unit.HoursFromMillis(l.Counters.Curing), Standby: unit.HoursFromMillis(l.Counters.Standby),
			Silent: unit.HoursFromMillis(l.Counters.Unknown), Doubtful: unit.HoursFromMillis(l.Counters.Doubtful),
			Area: float64(l.Counters.Area) / plant.QuantityArea.PerDisplay(), Fittings: []fittingRow{},
		}
		for _, f := range l.Fittings {
			r.Fittings = append(r.Fittings, fittingRow{f.Station, f.From, f.To, f.Reason})
			r.Fitted, r.Removed = f.From, f.To
		}
		rows = append(rows, r)
	}
	slices.SortStableFunc(rows, func(a, b lampRow) int {
		if a.Fitted.IsZero() != b.Fitted.IsZero() {
			return -a.Fitted.Compare(b.Fitted)
		}
		return a.Fitted.Compare(b.Fitted)
	})
	return rows
}

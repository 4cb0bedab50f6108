package desk

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
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
	Station    plant.StationID  `json:"station,omitempty"` // where it is fitted now
	Fitted     time.Time        `json:"fitted,omitzero"`   // last
	Removed    time.Time        `json:"removed,omitzero"`
	Reason     string           `json:"reason,omitempty"`
	LitHours   float64          `json:"lit_hours"`
	Starts     int64            `json:"starts"`
	Equivalent float64          `json:"equivalent_hours"`
	Rated      float64          `json:"rated_hours"` // 0 when the kind states none
	Used       float64          `json:"used_fraction"`
}

// Run lists lamps in the order of their latest fitting.
func (c LampList) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		lamps, err := lampRows(ctx, p, db)
		if err != nil {
			return err
		}
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
			rows = append(rows, row(string(l.Serial), l.Kind, string(l.Station), Date(l.Fitted, p), Date(l.Removed, p), l.Reason,
				unit.Group(l.LitHours, 1), strconv.FormatInt(l.Starts, 10), unit.Group(l.Equivalent, 1), used))
		}
		return table(s.Stdout, "SERIAL\tKIND\tSTATION\tFITTED\tREMOVED\tREASON\tLIT h\tSTARTS\tEQUIVALENT h\tUSED", rows)
	})
}

// lampRows joins lamps, their latest fitting and their totals.
func lampRows(ctx context.Context, p *plant.Plant, db *store.DB) ([]lampRow, error) {
	lamps, err := db.Lamps(ctx)
	if err != nil {
		return nil, err
	}
	fittings, err := db.AllFittings(ctx)
	if err != nil {
		return nil, err
	}
	totals, err := db.LampTotals(ctx)
	if err != nil {
		return nil, err
	}
	latest := map[plant.LampSerial]plant.Fitting{}
	for _, f := range fittings {
		if l, ok := latest[f.Lamp]; !ok || f.From.After(l.From) {
			latest[f.Lamp] = f
		}
	}
	lived := map[plant.LampSerial]plant.LampTotal{}
	for _, t := range totals {
		lived[t.Lamp] = t
	}
	rows := []lampRow{}
	for _, l := range lamps {
		kind, _ := p.FindLampKind(l.Kind)
		t, f := lived[l.Serial], latest[l.Serial]
		life := lamplife.Of(kind, t.LitMillis, t.Starts)
		r := lampRow{
			Serial: l.Serial, Kind: l.Kind, Fitted: f.From, Removed: f.To, Reason: f.Reason,
			LitHours: unit.HoursFromMillis(t.LitMillis), Starts: t.Starts,
			Equivalent: life.Equivalent, Rated: life.RatedHours, Used: life.UsedFraction,
		}
		if f.To.IsZero() {
			r.Station = f.Station
		}
		rows = append(rows, r)
	}
	slices.SortStableFunc(rows, func(a, b lampRow) int { return a.Fitted.Compare(b.Fitted) })
	return rows, nil
}

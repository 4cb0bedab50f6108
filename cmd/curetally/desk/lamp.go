package desk

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
)

// Lamp has the commands about lamps.
type Lamp struct {
	Fit    LampFit    `cmd:"" help:"Record that a lamp was fitted in a station."`
	Remove LampRemove `cmd:"" help:"Record that a lamp was taken out."`
	List   LampList   `cmd:"" help:"List all lamps with what they have lived."`
}

// LampFit records that a lamp was fitted.
type LampFit struct {
	Site
	Who
	When
	Serial  string `arg:"" help:"Serial number on the lamp."`
	Station string `arg:"" help:"Station it is fitted in."`
	Kind    string `help:"Lamp kind of the configuration, for a lamp that is new; by default the one of the light in the station." placeholder:"NAME"`
}

// Run records a fitting.
func (c LampFit) Run(ctx context.Context, s Surroundings) error {
	return c.with(ctx, s, func(p *plant.Plant, db *store.DB) error {
		st, ok := p.FindStation(plant.StationID(c.Station))
		if !ok {
			return unknown("station", c.Station, p.Stations(), func(s plant.Station) string { return string(s.ID) })
		}
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		lamp, known, err := findLamp(ctx, db, c.Serial)
		if err != nil {
			return err
		}
		kind := lamp.Kind // a lamp keeps its kind
		if !known || c.Kind != "" {
			if kind, err = c.kind(p, st, at); err != nil {
				return err
			}
		}
		if err := db.FitLamp(ctx, plant.Fitting{Lamp: plant.LampSerial(c.Serial), Station: st.ID, From: at, By: c.By}, kind); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: lamp %s (%s) in %s from %s\n", c.Serial, kind, st.ID, moment(at, p))
		return err
	})
}

// findLamp looks a lamp on record up.
func findLamp(ctx context.Context, db *store.DB, serial string) (lamp plant.Lamp, found bool, err error) {
	lamps, err := db.Lamps(ctx)
	if i := slices.IndexFunc(lamps, func(l plant.Lamp) bool { return string(l.Serial) == serial }); i >= 0 {
		return lamps[i], true, err
	}
	return plant.Lamp{}, false, err
}

// kind is the one that was given, else the station's own where it is of the
// light that the station had then, else the only one of that light.
func (c LampFit) kind(p *plant.Plant, st plant.Station, at time.Time) (string, error) {
	if c.Kind != "" {
		if _, ok := p.FindLampKind(c.Kind); !ok {
			return "", unknown("lamp kind", c.Kind, p.LampKinds, func(k plant.LampKind) string { return k.Name })
		}
		return c.Kind, nil
	}
	light := st.TechnologyAt(at)
	var fitting []string
	for _, k := range p.LampKinds {
		if k.Technology != light {
			continue
		}
		if k.Name == st.LampKind {
			return k.Name, nil
		}
		fitting = append(fitting, k.Name)
	}
	if len(fitting) == 1 {
		return fitting[0], nil
	}
	if len(fitting) == 0 {
		return "", fmt.Errorf("station %s was of technology %s on %s, for which the configuration has no lamp kind — add one under lamp_kinds", st.ID, light, date(at, p))
	}
	return "", fmt.Errorf("station %s was of technology %s on %s — name the kind of lamp with --kind: %s", st.ID, light, date(at, p), strings.Join(fitting, " or "))
}

// LampRemove records that a lamp was taken out.
type LampRemove struct {
	Site
	Who
	When
	Serial string `arg:"" help:"Serial number on the lamp."`
	Reason string `required:"" help:"Why: failed, preventive, output, moved, breakage or conversion." placeholder:"WHY"`
}

// Validate refuses a reason that is no word for one.
func (c LampRemove) Validate() error {
	if !slices.Contains(plant.RemovalReasons(), c.Reason) {
		return fmt.Errorf("--reason %q: expected one of %s", c.Reason, strings.Join(plant.RemovalReasons(), ", "))
	}
	return nil
}

// Run records a removal.
func (c LampRemove) Run(ctx context.Context, s Surroundings) error {
	return c.with(ctx, s, func(p *plant.Plant, db *store.DB) error {
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		lamp, known, err := findLamp(ctx, db, c.Serial)
		if err != nil {
			return err
		}
		if !known {
			return fmt.Errorf("lamp %q is not on record — curetally lamp list shows all lamps", c.Serial)
		}
		if err := db.RemoveLamp(ctx, lamp.Serial, at, c.Reason, c.By); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: lamp %s taken out %s (%s)\n", c.Serial, moment(at, p), c.Reason)
		if k, ok := p.FindLampKind(lamp.Kind); ok && k.Technology == plant.TechnologyArc && err == nil {
			_, err = fmt.Fprintln(s.Stdout, "A mercury lamp: never bin or crush. Box, label, date, recycle; follow your site's rules and local law.")
		}
		return err
	})
}

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
	return c.with(ctx, s, func(p *plant.Plant, db *store.DB) error {
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
			rows = append(rows, row(string(l.Serial), l.Kind, string(l.Station), date(l.Fitted, p), date(l.Removed, p), l.Reason,
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

package main

import (
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

type lampCommand struct {
	Fit    lampFitCommand    `cmd:"" help:"Record that a lamp was fitted in a station."`
	Remove lampRemoveCommand `cmd:"" help:"Record that a lamp was taken out."`
	List   lampListCommand   `cmd:"" help:"List all lamps with what they have lived."`
}

type lampFitCommand struct {
	siteFlags
	Serial  string `arg:"" help:"Serial number on the lamp."`
	Station string `arg:"" help:"Station it is fitted in."`
	Kind    string `help:"Lamp kind of the configuration; the station's own by default."`
	By      string `required:"" help:"Who fitted it." placeholder:"NAME"`
	At      string `help:"When; now by default." placeholder:"TIME"`
}

// Run records a fitting.
func (c lampFitCommand) Run(s *surroundings) error {
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	p := &loaded.Plant
	st, ok := p.FindStation(plant.StationID(c.Station))
	if !ok {
		return fmt.Errorf("station %q is not in the configuration: known are %s", c.Station, names(p.Stations(), func(s plant.Station) string { return string(s.ID) }))
	}
	kind := c.Kind
	if kind == "" {
		kind = st.LampKind
	}
	if _, ok := p.FindLampKind(kind); !ok {
		return fmt.Errorf("lamp kind %q is not in the configuration: known are %s — give one with --kind", kind, names(p.LampKinds, func(k plant.LampKind) string { return k.Name }))
	}
	at, err := instant(c.At, p)
	if err != nil {
		return err
	}
	if err := db.FitLamp(s.ctx, plant.Fitting{Lamp: plant.LampSerial(c.Serial), Station: st.ID, From: at, By: c.By}, kind); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.stdout, "recorded: lamp %s (%s) in %s from %s\n", c.Serial, kind, st.ID, at.In(p.TimeZone).Format("Mon 2 Jan 2006 15:04"))
	return err
}

type lampRemoveCommand struct {
	siteFlags
	Serial string `arg:"" help:"Serial number on the lamp."`
	Reason string `required:"" help:"Why: failed, preventive, output, moved, breakage or conversion."`
	By     string `required:"" help:"Who took it out." placeholder:"NAME"`
	At     string `help:"When; now by default." placeholder:"TIME"`
}

// Run records a removal.
func (c lampRemoveCommand) Run(s *surroundings) error {
	if !slices.Contains(plant.RemovalReasons(), c.Reason) {
		return fmt.Errorf("--reason %q: expected one of %s", c.Reason, strings.Join(plant.RemovalReasons(), ", "))
	}
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	at, err := instant(c.At, &loaded.Plant)
	if err != nil {
		return err
	}
	if err := db.RemoveLamp(s.ctx, plant.LampSerial(c.Serial), at, c.Reason, c.By); err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "recorded: lamp %s taken out at %s (%s)\n", c.Serial, at.In(loaded.Plant.TimeZone).Format("Mon 2 Jan 2006 15:04"), c.Reason)
	if kind, err := kindOf(s, db, plant.LampSerial(c.Serial)); err == nil {
		if k, ok := loaded.Plant.FindLampKind(kind); ok && k.Technology == plant.TechnologyArc {
			fmt.Fprintln(s.stdout, "A mercury lamp: never bin or crush. Box, label, date, recycle; follow your site's rules and local law.")
		}
	}
	return nil
}

type lampListCommand struct {
	siteFlags
	JSON bool `help:"Print as JSON."`
}

// lampRow is one lamp as listed.
type lampRow struct {
	Serial     plant.LampSerial `json:"serial"`
	Kind       string           `json:"kind"`
	Station    plant.StationID  `json:"station,omitempty"` // where it is fitted now
	Fitted     time.Time        `json:"fitted,omitzero"`
	Removed    time.Time        `json:"removed,omitzero"`
	Reason     string           `json:"reason,omitempty"`
	LitHours   float64          `json:"lit_hours"`
	Starts     int64            `json:"starts"`
	Equivalent float64          `json:"equivalent_hours"`
	Rated      float64          `json:"rated_hours"`
	Used       float64          `json:"used_fraction"`
}

// Run lists lamps in the order of their first fitting.
func (c lampListCommand) Run(s *surroundings) error {
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	rows, err := lampRows(s, db, &loaded.Plant)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(s.stdout, map[string]any{"lamps": rows})
	}
	w := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "SERIAL\tKIND\tSTATION\tFITTED\tREMOVED\tWHY\tLIT h\tSTARTS\tEQUIVALENT h\tUSED")
	for _, r := range rows {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%.1f\t%d\t%.1f\t%.0f %%\n", r.Serial, r.Kind, r.Station,
			day(r.Fitted, loaded.Plant.TimeZone), day(r.Removed, loaded.Plant.TimeZone), r.Reason, r.LitHours, r.Starts, r.Equivalent, 100*r.Used)
	}
	return w.Flush()
}

// lampRows joins lamps, their latest fitting and their totals.
func lampRows(s *surroundings, db lampStore, p *plant.Plant) ([]lampRow, error) {
	lamps, err := db.Lamps(s.ctx)
	if err != nil {
		return nil, err
	}
	fittings, err := db.AllFittings(s.ctx)
	if err != nil {
		return nil, err
	}
	totals, err := db.LampTotals(s.ctx)
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

func kindOf(s *surroundings, db lampStore, serial plant.LampSerial) (string, error) {
	lamps, err := db.Lamps(s.ctx)
	if err != nil {
		return "", err
	}
	for _, l := range lamps {
		if l.Serial == serial {
			return l.Kind, nil
		}
	}
	return "", fmt.Errorf("lamp %s is not known", serial)
}

func day(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "-"
	}
	return t.In(zone).Format(time.DateOnly)
}

func names[T any](list []T, name func(T) string) string {
	out := make([]string, len(list))
	for i, v := range list {
		out[i] = name(v)
	}
	return strings.Join(out, ", ")
}

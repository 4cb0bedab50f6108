package acts

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
)

// LampFit records that a lamp was fitted.
type LampFit struct {
	desk.Site
	Who
	When
	Serial  string `arg:"" help:"Serial number on the lamp."`
	Station string `arg:"" help:"Station it is fitted in."`
	Kind    string `help:"Lamp kind of the configuration, for a lamp that is new; by default the one of the light in the station." placeholder:"NAME"`
}

// Run records a fitting.
func (c LampFit) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		st, ok := p.FindStation(plant.StationID(c.Station))
		if !ok {
			return desk.Unknown("station", c.Station, p.Stations(), func(s plant.Station) string { return string(s.ID) })
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
		_, err = fmt.Fprintf(s.Stdout, "recorded: lamp %s (%s) in %s from %s\n", c.Serial, kind, st.ID, desk.Moment(at, p))
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
			return "", desk.Unknown("lamp kind", c.Kind, p.LampKinds, func(k plant.LampKind) string { return k.Name })
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
		return "", fmt.Errorf("station %s was of technology %s on %s, for which the configuration has no lamp kind — add one under lamp_kinds", st.ID, light, desk.Date(at, p))
	}
	return "", fmt.Errorf("station %s was of technology %s on %s — name the kind of lamp with --kind: %s", st.ID, light, desk.Date(at, p), strings.Join(fitting, " or "))
}

// LampRemove records that a lamp was taken out.
type LampRemove struct {
	desk.Site
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
func (c LampRemove) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
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
		_, err = fmt.Fprintf(s.Stdout, "recorded: lamp %s taken out %s (%s)\n", c.Serial, desk.Moment(at, p), c.Reason)
		if k, ok := p.FindLampKind(lamp.Kind); ok && k.Technology == plant.TechnologyArc && err == nil {
			_, err = fmt.Fprintln(s.Stdout, "A mercury lamp: never bin or crush. Box, label, date, recycle; follow your site's rules and local law.")
		}
		return err
	})
}

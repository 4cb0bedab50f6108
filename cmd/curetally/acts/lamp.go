package acts

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
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
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.FitLamp(ctx, plant.Fitting{Lamp: plant.LampSerial(c.Serial), Station: plant.StationID(c.Station), From: at, By: c.By}, c.Kind)
	})
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
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.RemoveLamp(ctx, plant.Fitting{Lamp: plant.LampSerial(c.Serial), To: at, Reason: c.Reason, By: c.By})
	})
}

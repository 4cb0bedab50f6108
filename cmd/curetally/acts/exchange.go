package acts

import (
	"context"
	"fmt"
	"math"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
)

// Exchange declares that a meter register was exchanged.
type Exchange struct {
	desk.Site
	Who
	When
	Register string  `arg:"" help:"Register as OWNER/VALUE, for example heron-5-meter/import."`
	Final    float64 `required:"" help:"Last reading of the old meter, in kWh as the meter shows it, before transformers (m² or m for a counter of a press)." placeholder:"NUMBER"`
	First    float64 `required:"" help:"First reading of the new meter, in the same unit." placeholder:"NUMBER"`
	Note     string  `help:"Why, and the new meter's serial." placeholder:"TEXT"`
}

// Validate refuses what no register can show.
func (c Exchange) Validate() error {
	for _, v := range []struct {
		flag  string
		value float64
	}{{"--final", c.Final}, {"--first", c.First}} {
		if !(v.value >= 0) || math.IsInf(v.value, 0) {
			return fmt.Errorf("%s %v: expected a reading of 0 or more", v.flag, v.value)
		}
	}
	return nil
}

// Run declares the exchange of a register. The curve takes the old register to
// its final reading and goes on from the new one's first.
func (c Exchange) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.Exchange(ctx, plant.Exchange{Register: plant.RegisterID(c.Register), At: at, By: c.By, Note: c.Note}, c.Final, c.First)
	})
}

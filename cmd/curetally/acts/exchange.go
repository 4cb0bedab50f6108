package acts

import (
	"context"
	"fmt"
	"math"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
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
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		reg, err := readRegister(p, c.Register)
		if err != nil {
			return err
		}
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		x := plant.Exchange{Register: reg.ID, At: at, By: c.By, Note: c.Note}
		if x.Final, err = wholeUnits(reg, "--final", c.Final); err != nil {
			return err
		}
		if x.First, err = wholeUnits(reg, "--first", c.First); err != nil {
			return err
		}
		if err := db.DeclareExchange(ctx, x); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s ended %s at %.3f and goes on from %.3f %s\n",
			reg.ID, desk.Moment(at, p), c.Final, c.First, reg.Quantity.DisplayUnit())
		return err
	})
}

// wholeUnits converts a reading as shown to the register's whole units.
func wholeUnits(reg plant.Register, flag string, value float64) (int64, error) {
	limit := float64(math.MaxInt64)
	if m := reg.Rules.Modulus; m > 0 {
		limit = float64(m)
	}
	per := reg.Quantity.PerDisplay()
	whole := math.Round(value * per)
	if whole >= limit {
		return 0, fmt.Errorf("%s %v: %s never shows more than %.3f %s — give the reading as the meter shows it",
			flag, value, reg.ID, limit/per, reg.Quantity.DisplayUnit())
	}
	return int64(whole), nil
}

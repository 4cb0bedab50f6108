package main

import (
	"fmt"
	"math"

	"curetally/internal/core/plant"
)

type exchangeCommand struct {
	siteFlags
	Register string  `arg:"" help:"Register as METER/VALUE, for example heron-5-meter/import."`
	Final    float64 `required:"" help:"Last reading of the old meter, in kWh."`
	First    float64 `required:"" help:"First reading of the new meter, in kWh."`
	By       string  `required:"" help:"Who exchanged it." placeholder:"NAME"`
	Note     string  `help:"Why, and the new meter's serial."`
	At       string  `help:"When; now by default." placeholder:"TIME"`
}

// Run declares the exchange of a register. The curve takes the old register to
// its final reading and goes on from the new one's first.
func (c exchangeCommand) Run(s *surroundings) error {
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	reg, ok := loaded.Plant.FindRegister(plant.RegisterID(c.Register))
	if !ok || reg.Curve != plant.FromReadings {
		return fmt.Errorf("register %q is not one of the plant's meter registers: known are %s", c.Register,
			names(readable(&loaded.Plant), func(r plant.Register) string { return string(r.ID) }))
	}
	at, err := instant(c.At, &loaded.Plant)
	if err != nil {
		return err
	}
	x := plant.Exchange{Register: reg.ID, At: at, By: c.By, Note: c.Note}
	per := reg.Quantity.PerDisplay()
	for _, v := range []struct {
		flag  string
		value float64
		into  *int64
	}{{"--final", c.Final, &x.Final}, {"--first", c.First, &x.First}} {
		whole := math.Round(v.value * per)
		if !(whole >= 0) || whole >= math.MaxInt64 {
			return fmt.Errorf("%s %v: expected a reading of 0 or more", v.flag, v.value)
		}
		*v.into = int64(whole)
	}
	if err := db.DeclareExchange(s.ctx, x); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.stdout, "recorded: %s ended at %.3f and goes on from %.3f %s\n", reg.ID, c.Final, c.First, reg.Quantity.DisplayUnit())
	return err
}

func readable(p *plant.Plant) []plant.Register {
	var out []plant.Register
	for _, r := range p.Registers {
		if r.Curve == plant.FromReadings {
			out = append(out, r)
		}
	}
	return out
}

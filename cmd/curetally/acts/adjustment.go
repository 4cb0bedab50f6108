package acts

import (
	"context"
	"fmt"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// AdjustmentAdd records a non-routine adjustment.
type AdjustmentAdd struct {
	desk.Site
	Who
	Project   string  `arg:"" help:"Savings project of the configuration."`
	From      string  `required:"" help:"First local day of the event." placeholder:"2026-03-09"`
	To        string  `required:"" help:"First local day after the event." placeholder:"2026-07-01"`
	KWh       float64 `name:"kwh" required:"" help:"Energy of the whole event in kWh, not below 0; 0 only to take an earlier adjustment back."`
	Sign      string  `required:"" enum:"plus,minus" help:"plus where the change raised the energy of the reporting period, so that it is added to what was expected; minus where it lowered it."`
	Event     string  `required:"" help:"What happened." placeholder:"TEXT"`
	Evidence  string  `required:"" help:"What shows the energy: readings, an invoice, a calculation." placeholder:"TEXT"`
	Factor    string  `help:"Static factor of the configuration that changed." placeholder:"NAME"`
	InsteadOf int     `help:"Number of an earlier adjustment that this one takes the place of." placeholder:"N"`
}

// Validate refuses an adjustment that could not be stood by.
func (c AdjustmentAdd) Validate() error {
	_, err := c.adjustment(time.UTC)
	return err
}

func (c AdjustmentAdd) adjustment(zone *time.Location) (plant.Adjustment, error) {
	a := plant.Adjustment{
		Project: plant.ProjectID(c.Project), Factor: c.Factor, Event: c.Event, Evidence: c.Evidence, Approver: c.By, InsteadOf: c.InsteadOf,
	}
	for _, d := range []struct {
		flag, text string
		to         *time.Time
	}{{"--from", c.From, &a.From}, {"--to", c.To, &a.To}} {
		t, err := time.ParseInLocation(time.DateOnly, d.text, zone)
		if err != nil {
			return a, fmt.Errorf("%s %q: expected a local day such as 2026-03-09", d.flag, d.text)
		}
		*d.to = t
	}
	if !(c.KWh >= 0) {
		return a, fmt.Errorf("--kwh %v: expected the amount alone, 0 or more; --sign says which way", c.KWh)
	}
	e, err := unit.EnergyFromKWh(c.KWh)
	if err != nil {
		return a, fmt.Errorf("--kwh %v: %w", c.KWh, err)
	}
	if a.Energy = e; c.Sign == "minus" {
		a.Energy = -e
	}
	return a, savings.CheckAdjustment(a)
}

// Run records the adjustment.
func (c AdjustmentAdd) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		a, err := c.adjustment(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.Adjust(ctx, a)
	})
}

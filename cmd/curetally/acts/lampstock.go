package acts

import (
	"context"
	"errors"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
)

// LampReceive records that lamps came into the store.
type LampReceive struct {
	desk.Site
	Who
	When
	Kind   string   `arg:"" help:"Lamp kind of the configuration."`
	Count  int      `help:"How many lamps without a serial came; each is given one of its kind and a number, and takes its own when it is fitted." placeholder:"N"`
	Serial []string `help:"Serial number on a lamp; may be given several times." placeholder:"SERIAL"`
	Note   string   `help:"Order or delivery note." placeholder:"TEXT"`
}

// Validate refuses a receipt of nothing.
func (c LampReceive) Validate() error {
	if c.Count < 0 || c.Count == 0 && len(c.Serial) == 0 {
		return errors.New("expected --count N for lamps without a serial, or --serial for each lamp")
	}
	return nil
}

// Run records the receipt.
func (c LampReceive) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.ReceiveLamps(ctx, plant.Receipt{Kind: c.Kind, Serials: serials(c.Serial), Count: c.Count, At: at, By: c.By, Note: c.Note})
	})
}

func serials(names []string) []plant.LampSerial {
	out := make([]plant.LampSerial, len(names))
	for i, n := range names {
		out[i] = plant.LampSerial(n)
	}
	return out
}

// LampDispose records that spent lamps left the plant.
type LampDispose struct {
	desk.Site
	Who
	When
	Serial []string `arg:"" optional:"" help:"Serial number of each lamp; none with --kind."`
	Kind   string   `help:"All spent lamps of this kind instead." placeholder:"NAME"`
	Note   string   `help:"Who took them, with the number of the waste note." placeholder:"TEXT"`
}

// Validate refuses a call that names no lamps, or names them twice over.
func (c LampDispose) Validate() error {
	if (c.Kind == "") == (len(c.Serial) == 0) {
		return errors.New("expected the serials of lamps, or --kind NAME for all spent lamps of a kind")
	}
	return nil
}

// Run records the disposal.
func (c LampDispose) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.DisposeLamps(ctx, serials(c.Serial), c.Kind, plant.LampMovement{At: at, By: c.By, Note: c.Note})
	})
}

package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
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
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		if _, ok := p.FindLampKind(c.Kind); !ok {
			return desk.Unknown("lamp kind", c.Kind, p.LampKinds, func(k plant.LampKind) string { return k.Name })
		}
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		r := store.Receipt{Kind: c.Kind, Count: c.Count, At: at, By: c.By, Note: c.Note}
		for _, serial := range c.Serial {
			r.Serials = append(r.Serials, plant.LampSerial(serial))
		}
		serials, err := db.ReceiveLamps(ctx, r)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s of kind %s received %s: %s\n", desk.Count(len(serials), "lamp"), c.Kind, desk.Moment(at, p), listed(serials))
		return err
	})
}

// listed joins serials; of many the first few and the last.
func listed(serials []plant.LampSerial) string {
	words := make([]string, len(serials))
	for i, s := range serials {
		words[i] = string(s)
	}
	if n := len(words); n > 10 {
		return strings.Join(words[:8], ", ") + " … " + words[n-1]
	}
	return strings.Join(words, ", ")
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
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		at, err := c.instant(p)
		if err != nil {
			return err
		}
		serials, err := c.lamps(ctx, p, db, at)
		if err != nil {
			return err
		}
		if err := db.DisposeLamps(ctx, serials, plant.LampMovement{At: at, By: c.By, Note: c.Note}); err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s disposed of %s: %s\n", desk.Count(len(serials), "lamp"), desk.Moment(at, p), listed(serials))
		return err
	})
}

func (c LampDispose) lamps(ctx context.Context, p *plant.Plant, db *store.DB, at time.Time) ([]plant.LampSerial, error) {
	if c.Kind == "" {
		var serials []plant.LampSerial
		for _, serial := range c.Serial {
			serials = append(serials, plant.LampSerial(serial))
		}
		return serials, nil
	}
	records, err := lampbook.Records(ctx, db, p, at)
	if err != nil {
		return nil, err
	}
	records = slices.DeleteFunc(records, func(r lampledger.Record) bool { return r.Lamp.Kind != c.Kind || r.Place != lampledger.Spent })
	if len(records) == 0 {
		return nil, fmt.Errorf("no spent lamp of kind %q is in the plant — curetally lamp stock shows what there is", c.Kind)
	}
	var serials []plant.LampSerial
	for _, r := range records {
		serials = append(serials, r.Lamp.Serial)
	}
	return serials, nil
}

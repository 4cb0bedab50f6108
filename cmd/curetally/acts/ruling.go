package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
)

// RulingGive rules on readings that no rule can judge.
type RulingGive struct {
	desk.Site
	Who
	Register string        `arg:"" help:"Register as OWNER/VALUE, for example heron-5-meter/import."`
	Verdict  plant.Verdict `arg:"" help:"accept: the value is true, whatever the limits say; discard: it is wrong and stays out; restart: the register goes on from it, and what it counted since the value before is not known."`
	At       string        `help:"Instant of the reading, as curetally ruling list shows it, or the second it lies in. Without it: the oldest value that waits, or with discard all of them." placeholder:"TIME"`
	Note     string        `required:"" help:"Why, with what was found." placeholder:"TEXT"`
}

// Validate refuses an unknown verdict and an instant that is none.
func (c RulingGive) Validate() error {
	if !slices.Contains(plant.Verdicts(), c.Verdict) {
		return fmt.Errorf("verdict %q: expected accept, discard or restart", c.Verdict)
	}
	if strings.TrimSpace(c.Note) == "" {
		return errors.New("--note is empty: expected why the ruling is given")
	}
	return When{At: c.At}.Validate()
}

// Run records the ruling and settles the register anew. The readings stay as they
// were read.
func (c RulingGive) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := When{At: c.At}.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.Rule(ctx, plant.Ruling{Register: plant.RegisterID(c.Register), At: at, Verdict: c.Verdict, By: c.By, Note: c.Note})
	})
}

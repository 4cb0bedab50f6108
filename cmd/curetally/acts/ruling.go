package acts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
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

// mostAtOnce bounds how many readings one ruling may discard without naming them.
const mostAtOnce = 20

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
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		reg, err := readRegister(p, c.Register)
		if err != nil {
			return err
		}
		instants, err := c.readings(ctx, p, db, reg.ID)
		if err != nil {
			return err
		}
		for _, at := range instants {
			if err := db.Rule(ctx, plant.Ruling{Register: reg.ID, At: at, Verdict: c.Verdict, By: c.By, Note: c.Note}); err != nil {
				return err
			}
		}
		if err := app.Settle(ctx, p, db, desk.Quiet(s.Log)); err != nil {
			return err
		}
		waiting, err := db.Held(ctx, reg.ID)
		if err != nil {
			return err
		}
		what := c.Verdict + "ed"
		if c.Verdict == plant.VerdictRestart {
			what = "restarted at"
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s, %s %s; %s of this register still held out\n",
			reg.ID, what, desk.Count(len(instants), "reading"), desk.Count(len(waiting), "value"))
		return err
	})
}

// readRegister finds a register whose values are read.
func readRegister(p *plant.Plant, name string) (plant.Register, error) {
	reg, ok := p.FindRegister(plant.RegisterID(name))
	if ok && reg.Curve == plant.FromReadings {
		return reg, nil
	}
	read := slices.DeleteFunc(slices.Clone(p.Registers), func(r plant.Register) bool { return r.Curve != plant.FromReadings })
	return reg, desk.Unknown("register", name, read, func(r plant.Register) string { return string(r.ID) })
}

// readings are the instants of the readings that the ruling is about.
func (c RulingGive) readings(ctx context.Context, p *plant.Plant, db *store.DB, reg plant.RegisterID) ([]time.Time, error) {
	if c.At != "" {
		at, err := When{At: c.At}.parse(p.TimeZone)
		if err != nil {
			return nil, err
		}
		return oneReading(ctx, db, reg, at)
	}
	held, err := db.Held(ctx, reg)
	if err != nil {
		return nil, err
	}
	var instants []time.Time
	for _, h := range held {
		instants = append(instants, h.At)
	}
	switch {
	case len(instants) == 0:
		return nil, fmt.Errorf("no value of %s waits for a ruling — name the reading with --at", reg)
	case c.Verdict != plant.VerdictDiscard:
		return instants[:1], nil
	case len(instants) > mostAtOnce:
		return nil, fmt.Errorf("%d values of %s wait: too many to be one fault — look at them with curetally ruling list; "+
			"where the register really changed, restart it at the first or declare the exchange", len(instants), reg)
	}
	return instants, nil
}

// oneReading finds the reading of a register at an instant, or the only one in the
// second that begins there.
func oneReading(ctx context.Context, db *store.DB, reg plant.RegisterID, at time.Time) ([]time.Time, error) {
	all, err := db.Readings(ctx, reg, at, at.Add(time.Second))
	if err != nil {
		return nil, err
	}
	var inside []time.Time
	for _, r := range all {
		if r.At.Equal(at) {
			return []time.Time{r.At}, nil
		}
		if !r.At.Before(at) && r.At.Before(at.Add(time.Second)) {
			inside = append(inside, r.At)
		}
	}
	switch len(inside) {
	case 1:
		return inside, nil
	case 0:
		return nil, fmt.Errorf("%s was not read at %s — give the instant as curetally ruling list shows it", reg, at.Format(time.RFC3339Nano))
	}
	return nil, fmt.Errorf("%s was read %d times in the second of %s — give the whole instant, for example %s", reg, len(inside), at.Format(time.RFC3339), inside[0].Format(time.RFC3339Nano))
}

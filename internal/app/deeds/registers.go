package deeds

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Exchange declares that a register was exchanged. final and first are the last
// reading of the old register and the first of the new one, in display units as
// the meter shows them; x.Final and x.First are not used.
func (b Book) Exchange(ctx context.Context, x plant.Exchange, final, first float64) (string, error) {
	reg, err := b.readRegister(x.Register)
	if err != nil {
		return "", err
	}
	if x.At, err = b.act(x.By, x.At); err != nil {
		return "", err
	}
	if x.Final, err = wholeUnits(reg, "final", final); err != nil {
		return "", err
	}
	if x.First, err = wholeUnits(reg, "first", first); err != nil {
		return "", err
	}
	if err := b.Store.DeclareExchange(ctx, x); err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s ended %s at %.3f and goes on from %.3f %s", reg.ID, b.moment(x.At), final, first, reg.Quantity.DisplayUnit()), nil
}

// wholeUnits converts a reading as shown to the register's whole units.
func wholeUnits(reg plant.Register, what string, value float64) (int64, error) {
	limit := float64(math.MaxInt64)
	if m := reg.Rules.Modulus; m > 0 {
		limit = float64(m)
	}
	per := reg.Quantity.PerDisplay()
	whole := math.Round(value * per)
	if !(whole >= 0) || whole >= limit {
		return 0, refused("%s %v: %s never shows more than %.3f %s — give the reading as the meter shows it",
			what, value, reg.ID, limit/per, reg.Quantity.DisplayUnit())
	}
	return int64(whole), nil
}

// mostAtOnce bounds how many readings one ruling may discard without naming them.
const mostAtOnce = 20

// Rule records a ruling and settles the register anew; the readings stay as they
// were read. r.At names the reading, or the second it lies in; zero is the oldest
// that waits, or all of them where they are discarded.
func (b Book) Rule(ctx context.Context, r plant.Ruling) (string, error) {
	if err := named(r.By); err != nil {
		return "", err
	}
	reg, err := b.readRegister(r.Register)
	if err != nil {
		return "", err
	}
	instants, err := b.ruled(ctx, reg.ID, r)
	if err != nil {
		return "", err
	}
	for _, at := range instants {
		if err := b.Store.Rule(ctx, plant.Ruling{Register: reg.ID, At: at, Verdict: r.Verdict, By: r.By, Note: r.Note}); err != nil {
			return "", err
		}
	}
	if err := b.Settle(ctx); err != nil {
		return "", err
	}
	waiting, err := b.Store.Held(ctx, reg.ID)
	if err != nil {
		return "", err
	}
	what := r.Verdict + "ed"
	if r.Verdict == plant.VerdictRestart {
		what = "restarted at"
	}
	return fmt.Sprintf("recorded: %s, %s %s; %s of this register still held out", reg.ID, what, count(len(instants), "reading"), count(len(waiting), "value")), nil
}

// readRegister finds a register whose values are read.
func (b Book) readRegister(id plant.RegisterID) (plant.Register, error) {
	reg, ok := b.Plant.FindRegister(id)
	if ok && reg.Curve == plant.FromReadings {
		return reg, nil
	}
	read := slices.DeleteFunc(slices.Clone(b.Plant.Registers), func(r plant.Register) bool { return r.Curve != plant.FromReadings })
	return reg, Unknown("register", string(id), read, func(r plant.Register) string { return string(r.ID) })
}

// ruled are the instants of the readings that a ruling is about.
func (b Book) ruled(ctx context.Context, reg plant.RegisterID, r plant.Ruling) ([]time.Time, error) {
	if !r.At.IsZero() {
		return b.oneReading(ctx, reg, r.At)
	}
	held, err := b.Store.Held(ctx, reg)
	if err != nil {
		return nil, err
	}
	var instants []time.Time
	for _, h := range held {
		instants = append(instants, h.At)
	}
	switch {
	case len(instants) == 0:
		return nil, refused("no value of %s waits for a ruling — name the reading with --at", reg)
	case r.Verdict != plant.VerdictDiscard:
		return instants[:1], nil
	case len(instants) > mostAtOnce:
		return nil, refused("%d values of %s wait: too many to be one fault — look at them with curetally ruling list; "+
			"where the register really changed, restart it at the first or declare the exchange", len(instants), reg)
	}
	return instants, nil
}

// oneReading finds the reading of a register at an instant, or the only one in the
// second that begins there.
func (b Book) oneReading(ctx context.Context, reg plant.RegisterID, at time.Time) ([]time.Time, error) {
	all, err := b.Store.Readings(ctx, reg, at, at.Add(time.Second))
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
		return nil, refused("%s was not read at %s — give the instant as curetally ruling list shows it", reg, at.Format(time.RFC3339Nano))
	}
	return nil, refused("%s was read %d times in the second of %s — give the whole instant, for example %s",
		reg, len(inside), at.Format(time.RFC3339), inside[0].Format(time.RFC3339Nano))
}

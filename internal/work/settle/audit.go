package settle

import (
	"context"
	"fmt"
	"time"

	"curetally/internal/core/invariant"
	"curetally/internal/core/plant"
)

// Archive reads everything that the audit needs.
type Archive interface {
	Facts
	// Extent gives the first and the last instant that entries of the register
	// could touch; ok is false when it has no facts.
	Extent(ctx context.Context, reg plant.RegisterID) (first, last time.Time, ok bool, err error)
	Entries(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Entry, error)
}

// Finding is what the audit says of one register.
type Finding struct {
	Register plant.RegisterID
	Entries  int   // rows rebuilt
	Total    int64 // sum of the rebuilt entries, units of the register
	Stored   int64 // sum of the stored entries
	// Differing counts rows that are missing, superfluous or different.
	Differing int
	First     string // the first difference in words; empty when there is none
}

// Audit rebuilds all entries of one register from facts and compares them with
// what is stored. It reads only.
func Audit(ctx context.Context, a Archive, p *plant.Plant, reg plant.Register) (Finding, error) {
	f := Finding{Register: reg.ID}
	first, last, ok, err := a.Extent(ctx, reg.ID)
	if err != nil || !ok {
		return f, err
	}
	w := Stretch{Register: reg, From: first.Truncate(p.Interval), To: last.Truncate(p.Interval).Add(p.Interval)}
	built, stored, err := Rebuild(ctx, a, p, w)
	if err != nil {
		return f, err
	}
	f.Entries = len(built)
	d := invariant.Compare(built, stored)
	f.Total, f.Stored, f.Differing, f.First = d.Built, d.Stored, d.Rows, d.First
	return f, nil
}

// Rebuild makes the entries of a stretch from facts, without storing them, and
// reads those that are stored. Where facts after the stretch bear on it, both reach
// farther than asked. It reads only.
func Rebuild(ctx context.Context, a Archive, p *plant.Plant, w Stretch) (built, stored []plant.Entry, err error) {
	s, err := Settle(ctx, a, p, w)
	if err != nil {
		return nil, nil, fmt.Errorf("rebuild %s: %w", w.Register.ID, err)
	}
	if stored, err = a.Entries(ctx, w.Register.ID, s.From, s.To); err != nil {
		return nil, nil, fmt.Errorf("read entries of %s: %w", w.Register.ID, err)
	}
	return s.Entries, stored, nil
}

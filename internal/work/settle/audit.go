package settle

import (
	"context"
	"fmt"
	"time"

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
	built, err := Settle(ctx, a, p, w)
	if err != nil {
		return f, fmt.Errorf("rebuild %s: %w", reg.ID, err)
	}
	stored, err := a.Entries(ctx, reg.ID, w.From, w.To)
	if err != nil {
		return f, fmt.Errorf("read entries of %s: %w", reg.ID, err)
	}
	f.Entries = len(built.Entries)
	f.compare(built.Entries, stored)
	return f, nil
}

// key is what identifies an entry within a register.
type key struct {
	start      int64
	state      plant.State
	technology plant.Technology
	lamp       plant.LampSerial
}

func keyOf(e plant.Entry) key {
	return key{e.Start.UnixMicro(), e.State, e.Technology, e.Lamp}
}

func (f *Finding) compare(built, stored []plant.Entry) {
	have := make(map[key]plant.Entry, len(stored))
	for _, e := range stored {
		have[keyOf(e)] = e
		f.Stored += e.Amount
	}
	for _, e := range built {
		f.Total += e.Amount
		s, ok := have[keyOf(e)]
		delete(have, keyOf(e))
		switch {
		case !ok:
			f.differ(e, "is missing")
		case s.Amount != e.Amount || s.Quality != e.Quality:
			f.differ(e, fmt.Sprintf("is stored as %d (%s), facts give %d (%s)", s.Amount, s.Quality, e.Amount, e.Quality))
		}
	}
	for _, e := range stored {
		if _, left := have[keyOf(e)]; left {
			f.differ(e, "has no facts")
		}
	}
}

func (f *Finding) differ(e plant.Entry, what string) {
	if f.Differing == 0 {
		f.First = fmt.Sprintf("entry %s %s %s %s %s", e.Start.Format(time.RFC3339), e.State, e.Technology, e.Lamp, what)
	}
	f.Differing++
}

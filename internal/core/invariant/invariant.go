// Package invariant states what must be true of the records at every moment, so
// that a program can watch itself: entries are what the facts give, time is tiled
// without a gap, nothing counts more than its rating allows, a lamp is in one
// place at a time.
//
// A broken one means a fault of the program, of its database or of a hand in it,
// never one of the plant: what a plant can do wrong is judged when facts are
// settled. So each violation names the key at which to look, and the remedy is
// always the same: keep the data, rebuild, and report it.
//
// The checks are pure functions over what was read, and share no code with the
// ledger that makes the entries.
package invariant

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Name is the name of an invariant, as metrics and findings show it.
type Name string

// The invariants.
const (
	// Conservation: the entries of a register add up to what its facts give.
	Conservation Name = "conservation"
	// Rebuild: each entry is the one that the facts give.
	Rebuild Name = "rebuild"
	// Tiling: the time in states fills each interval exactly.
	Tiling Name = "tiling"
	// Plausibility: an interval holds no more than its register's rating allows, and
	// nothing negative where nothing can flow back.
	Plausibility Name = "plausibility"
	// Lamps: a lamp is in one place at a time, and a place holds one lamp.
	Lamps Name = "lamps"
	// Unaltered: frozen baselines and published statements have the hash that they
	// were given.
	Unaltered Name = "unaltered"
	// Liveness: what is received reaches the database while that takes anything.
	Liveness Name = "liveness"
)

// Names lists all of them.
func Names() []Name {
	return []Name{Conservation, Rebuild, Tiling, Plausibility, Lamps, Unaltered, Liveness}
}

// Violation is an invariant that does not hold.
type Violation struct {
	Invariant Name
	Key       string // register, lamp or document, with the instant where there is one
	Text      string // what was found and what was expected
}

// Difference is how stored entries differ from those that facts give.
type Difference struct {
	Built, Stored int64 // sums of amounts, units of the register
	// Rows counts entries that are missing, superfluous or different.
	Rows  int
	First string // the first of them in words; empty when there is none
}

// identity is what identifies an entry within a register.
type identity struct {
	start      int64
	state      plant.State
	technology plant.Technology
	lamp       plant.LampSerial
}

func identityOf(e plant.Entry) identity {
	return identity{e.Start.UnixMicro(), e.State, e.Technology, e.Lamp}
}

// Compare holds stored entries of one register against those built from facts.
func Compare(built, stored []plant.Entry) Difference {
	var d Difference
	have := make(map[identity]plant.Entry, len(stored))
	for _, e := range stored {
		have[identityOf(e)] = e
		d.Stored += e.Amount
	}
	for _, e := range built {
		d.Built += e.Amount
		s, ok := have[identityOf(e)]
		delete(have, identityOf(e))
		switch {
		case !ok:
			d.note(e, "is missing")
		case s.Amount != e.Amount || s.Quality != e.Quality:
			d.note(e, fmt.Sprintf("is stored as %d (%s), facts give %d (%s)", s.Amount, s.Quality, e.Amount, e.Quality))
		}
	}
	for _, e := range stored {
		if _, left := have[identityOf(e)]; left {
			d.note(e, "has no facts")
		}
	}
	return d
}

func (d *Difference) note(e plant.Entry, what string) {
	if d.Rows == 0 {
		d.First = fmt.Sprintf("entry %s %s %s %s %s", e.Start.Format(time.RFC3339), e.State, e.Technology, e.Lamp, what)
	}
	d.Rows++
}

// Entries checks the stored entries of one register against those that facts give:
// conservation and rebuild.
func Entries(reg plant.RegisterID, built, stored []plant.Entry) []Violation {
	d := Compare(built, stored)
	var out []Violation
	if d.Built != d.Stored {
		out = append(out, Violation{Conservation, string(reg), fmt.Sprintf("entries add up to %d, facts give %d; %s", d.Stored, d.Built, d.First)})
	}
	if d.Rows > 0 {
		out = append(out, Violation{Rebuild, string(reg), fmt.Sprintf("%d entries differ from the facts; %s", d.Rows, d.First)})
	}
	return out
}

// Intervals checks the stored entries of one register interval by interval: tiling
// for a station's time in states, plausibility for what has a rating. Only
// intervals that lie whole within [first, last), the extent of the facts, are
// tiled. Where a person has ruled that values are true, plausible may be false and
// ratings are not held against them; a register whose steps grow with its value
// has no fixed bound and is left out, too.
func Intervals(reg plant.Register, stored []plant.Entry, interval time.Duration, first, last time.Time, plausible bool) []Violation {
	sums := map[int64]int64{}
	for _, e := range stored {
		sums[e.Start.UnixMicro()] += e.Amount
	}
	var out []Violation
	limit := limitOf(reg.Rules, interval)
	_, value := reg.ID.Split()
	for start, sum := range sums {
		at := time.UnixMicro(start).UTC()
		whole := !at.Before(first) && !at.Add(interval).After(last)
		key := fmt.Sprintf("%s at %s", reg.ID, at.Format(time.RFC3339))
		switch {
		case value == plant.ValueTime:
			if want := interval.Milliseconds(); sum > want || whole && sum != want {
				out = append(out, Violation{Tiling, key, fmt.Sprintf("the states of the interval last %d ms, expected %d", sum, want)})
			}
		case !plausible || reg.Rules.FloatBits > 0 || reg.Rules.MaxPerHour == 0:
		case sum > limit:
			out = append(out, Violation{Plausibility, key, fmt.Sprintf("%d were counted, the rating allows %d", sum, limit)})
		case sum < 0 && !reg.Rules.Net:
			out = append(out, Violation{Plausibility, key, fmt.Sprintf("%d were counted by a register that only rises", sum)})
		}
	}
	slices.SortFunc(out, func(a, b Violation) int { return cmp.Compare(a.Key, b.Key) })
	return out
}

// limitOf is the most that an interval can hold: rating times time with a tenth
// for clocks and ratings that are a little off (Common practice, no source.), and
// the register's step at either end.
func limitOf(r plant.Rules, interval time.Duration) int64 {
	return int64(1.1*float64(r.MaxPerHour)*interval.Hours()) + 2*max(r.Slack, 0)
}

// Fittings checks that a lamp is in one place at a time and that a place holds one
// lamp. The order of the fittings does not matter.
func Fittings(all []plant.Fitting) []Violation {
	var out []Violation
	ordered := slices.SortedFunc(slices.Values(all), func(a, b plant.Fitting) int { return a.From.Compare(b.From) })
	lamp, place := map[plant.LampSerial]plant.Fitting{}, map[plant.StationID]plant.Fitting{}
	for _, f := range ordered {
		if !f.To.IsZero() && f.To.Before(f.From) {
			out = append(out, Violation{Lamps, string(f.Lamp), fmt.Sprintf("left %s before it came, %s", f.Station, f.To.Format(time.RFC3339))})
		}
		if b, ok := lamp[f.Lamp]; ok && overlap(b, f) {
			out = append(out, Violation{Lamps, string(f.Lamp), fmt.Sprintf("is in %s and in %s at %s", b.Station, f.Station, f.From.Format(time.RFC3339))})
		}
		if b, ok := place[f.Station]; ok && overlap(b, f) {
			out = append(out, Violation{Lamps, string(f.Station), fmt.Sprintf("holds %s and %s at %s", b.Lamp, f.Lamp, f.From.Format(time.RFC3339))})
		}
		lamp[f.Lamp], place[f.Station] = f, f
	}
	return out
}

// overlap says whether a fitting reaches into a later one.
func overlap(before, after plant.Fitting) bool {
	return before.To.IsZero() || before.To.After(after.From)
}

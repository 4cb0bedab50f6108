package spares

import (
	"time"

	"curetally/internal/core/plant"
)

// Mercury of a medium-pressure arc lamp per centimetre of arc, in milligrams. All
// of it is vapour in the burning lamp, so it follows from the ideal gas: 1 to 1.5
// bar at a mean of 2500 to 3000 K in a bore of 18 to 20 mm.
const (
	LeastMercuryPerCentimeter = 2.0
	MostMercuryPerCentimeter  = 4.5
)

// Mercury bounds the mercury in one lamp of a kind, in milligrams: what its maker
// states, else an estimate from the length of the arc. A lamp that is no mercury arc has
// none; of an arc without both nothing is known.
func Mercury(k plant.LampKind) (low, high float64, known bool) {
	switch {
	case k.Technology != plant.TechnologyArc && k.Technology != plant.TechnologyNone:
		return 0, 0, true
	case k.MercuryMilligrams > 0:
		return k.MercuryMilligrams, k.MercuryMilligrams, true
	case k.ArcCentimeters > 0:
		return k.ArcCentimeters * LeastMercuryPerCentimeter, k.ArcCentimeters * MostMercuryPerCentimeter, true
	default:
		return 0, 0, false
	}
}

// Spent is a lamp that was taken out of use and has not left the plant.
type Spent struct {
	Serial plant.LampSerial
	Since  time.Time // when it was taken out
	Kind   plant.LampKind
}

// Held is what is to be known of the spent lamps in the store.
type Held struct {
	Count  int
	Oldest time.Time // zero without lamps
	// Deadline is the local day by which the oldest is to be gone.
	Deadline time.Time
	Overdue  bool
	// MercuryLow and MercuryHigh bound the mercury in the lamps of which it is known,
	// in milligrams; OfUnknownSize counts the others.
	MercuryLow, MercuryHigh float64
	OfUnknownSize           int
}

// Hold sums up spent lamps at an instant, for a time of holding in days.
func Hold(p *plant.Plant, lamps []Spent, holdDays int, now time.Time) Held {
	h := Held{Count: len(lamps)}
	for _, l := range lamps {
		if h.Oldest.IsZero() || l.Since.Before(h.Oldest) {
			h.Oldest = l.Since
		}
		low, high, known := Mercury(l.Kind)
		h.MercuryLow, h.MercuryHigh = h.MercuryLow+low, h.MercuryHigh+high
		if !known {
			h.OfUnknownSize++
		}
	}
	if h.Count > 0 {
		h.Deadline = p.Day(h.Oldest, holdDays)
		h.Overdue = p.Day(now, 0).After(h.Deadline)
	}
	return h
}

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

// Spent is a lamp that was taken out of use and has not left the plant.
type Spent struct {
	Serial plant.LampSerial
	Since  time.Time // when it was taken out
	// ArcCentimeters is the length of its arc; 0 when not known.
	ArcCentimeters float64
}

// Held is what is to be known of the spent lamps in the store.
type Held struct {
	Count  int
	Oldest time.Time // zero without lamps
	// Deadline is the local day by which the oldest is to be gone.
	Deadline time.Time
	Overdue  bool
	// MercuryLow and MercuryHigh estimate the mercury in the lamps whose size is
	// known, in milligrams; OfUnknownSize counts the others.
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
		if l.ArcCentimeters > 0 {
			h.MercuryLow += l.ArcCentimeters * LeastMercuryPerCentimeter
			h.MercuryHigh += l.ArcCentimeters * MostMercuryPerCentimeter
		} else {
			h.OfUnknownSize++
		}
	}
	if h.Count > 0 {
		h.Deadline = p.Day(h.Oldest, holdDays)
		h.Overdue = p.Day(now, 0).After(h.Deadline)
	}
	return h
}

// Package lamplife counts how far a lamp has come in its life: equivalent hours
// from lit time and starts, and what is left of the rated life. It says what the
// lives of a plant's lamps tell about the next one (Ask), at which age changing
// costs least (CheapestAge), and how the output of a lamp falls (FitDecline).
//
// Lit time is what wears a lamp, not the time with an open shutter: an arc in
// standby burns and ages. A start wears like some hours of burning; how many is
// a property of the lamp's kind, because no published test settles it. An LED wears
// less at part drive and more when it is hot: there lit time comes in weighed, by
// package ledger. Rated hours and wear always come from the configuration, never
// from here.
//
// Nothing here knows when a lamp is due: package upkeep combines this count with
// the calendar.
package lamplife

import (
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Life is the count of one lamp over all its fittings.
type Life struct {
	LitMillis  int64   `json:"lit_ms"`
	WornMillis int64   `json:"worn_ms"` // lit time weighed by drive and temperature
	Starts     int64   `json:"starts"`
	Equivalent float64 `json:"equivalent_hours"`
	RatedHours float64 `json:"rated_hours"` // 0 when its kind states none
	// UsedFraction is Equivalent ÷ RatedHours, above 1 past the rated life; 0
	// without rated hours.
	UsedFraction float64 `json:"used_fraction"`
	// RemainingHours are equivalent hours to the rated life, negative past it; 0
	// without rated hours.
	RemainingHours float64 `json:"remaining_hours"`
}

// EquivalentHours gives worn hours plus starts × hours per start. Worn time is lit
// time where nothing weighs it.
func EquivalentHours(wornMillis, starts int64, hoursPerStart float64) float64 {
	return unit.HoursFromMillis(wornMillis) + float64(starts)*hoursPerStart
}

// Of gives the life of a lamp of a kind from its counts.
func Of(kind plant.LampKind, t plant.LampTotal) Life {
	l := Life{
		LitMillis: t.LitMillis, WornMillis: t.WornMillis, Starts: t.Starts,
		Equivalent: EquivalentHours(t.WornMillis, t.Starts, kind.HoursPerStart),
		RatedHours: kind.RatedHours,
	}
	if l.RatedHours > 0 {
		l.UsedFraction = l.Equivalent / l.RatedHours
		l.RemainingHours = l.RatedHours - l.Equivalent
	}
	return l
}

// ChangesPerYear gives how many lamps a plant uses in a year: equivalent hours
// of all its lamps in that year over the equivalent hours at which a lamp is
// changed. It is 0 when hoursPerLamp is not positive.
func ChangesPerYear(equivalentHours, hoursPerLamp float64) float64 {
	if hoursPerLamp <= 0 {
		return 0
	}
	return equivalentHours / hoursPerLamp
}

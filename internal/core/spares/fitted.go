package spares

import (
	"time"

	"curetally/internal/core/plant"
)

// Fitted is a lamp in a station with what is known of its end. Hours are
// equivalent hours.
type Fitted struct {
	// P10, P50 and P90 are the days on which its planned change falls due with a
	// chance of 10, 50 and 90 %; zero where there is no date, P90 also where it lies
	// beyond all forecasts.
	P10, P50, P90 time.Time
	// ChangeAge is the age at which lamps in the position are changed as planned; 0
	// where none is.
	ChangeAge float64
	Age       float64
	PerDay    float64 // use per calendar day
	// Fails is the chance that a lamp that has reached an age fails within further
	// hours; nil where too little has failed to tell.
	Fails func(age, further float64) float64
}

// nextSpread is how far the life of the lamp after the present one may lie from
// its mean in calendar time, for its P10 and P90. An assumption without a source:
// it stands for what the use of a station changes within a year.
const nextSpread = 0.15

// Position gives the chances of changes in the lamp's place: planned or after a
// failure, whichever is sooner. ok is false when nothing is known of its end.
func (f Fitted) Position(now time.Time, weeks int) (p Position, ok bool) {
	if !f.P50.IsZero() {
		p90 := f.P90
		if p90.IsZero() {
			p90 = f.P50.Add(f.P50.Sub(f.P10)) // as far on the other side
		}
		due := Between(f.P10, f.P50, p90)
		p.First = ByWeek(func(after time.Duration) float64 { return due(now.Add(after)) }, weeks)
		ok = true
	}
	if f.PerDay <= 0 {
		return p, ok
	}
	if f.Fails != nil {
		p.First, ok = Sooner(p.First, f.failures(f.Age, weeks)), true
	}
	if f.ChangeAge > 0 {
		life := time.Duration(f.ChangeAge / f.PerDay * 24 * float64(time.Hour))
		spread := time.Duration(nextSpread * float64(life))
		due := Between(now.Add(life-spread), now.Add(life), now.Add(life+spread))
		p.Next = ByWeek(func(after time.Duration) float64 { return due(now.Add(after)) }, weeks)
	}
	if f.Fails != nil {
		p.Next = Sooner(p.Next, f.failures(0, weeks))
	}
	return p, ok
}

// failures gives the chance of a failure by week for a lamp of an age.
func (f Fitted) failures(age float64, weeks int) []float64 {
	return ByWeek(func(after time.Duration) float64 { return f.Fails(age, after.Hours()/24*f.PerDay) }, weeks)
}

// LeadDays gives how long an order of a kind takes, and whether that is assumed
// because the plant does not say: three weeks for lamps, twelve for LED modules,
// the longest that is usual.
// Common practice, no source.
func LeadDays(k plant.LampKind) (days int, assumed bool) {
	switch {
	case k.LeadDays > 0:
		return k.LeadDays, false
	case k.Technology == plant.TechnologyLED:
		return 84, true
	default:
		return 21, true
	}
}

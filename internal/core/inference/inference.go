// Package inference concludes the state of a silent station from the power of its own
// meter. A station that says nothing may be off, or its controller may be; where
// a meter measures it alone, its power tells which, and the conclusion is marked as
// one.
//
// Conclusions are events like those of the station, under a boot id of their own. So
// they are kept, settled and audited like all others, and what the station itself
// said, even late, always counts before them: see ledger.Timeline.
//
// Arc: lit from a tenth of the rated power of the meter on, curing from half of it
// on; LED: curing from 4 % on, standby from 2 % on; below that the station is off. Common
// practice, no source. A lit_power of the station takes the place of the first. A
// state is left only when the power is a tenth beyond its border, so that a value
// that trembles there changes nothing. The package is pure and knows no clock.
package inference

import (
	"time"

	"curetally/internal/core/plant"
)

// Shares of the rated power of a station's meter. An arc in standby takes a quarter
// and more, curing more than half, its dark supply a fiftieth; an LED at its lowest a
// twentieth, idle a thirtieth. Common practice, no source.
const (
	litShareArc     = 0.10
	curingShareArc  = 0.50
	litShareLED     = 0.04
	standbyShareLED = 0.02

	// hysteresis is by which part of itself a border is passed before a state is left.
	hysteresis = 0.10
)

// LitPower is the power in watts from which on the lamp of a station burns.
func LitPower(st plant.Station, m plant.Meter, at time.Time) float64 {
	switch {
	case st.LitPower > 0:
		return st.LitPower
	case st.TechnologyAt(at) == plant.TechnologyLED:
		return litShareLED * m.MaxPower
	}
	return litShareArc * m.MaxPower
}

// border is where a state begins.
type border struct {
	state plant.State
	watts float64
}

// borders gives the states of a station by rising power. Below the first it is off.
func borders(st plant.Station, m plant.Meter, at time.Time) [2]border {
	lit := LitPower(st, m, at)
	if st.TechnologyAt(at) == plant.TechnologyLED {
		return [2]border{{plant.StateStandby, min(standbyShareLED*m.MaxPower, lit/2)}, {plant.StateCuring, lit}}
	}
	return [2]border{{plant.StateStandby, lit}, {plant.StateCuring, max(curingShareArc*m.MaxPower, lit)}}
}

// concluded gives the state at a power, after another.
func concluded(b [2]border, before plant.State, watts float64) plant.State {
	state := plant.StateOff
	reached := before == plant.StateOff
	for _, one := range b {
		limit := one.watts
		switch {
		case before == plant.StateUnknown:
		case !reached: // the station was at least here: it must fall well below
			limit *= 1 - hysteresis
		default:
			limit *= 1 + hysteresis
		}
		if watts >= limit {
			state = one.state
		}
		if one.state == before {
			reached = true
		}
	}
	return state
}

// Watch follows the stations that have a meter of their own. It is not safe for
// concurrent use.
type Watch struct {
	stations map[plant.StationID]*watched
	byMeter  map[string]*watched
}

type watched struct {
	station plant.Station
	meter   plant.Meter
	heard   time.Time   // when it last said something, or when the watch began
	state   plant.State // as concluded last; unknown while it speaks
	told    time.Time   // when that was last written down
}

// NewWatch follows the stations of a plant from an instant on: each counts as heard
// then. Stations without a meter of their own, with more than one, or without a
// limit of silence are left alone.
func NewWatch(p *plant.Plant, now time.Time) *Watch {
	w := &Watch{stations: map[plant.StationID]*watched{}, byMeter: map[string]*watched{}}
	meters := map[plant.StationID][]plant.Meter{}
	for _, b := range p.Buses {
		for _, m := range b.Meters {
			if m.Station != "" && m.MaxPower > 0 {
				meters[m.Station] = append(meters[m.Station], m)
			}
		}
	}
	for _, st := range p.Stations() {
		if own := meters[st.ID]; len(own) == 1 && st.Silence > 0 {
			one := &watched{station: st, meter: own[0], heard: now}
			w.stations[st.ID], w.byMeter[string(own[0].ID)] = one, one
		}
	}
	return w
}

// Heard notes that a station has spoken.
func (w *Watch) Heard(st plant.StationID, at time.Time) {
	if one, ok := w.stations[st]; ok {
		one.heard = plant.Later(one.heard, at)
		one.state, one.told = plant.StateUnknown, time.Time{}
	}
}

// Conclude gives the events that samples of power tell of stations that have been
// silent beyond their limit: one when the state changes, and one now and then while
// it lasts, because a state holds no longer than the limit of silence. Samples are
// in order of time; others are passed over.
func (w *Watch) Conclude(samples []plant.Signal) []plant.StationEvent {
	var out []plant.StationEvent
	for _, s := range samples {
		one, ok := w.byMeter[s.Subject]
		if !ok || s.Name != plant.SignalPower || s.At.Sub(one.heard) <= one.station.Silence {
			continue
		}
		at := s.At.Truncate(time.Millisecond)
		state := concluded(borders(one.station, one.meter, at), one.state, s.Value)
		if state == one.state && at.Sub(one.told) < one.station.Silence/2 {
			continue
		}
		one.state, one.told = state, at
		out = append(out, plant.StationEvent{
			Station: one.station.ID, At: at, Arrived: at, State: state, Boot: plant.BootInferred, Sequence: at.UnixMilli(),
			LitMillis: -1, Starts: -1,
		})
	}
	return out
}

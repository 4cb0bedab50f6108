package stationlink

import "curetally/internal/core/plant"

// order keeps the events of a boot in the order of their sequence. A later one
// cannot be of an earlier instant: where its instant says so, the device's clock
// was set back in between, and the arrival counts. One goroutine uses it.
//
// What it knows begins anew with the program; then the first event after a clock
// was set back may stand out of order. Stations without boot and sequence are
// left as they are: nothing tells a clock that was set back from a message that
// was stored and sent late.
type order struct {
	last map[plant.StationID]plant.StationEvent // of the highest sequence in its boot
}

// straighten corrects the facts of one message.
func (o *order) straighten(f plant.Facts, age Age) {
	for i := range f.Events {
		e := &f.Events[i]
		if e.Boot == "" {
			continue
		}
		last, known := o.last[e.Station]
		if known && last.Boot == e.Boot && e.Sequence <= last.Sequence {
			continue // it came before; its key makes it change nothing
		}
		if known && last.Boot == e.Boot && e.At.Before(last.At) {
			at := last.At
			if age == Fresh && e.Arrived.After(at) {
				at = e.Arrived
			}
			for j := range f.Signals {
				if s := &f.Signals[j]; s.Subject == string(e.Station) && s.At.Equal(e.At) {
					s.At = at
				}
			}
			e.At, e.ClockDistrusted = at, true
		}
		o.last[e.Station] = *e
	}
}

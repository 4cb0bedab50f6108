// Package lampledger says where every lamp is and where it has been: fitted in a
// station, a spare in the store, spent and waiting for disposal, or gone. All of
// it follows from what people put on record, the fittings and the movements of
// the store, so stock is never entered and cannot drift away from the lamps.
//
// A lamp keeps its life when it moves: a lamp taken out to be moved is a spare
// again, with the hours it has. One taken out for any other reason is spent until
// somebody fits it again or records that it left the plant.
//
// The package also compares what different counters say about the same lamp or
// station (Compare), because hour meters disagree and a person should know.
package lampledger

import (
	"cmp"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Place says where a lamp is.
type Place string

// The places.
const (
	Fitted Place = "fitted"
	Spare  Place = "spare"
	Spent  Place = "spent" // taken out, still in the plant
	Gone   Place = "gone"  // disposed of
	// Renamed: a spare with a made-up serial that was fitted under its own; it is
	// another lamp's past.
	Renamed Place = "renamed"
)

// Record is one lamp with its history.
type Record struct {
	Lamp     plant.Lamp
	Kind     plant.LampKind  // zero when the configuration does not know it
	Fittings []plant.Fitting // oldest first
	Place    Place
	// Since is the instant from which the lamp is in its place.
	Since time.Time
	// Station is where it is fitted; empty elsewhere.
	Station plant.StationID
	// Reason is why it was last taken out; empty while fitted and for a lamp that
	// never was.
	Reason string
}

// Used says whether the lamp was ever in a station.
func (r Record) Used() bool { return len(r.Fittings) > 0 }

// Failed says whether the lamp has come to its end by itself. One that was
// fitted again has not.
func (r Record) Failed() bool { return r.Place != Fitted && r.Reason == "failed" }

// Facts are what a ledger is made of, in any order.
type Facts struct {
	Lamps     []plant.Lamp
	Fittings  []plant.Fitting
	Movements []plant.LampMovement
}

// Of makes the records of all lamps as they stand at an instant, in the order of
// their serials. Facts after the instant do not count.
func Of(p *plant.Plant, f Facts, now time.Time) []Record {
	fittings := map[plant.LampSerial][]plant.Fitting{}
	for _, x := range f.Fittings {
		if !x.From.After(now) {
			fittings[x.Lamp] = append(fittings[x.Lamp], x)
		}
	}
	last := map[plant.LampSerial]plant.LampMovement{}
	for _, m := range f.Movements {
		if l, ok := last[m.Lamp]; !m.At.After(now) && (!ok || !m.At.Before(l.At)) {
			last[m.Lamp] = m
		}
	}
	out := make([]Record, 0, len(f.Lamps))
	for _, l := range f.Lamps {
		r := Record{Lamp: l, Fittings: fittings[l.Serial]}
		r.Kind, _ = p.FindLampKind(l.Kind)
		slices.SortFunc(r.Fittings, func(a, b plant.Fitting) int { return a.From.Compare(b.From) })
		if m, ok := last[l.Serial]; ok {
			r.move(m)
		}
		if n := len(r.Fittings); n > 0 {
			r.leave(r.Fittings[n-1], now)
		}
		if r.Place == "" {
			continue // not yet in the plant at that instant
		}
		out = append(out, r)
	}
	slices.SortFunc(out, func(a, b Record) int { return cmp.Compare(a.Lamp.Serial, b.Lamp.Serial) })
	return out
}

// move places the lamp where its last movement took it.
func (r *Record) move(m plant.LampMovement) {
	r.Since = m.At
	switch m.Movement {
	case plant.MovementReceived:
		r.Place = Spare
	case plant.MovementDisposed:
		r.Place = Gone
	case plant.MovementNamed:
		r.Place = Renamed
	}
}

// leave places the lamp by its last fitting, unless a movement came after it.
func (r *Record) leave(last plant.Fitting, now time.Time) {
	if last.To.IsZero() || last.To.After(now) {
		r.Place, r.Since, r.Station = Fitted, last.From, last.Station
		return
	}
	r.Reason = last.Reason
	if r.Place != "" && !r.Since.Before(last.To) {
		return
	}
	r.Since, r.Place = last.To, Spent
	if last.Reason == "moved" {
		r.Place = Spare
	}
}

// Stock is what the plant holds of one kind of lamp beside those in stations.
type Stock struct {
	Kind plant.LampKind
	// Spares counts lamps that can be fitted; Used of them have been before.
	Spares, Used int
	// Spent counts lamps that were taken out for good and are still in the plant;
	// OldestSpent is since when the oldest of them is. Those of a mercury lamp's
	// kind are waste that must not stay for long.
	Spent       int
	OldestSpent time.Time
	Fitted      int
	Disposed    int // ever
}

// Mercury says whether spent lamps of the kind hold mercury.
func (s Stock) Mercury() bool { return s.Kind.Technology == plant.TechnologyArc }

// StockOf counts the lamps of each kind: first the kinds of the configuration in
// their order, then kinds that only lamps on record name. Kinds without any lamp
// have zeros.
func StockOf(p *plant.Plant, records []Record) []Stock {
	var out []Stock
	at := map[string]int{}
	add := func(k plant.LampKind) {
		at[k.Name] = len(out)
		out = append(out, Stock{Kind: k})
	}
	for _, k := range p.LampKinds {
		add(k)
	}
	for _, r := range records {
		if _, ok := at[r.Lamp.Kind]; !ok {
			add(plant.LampKind{Name: r.Lamp.Kind, Title: r.Lamp.Kind})
		}
		out[at[r.Lamp.Kind]].count(r)
	}
	return out
}

func (s *Stock) count(r Record) {
	switch r.Place {
	case Fitted:
		s.Fitted++
	case Spare:
		s.Spares++
		if r.Used() {
			s.Used++
		}
	case Spent:
		s.Spent++
		if s.OldestSpent.IsZero() || r.Since.Before(s.OldestSpent) {
			s.OldestSpent = r.Since
		}
	case Gone:
		s.Disposed++
	}
}

package curing

import (
	"cmp"
	"slices"
	"sort"
	"time"

	"curetally/internal/core/plant"
)

// The lamp kinds that are fitted, of the ready-made rules.
const (
	KindArc = "arc-lamp"
	KindLED = "led-module"
)

// LampAct is something people did to a lamp: fitting it when Removed is empty,
// else taking it out for the reason in Removed.
type LampAct struct {
	At      time.Time
	Station plant.StationID
	Lamp    plant.Lamp
	Removed string // one of plant.RemovalReasons, or empty
	By      string
}

// Line is what was laid for one station. All slices are in order of time.
type Line struct {
	Pieces []Piece
	Spans  []Span
	Acts   []LampAct
	Dones  []plant.Done
}

// Piece is a stretch of constant power; it ends where the next begins.
type Piece struct {
	From       int64 // Unix milliseconds
	Milliwatts int64
	State      plant.State // of the station; none for shared loads
	Technology plant.Technology
	total      int64 // energy at From, milliwatt-milliseconds
}

// Span is a stretch of one state with the station's counters at its begin.
type Span struct {
	From       int64 // Unix milliseconds
	State      plant.State
	Technology plant.Technology
	Lit        int64 // milliseconds
	Starts     int64
}

// Last gives the index of the last element that begins at or before an instant,
// or 0.
func Last[T any](list []T, at int64, from func(T) int64) int {
	return max(0, sort.Search(len(list), func(i int) bool { return from(list[i]) > at })-1)
}

// PieceAt gives the piece of an instant in Unix milliseconds.
func PieceAt(list []Piece, at int64) Piece {
	return list[Last(list, at, func(p Piece) int64 { return p.From })]
}

// SpanAt gives the index of the span of an instant in Unix milliseconds.
func (l Line) SpanAt(at int64) int {
	return Last(l.Spans, at, func(s Span) int64 { return s.From })
}

// EnergyAt is the energy of laid pieces up to an instant in Unix milliseconds,
// in milliwatt-milliseconds.
func EnergyAt(list []Piece, at int64) int64 {
	p := PieceAt(list, at)
	return p.total + p.Milliwatts*max(0, at-p.From)
}

// integrate fills in the energy at the begin of each piece.
func integrate(list []Piece) {
	for i := 1; i < len(list); i++ {
		list[i].total = list[i-1].total + list[i-1].Milliwatts*(list[i].From-list[i-1].From)
	}
}

// LayShared lays the exhaust and the chiller from what the stations do, up to
// end.
func LayShared(lines []Line, end time.Time) (exhaust, chiller []Piece) {
	var shared [2][]Piece
	type edge struct {
		at             int64
		station, piece int
	}
	var edges []edge
	for s, l := range lines {
		for i, p := range l.Pieces {
			edges = append(edges, edge{p.From, s, i})
		}
	}
	slices.SortFunc(edges, func(a, b edge) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.station, b.station))
	})
	now := make([]Piece, len(lines))
	for i, e := range edges {
		now[e.station] = lines[e.station].Pieces[e.piece]
		if i+1 < len(edges) && edges[i+1].at == e.at {
			continue
		}
		for k, kw := range []float64{exhaustLoad(now), chillerLoad(now)} {
			list := shared[k]
			if mw := milliwatts(kw); len(list) == 0 || list[len(list)-1].Milliwatts != mw {
				shared[k] = append(list, Piece{From: e.at, Milliwatts: mw})
			}
		}
	}
	for k := range shared {
		shared[k] = append(shared[k], Piece{From: end.UnixMilli()})
		integrate(shared[k])
	}
	return shared[0], shared[1]
}

// exhaustLoad is the shared exhaust in kilowatts: on while an arc burns or
// cools. LED heads need none.
func exhaustLoad(now []Piece) float64 {
	for _, p := range now {
		if p.Technology == plant.TechnologyArc && (p.Technology.Lit(p.State) || p.State == plant.StateCooling) {
			return exhaustKW
		}
	}
	return 0
}

// chillerLoad is chilled rollers (arc) or chiller and pumps (LED), in kilowatts.
func chillerLoad(now []Piece) float64 {
	kw, shining, waiting := 0.0, false, false
	for _, p := range now {
		head := float64(p.Milliwatts) / 1e6
		switch {
		case p.Technology == plant.TechnologyArc && p.State == plant.StateCuring:
			kw += head * arcHeatInRollers / chillerCOP
		case p.Technology == plant.TechnologyLED && p.State == plant.StateCuring:
			shining = true
			kw += head*ledHeatInCoolant/chillerCOP + pumpPerHeadKW
		case p.Technology == plant.TechnologyLED && p.State == plant.StateStandby:
			waiting = true
		}
	}
	if waiting && !shining {
		kw += pumpIdleKW
	}
	return kw
}

package sim

import (
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/curing"
	"curetally/internal/sim/presswork"
)

// State gives the state of a station at an instant and the light source in use.
func (w *World) State(id plant.StationID, t time.Time) (plant.State, plant.Technology) {
	i, ok := stationIndex(id)
	if !ok {
		return plant.StateNone, plant.TechnologyNone
	}
	l := w.stations[i]
	s := l.Spans[l.SpanAt(t.UnixMilli())]
	return s.State, s.Technology
}

// Counters gives the station's cumulative counters at an instant: lit time in
// milliseconds and number of starts (strikes of an arc, light-ons of an LED).
func (w *World) Counters(id plant.StationID, t time.Time) (litMillis, starts int64) {
	i, ok := stationIndex(id)
	if !ok {
		return 0, 0
	}
	at := t.UnixMilli()
	l := w.stations[i]
	s := l.Spans[l.SpanAt(at)]
	litMillis = s.Lit
	if s.Technology.Lit(s.State) {
		litMillis += max(0, at-s.From)
	}
	return litMillis, s.Starts
}

// Timeline gives the states of a station within [from, to).
func (w *World) Timeline(id plant.StationID, from, to time.Time) []plant.Span {
	i, ok := stationIndex(id)
	if !ok {
		return nil
	}
	var out []plant.Span
	spans := w.stations[i].Spans
	for k := w.stations[i].SpanAt(from.UnixMilli()); k < len(spans); k++ {
		sp := plant.Span{From: instant(spans[k].From), To: to.UTC(), State: spans[k].State, Technology: spans[k].Technology}
		if sp.From.Before(from) {
			sp.From = from.UTC()
		}
		if k+1 < len(spans) && spans[k+1].From < to.UnixMilli() {
			sp.To = instant(spans[k+1].From)
		}
		if !sp.From.Before(sp.To) {
			break
		}
		out = append(out, sp)
	}
	return out
}

// NextChange gives the first instant after t at which the station changes its
// state; ok is false when there is none before the horizon.
func (w *World) NextChange(id plant.StationID, t time.Time) (at time.Time, ok bool) {
	i, known := stationIndex(id)
	if !known {
		return time.Time{}, false
	}
	spans := w.stations[i].Spans
	for k := w.stations[i].SpanAt(t.UnixMilli()); k < len(spans); k++ {
		if spans[k].From > t.UnixMilli() {
			return instant(spans[k].From), true
		}
	}
	return time.Time{}, false
}

// Share is the power setting of a station at an instant as a fraction of full
// power: run and standby setting of an arc, dim setting of an LED.
func (w *World) Share(id plant.StationID, t time.Time) float64 {
	state, tech := w.State(id, t)
	speed := w.phases[w.phaseAt(t.UnixMilli())].Speed
	return curing.Share(tech, state, float64(speed)/1000)
}

// Web is what the press does at an instant, with its cumulative counters.
type Web struct {
	Running  bool  // good running; make-ready and stops are not
	Moving   bool  // web moves, running or make-ready
	Speed    int64 // millimetres per minute
	AreaCm2  int64 // area printed in good running, cm²
	LengthMm int64 // length of web moved, mm
}

// Web gives the press at an instant.
func (w *World) Web(t time.Time) Web {
	at := t.UnixMilli()
	i := w.phaseAt(at)
	p := w.phases[i]
	total := w.web[i].after(p, max(at, p.From))
	return Web{
		Running: p.Kind == presswork.Run, Moving: p.Moves(), Speed: p.Speed,
		AreaCm2: total.area / (100 * 60_000), LengthMm: total.length / 60_000,
	}
}

// Boot gives the identity of the station controller's start and the instant of
// that start. Sequence numbers of messages count the milliseconds since.
func (w *World) Boot(id plant.StationID, t time.Time) (boot string, since time.Time) {
	if w.faults.reboot.IsZero() || t.Before(w.faults.reboot) {
		return string(id) + "-b1", w.opts.Start.Add(-72 * time.Hour).UTC()
	}
	return string(id) + "-b2", w.faults.reboot
}

// Event is the status message of a station at an instant, as the daemon takes
// it in when it arrives at once.
func (w *World) Event(id plant.StationID, t time.Time) plant.StationEvent {
	t = t.UTC().Truncate(time.Millisecond)
	boot, since := w.Boot(id, t)
	state, tech := w.State(id, t)
	lit, starts := w.Counters(id, t)
	return plant.StationEvent{
		Station: id, At: t, Arrived: t, State: state, Technology: tech,
		Boot: boot, Sequence: 1 + t.Sub(since).Milliseconds(), LitMillis: lit, Starts: starts,
	}
}

package sim

import (
	"context"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/curing"
	"curetally/internal/sim/presswork"
)

// faults are the instants of what goes wrong in the history. A zero instant
// means that it does not happen.
type faults struct {
	rollover   time.Time // heron-3-meter passes its modulus
	exchange   time.Time // heron-5-meter is exchanged
	gapFrom    time.Time // the meter gateway is silent
	gapTo      time.Time
	lost       time.Time // the next change of heron-7 is never reported
	wrongClock time.Time // the next message of heron-6 has a wrong clock
	willFrom   time.Time // heron-2 is off the network
	willTo     time.Time
	reboot     time.Time // station controllers start anew at the conversion
}

// planFaults places the faults relative to the start of history.
func (w *World) planFaults() faults {
	day := func(week, weekday, hour, minute int) time.Time {
		d := presswork.MondayOf(w.opts.Start, w.opts.Zone).AddDate(0, 0, 7*week+weekday)
		y, m, dd := d.Date()
		return time.Date(y, m, dd, hour, minute, 0, 0, w.opts.Zone).UTC()
	}
	f := faults{
		rollover:   day(9, 3, 15, 0),
		exchange:   day(14, 5, 10, 0),
		gapFrom:    day(11, 2, 9, 10),
		gapTo:      day(11, 2, 14, 30),
		lost:       day(6, 1, 11, 0),
		wrongClock: day(8, 0, 13, 0),
		willFrom:   day(16, 3, 20, 4),
		willTo:     day(16, 3, 20, 42),
	}
	if w.opts.Changeover.After(w.opts.Start) {
		f.reboot = w.opts.Changeover.Add(7 * time.Hour).UTC()
	}
	return f
}

// HistoryOptions choose a part of history.
type HistoryOptions struct {
	From, To time.Time     // (From, To]; zero means from the start and to Now
	Step     time.Duration // distance of readings; 5 minutes when zero
}

// StatusPeriod is the longest silence of a station in history; live it says
// something more often.
const StatusPeriod = 15 * time.Minute

// chunkFacts is about how many facts History emits at once.
const chunkFacts = 5000

// History emits what a daemon would have taken in: readings of all meter and
// press registers at every step and the messages of all stations, in order of
// time, in chunks. The slices of a chunk belong to emit. It returns the first
// error of emit, or the context's.
func (w *World) History(ctx context.Context, opts HistoryOptions, emit func(plant.Facts) error) error {
	step := opts.Step
	if step == 0 {
		step = 5 * time.Minute
	}
	if step < 10*time.Second {
		return fmt.Errorf("history step %v: expected at least 10 s", step)
	}
	from, to := opts.From, opts.To
	if from.IsZero() {
		from = w.opts.Start
	}
	if to.IsZero() {
		to = w.opts.Now
	}
	var chunk plant.Facts
	for begin := from; begin.Before(to); {
		end := begin.Truncate(step).Add(step)
		if end.After(to) {
			end = to
		}
		w.messages(&chunk, begin, end)
		if end.Equal(end.Truncate(step)) {
			w.readings(&chunk, end, to)
		}
		begin = end
		if chunk.Len() < chunkFacts && begin.Before(to) {
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := emit(chunk); err != nil {
			return err
		}
		chunk = plant.Facts{}
	}
	return nil
}

// readings appends one reading per register around a step. Meters are read one
// after the other, as on a line; none is read after the limit.
func (w *World) readings(chunk *plant.Facts, at, limit time.Time) {
	at = at.UTC()
	silent := at.After(w.faults.gapFrom) && at.Before(w.faults.gapTo)
	for i, m := range w.meters {
		when := at.Add(time.Duration(i) * 700 * time.Millisecond)
		if when.After(limit) || silent && i != indexSupply {
			continue
		}
		chunk.Readings = append(chunk.Readings, plant.Reading{
			Register: plant.RegisterOf(m.id, ValueImport), At: when,
			Value: int64(w.counts(i, when)) * m.layout.StepMilliwattHours,
		})
	}
	web := w.Web(at)
	chunk.Readings = append(chunk.Readings,
		plant.Reading{Register: plant.RegisterOf(Press, ValueArea), At: at, Value: web.AreaCm2},
		plant.Reading{Register: plant.RegisterOf(Press, ValueLength), At: at, Value: web.LengthMm},
	)
}

// messages appends the station messages within (from, to], in order of their
// instants.
func (w *World) messages(chunk *plant.Facts, from, to time.Time) {
	first := len(chunk.Events)
	for i, id := range StationIDs() {
		for _, at := range w.instants(i, from, to) {
			w.message(chunk, i, id, instant(at))
		}
	}
	if i := 1; w.faults.willFrom.After(from) && !w.faults.willFrom.After(to) {
		chunk.Events = append(chunk.Events, plant.StationEvent{
			Station: stationID(i), At: w.faults.willFrom, Arrived: w.faults.willFrom, State: plant.StateUnknown,
			Sequence: w.faults.willFrom.UnixMilli(), LitMillis: -1, Starts: -1, LastWill: true,
		})
	}
	added := chunk.Events[first:]
	slices.SortStableFunc(added, func(a, b plant.StationEvent) int { return a.Arrived.Compare(b.Arrived) })
}

// instants lists when station i says something within (from, to]: at every
// change of state and once per StatusPeriod.
func (w *World) instants(i int, from, to time.Time) []int64 {
	a, z := from.UnixMilli(), to.UnixMilli()
	var out []int64
	spans := w.stations[i].Spans
	for k := w.stations[i].SpanAt(a); k < len(spans) && spans[k].From <= z; k++ {
		if spans[k].From > a {
			out = append(out, spans[k].From)
		}
	}
	period := StatusPeriod.Milliseconds()
	phase := int64(i) * 17_000
	for at := (a-phase)/period*period + phase; at <= z; at += period {
		if at > a {
			out = append(out, at)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// message appends the message of station i at an instant, with what goes wrong
// on the way.
func (w *World) message(chunk *plant.Facts, i int, id plant.StationID, at time.Time) {
	f := w.faults
	if i == 1 && !at.Before(f.willFrom) && at.Before(f.willTo) {
		return
	}
	if i == 6 {
		if lost, ok := w.NextChange(id, f.lost); ok && at.Equal(lost) {
			return
		}
	}
	e := w.Event(id, at)
	// One delay per station: messages of one client keep their order.
	e.Arrived = at.Add(time.Duration(40+i*35) * time.Millisecond)
	if i == 5 && !at.Before(f.wrongClock) && at.Sub(f.wrongClock) < StatusPeriod {
		// The clock of the station was hours off: the daemon took the arrival.
		e.At, e.ClockDistrusted = e.Arrived, true
	}
	chunk.Events = append(chunk.Events, e)
	if curing.Mix(w.opts.Seed, 6, uint64(i), uint64(at.UnixMilli())) < 0.001 {
		again := e
		again.Arrived = e.Arrived.Add(2 * time.Second)
		chunk.Events = append(chunk.Events, again)
	}
}

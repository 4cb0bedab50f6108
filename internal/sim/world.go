package sim

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/curing"
	"curetally/internal/sim/presswork"
)

// The names of the plant.
const (
	Company  = "Alder Lane Labels"
	Press    = plant.PressID("heron")
	Stations = presswork.Stations

	MeterExhaust = plant.MeterID("heron-exhaust-meter")
	MeterChiller = plant.MeterID("heron-chiller-meter")
	// MeterSupply is the check meter of the whole curing supply: the sum of all
	// others, outside the boundary of the savings.
	MeterSupply = plant.MeterID("heron-supply-meter")

	// OfflineWord is the payload of a station's last will.
	OfflineWord = "offline"

	// ValueImport is the value name of the energy register of each meter.
	ValueImport = "import"
	// ValueArea and ValueLength are the value names of the press counters:
	// area printed in good running (cm²) and length of web moved (mm).
	ValueArea   = "area"
	ValueLength = "length"
)

// Horizon is how far beyond Options.Now the plant is laid out.
const Horizon = 35 * 24 * time.Hour

// Options choose the plant. Two worlds with the same Seed, Zone, Start and
// Changeover agree wherever both are laid out, whatever their Now.
type Options struct {
	Seed  uint64
	Zone  *time.Location // calendar of the plant
	Start time.Time      // begin of history
	// Changeover is the instant from which LED heads are mounted. It lies
	// outside working hours, or not after Start for a plant that was always
	// LED.
	Changeover time.Time
	Now        time.Time // end of history, begin of live operation
}

// Defaults gives the plant of the demo: 36 weeks of history before now, the
// last ten of them LED.
func Defaults(now time.Time, zone *time.Location) Options {
	monday := presswork.MondayOf(now, zone)
	saturday := monday.AddDate(0, 0, -10*7-2)
	return Options{
		Seed: 1, Zone: zone, Now: now,
		Start:      monday.AddDate(0, 0, -36*7).Add(-6 * time.Hour),
		Changeover: saturday.Add(4 * time.Hour), // Saturday 10:00
	}
}

// LampAct is something people did to a lamp.
type LampAct = curing.LampAct

// World is the laid-out plant. All methods are pure; instants before
// Options.Start answer like the start, instants beyond the horizon like a plant
// at rest. Unknown names answer with zero values.
type World struct {
	opts     Options
	phases   []presswork.Phase
	web      []webTotal // beside phases
	stations [Stations]curing.Line
	exhaust  []curing.Piece
	chiller  []curing.Piece
	acts     []LampAct
	dones    []plant.Done
	meters   []meterSpec
	faults   faults
}

// webTotal holds the press counters at the begin of a phase.
type webTotal struct {
	length int64 // millimetres/minute × milliseconds
	area   int64 // mm²/minute × milliseconds
}

// New lays out the plant. It fails when the options contradict each other.
func New(opts Options) (*World, error) {
	if opts.Zone == nil || opts.Start.IsZero() || opts.Now.Before(opts.Start) {
		return nil, fmt.Errorf("virtual plant: start %v, now %v, zone %v: expected a zone and a start before now", opts.Start, opts.Now, opts.Zone)
	}
	end := opts.Now.Add(Horizon)
	w := &World{opts: opts, phases: presswork.Lay(opts.Seed, opts.Zone, opts.Start, end)}
	w.web = make([]webTotal, len(w.phases))
	for i := 1; i < len(w.phases); i++ {
		w.web[i] = w.web[i-1].after(w.phases[i-1], w.phases[i].From)
	}
	if opts.Changeover.After(opts.Start) && w.phases[w.phaseAt(opts.Changeover.UnixMilli())].Kind != presswork.Closed {
		return nil, fmt.Errorf("virtual plant: changeover %v falls into working hours: choose an instant on a weekend", opts.Changeover)
	}
	for i := range w.stations {
		w.stations[i] = curing.Lay(w.phases, curing.Options{
			Seed: opts.Seed, Index: i, ID: stationID(i), Changeover: opts.Changeover, End: end,
		})
		w.acts = append(w.acts, w.stations[i].Acts...)
		w.dones = append(w.dones, w.stations[i].Dones...)
	}
	w.exhaust, w.chiller = curing.LayShared(w.stations[:], end)
	w.dones = append(w.dones, curing.Rounds(curing.RoundsOptions{
		Press: Press, Stations: StationIDs(), Changeover: opts.Changeover, Start: opts.Start, Now: opts.Now,
		FirstMonday: presswork.MondayOf(opts.Start, opts.Zone),
	})...)
	slices.SortStableFunc(w.acts, func(a, b LampAct) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(w.dones, func(a, b plant.Done) int { return a.At.Compare(b.At) })
	w.faults = w.planFaults()
	w.meters = w.mountMeters()
	return w, nil
}

// after gives the counters at an instant within the phase that begins with t.
func (t webTotal) after(p presswork.Phase, at int64) webTotal {
	length := p.Speed * (at - p.From)
	t.length += length
	if p.Kind == presswork.Run {
		t.area += length * p.Width
	}
	return t
}

// phaseAt gives the index of the phase of an instant in Unix milliseconds.
func (w *World) phaseAt(at int64) int {
	return curing.Last(w.phases, at, func(p presswork.Phase) int64 { return p.From })
}

func instant(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

func stationID(i int) plant.StationID {
	return plant.StationID(string(Press) + "-" + string(rune('1'+i)))
}

// StationIDs lists the stations in the order of the web.
func StationIDs() []plant.StationID {
	ids := make([]plant.StationID, Stations)
	for i := range ids {
		ids[i] = stationID(i)
	}
	return ids
}

func stationIndex(id plant.StationID) (int, bool) {
	number, ok := strings.CutPrefix(string(id), string(Press)+"-")
	if !ok || len(number) != 1 || number[0] < '1' || number[0] > '0'+Stations {
		return 0, false
	}
	return int(number[0] - '1'), true
}

// Options gives what the world was made from.
func (w *World) Options() Options { return w.opts }

// Lamps lists what people did to lamps up to Now, in order of time.
func (w *World) Lamps() []LampAct {
	n := sort.Search(len(w.acts), func(i int) bool { return w.acts[i].At.After(w.opts.Now) })
	return slices.Clone(w.acts[:n])
}

// Dones lists the tasks that people recorded as done up to Now, in order of
// time. Lamp changes are in Lamps.
func (w *World) Dones() []plant.Done {
	n := sort.Search(len(w.dones), func(i int) bool { return w.dones[i].At.After(w.opts.Now) })
	return slices.Clone(w.dones[:n])
}

// Holidays lists the working days on which the plant is closed, as local
// midnights, from the start to the horizon.
func (w *World) Holidays() []time.Time {
	var days []time.Time
	end := w.opts.Now.Add(Horizon)
	for monday := presswork.MondayOf(w.opts.Start, w.opts.Zone); monday.Before(end); monday = monday.AddDate(0, 0, 7) {
		if !presswork.ClosedWeek(monday) {
			continue
		}
		for d := range 5 {
			y, m, day := monday.AddDate(0, 0, d).Date()
			days = append(days, time.Date(y, m, day, 0, 0, 0, 0, w.opts.Zone))
		}
	}
	return days
}

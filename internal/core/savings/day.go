package savings

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Limits by which a day is left out.
const (
	// stateLimit is the share of a day's lit time, or of its energy where a driver
	// depends on states, that may be in no known state before the day is left out.
	stateLimit = 0.05
	// coverage is the share of a local day that a station's timeline must cover.
	coverage = 0.95
)

// Day is one local day of a project: a row of its model.
type Day struct {
	Day     time.Time   // first instant of the local day, in the plant's zone
	Energy  unit.Energy // all boundary registers
	Drivers []float64   // in the order of the project's drivers, in their units
	// Technology is the light source that was lit. On a mixed day it is the one
	// with more lit time; on a day without light that of the day before, unless
	// the configuration tells of a conversion in between.
	Technology plant.Technology
	Mixed      bool // more than one technology was lit
	// Quality is the energy by its quality.
	Quality plant.ByQuality
	// ScheduledHours is the length of the day when the plant works on it, else 0.
	ScheduledHours float64
	// Excluded says why the day cannot be used; empty means that it can.
	Excluded string
}

// DriverRegisters lists every register whose day amounts Days needs for the
// project: the boundary, the lit and state time of the press's stations (which
// tell the technology in use) and what the drivers count.
func DriverRegisters(p *plant.Plant, pr plant.Project) []plant.RegisterID {
	ids := slices.Clone(pr.Boundary)
	for _, s := range stations(p, pr) {
		ids = append(ids, plant.RegisterOf(s.ID, plant.ValueLit), plant.RegisterOf(s.ID, plant.ValueTime))
		if slices.Contains(pr.Drivers, plant.DriverStarts) {
			ids = append(ids, plant.RegisterOf(s.ID, plant.ValueStarts))
		}
	}
	for _, d := range pr.Drivers {
		if id, per := pressCounter(pr, d); per > 0 {
			ids = append(ids, id)
		}
	}
	return ids
}

func stations(p *plant.Plant, pr plant.Project) []plant.Station {
	for _, press := range p.Presses {
		if press.ID == pr.Press {
			return press.Stations
		}
	}
	return nil
}

// pressCounter gives the register of the press that a driver counts and how
// many of its units make one of the driver's; 0 for a driver of the stations.
func pressCounter(pr plant.Project, d plant.Driver) (id plant.RegisterID, per float64) {
	switch d {
	case plant.DriverArea:
		return plant.RegisterOf(pr.Press, "area"), plant.QuantityArea.PerDisplay()
	case plant.DriverImpressions:
		return plant.RegisterOf(pr.Press, "impressions"), 1000
	default:
		return "", 0
	}
}

// Days makes one row per local day from day amounts of the registers that
// DriverRegisters lists. It begins with the first day that has an amount and
// ends with the day of last, the end of data. A day that is not over, lacks a
// register, or is too doubtful is there with its reason.
//
// The first day of each meter and press counter is left out, because its first
// reading may be of any hour: ask for amounts from one day before the first day
// that is to count. So is the last day of one that has fallen silent since. In
// between, a day without an amount is a day on which the register stood still.
//
// Amounts of zero are evidence of a reading. A register that stands still has
// no entries, so without them it looks silent: append what Evidence gives.
func Days(p *plant.Plant, pr plant.Project, amounts []plant.DayAmount, last time.Time) []Day {
	g := gather(p, pr, amounts)
	if len(g.days) == 0 {
		return nil
	}
	first := time.Unix(slices.Min(g.first), 0)
	var out []Day
	var before plant.Technology
	configuredBefore := plant.TechnologyNone
	for day := p.Day(first, 0); day.Before(last); day = p.Day(day, 1) {
		t, ok := g.days[day.Unix()]
		if !ok {
			t = g.newTally()
		}
		d := Day{Day: day, Energy: t.energy, Drivers: g.drivers(pr, t), Quality: t.quality}
		end := p.Day(day, 1)
		if p.WorkDay(day) {
			d.ScheduledHours = end.Sub(day).Hours()
		}
		configured := configuredTechnology(g.stations, day)
		d.Technology, d.Mixed = t.technology()
		if d.Technology == plant.TechnologyNone {
			d.Technology = before
			if before == plant.TechnologyNone || configured != configuredBefore {
				d.Technology = configured
			}
		}
		before, configuredBefore = d.Technology, configured
		if end.After(last) {
			d.Excluded = "the day is not over at the end of data"
		} else {
			d.Excluded = g.reason(pr, t, day, end, end.Equal(last))
		}
		if d.Excluded == "" && d.Mixed {
			d.Excluded = "more than one technology was lit"
		}
		out = append(out, d)
	}
	return out
}

// Evidence turns the latest reading of each register into a day amount of zero,
// which tells Days that the register was still read on that day.
func Evidence(latest []plant.Reading) []plant.DayAmount {
	out := make([]plant.DayAmount, len(latest))
	for i, r := range latest {
		out[i] = plant.DayAmount{Day: r.At, Register: r.Register}
	}
	return out
}

// configuredTechnology is what the configuration says is mounted, when all
// stations agree.
func configuredTechnology(stations []plant.Station, day time.Time) plant.Technology {
	var tech plant.Technology
	for i, s := range stations {
		at := s.TechnologyAt(day)
		if i > 0 && at != tech {
			return plant.TechnologyNone
		}
		tech = at
	}
	return tech
}

// kind says what a register counts for a project.
type kind uint8

const (
	kindEnergy kind = iota
	kindPress
	kindLit
	kindTime
	kindStarts
)

// slot is a register's place in every tally.
type slot struct {
	kind  kind
	index int
	// asks says that a driver of the project depends on the states in which this
	// energy was used.
	asks bool
}

// gathered is the day amounts of a project, sorted into days.
type gathered struct {
	stations []plant.Station
	slots    map[plant.RegisterID]slot
	days     map[int64]*tally // by first instant of the day, Unix seconds
	// first and last are, per slot, the days with the first and the last amount,
	// Unix seconds.
	first, last []int64
}

// tally is what one day's amounts add up to.
type tally struct {
	sum        []int64 // per slot, over all states
	energy     unit.Energy
	absolute   int64 // |amounts| of energy
	quality    plant.ByQuality
	lit        map[plant.Technology]int64
	litMillis  int64
	litUnknown int64 // lit time in no known state
	mute       int64 // part of absolute in no known state where a driver depends on it
	curing     int64
	standby    int64
	starts     int64
}

func (g *gathered) newTally() *tally {
	return &tally{sum: make([]int64, len(g.slots)), lit: map[plant.Technology]int64{}}
}

func (g *gathered) addSlot(id plant.RegisterID, k kind) {
	if _, ok := g.slots[id]; !ok {
		g.slots[id] = slot{kind: k, index: len(g.slots)}
	}
}

func gather(p *plant.Plant, pr plant.Project, amounts []plant.DayAmount) *gathered {
	g := &gathered{stations: stations(p, pr), slots: map[plant.RegisterID]slot{}, days: map[int64]*tally{}}
	for _, id := range pr.Boundary {
		g.addSlot(id, kindEnergy)
		s := g.slots[id]
		s.asks = asksForStates(p, pr, id)
		g.slots[id] = s
	}
	for _, s := range g.stations {
		g.addSlot(plant.RegisterOf(s.ID, plant.ValueLit), kindLit)
		g.addSlot(plant.RegisterOf(s.ID, plant.ValueTime), kindTime)
		g.addSlot(plant.RegisterOf(s.ID, plant.ValueStarts), kindStarts)
	}
	for _, d := range pr.Drivers {
		if id, per := pressCounter(pr, d); per > 0 {
			g.addSlot(id, kindPress)
		}
	}
	g.first, g.last = make([]int64, len(g.slots)), make([]int64, len(g.slots))
	for i := range g.first {
		g.first[i], g.last[i] = math.MaxInt64, math.MinInt64
	}
	for _, a := range amounts {
		s, ok := g.slots[a.Register]
		if !ok {
			continue
		}
		day := a.Day.Unix()
		t := g.days[day]
		if t == nil {
			day = p.Day(a.Day, 0).Unix()
			if t = g.days[day]; t == nil {
				t = g.newTally()
				g.days[day] = t
			}
		}
		g.first[s.index], g.last[s.index] = min(g.first[s.index], day), max(g.last[s.index], day)
		t.add(s, a)
	}
	return g
}

// asksForStates says whether a driver is counted from the states of the station
// whose energy the register counts. What a counter of the station tells is known
// in silence too; standby is told by states alone.
func asksForStates(p *plant.Plant, pr plant.Project, id plant.RegisterID) bool {
	reg, _ := p.FindRegister(id)
	st, ok := p.FindStation(reg.Station)
	return ok && (st.Uncounted || slices.Contains(pr.Drivers, plant.DriverStandbyHours))
}

func (t *tally) add(s slot, a plant.DayAmount) {
	t.sum[s.index] += a.Amount
	switch s.kind {
	case kindEnergy:
		t.energy += unit.Energy(a.Amount)
		t.absolute += max(a.Amount, -a.Amount)
		for q, v := range a.Quality {
			t.quality[q] += v
		}
		if s.asks && a.State == plant.StateUnknown {
			t.mute += max(a.Amount, -a.Amount)
		}
	case kindLit:
		t.lit[a.Technology] += a.Amount
		t.litMillis += a.Amount
		switch a.State {
		case plant.StateCuring:
			t.curing += a.Amount
		case plant.StateUnknown:
			t.litUnknown += a.Amount
		}
	case kindTime:
		if a.State == plant.StateStandby {
			t.standby += a.Amount
		}
	case kindStarts:
		t.starts += a.Amount
	}
}

// drivers gives the values in the units that plant.Driver states.
func (g *gathered) drivers(pr plant.Project, t *tally) []float64 {
	out := make([]float64, len(pr.Drivers))
	for i, d := range pr.Drivers {
		switch d {
		case plant.DriverCuringHours:
			out[i] = unit.HoursFromMillis(t.curing)
		case plant.DriverStandbyHours:
			out[i] = unit.HoursFromMillis(t.standby)
		case plant.DriverStarts:
			out[i] = float64(t.starts)
		case plant.DriverArea, plant.DriverImpressions:
			id, per := pressCounter(pr, d)
			out[i] = float64(t.sum[g.slots[id].index]) / per
		}
	}
	return out
}

// doubtful is the share of the energy that is neither measured nor interpolated.
func (t *tally) doubtful() float64 {
	if t.absolute == 0 {
		return 0
	}
	return min(float64(t.quality.Doubtful())/float64(t.absolute), 1)
}

// technology gives the technology with the most lit time and whether another
// one was lit too.
func (t *tally) technology() (most plant.Technology, mixed bool) {
	var lit int
	for _, tech := range slices.Sorted(maps.Keys(t.lit)) {
		if tech == plant.TechnologyNone || t.lit[tech] <= 0 {
			continue
		}
		lit++
		if most == plant.TechnologyNone || t.lit[tech] > t.lit[most] {
			most = tech
		}
	}
	return most, lit > 1
}

// reason says why a whole day cannot be used; empty when it can.
func (g *gathered) reason(pr plant.Project, t *tally, day, end time.Time, final bool) string {
	for _, id := range pr.Boundary {
		if why := g.registerReason(id, day, final); why != "" {
			return why
		}
	}
	if share := t.doubtful(); share > pr.EstimatedLimit {
		return fmt.Sprintf("%.1f %% of the energy is neither measured nor interpolated (limit %.3g %%)",
			100*share, 100*pr.EstimatedLimit)
	}
	for _, d := range pr.Drivers {
		if id, per := pressCounter(pr, d); per > 0 {
			if why := g.registerReason(id, day, final); why != "" {
				return why
			}
			continue
		}
		if why := g.stationReason(t, end.Sub(day)); why != "" {
			return why
		}
	}
	return ""
}

// registerReason says why what a register counted on a day is not the whole
// day's: the day lies before its first or after its last reading, or its
// readings began or ended on that day. On the final day the end of data has
// decided already.
func (g *gathered) registerReason(id plant.RegisterID, day time.Time, final bool) string {
	i, at := g.slots[id].index, day.Unix()
	switch {
	case at < g.first[i]:
		return fmt.Sprintf("no readings of %s yet", id)
	case at > g.last[i]:
		return fmt.Sprintf("no readings of %s any more", id)
	case at == g.first[i]:
		return fmt.Sprintf("first day of %s, may not be whole", id)
	case at == g.last[i] && !final:
		return fmt.Sprintf("last day of %s so far, may not be whole", id)
	default:
		return ""
	}
}

// stationReason says why the drivers that stations count cannot be used.
func (g *gathered) stationReason(t *tally, length time.Duration) string {
	for _, s := range g.stations {
		covered := time.Duration(t.sum[g.slots[plant.RegisterOf(s.ID, plant.ValueTime)].index]) * time.Millisecond
		if float64(covered) < coverage*float64(length) {
			return fmt.Sprintf("states of %s cover %.1f of %.1f h", s.ID, covered.Hours(), length.Hours())
		}
	}
	if float64(t.litUnknown) > stateLimit*float64(t.litMillis) {
		return fmt.Sprintf("%.1f %% of the lit time has no known state (limit %.0f %%)",
			100*float64(t.litUnknown)/float64(t.litMillis), 100*stateLimit)
	}
	if float64(t.mute) > stateLimit*float64(t.absolute) {
		return fmt.Sprintf("%.1f %% of the energy was used in no known state (limit %.0f %%)",
			100*float64(t.mute)/float64(t.absolute), 100*stateLimit)
	}
	return ""
}

// Select gives the days that a selection chooses. Others are days of the same
// dates and technology (or of mixed or unknown technology) that carry a reason
// why they cannot be used; days of another technology belong to another period
// and are in neither.
func Select(days []Day, s plant.Selection) (used, others []Day) {
	for _, d := range days {
		switch {
		case !s.From.IsZero() && d.Day.Before(s.From), !s.To.IsZero() && !d.Day.Before(s.To):
		case d.Excluded != "":
			if s.Technology == plant.TechnologyNone || d.Technology == s.Technology || d.Mixed ||
				d.Technology == plant.TechnologyNone {
				others = append(others, d)
			}
		case s.Technology == plant.TechnologyNone || d.Technology == s.Technology:
			used = append(used, d)
		}
	}
	return used, others
}

package publish

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// MeterLoad is how a meter's present load lies to the rating that its accuracy
// is stated for.
type MeterLoad struct {
	Meter plant.MeterID
	// Technology is the light source in use at the meter's station; none for a
	// meter that no single station owns.
	Technology plant.Technology
	Now        accuracy.Figures // over the last RecentDays
	Factor     float64          // power factor that is reckoned with
	// Before is the largest load with another light source, over all that is on
	// record; its Percent is 0 when there was none.
	Before           accuracy.Figures
	BeforeTechnology plant.Technology
}

// RecentDays is how far back a meter's present load reaches.
const RecentDays = 28

// work is what a station does and with which light source.
type work struct {
	state      plant.State
	technology plant.Technology
}

// sums are amounts of registers by what their station did.
type sums map[plant.RegisterID]map[work]int64

func (s sums) add(id plant.RegisterID, w work, amount int64) {
	if s[id] == nil {
		s[id] = map[work]int64{}
	}
	s[id][w] += amount
}

// energy is all of a register's.
func (s sums) energy(id plant.RegisterID) unit.Energy {
	var all unit.Energy
	for _, amount := range s[id] {
		all += unit.Energy(amount)
	}
	return all
}

// loads gives the energy of a register with the hours in which it was counted,
// for works that pass the filter. The mean power in each state of a station is
// its energy by its time. A register of a press is taken as loaded for as long as
// that station of the press worked which worked longest: it has no states.
func (s sums) loads(p *plant.Plant, reg plant.Register, keep func(plant.Technology) bool) []accuracy.Load {
	var out []accuracy.Load
	if reg.Station != "" {
		times := s[plant.RegisterOf(reg.Station, plant.ValueTime)]
		for _, w := range sorted(s[reg.ID]) {
			if keep(w.technology) {
				out = append(out, accuracy.Load{Energy: unit.Energy(s[reg.ID][w]), Hours: unit.HoursFromMillis(times[w])})
			}
		}
		return out
	}
	l := accuracy.Load{Energy: s.energy(reg.ID)}
	for _, st := range p.Stations() {
		if st.Press != reg.Press {
			continue
		}
		var millis int64
		for w, t := range s[plant.RegisterOf(st.ID, plant.ValueTime)] {
			if w.state != plant.StateOff && w.state != plant.StateUnknown {
				millis += t
			}
		}
		l.Hours = max(l.Hours, unit.HoursFromMillis(millis))
	}
	return append(out, l)
}

// sorted lists works in a fixed order: sums of fractions depend on it.
func sorted(m map[work]int64) []work {
	return slices.SortedFunc(maps.Keys(m), func(a, b work) int {
		return cmp.Or(cmp.Compare(a.state, b.state), cmp.Compare(a.technology, b.technology))
	})
}

func always(plant.Technology) bool { return true }

func only(t plant.Technology) func(plant.Technology) bool {
	return func(o plant.Technology) bool { return o == t }
}

// metering says how uncertain each register of a project's boundary is in both
// periods, from the amounts of the days that the baseline was made from and of
// those that are counted. It is nil when no accuracy is stated.
func metering(ctx context.Context, s Store, p *plant.Plant, b savings.Baseline, d daily) ([]savings.Metering, error) {
	var out []savings.Metering
	stated := false
	was, is, first, last := d.periods(p, b)
	for _, id := range d.project.Boundary {
		reg, _ := p.FindRegister(id)
		owner, _ := id.Split()
		m, _ := p.FindMeter(plant.MeterID(owner))
		r := savings.Metering{Register: id, Stated: m.Accuracy.Class != ""}
		r.Before.Energy, r.After.Energy = was.energy(id), is.energy(id)
		if r.Stated {
			stated = true
			r.PowerFactor, r.AssumedFactor = accuracy.Factor(m.Accuracy)
			r.Before = accuracy.Over(m.Accuracy, was.loads(p, reg, always), r.PowerFactor)
			r.After = accuracy.Over(m.Accuracy, is.loads(p, reg, always), r.PowerFactor)
			exchanges, err := s.Exchanges(ctx, id)
			if err != nil {
				return nil, fmt.Errorf("exchanges of %s: %w", id, err)
			}
			r.Exchanged = !b.Measured() || slices.ContainsFunc(exchanges, func(x plant.Exchange) bool { return x.At.After(first) && x.At.Before(last) })
		}
		out = append(out, r)
	}
	if !stated {
		return nil, nil
	}
	return out, nil
}

// periods sums the amounts of the days that a baseline was made from and of those
// that are counted against it; first and last bound both.
func (d daily) periods(p *plant.Plant, b savings.Baseline) (before, after sums, first, last time.Time) {
	counted := map[int64]bool{}
	if len(b.Rows) > 0 {
		first = b.Rows[0].Day
	}
	used, _ := savings.Select(d.days, d.project.Reporting)
	for _, day := range used {
		counted[day.Day.Unix()], last = true, p.Day(day.Day, 1)
	}
	before, after = sums{}, sums{}
	for _, a := range d.amounts {
		day, w := p.Day(a.Day, 0), work{a.State, a.Technology}
		if b.Covers(day) {
			before.add(a.Register, w, a.Amount)
		}
		if counted[day.Unix()] {
			after.add(a.Register, w, a.Amount)
		}
	}
	return before, after, first, last
}

// meterLoads compares the present load of every meter whose accuracy is stated
// with its rating, and with the load under another light source.
func meterLoads(ctx context.Context, s Store, p *plant.Plant, snap Snapshot) ([]MeterLoad, error) {
	regs, ask := statedRegisters(p)
	if len(regs) == 0 {
		return nil, nil
	}
	recent, err := s.DayAmounts(ctx, ask, p.Day(snap.At, -RecentDays), snap.At)
	if err != nil {
		return nil, fmt.Errorf("present load of meters: %w", err)
	}
	now, all := sums{}, sums{}
	for _, a := range recent {
		now.add(a.Register, work{a.State, a.Technology}, a.Amount)
	}
	for _, t := range snap.Totals {
		all.add(t.Register, work{t.State, t.Technology}, t.Amount)
	}
	var out []MeterLoad
	for _, r := range regs {
		owner, _ := r.ID.Split()
		m, _ := p.FindMeter(plant.MeterID(owner))
		l := MeterLoad{Meter: m.ID, Factor: snap.powerFactor(m)}
		keep := always
		if st, ok := p.FindStation(r.Station); ok {
			l.Technology = snap.technology(st)
			keep = only(l.Technology)
			for _, other := range []plant.Technology{plant.TechnologyArc, plant.TechnologyLED, plant.TechnologyHotAir} {
				was := accuracy.Over(m.Accuracy, all.loads(p, r, only(other)), l.Factor)
				if other != l.Technology && was.Percent > l.Before.Percent {
					l.Before, l.BeforeTechnology = was, other
				}
			}
		}
		l.Now = accuracy.Over(m.Accuracy, now.loads(p, r, keep), l.Factor)
		// Of a meter with several registers, that counts which counted most.
		if i := slices.IndexFunc(out, func(o MeterLoad) bool { return o.Meter == l.Meter }); i < 0 {
			out = append(out, l)
		} else if l.Now.Energy > out[i].Now.Energy {
			out[i] = l
		}
	}
	return out, nil
}

// statedRegisters lists the energy registers whose meter's accuracy is stated, and
// all registers that tell their loads.
func statedRegisters(p *plant.Plant) (regs []plant.Register, ask []plant.RegisterID) {
	for _, r := range p.Registers {
		owner, _ := r.ID.Split()
		m, known := p.FindMeter(plant.MeterID(owner))
		if !known || m.Accuracy.Class == "" || r.Quantity != plant.QuantityEnergy {
			continue
		}
		regs, ask = append(regs, r), append(ask, r.ID)
		for _, st := range p.Stations() {
			if st.ID == r.Station || r.Station == "" && st.Press == r.Press {
				ask = append(ask, plant.RegisterOf(st.ID, plant.ValueTime))
			}
		}
	}
	slices.Sort(ask)
	return regs, slices.Compact(ask)
}

// technology is the light source in use at a station.
func (s *Snapshot) technology(st plant.Station) plant.Technology {
	if e, ok := s.Events[st.ID]; ok && e.Technology != plant.TechnologyNone {
		return e.Technology
	}
	return st.TechnologyAt(s.At)
}

// signalFactor is the name of the signal with a meter's power factor. A power
// factor below leastFactor is that of a load at rest.
const (
	signalFactor = "power_factor"
	leastFactor  = 0.5
)

// powerFactor is what the meter itself last said of its load, else what the
// configuration states or supposes. (Statements use the configuration alone, so
// that they do not change with the moment at which they are asked for.)
func (s *Snapshot) powerFactor(m plant.Meter) float64 {
	for _, v := range s.Signals {
		if f := math.Abs(v.Value); v.Subject == string(m.ID) && v.Name == signalFactor && f >= leastFactor && f <= 1 {
			return f
		}
	}
	f, _ := accuracy.Factor(m.Accuracy)
	return f
}

// Package usage says where energy went: curing, standing by, starting, or with no
// lamp lit; by press, station, shift or day; and which part of it could have been
// avoided. It works on the entries of energy registers, so its sums are those of the
// meters, to the last milliwatt-hour.
//
// The avoidable part has three kinds that never count the same energy twice: lamps
// lit without curing at night, standing by beyond a limit at a stretch, and exhaust
// that runs while no lamp of its press is lit. It is a finding to look at and no
// saving that was measured.
//
// How long a station stood by comes from its timeline; the energy of an interval is
// divided by time within it. What is not known is not counted as avoidable: silence of
// a station is neither standby nor darkness. Everything is a pure function of what was
// added.
package usage

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
)

// By chooses the rows of a report.
type By string

// The choices.
const (
	ByState   By = "state"
	ByPress   By = "press"
	ByStation By = "station"
	ByShift   By = "shift"
	ByDay     By = "day"
)

// Limits say what use is avoidable.
type Limits struct {
	// Standby is how long a station may stand by at a stretch.
	Standby time.Duration
	// NightBegin and NightEnd are minutes of the local day in which no lamp need be
	// lit unless it cures; with both 0 these are the days on which the plant does not
	// work.
	NightBegin, NightEnd int
	// Exhaust are registers of fans that need not run while no lamp of their press is
	// lit.
	Exhaust []plant.RegisterID
}

// Options say what to count and how.
type Options struct {
	Plant *plant.Plant
	By    By
	// Registers are those whose energy counts; none of them counts what another does.
	Registers []plant.RegisterID
	// Spans are the timelines of the stations.
	Spans  map[plant.StationID][]plant.Span
	Limits Limits
	// Tariff prices energy; without it Price does, and without that nothing.
	Tariff *tariff.Tariff
	Price  unit.Money // per kWh
	// Shift names the shift of an instant, for ByShift.
	Shift func(plant.PressID, time.Time) string
}

// Row is the energy of one press, station, shift, day or state.
type Row struct {
	Key      string
	Curing   unit.Energy
	Standby  unit.Energy
	Starting unit.Energy
	Stopped  unit.Energy // off, cooling or fault
	Unknown  unit.Energy // the station was silent
	Shared   unit.Energy // of meters that belong to no one station
	Total    unit.Energy
	Cost     unit.Money  // of what could be priced
	Unpriced unit.Energy // before the first version of the tariff
	Doubtful unit.Energy // neither measured nor interpolated
	// Area in m² and thousands of impressions that the press counted meanwhile; 0
	// where it counts none.
	AreaM2      float64
	Impressions float64
	used        []tariff.Used
}

// PerArea is watt-hours per square metre; 0 without area.
func (r Row) PerArea() float64 { return over(r.Total.KWh()*1000, r.AreaM2) }

// PerThousand is kilowatt-hours per thousand impressions; 0 without any.
func (r Row) PerThousand() float64 { return over(r.Total.KWh(), r.Impressions) }

func over(a, b float64) float64 {
	if b <= 0 {
		return 0
	}
	return a / b
}

// Kind is a kind of avoidable use.
type Kind string

// The kinds.
const (
	LitAtNight    Kind = "lit at night"
	LongStandby   Kind = "standby beyond the limit"
	ExhaustUnused Kind = "exhaust without lamps"
)

// Avoidable is use that could have been avoided.
type Avoidable struct {
	Kind     Kind
	Register plant.RegisterID
	Energy   unit.Energy
	Hours    float64
	Cost     unit.Money
	Unpriced unit.Energy
	used     []tariff.Used
}

// Report says where energy went.
type Report struct {
	From, To  time.Time // of the intervals that have energy
	Rows      []Row     // by key, presses and stations in the plant's order
	Total     Row
	Avoidable []Avoidable // by kind and register, those without energy left out
}

// Tally adds entries up. It belongs to one goroutine.
type Tally struct {
	o         Options
	registers map[plant.RegisterID]plant.Register
	exhaust   map[plant.RegisterID]bool
	rows      map[string]*Row
	total     Row
	avoid     map[avoidKey]*Avoidable
	long      map[plant.StationID][]plant.Span // standby beyond the limit
	from, to  time.Time
	day       time.Time // begin of the local day of the newest entry
	dayEnd    time.Time
	dayKey    string
	working   bool
}

type avoidKey struct {
	kind     Kind
	register plant.RegisterID
}

// New prepares for entries.
func New(o Options) *Tally {
	t := &Tally{
		o: o, registers: map[plant.RegisterID]plant.Register{}, exhaust: map[plant.RegisterID]bool{},
		rows: map[string]*Row{}, avoid: map[avoidKey]*Avoidable{}, long: map[plant.StationID][]plant.Span{},
	}
	for _, r := range o.Plant.Registers {
		counts := r.Quantity == plant.QuantityEnergy && slices.Contains(o.Registers, r.ID)
		if counts || r.Quantity == plant.QuantityArea || r.Quantity == plant.QuantityImpressions {
			t.registers[r.ID] = r
		}
	}
	for _, id := range o.Limits.Exhaust {
		t.exhaust[id] = true
	}
	for st, spans := range o.Spans {
		t.long[st] = Beyond(spans, o.Limits.Standby)
	}
	return t
}

// Asked lists the registers whose entries the tally wants.
func (t *Tally) Asked() []plant.RegisterID { return slices.Sorted(maps.Keys(t.registers)) }

// Beyond cuts the first part of so long off every stretch of standby, whatever light
// it was with, and gives what is left of them.
func Beyond(spans []plant.Span, limit time.Duration) []plant.Span {
	var out []plant.Span
	var began time.Time
	for i, s := range spans {
		if s.State != plant.StateStandby {
			continue
		}
		if i == 0 || spans[i-1].State != plant.StateStandby || !spans[i-1].To.Equal(s.From) {
			began = s.From
		}
		if from := began.Add(limit); from.Before(s.To) {
			if from.After(s.From) {
				s.From = from
			}
			out = append(out, s)
		}
	}
	return out
}

// Add counts an entry. Entries come in order of time.
func (t *Tally) Add(e plant.Entry) {
	reg, ok := t.registers[e.Register]
	if !ok {
		return
	}
	if !e.Start.Before(t.dayEnd) || e.Start.Before(t.day) {
		t.day, t.dayEnd = t.o.Plant.Day(e.Start, 0), t.o.Plant.Day(e.Start, 1)
		t.dayKey, t.working = t.day.Format(time.DateOnly), t.o.Plant.WorkDay(e.Start)
	}
	if reg.Quantity != plant.QuantityEnergy {
		t.counter(reg, e)
		return
	}
	amount := unit.Energy(e.Amount)
	if t.from.IsZero() || e.Start.Before(t.from) {
		t.from = e.Start
	}
	if end := e.Start.Add(t.o.Plant.Interval); end.After(t.to) {
		t.to = end
	}
	for _, r := range []*Row{t.row(t.key(reg, e)), &t.total} {
		r.add(e, amount)
	}
	t.judge(reg, e, amount)
}

// key names the row of an entry.
func (t *Tally) key(reg plant.Register, e plant.Entry) string {
	switch t.o.By {
	case ByPress:
		return cmp.Or(string(reg.Press), "whole site")
	case ByStation:
		if reg.Station != "" {
			return string(reg.Station)
		}
		return string(e.Register)
	case ByShift:
		return t.o.Shift(reg.Press, e.Start)
	case ByDay:
		return t.dayKey
	default:
		return stateWord(e.State)
	}
}

// stateWord names a state for a row.
func stateWord(s plant.State) string {
	if s == plant.StateNone {
		return "shared"
	}
	return s.String()
}

func (t *Tally) row(key string) *Row {
	r, ok := t.rows[key]
	if !ok {
		r = &Row{Key: key}
		t.rows[key] = r
	}
	return r
}

func (r *Row) add(e plant.Entry, amount unit.Energy) {
	switch e.State {
	case plant.StateCuring:
		r.Curing += amount
	case plant.StateStandby:
		r.Standby += amount
	case plant.StateStarting:
		r.Starting += amount
	case plant.StateOff, plant.StateCooling, plant.StateFault:
		r.Stopped += amount
	case plant.StateUnknown:
		r.Unknown += amount
	default:
		r.Shared += amount
	}
	r.Total += amount
	if e.Quality > plant.QualityInterpolated {
		r.Doubtful += amount
	}
	r.used = join(r.used, e.Start, amount)
}

// join adds energy to the last interval where it is the same one.
func join(used []tariff.Used, start time.Time, amount unit.Energy) []tariff.Used {
	if n := len(used); n > 0 && used[n-1].Start.Equal(start) {
		used[n-1].Energy += amount
		return used
	}
	return append(used, tariff.Used{Start: start, Energy: amount})
}

// counter counts what a press made meanwhile.
func (t *Tally) counter(reg plant.Register, e plant.Entry) {
	rows := []*Row{&t.total}
	switch t.o.By {
	case ByPress, ByShift, ByDay:
		rows = append(rows, t.row(t.key(reg, e)))
	}
	for _, r := range rows {
		if reg.Quantity == plant.QuantityArea {
			r.AreaM2 += float64(e.Amount) / plant.QuantityArea.PerDisplay()
		} else {
			r.Impressions += float64(e.Amount) / 1000
		}
	}
}

// judge finds what of an entry was avoidable.
func (t *Tally) judge(reg plant.Register, e plant.Entry, amount unit.Energy) {
	end := e.Start.Add(t.o.Plant.Interval)
	if t.exhaust[e.Register] {
		if t.dark(reg.Press, e.Start, end) {
			t.avoidable(ExhaustUnused, e, amount, t.o.Plant.Interval)
		}
		return
	}
	if reg.Station == "" {
		return
	}
	lit := e.Technology.Lit(e.State)
	spans := t.o.Spans[reg.Station]
	inState := within(spans, e.Start, end, e.State)
	switch {
	case inState <= 0 || e.State == plant.StateCuring:
	case lit && t.night(e.Start):
		t.avoidable(LitAtNight, e, amount, inState)
	case e.State == plant.StateStandby:
		long := min(within(t.long[reg.Station], e.Start, end, plant.StateStandby), inState)
		part := unit.Energy(float64(amount) * (float64(long) / float64(inState)))
		t.avoidable(LongStandby, e, part, long)
	}
}

// night says whether no lamp need be lit in an interval.
func (t *Tally) night(at time.Time) bool {
	begin, end := t.o.Limits.NightBegin, t.o.Limits.NightEnd
	if begin == end {
		return !t.working
	}
	local := at.In(t.o.Plant.TimeZone)
	minute := local.Hour()*60 + local.Minute()
	if begin < end {
		return minute >= begin && minute < end
	}
	return minute >= begin || minute < end
}

// dark says whether every station of a press is known to have been dark and cold for
// the whole of [from, to).
func (t *Tally) dark(press plant.PressID, from, to time.Time) bool {
	found := false
	for _, s := range t.o.Plant.Stations() {
		if s.Press != press {
			continue
		}
		found = true
		spans := t.o.Spans[s.ID]
		var off time.Duration
		each(spans, from, to, func(s plant.Span, d time.Duration) {
			resting := s.State == plant.StateStandby && s.Technology != plant.TechnologyNone && !s.Technology.Lit(s.State)
			if s.State == plant.StateOff || s.State == plant.StateFault || resting {
				off += d
			}
		})
		if off < to.Sub(from) {
			return false
		}
	}
	return found
}

// within is the time of [from, to) that spans are in a state.
func within(spans []plant.Span, from, to time.Time, state plant.State) time.Duration {
	var sum time.Duration
	each(spans, from, to, func(s plant.Span, d time.Duration) {
		if s.State == state {
			sum += d
		}
	})
	return sum
}

// each visits the spans that share time with [from, to), with how much.
func each(spans []plant.Span, from, to time.Time, visit func(plant.Span, time.Duration)) {
	i, _ := slices.BinarySearchFunc(spans, from, func(s plant.Span, at time.Time) int {
		if s.To.After(at) {
			return 1
		}
		return -1
	})
	for ; i < len(spans) && spans[i].From.Before(to); i++ {
		a, b := spans[i].From, spans[i].To
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		visit(spans[i], b.Sub(a))
	}
}

func (t *Tally) avoidable(kind Kind, e plant.Entry, amount unit.Energy, d time.Duration) {
	if amount <= 0 {
		return
	}
	k := avoidKey{kind, e.Register}
	a, ok := t.avoid[k]
	if !ok {
		a = &Avoidable{Kind: kind, Register: e.Register}
		t.avoid[k] = a
	}
	a.Energy += amount
	a.Hours += d.Hours()
	a.used = join(a.used, e.Start, amount)
}

// Report closes the tally.
func (t *Tally) Report() (Report, error) {
	r := Report{From: t.from, To: t.to, Total: t.total}
	r.Total.Key = "total"
	var err error
	if r.Total.Cost, r.Total.Unpriced, err = t.price(r.Total.used); err != nil {
		return Report{}, err
	}
	for _, key := range t.order() {
		row := *t.rows[key]
		if row.Cost, row.Unpriced, err = t.price(row.used); err != nil {
			return Report{}, err
		}
		r.Rows = append(r.Rows, row)
	}
	for _, a := range t.avoid {
		one := *a
		if one.Cost, one.Unpriced, err = t.price(one.used); err != nil {
			return Report{}, err
		}
		r.Avoidable = append(r.Avoidable, one)
	}
	slices.SortFunc(r.Avoidable, func(a, b Avoidable) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Register, b.Register))
	})
	return r, nil
}

// price gives the cost of energy and how much of it has no price.
func (t *Tally) price(used []tariff.Used) (unit.Money, unit.Energy, error) {
	if t.o.Tariff != nil {
		c, err := t.o.Tariff.Cost(used)
		return c.Total, c.Unpriced, err
	}
	var sum unit.Energy
	for _, u := range used {
		sum += u.Energy
	}
	if t.o.Price.Currency == "" {
		return unit.Money{}, sum, nil
	}
	m, err := t.o.Price.ForEnergy(sum)
	return m, 0, err
}

// order lists the keys of rows: presses, stations and states in the plant's order,
// all others by name after them.
func (t *Tally) order() []string {
	rank := map[string]int{}
	add := func(key string) { rank[key] = len(rank) + 1 }
	for _, s := range []plant.State{plant.StateCuring, plant.StateStandby, plant.StateStarting, plant.StateOff, plant.StateCooling, plant.StateFault, plant.StateUnknown, plant.StateNone} {
		add(stateWord(s))
	}
	for _, p := range t.o.Plant.Presses {
		add(string(p.ID))
		for _, s := range p.Stations {
			add(string(s.ID))
		}
	}
	keys := slices.Collect(maps.Keys(t.rows))
	last := len(rank) + 1
	slices.SortFunc(keys, func(a, b string) int {
		return cmp.Or(cmp.Compare(cmp.Or(rank[a], last), cmp.Or(rank[b], last)), cmp.Compare(a, b))
	})
	return keys
}

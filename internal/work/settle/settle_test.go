package settle

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
)

var begin = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// memory is a store in memory with the semantics of the real one.
type memory struct {
	readings  map[plant.RegisterID][]plant.Reading
	events    map[plant.StationID][]plant.StationEvent
	exchanges map[plant.RegisterID][]plant.Exchange
	rulings   map[plant.RegisterID][]plant.Ruling
	samples   map[string][]plant.Signal
	fittings  []plant.Fitting
	marks     []plant.Mark
	nextMark  int64
	entries   map[plant.RegisterID][]plant.Entry
	steps     map[plant.RegisterID][]plant.RegisterEvent
}

func newMemory() *memory {
	return &memory{
		readings: map[plant.RegisterID][]plant.Reading{}, events: map[plant.StationID][]plant.StationEvent{},
		exchanges: map[plant.RegisterID][]plant.Exchange{}, entries: map[plant.RegisterID][]plant.Entry{},
		steps: map[plant.RegisterID][]plant.RegisterEvent{}, rulings: map[plant.RegisterID][]plant.Ruling{}, samples: map[string][]plant.Signal{},
	}
}

// take stores facts and their marks, as one batch.
func (m *memory) take(f plant.Facts) {
	mark := func(reg plant.RegisterID, st plant.StationID, at time.Time) {
		m.nextMark++
		m.marks = append(m.marks, plant.Mark{IDs: []int64{m.nextMark}, Register: reg, Station: st, From: at, To: at})
	}
	for _, r := range f.Readings {
		m.readings[r.Register] = append(m.readings[r.Register], r)
		slices.SortFunc(m.readings[r.Register], func(a, b plant.Reading) int { return a.At.Compare(b.At) })
		mark(r.Register, "", r.At)
	}
	for _, e := range f.Events {
		m.events[e.Station] = append(m.events[e.Station], e)
		slices.SortFunc(m.events[e.Station], func(a, b plant.StationEvent) int {
			return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Sequence, b.Sequence))
		})
		mark("", e.Station, e.At)
	}
	for _, v := range f.Signals {
		m.samples[v.Subject] = append(m.samples[v.Subject], v)
		slices.SortFunc(m.samples[v.Subject], func(a, b plant.Signal) int { return a.At.Compare(b.At) })
		if v.Name != plant.SignalPower {
			mark(plant.RegisterOf(v.Subject, plant.ValueWear), "", v.At)
			continue
		}
		for _, value := range []string{plant.ValueImport, plant.ValueSampled} {
			mark(plant.RegisterOf(v.Subject, value), "", v.At)
		}
	}
}

// rule records a ruling on a reading and marks the register from there on, as the
// store does. A reading that has not come yet cannot be ruled on.
func (m *memory) rule(r plant.Ruling) {
	all := m.readings[r.Register]
	if !slices.ContainsFunc(all, func(x plant.Reading) bool { return x.At.Equal(r.At) }) {
		return
	}
	m.nextMark++
	r.Recorded = begin.Add(time.Duration(m.nextMark))
	m.rulings[r.Register] = append(m.rulings[r.Register], r)
	m.marks = append(m.marks, plant.Mark{IDs: []int64{m.nextMark}, Register: r.Register, From: r.At, To: all[len(all)-1].At})
}

// sure says whether a step is none that later values may judge otherwise.
func sure(k plant.StepKind) bool { return k == plant.StepExchange || k == plant.StepRuled }

func (m *memory) isDoubtful(reg plant.RegisterID, t time.Time) bool {
	return slices.ContainsFunc(m.steps[reg], func(e plant.RegisterEvent) bool {
		return e.At.Equal(t) && !sure(e.Kind)
	})
}

func (m *memory) Readings(_ context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Reading, error) {
	all := m.readings[reg]
	lo, _ := slices.BinarySearchFunc(all, from, func(r plant.Reading, t time.Time) int { return r.At.Compare(t) })
	hi, _ := slices.BinarySearchFunc(all, to, func(r plant.Reading, t time.Time) int { return r.At.Compare(t) })
	for firm := 0; lo > 0 && firm < margin; {
		if lo--; !m.isDoubtful(reg, all[lo].At) {
			firm++
		}
	}
	for firm := 0; hi < len(all) && firm < margin; hi++ {
		if !m.isDoubtful(reg, all[hi].At) {
			firm++
		}
	}
	return slices.Clone(all[lo:hi]), nil
}

func (m *memory) Events(_ context.Context, st plant.StationID, from, to time.Time) ([]plant.StationEvent, error) {
	all := m.events[st]
	lo, _ := slices.BinarySearchFunc(all, from, func(e plant.StationEvent, t time.Time) int { return e.At.Compare(t) })
	hi, _ := slices.BinarySearchFunc(all, to, func(e plant.StationEvent, t time.Time) int { return e.At.Compare(t) })
	return slices.Clone(all[max(0, lo-margin):min(len(all), hi+margin)]), nil
}

func (m *memory) Exchanges(_ context.Context, reg plant.RegisterID) ([]plant.Exchange, error) {
	return m.exchanges[reg], nil
}

func (m *memory) Rulings(_ context.Context, reg plant.RegisterID) ([]plant.Ruling, error) {
	return m.rulings[reg], nil
}

func (m *memory) Samples(_ context.Context, meter plant.MeterID, atMost float64, from, to time.Time) ([]plant.Signal, error) {
	return m.signals(func(v plant.Signal) bool { return v.Name == plant.SignalPower && (atMost <= 0 || v.Value <= atMost) }, string(meter), from, to), nil
}

func (m *memory) Signals(_ context.Context, subject, name string, from, to time.Time) ([]plant.Signal, error) {
	return m.signals(func(v plant.Signal) bool { return v.Name == name }, subject, from, to), nil
}

func (m *memory) signals(keep func(plant.Signal) bool, subject string, from, to time.Time) []plant.Signal {
	all := slices.DeleteFunc(slices.Clone(m.samples[subject]), func(v plant.Signal) bool { return !keep(v) })
	lo, _ := slices.BinarySearchFunc(all, from, func(v plant.Signal, t time.Time) int { return v.At.Compare(t) })
	hi, _ := slices.BinarySearchFunc(all, to, func(v plant.Signal, t time.Time) int { return v.At.Compare(t) })
	return all[max(0, lo-1):min(len(all), hi+1)]
}

func (m *memory) Fittings(context.Context, plant.StationID) ([]plant.Fitting, error) {
	return m.fittings, nil
}

func (m *memory) Doubtful(_ context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.RegisterEvent, error) {
	var out []plant.RegisterEvent
	for _, e := range m.steps[reg] {
		if !sure(e.Kind) && !e.At.Before(from) && e.At.Before(to) {
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b plant.RegisterEvent) int { return a.At.Compare(b.At) })
	return out, nil
}

func (m *memory) Unsettled(_ context.Context, limit int) ([]plant.Mark, error) {
	return slices.Clone(m.marks[:min(limit, len(m.marks))]), nil
}

func (m *memory) Replace(_ context.Context, marks []plant.Mark, settlements []plant.Settlement) error {
	for _, s := range settlements {
		in := func(t time.Time) bool { return !t.Before(s.From) && t.Before(s.To) }
		m.entries[s.Register] = append(slices.DeleteFunc(m.entries[s.Register], func(e plant.Entry) bool { return in(e.Start) }), s.Entries...)
		m.steps[s.Register] = append(slices.DeleteFunc(m.steps[s.Register], func(e plant.RegisterEvent) bool { return in(e.At) }), s.Events...)
	}
	for _, mark := range marks {
		m.marks = slices.DeleteFunc(m.marks, func(x plant.Mark) bool { return x.IDs[0] == mark.IDs[0] })
	}
	return nil
}

func (m *memory) Extent(_ context.Context, reg plant.RegisterID) (first, last time.Time, ok bool, err error) {
	if rs := m.readings[reg]; len(rs) > 0 {
		return rs[0].At, rs[len(rs)-1].At, true, nil
	}
	owner, value := reg.Split()
	if vs := m.samples[owner]; value == plant.ValueSampled && len(vs) > 0 {
		return vs[0].At, vs[len(vs)-1].At, true, nil
	}
	if es := m.events[plant.StationID(owner)]; len(es) > 0 {
		return es[0].At, es[len(es)-1].At, true, nil
	}
	return first, last, false, nil
}

func (m *memory) Entries(_ context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Entry, error) {
	return slices.DeleteFunc(slices.Clone(m.entries[reg]), func(e plant.Entry) bool { return e.Start.Before(from) || !e.Start.Before(to) }), nil
}

// little is a plant of one press, one station and two meters.
func little(counted bool) *plant.Plant {
	source := plant.FromTimeline
	if counted {
		source = plant.FromEvents
	}
	energy := plant.Rules{Modulus: 1_000_000, MaxPerHour: 60_000, Slack: 10, Backstep: 20, MaxGap: 30 * time.Minute}
	energy.Ratios = []plant.Ratio{{Num: 3, Den: 1}, {From: begin.Add(5 * time.Hour), Num: 3, Den: 2}}
	net := energy
	net.Net, net.Backstep = true, 0
	lit := plant.Rules{MaxPerHour: 3_600_000, Slack: 2000}
	return &plant.Plant{
		Name: "Little", TimeZone: time.UTC, Interval: 15 * time.Minute,
		Presses: []plant.Press{{ID: "p", Stations: []plant.Station{{
			ID: "s", Press: "p", Silence: 20 * time.Minute, Technology: []plant.TechnologyFrom{{Technology: plant.TechnologyArc}},
		}}}},
		Registers: []plant.Register{
			{ID: "own/import", Quantity: plant.QuantityEnergy, Station: "s", Press: "p", Rules: energy},
			{ID: "shared/import", Quantity: plant.QuantityEnergy, Press: "p", Rules: energy},
			{ID: "net/import", Quantity: plant.QuantityEnergy, Press: "p", Rules: net},
			{ID: "watts/sampled", Quantity: plant.QuantityEnergy, Station: "s", Press: "p", Rules: plant.Rules{MaxPerHour: 60_000, MaxGap: 30 * time.Minute}, Curve: plant.FromPower},
			{ID: "s/lit", Quantity: plant.QuantityTime, Station: "s", Press: "p", Rules: lit, Curve: source},
			{ID: "s/starts", Quantity: plant.QuantityCount, Station: "s", Press: "p", Rules: plant.Rules{MaxPerHour: 3600, Slack: 1}, Curve: source},
			{ID: "s/time", Quantity: plant.QuantityTime, Station: "s", Press: "p", Curve: plant.FromTimeline},
			{ID: "s/wear", Quantity: plant.QuantityTime, Station: "s", Press: "p", Rules: lit, Curve: source, Wear: &plant.Wear{
				Technology: plant.TechnologyArc, Drive: "drive_percent", Temperature: "head_celsius", Hold: 30 * time.Minute,
			}},
		},
	}
}

// drawReadings makes a register that rises, rolls over, resets and is misread.
func drawReadings(t *rapid.T, reg plant.RegisterID) []plant.Reading {
	n := rapid.IntRange(1, 60).Draw(t, "readings of "+string(reg))
	at, value := begin, rapid.Int64Range(0, 999_999).Draw(t, "first")
	var out []plant.Reading
	for range n {
		at = at.Add(time.Duration(rapid.IntRange(1, 2400).Draw(t, "seconds")) * time.Second)
		var seen int64
		switch rapid.IntRange(0, 11).Draw(t, "event") {
		case 0:
			value, seen = 0, 0 // the meter starts anew
		case 1:
			seen = 0 // one misread value
		case 2:
			seen = max(0, value-15) // noise
		case 3:
			seen = rapid.Int64Range(0, 999_999).Draw(t, "garbage")
		default:
			value = (value + rapid.Int64Range(0, 3000).Draw(t, "rise")) % 1_000_000
			seen = value
		}
		out = append(out, plant.Reading{Register: reg, At: at, Value: seen})
	}
	return out
}

func drawEvents(t *rapid.T) []plant.StationEvent {
	n := rapid.IntRange(1, 60).Draw(t, "events")
	at, lit, starts := begin, int64(0), int64(0)
	var out []plant.StationEvent
	state := plant.StateOff
	// The controller may be one that counts only for some of the time.
	since, until := 0, n
	if rapid.Bool().Draw(t, "counters for a time") {
		since, until = rapid.IntRange(0, n).Draw(t, "counts from"), rapid.IntRange(0, n).Draw(t, "counts until")
	}
	for i := range n {
		step := time.Duration(rapid.OneOf(rapid.IntRange(1, 2400), rapid.IntRange(1, 90)).Draw(t, "seconds")) * time.Second
		if plant.TechnologyArc.Lit(state) {
			lit += step.Milliseconds()
		}
		at = at.Add(step)
		next := rapid.SampledFrom(plant.States()).Draw(t, "state")
		if plant.TechnologyArc.Lit(next) && !plant.TechnologyArc.Lit(state) {
			starts++
		}
		state = next
		e := plant.StationEvent{Station: "s", At: at, Arrived: at, State: state, Boot: "b", Sequence: int64(i), LitMillis: lit, Starts: starts}
		switch rapid.IntRange(0, 11).Draw(t, "oddity") {
		case 3, 4: // no message, but a conclusion from power
			e.Boot, e.Sequence, e.LitMillis, e.Starts = plant.BootInferred, at.UnixMilli(), -1, -1
			e.State = rapid.SampledFrom([]plant.State{plant.StateOff, plant.StateStandby, plant.StateCuring}).Draw(t, "concluded")
		case 0: // a last will carries no counters
			e.State, e.LastWill, e.LitMillis, e.Starts = plant.StateUnknown, true, -1, -1
		case 1: // the controller starts anew
			lit, starts = 0, 0
			e.LitMillis, e.Starts = 0, 0
		case 2:
			e.LitMillis = rapid.Int64Range(0, 1<<40).Draw(t, "garbage")
		}
		if i < since || i >= until {
			e.LitMillis, e.Starts = -1, -1
		}
		out = append(out, e)
	}
	return out
}

// Facts that arrive in any order and any portions give, in the end, the entries
// that the whole gives at once; and every register's entries add up to its
// curve.
func TestSettlingInPartsIsSettlingTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := little(rapid.Bool().Draw(t, "counted"))
		wear := p.Registers[len(p.Registers)-1].Wear
		wear.Law = rapid.SampledFrom([]plant.WearLaw{
			{}, {DriveExponent: 1.3}, {DriveExponent: 1.3, ReferenceCelsius: 65, HalvesPerKelvin: 10}, {ReferenceCelsius: 65, ActivationEnergy: 0.5},
		}).Draw(t, "law of wear")
		m := newMemory()
		cut := begin.Add(time.Duration(rapid.IntRange(0, 36000).Draw(t, "lamp change")) * time.Second)
		m.fittings = []plant.Fitting{{Lamp: "L1", Station: "s", From: begin, To: cut}, {Lamp: "L2", Station: "s", From: cut}}
		if rapid.Bool().Draw(t, "exchanged") {
			m.exchanges["own/import"] = []plant.Exchange{{
				Register: "own/import", At: begin.Add(time.Duration(rapid.IntRange(0, 36000).Draw(t, "exchange")) * time.Second),
				Final: rapid.Int64Range(0, 999_999).Draw(t, "final"), First: rapid.Int64Range(0, 999_999).Draw(t, "first of new"),
			}}
		}
		all := drawHappenings(t)
		if rapid.Bool().Draw(t, "shuffled") {
			all = rapid.Permutation(all).Draw(t, "order")
		} else {
			slices.SortStableFunc(all, func(a, b happening) int { return a.at.Compare(b.at) })
		}
		s := New(Options{Plant: p, Store: m, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
		for len(all) > 0 {
			n := rapid.IntRange(1, 12).Draw(t, "portion")
			for _, h := range all[:min(n, len(all))] {
				if h.ruling.Verdict != "" {
					m.rule(h.ruling)
				} else {
					m.take(h.facts)
				}
			}
			all = all[min(n, len(all)):]
			for {
				found, err := s.Round(context.Background())
				if err != nil {
					t.Fatal(err)
				}
				if found == 0 {
					break
				}
			}
		}
		for _, reg := range p.Registers {
			checkRegister(t, m, p, reg)
		}
	})
}

// happening is one fact, or what a person ruled.
type happening struct {
	at     time.Time
	facts  plant.Facts
	ruling plant.Ruling
}

func drawHappenings(t *rapid.T) []happening {
	var all []happening
	for _, reg := range []plant.RegisterID{"own/import", "shared/import", "net/import"} {
		readings := drawReadings(t, reg)
		for _, r := range readings {
			all = append(all, happening{at: r.At, facts: plant.Facts{Readings: []plant.Reading{r}}})
		}
		for range rapid.IntRange(0, 3).Draw(t, "rulings") {
			i := rapid.IntRange(0, len(readings)-1).Draw(t, "ruled on")
			later := time.Duration(rapid.IntRange(0, 7200).Draw(t, "ruled after")) * time.Second
			all = append(all, happening{at: readings[i].At.Add(later), ruling: plant.Ruling{
				Register: reg, At: readings[i].At, Verdict: rapid.SampledFrom(plant.Verdicts()).Draw(t, "verdict"),
			}})
		}
	}
	for _, meter := range []string{"own", "watts"} {
		at := begin
		for range rapid.IntRange(0, 40).Draw(t, "samples") {
			at = at.Add(time.Duration(rapid.IntRange(1, 2400).Draw(t, "seconds")) * time.Second)
			v := plant.Signal{Subject: meter, Name: plant.SignalPower, At: at, Value: rapid.Float64Range(-5, 80).Draw(t, "watts")}
			all = append(all, happening{at: at, facts: plant.Facts{Signals: []plant.Signal{v}}})
		}
	}
	for _, name := range []string{"drive_percent", "head_celsius"} {
		at := begin
		for range rapid.IntRange(0, 40).Draw(t, "values of "+name) {
			at = at.Add(time.Duration(rapid.IntRange(1, 4000).Draw(t, "seconds")) * time.Second)
			v := plant.Signal{Subject: "s", Name: name, At: at, Value: rapid.Float64Range(-5, 160).Draw(t, "value")}
			all = append(all, happening{at: at, facts: plant.Facts{Signals: []plant.Signal{v}}})
		}
	}
	for _, e := range drawEvents(t) {
		all = append(all, happening{at: e.At, facts: plant.Facts{Events: []plant.StationEvent{e}}})
	}
	return all
}

// checkRegister compares what was settled in parts with a whole settlement
// from a store that knows of no earlier one.
func checkRegister(t *rapid.T, m *memory, p *plant.Plant, reg plant.Register) {
	clean := newMemory()
	clean.readings, clean.events, clean.exchanges, clean.fittings = m.readings, m.events, m.exchanges, m.fittings
	clean.rulings, clean.samples = m.rulings, m.samples
	first, last, ok, _ := clean.Extent(context.Background(), reg.ID)
	if !ok {
		return
	}
	whole, err := Settle(context.Background(), clean, p, Stretch{Register: reg, From: first.Truncate(p.Interval), To: last.Truncate(p.Interval).Add(p.Interval)})
	if err != nil {
		t.Fatal(err)
	}
	got := m.entries[reg.ID]
	slices.SortFunc(got, func(a, b plant.Entry) int {
		return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.State, b.State), cmp.Compare(a.Technology, b.Technology), cmp.Compare(a.Lamp, b.Lamp))
	})
	if d := gocmp.Diff(whole.Entries, got, cmpopts.EquateEmpty()); d != "" {
		t.Fatalf("%s: entries in parts differ from the whole (-whole +parts):\n%s", reg.ID, d)
	}
	f, err := Audit(context.Background(), m, p, reg)
	if err != nil {
		t.Fatal(err)
	}
	if f.Differing != 0 || f.Total != f.Stored {
		t.Fatalf("audit: %+v", f)
	}
	if reg.Wear != nil && reg.Wear.Law == (plant.WearLaw{}) {
		weighed := slices.Clone(got)
		for i := range weighed {
			weighed[i].Register = "s/lit"
		}
		if d := gocmp.Diff(m.entries["s/lit"], weighed, cmpopts.EquateEmpty()); d != "" {
			t.Fatalf("with weights of 1 wear is not lit time (-lit +wear):\n%s", d)
		}
	}
	if reg.Curve == plant.FromReadings {
		var points []ledger.Point
		for _, r := range m.readings[reg.ID] {
			points = append(points, ledger.Point{At: r.At, Value: r.Value})
		}
		curve, _ := ledger.Build(reg.ID, reg.Rules, points, ledger.Acts{Exchanges: m.exchanges[reg.ID], Rulings: m.rulings[reg.ID]})
		if f.Stored != curve.Total() {
			t.Fatalf("%s: entries add up to %d, the curve to %d", reg.ID, f.Stored, curve.Total())
		}
	}
}

// A station that begins to count when it is converted, and stops again, keeps
// the hours of the time before and after.
func TestCountersForATime(t *testing.T) {
	p, m := little(true), newMemory()
	s := New(Options{Plant: p, Store: m, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
	lit, starts := int64(7_000_000), int64(40)
	for i := range 61 { // ten minutes lit, ten minutes dark
		e := plant.StationEvent{
			Station: "s", At: begin.Add(time.Duration(i) * 10 * time.Minute), State: plant.StateCuring,
			Boot: "b", Sequence: int64(i), LitMillis: -1, Starts: -1,
		}
		if i%2 == 1 {
			e.State = plant.StateOff
		}
		if i > 20 && i < 40 {
			if i%2 == 1 {
				lit += 600_000
			} else {
				starts++
			}
			e.LitMillis, e.Starts = lit, starts
		}
		m.take(plant.Facts{Events: []plant.StationEvent{e}})
		if _, err := s.Round(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for reg, want := range map[plant.RegisterID]int64{"s/lit": 30 * 600_000, "s/starts": 29} { // the first light is not seen to start
		var got int64
		for _, e := range m.entries[reg] {
			got += e.Amount
		}
		if got != want {
			t.Errorf("%s: entries add up to %d, want %d", reg, got, want)
		}
	}
}

func TestAuditFindsWhatIsWrong(t *testing.T) {
	p, m := little(true), newMemory()
	for i := range 10 {
		m.take(plant.Facts{Readings: []plant.Reading{{Register: "shared/import", At: begin.Add(time.Duration(i) * 10 * time.Minute), Value: int64(i) * 900}}})
	}
	s := New(Options{Plant: p, Store: m, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
	if _, err := s.Round(t.Context()); err != nil {
		t.Fatal(err)
	}
	reg := p.Registers[1]
	for name, c := range map[string]struct {
		spoil     func(e []plant.Entry) []plant.Entry
		differing int
		first     string
	}{
		"nothing":           {func(e []plant.Entry) []plant.Entry { return e }, 0, ""},
		"an amount changed": {func(e []plant.Entry) []plant.Entry { e[2].Amount++; return e }, 1, "entry 2026-03-02T06:30:00Z none   is stored as 4051 (measured), facts give 4050 (measured)"},
		"an entry lost":     {func(e []plant.Entry) []plant.Entry { return e[1:] }, 1, "entry 2026-03-02T06:00:00Z none   is missing"},
		"an entry too many": {func(e []plant.Entry) []plant.Entry { x := e[0]; x.State = plant.StateOff; return append(e, x) }, 1, "entry 2026-03-02T06:00:00Z off   has no facts"},
	} {
		t.Run(name, func(t *testing.T) {
			spoilt := newMemory()
			spoilt.readings, spoilt.steps = m.readings, m.steps
			spoilt.entries[reg.ID] = c.spoil(slices.Clone(m.entries[reg.ID]))
			f, err := Audit(t.Context(), spoilt, p, reg)
			if err != nil {
				t.Fatal(err)
			}
			if f.Differing != c.differing || f.First != c.first {
				t.Errorf("audit says %d, %q; want %d, %q", f.Differing, f.First, c.differing, c.first)
			}
		})
	}
}

func TestMerge(t *testing.T) {
	at := func(m int) time.Time { return begin.Add(time.Duration(m) * time.Minute) }
	got := merge([]span{{at(30), at(45)}, {at(0), at(15)}, {at(15), at(30)}, {at(60), at(90)}, {at(60), at(75)}})
	want := []span{{at(0), at(45)}, {at(60), at(90)}}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("merge = %v, want %v", got, want)
	}
}

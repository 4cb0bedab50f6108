package usage_test

import (
	"slices"
	"testing"
	"time"

	"github.com/govalues/decimal"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/core/usage"
)

// heron is a press of two stations with a meter each, a fan of its own, and counters.
func heron() *plant.Plant {
	const energy = plant.QuantityEnergy
	return &plant.Plant{
		TimeZone: time.UTC, Interval: 15 * time.Minute,
		WorkDays: [7]bool{false, true, true, true, true, true, false},
		Presses:  []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1", Press: "heron"}, {ID: "heron-2", Press: "heron"}}}},
		Registers: []plant.Register{
			{ID: "m1/import", Quantity: energy, Station: "heron-1", Press: "heron"},
			{ID: "m2/import", Quantity: energy, Station: "heron-2", Press: "heron"},
			{ID: "fan/import", Quantity: energy, Press: "heron"},
			{ID: "m1/night", Quantity: energy, Station: "heron-1", Press: "heron", Part: true},
			{ID: "heron/area", Quantity: plant.QuantityArea, Press: "heron"},
			{ID: "heron/impressions", Quantity: plant.QuantityImpressions, Press: "heron"},
		},
	}
}

func options(by usage.By) usage.Options {
	return usage.Options{
		Plant: heron(), By: by, Registers: []plant.RegisterID{"m1/import", "m2/import", "fan/import"},
		Limits: usage.Limits{Standby: 10 * time.Minute, Exhaust: []plant.RegisterID{"fan/import"}},
		Price:  unit.Money{Amount: decimal.MustParse("0.2"), Currency: "EUR"},
		Spans:  map[plant.StationID][]plant.Span{},
	}
}

// monday is 2 March 2026, 06:00.
func monday() time.Time { return time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC) }

// at is minutes after monday.
func at(minutes int) time.Time { return monday().Add(time.Duration(minutes) * time.Minute) }

func span(from, to int, s plant.State) plant.Span {
	return plant.Span{From: at(from), To: at(to), State: s, Technology: plant.TechnologyArc}
}

func entry(minute int, reg plant.RegisterID, s plant.State, kwh float64) plant.Entry {
	tech := plant.TechnologyArc
	if s == plant.StateNone {
		tech = plant.TechnologyNone
	}
	return plant.Entry{Register: reg, Start: at(minute), State: s, Technology: tech, Amount: int64(kwh * 1e6)}
}

func report(t *testing.T, o usage.Options, entries ...plant.Entry) usage.Report {
	t.Helper()
	tally := usage.New(o)
	for _, e := range entries {
		tally.Add(e)
	}
	r, err := tally.Report()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Standing by from 06:05 to 06:40: the first ten minutes are needed, the 25 minutes
// from 06:15 on are not, so all of the standby energy after the first interval is
// avoidable.
func TestLongStandby(t *testing.T) {
	o := options(usage.ByState)
	o.Spans["heron-1"] = []plant.Span{span(0, 5, plant.StateCuring), span(5, 40, plant.StateStandby), span(40, 60, plant.StateCuring)}
	r := report(t, o,
		entry(0, "m1/import", plant.StateCuring, 1), entry(0, "m1/import", plant.StateStandby, 0.6),
		entry(15, "m1/import", plant.StateStandby, 0.9),
		entry(30, "m1/import", plant.StateCuring, 1), entry(30, "m1/import", plant.StateStandby, 0.6),
		entry(45, "m1/import", plant.StateCuring, 3),
	)
	if len(r.Avoidable) != 1 {
		t.Fatalf("%+v", r.Avoidable)
	}
	a := r.Avoidable[0]
	if a.Kind != usage.LongStandby || a.Energy != 1500*unit.WattHour || a.Hours < 0.4166 || a.Hours > 0.4167 || a.Cost.String() != "0.30 EUR" {
		t.Errorf("%+v", a)
	}
	if r.Total.Curing != 5*unit.KilowattHour || r.Total.Standby != 2100*unit.WattHour || r.Total.Total != 7100*unit.WattHour || r.Total.Cost.String() != "1.42 EUR" {
		t.Errorf("total %+v", r.Total)
	}
	if len(r.Rows) != 2 || r.Rows[0].Key != "curing" || r.Rows[1].Key != "standby" {
		t.Errorf("rows %+v", r.Rows)
	}
}

// An interval half of whose standby is beyond the limit is avoidable by half; a limit
// is over a stretch, whatever changed within standby.
func TestBeyond(t *testing.T) {
	spans := []plant.Span{span(0, 8, plant.StateStandby), {From: at(8), To: at(20), State: plant.StateStandby, Technology: plant.TechnologyLED}, span(20, 30, plant.StateOff), span(30, 39, plant.StateStandby)}
	got := usage.Beyond(spans, 10*time.Minute)
	if len(got) != 1 || !got[0].From.Equal(at(10)) || !got[0].To.Equal(at(20)) {
		t.Errorf("%+v", got)
	}
	o := options(usage.ByStation)
	o.Spans["heron-1"] = []plant.Span{span(0, 5, plant.StateOff), span(5, 20, plant.StateStandby)}
	o.Limits.Standby = 5 * time.Minute
	r := report(t, o, entry(0, "m1/import", plant.StateStandby, 1))
	if len(r.Avoidable) != 1 || r.Avoidable[0].Energy != 500*unit.WattHour {
		t.Errorf("%+v", r.Avoidable)
	}
}

// At night an arc that is lit and does not cure is avoidable, whatever the limit; an
// LED that stands by is dark.
func TestNight(t *testing.T) {
	o := options(usage.ByPress)
	o.Limits.NightBegin, o.Limits.NightEnd = 22*60, 6*60+15
	o.Spans["heron-1"] = []plant.Span{span(0, 60, plant.StateStandby)}
	r := report(t, o, entry(0, "m1/import", plant.StateStandby, 1), entry(15, "m1/import", plant.StateStandby, 1))
	if len(r.Avoidable) != 2 || r.Avoidable[0].Kind != usage.LitAtNight || r.Avoidable[0].Energy != unit.KilowattHour || r.Avoidable[1].Energy != unit.KilowattHour {
		t.Errorf("%+v", r.Avoidable)
	}
	// Without hours the night is the weekend.
	o.Limits.NightBegin, o.Limits.NightEnd = 0, 0
	sunday := entry(-24*60, "m1/import", plant.StateStandby, 2)
	o.Spans["heron-1"] = []plant.Span{span(-24*60, 60, plant.StateStandby)}
	r = report(t, o, sunday)
	if len(r.Avoidable) != 1 || r.Avoidable[0].Kind != usage.LitAtNight || r.Avoidable[0].Energy != 2*unit.KilowattHour {
		t.Errorf("Sunday: %+v", r.Avoidable)
	}
	sunday.Technology = plant.TechnologyLED
	o.Limits.Standby = 100 * time.Hour
	if r = report(t, o, sunday); len(r.Avoidable) != 0 {
		t.Errorf("an LED in standby is lit: %+v", r.Avoidable)
	}
}

// A fan is avoidable only where every station is known to be dark and cold.
func TestExhaust(t *testing.T) {
	for _, c := range []struct {
		name string
		one  []plant.Span
		two  []plant.Span
		want unit.Energy
	}{
		{"dark", []plant.Span{span(0, 60, plant.StateOff)}, []plant.Span{span(0, 60, plant.StateFault)}, 800 * unit.WattHour},
		{"cooling", []plant.Span{span(0, 20, plant.StateCooling), span(20, 60, plant.StateOff)}, []plant.Span{span(0, 60, plant.StateOff)}, 400 * unit.WattHour},
		{"silent", []plant.Span{span(0, 60, plant.StateOff)}, []plant.Span{span(0, 60, plant.StateUnknown)}, 0},
		{"not told of", []plant.Span{span(0, 60, plant.StateOff)}, nil, 0},
		{"standing by", []plant.Span{span(0, 60, plant.StateOff)}, []plant.Span{span(0, 60, plant.StateStandby)}, 0},
	} {
		o := options(usage.ByStation)
		o.Spans["heron-1"], o.Spans["heron-2"] = c.one, c.two
		var entries []plant.Entry
		for i := range 4 {
			entries = append(entries, entry(15*i, "fan/import", plant.StateNone, 0.2))
		}
		r := report(t, o, entries...)
		var got unit.Energy
		for _, a := range r.Avoidable {
			got += a.Energy
		}
		if got != c.want {
			t.Errorf("%s: %v avoidable, want %v", c.name, got, c.want)
		}
		if len(r.Rows) != 1 || r.Rows[0].Key != "fan/import" || r.Rows[0].Shared != 800*unit.WattHour {
			t.Errorf("%s: rows %+v", c.name, r.Rows)
		}
	}
}

// Energy per area and per thousand impressions is over what the press counted in the
// same time.
func TestPerArea(t *testing.T) {
	r := report(t, options(usage.ByDay),
		entry(0, "m1/import", plant.StateCuring, 10),
		plant.Entry{Register: "heron/area", Start: at(0), Amount: 2_500_000},
		plant.Entry{Register: "heron/impressions", Start: at(0), Amount: 4000},
		entry(24*60, "m1/import", plant.StateCuring, 5),
		plant.Entry{Register: "m1/night", Start: at(24 * 60), Amount: 5_000_000},
	)
	if len(r.Rows) != 2 || r.Rows[0].Key != "2026-03-02" || r.Rows[1].Key != "2026-03-03" {
		t.Fatalf("rows %+v", r.Rows)
	}
	if d := r.Rows[0]; d.PerArea() != 40 || d.PerThousand() != 2.5 {
		t.Errorf("%v Wh/m², %v kWh per thousand, want 40 and 2.5", d.PerArea(), d.PerThousand())
	}
	if d := r.Rows[1]; d.PerArea() != 0 || d.Total != 5*unit.KilowattHour {
		t.Errorf("a day without production: %+v", d)
	}
}

// Whatever the rows, they hold all energy once, and what is avoidable is a part of it.
func TestRowsHoldAll(t *testing.T) {
	states := append(plant.States(), plant.StateNone)
	rapid.Check(t, func(t *rapid.T) {
		o := options(rapid.SampledFrom([]usage.By{usage.ByState, usage.ByPress, usage.ByStation, usage.ByDay, usage.ByShift}).Draw(t, "by"))
		o.Shift = func(_ plant.PressID, at time.Time) string { return at.Format("15") }
		for _, st := range []plant.StationID{"heron-1", "heron-2"} {
			minute := 0
			for minute < 3000 {
				next := minute + rapid.IntRange(1, 700).Draw(t, "length")
				o.Spans[st] = append(o.Spans[st], span(minute, next, rapid.SampledFrom(plant.States()).Draw(t, "span")))
				minute = next
			}
		}
		tally := usage.New(o)
		var all unit.Energy
		for i := range 200 {
			for _, reg := range []plant.RegisterID{"m1/import", "m2/import", "fan/import"} {
				e := entry(15*i, reg, rapid.SampledFrom(states).Draw(t, "state"), 0)
				e.Amount = rapid.Int64Range(0, 1e9).Draw(t, "mWh")
				all += unit.Energy(e.Amount)
				tally.Add(e)
			}
		}
		r, err := tally.Report()
		if err != nil {
			t.Fatal(err)
		}
		var rows, avoidable unit.Energy
		cost := unit.Money{}
		for _, x := range r.Rows {
			if x.Curing+x.Standby+x.Starting+x.Stopped+x.Unknown+x.Shared != x.Total {
				t.Fatalf("row %+v does not add up", x)
			}
			rows += x.Total
			if cost, err = cost.Plus(x.Cost); err != nil {
				t.Fatal(err)
			}
		}
		for _, a := range r.Avoidable {
			avoidable += a.Energy
		}
		if rows != all || r.Total.Total != all || avoidable > all || cost.Amount.Cmp(r.Total.Cost.Amount) != 0 {
			t.Fatalf("rows %v, total %v, avoidable %v of %v; rows cost %s, all %s", rows, r.Total.Total, avoidable, all, cost.Amount, r.Total.Cost.Amount)
		}
		if !slices.IsSortedFunc(r.Avoidable, func(a, b usage.Avoidable) int {
			return slices.Compare([]string{string(a.Kind), string(a.Register)}, []string{string(b.Kind), string(b.Register)})
		}) {
			t.Fatal("what is avoidable is not in order")
		}
	})
}

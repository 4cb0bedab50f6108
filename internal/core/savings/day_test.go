package savings_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// bench is a plant of one press with two stations and two meters, and the day
// amounts of it that a test builds up.
type bench struct {
	plant   plant.Plant
	project plant.Project
	amounts []plant.DayAmount
	first   time.Time
}

func newBench(t *testing.T, zone string, first time.Time) *bench {
	t.Helper()
	tz, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{plant: plant.Plant{
		TimeZone: tz,
		WorkDays: [7]bool{false, true, true, true, true, true, false},
		Presses:  []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1"}, {ID: "heron-2"}}}},
	}}
	for i := range b.plant.Presses[0].Stations {
		b.plant.Presses[0].Stations[i].Technology = []plant.TechnologyFrom{{Technology: plant.TechnologyArc}}
	}
	b.project = plant.Project{
		ID: "heron-led", Press: "heron", Boundary: []plant.RegisterID{"m1/import", "m2/import"},
		Drivers: plant.Drivers(), Confidence: 0.9, EstimatedLimit: 0.05,
	}
	b.first = b.plant.Day(first, 0)
	return b
}

func (b *bench) day(n int) time.Time { return b.plant.Day(b.first, n) }

// add puts one amount on the n-th day.
func (b *bench) add(n int, id plant.RegisterID, s plant.State, tech plant.Technology, amount int64) {
	b.amounts = append(b.amounts, plant.DayAmount{Day: b.day(n), Register: id, State: s, Technology: tech, Amount: amount})
}

const hour = 3_600_000

// work puts a whole working day on the n-th day: 6 h curing, 2 h standby and 2
// starts at each of two stations, 500 m², 4,000 impressions, 50 kWh at each of
// two meters.
func (b *bench) work(n int, tech plant.Technology) {
	length := b.day(n + 1).Sub(b.day(n)).Milliseconds()
	for _, s := range []plant.StationID{"heron-1", "heron-2"} {
		b.add(n, plant.RegisterOf(s, plant.ValueLit), plant.StateCuring, tech, 6*hour)
		if tech == plant.TechnologyArc {
			b.add(n, plant.RegisterOf(s, plant.ValueLit), plant.StateStandby, tech, 2*hour)
		}
		b.add(n, plant.RegisterOf(s, plant.ValueStarts), plant.StateStarting, tech, 2)
		b.add(n, plant.RegisterOf(s, plant.ValueTime), plant.StateCuring, tech, 6*hour)
		b.add(n, plant.RegisterOf(s, plant.ValueTime), plant.StateStandby, tech, 2*hour)
		b.add(n, plant.RegisterOf(s, plant.ValueTime), plant.StateOff, tech, length-8*hour)
	}
	b.add(n, "heron/area", plant.StateNone, plant.TechnologyNone, 5_000_000)
	b.add(n, "heron/impressions", plant.StateNone, plant.TechnologyNone, 4000)
	b.add(n, "m1/import", plant.StateCuring, tech, 40_000_000)
	b.add(n, "m1/import", plant.StateStandby, tech, 10_000_000)
	b.add(n, "m2/import", plant.StateNone, plant.TechnologyNone, 50_000_000)
}

// rest puts a day without light on the n-th day.
func (b *bench) rest(n int) {
	length := b.day(n + 1).Sub(b.day(n)).Milliseconds()
	for _, s := range []plant.StationID{"heron-1", "heron-2"} {
		b.add(n, plant.RegisterOf(s, plant.ValueTime), plant.StateOff, plant.TechnologyNone, length)
	}
	b.add(n, "heron/area", plant.StateNone, plant.TechnologyNone, 0)
	b.add(n, "heron/impressions", plant.StateNone, plant.TechnologyNone, 0)
	b.add(n, "m1/import", plant.StateOff, plant.TechnologyNone, 500_000)
	b.add(n, "m2/import", plant.StateNone, plant.TechnologyNone, 500_000)
}

// drop removes the amounts of a register on the n-th day.
func (b *bench) drop(n int, id plant.RegisterID) {
	b.amounts = slices.DeleteFunc(b.amounts, func(a plant.DayAmount) bool {
		return a.Register == id && a.Day.Equal(b.day(n))
	})
}

func (b *bench) days(n int) []savings.Day {
	return savings.Days(&b.plant, b.project, b.amounts, b.day(n))
}

func monday() time.Time { return time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) }

func TestDriversOfADay(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	b.work(0, plant.TechnologyArc)
	b.work(1, plant.TechnologyArc)
	got := b.days(2)
	if len(got) != 2 {
		t.Fatalf("%d days, want 2", len(got))
	}
	d := got[1]
	// curing h, standby h, starts, m², thousand impressions of two stations
	if want := []float64{12, 4, 4, 500, 4}; !slices.Equal(d.Drivers, want) {
		t.Errorf("drivers %v, want %v", d.Drivers, want)
	}
	if d.Energy != 100*unit.KilowattHour || d.Technology != plant.TechnologyArc || d.Mixed || d.Excluded != "" || d.ScheduledHours != 24 {
		t.Errorf("day %+v", d)
	}
	if s := d.Day.Format(time.RFC3339); s != "2026-03-03T00:00:00+01:00" {
		t.Errorf("day begins %s", s)
	}
	if got[0].Excluded != "first day of m1/import, may not be whole" {
		t.Errorf("first day: %q", got[0].Excluded)
	}
}

func TestDaysThatCannotBeUsed(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(b *bench) // on day 2
		want   string
	}{
		"whole":           {func(*bench) {}, ""},
		"meter missing":   {func(b *bench) { b.drop(2, "m2/import") }, "no readings of m2/import any more"},
		"counter missing": {func(b *bench) { b.drop(2, "heron/area") }, "no readings of heron/area any more"},
		"everything missing": {func(b *bench) {
			b.amounts = slices.DeleteFunc(b.amounts, func(a plant.DayAmount) bool { return a.Day.Equal(b.day(2)) })
		}, "no readings of m1/import any more"},
		"silent station": {func(b *bench) { b.drop(2, "heron-2/time") }, "states of heron-2 cover 0.0 of 24.0 h"},
		"doubtful": {func(b *bench) {
			b.amounts[len(b.amounts)-1].Quality[plant.QualityEstimated] = 5_100_000
		}, "5.1 % of the energy is neither measured nor interpolated (limit 5 %)"},
		"hardly doubtful": {func(b *bench) { b.amounts[len(b.amounts)-1].Quality[plant.QualityInferred] = 5_000_000 }, ""},
		"lit in no known state": {func(b *bench) {
			b.add(2, "heron-1/lit", plant.StateUnknown, plant.TechnologyArc, 4*hour)
		}, "20.0 % of the lit time has no known state (limit 5 %)"},
		"both lit": {func(b *bench) {
			b.add(2, "heron-1/lit", plant.StateCuring, plant.TechnologyLED, hour)
		}, "more than one technology was lit"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, "Europe/Berlin", monday())
			for n := range 3 {
				b.work(n, plant.TechnologyArc)
			}
			tt.change(b)
			days := b.days(3)
			if len(days) != 3 || days[2].Excluded != tt.want {
				t.Errorf("days %+v, want the third with %q", days, tt.want)
			}
		})
	}
}

// Stations do not matter to a model that only counts area.
// A station that is silent while it uses energy hides the hours of the drivers
// that its states tell: the day would look as if it had saved nothing.
func TestEnergyInNoKnownState(t *testing.T) {
	for name, tt := range map[string]struct {
		uncounted bool
		drivers   []plant.Driver
		want      string
	}{
		"standby is told by states":      {false, []plant.Driver{plant.DriverStandbyHours}, "37.5 % of the energy was used in no known state (limit 5 %)"},
		"so are hours without a counter": {true, []plant.Driver{plant.DriverCuringHours}, "37.5 % of the energy was used in no known state (limit 5 %)"},
		"a counter counts in silence":    {false, []plant.Driver{plant.DriverCuringHours}, ""},
		"area is not of the stations":    {true, []plant.Driver{plant.DriverArea}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, "Europe/Berlin", monday())
			b.project.Drivers = tt.drivers
			b.plant.Presses[0].Stations[0].Uncounted = tt.uncounted
			b.plant.Registers = []plant.Register{{ID: "m1/import", Quantity: plant.QuantityEnergy, Station: "heron-1", Press: "heron"}}
			for n := range 4 {
				b.work(n, plant.TechnologyArc)
			}
			b.add(2, "m1/import", plant.StateUnknown, plant.TechnologyArc, 60_000_000)
			if got := b.days(4)[2].Excluded; got != tt.want {
				t.Errorf("excluded: %q, want %q", got, tt.want)
			}
		})
	}
}

func TestSilentStationDoesNotHurtPressDrivers(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	b.project.Drivers = []plant.Driver{plant.DriverArea}
	for n := range 2 {
		b.work(n, plant.TechnologyArc)
	}
	b.drop(1, "heron-2/time")
	if d := b.days(2)[1]; d.Excluded != "" {
		t.Errorf("excluded: %q", d.Excluded)
	}
}

func TestLastDayIsNotOver(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	for n := range 3 {
		b.work(n, plant.TechnologyArc)
	}
	for _, tt := range []struct {
		last time.Time
		days int
		over bool
	}{
		{b.day(3), 3, true},
		{b.day(3).Add(-time.Millisecond), 3, false},
		{b.day(2).Add(time.Millisecond), 3, false},
		{b.day(2), 2, true},
	} {
		days := savings.Days(&b.plant, b.project, b.amounts, tt.last)
		if len(days) != tt.days {
			t.Fatalf("%v: %d days, want %d", tt.last, len(days), tt.days)
		}
		if got := days[len(days)-1].Excluded == ""; got != tt.over {
			t.Errorf("%v: last day usable %v (%q), want %v", tt.last, got, days[len(days)-1].Excluded, tt.over)
		}
	}
	if got := savings.Days(&b.plant, b.project, nil, b.day(3)); got != nil {
		t.Errorf("days of nothing: %v", got)
	}
}

// A change-over weekend: the arc days end on Friday, nothing is lit on Saturday
// and Sunday, the configuration says LED from Saturday.
func TestTechnologyOfDarkDays(t *testing.T) {
	const arc, led = plant.TechnologyArc, plant.TechnologyLED
	for name, tt := range map[string]struct {
		configured bool
		want       []plant.Technology
	}{
		"not configured": {false, []plant.Technology{arc, arc, arc, arc, arc, arc, arc, led}},
		"configured":     {true, []plant.Technology{arc, arc, arc, arc, arc, led, led, led}},
	} {
		b := newBench(t, "Europe/Berlin", monday())
		if tt.configured {
			for i := range b.plant.Presses[0].Stations {
				s := &b.plant.Presses[0].Stations[i]
				s.Technology = append(s.Technology, plant.TechnologyFrom{From: b.day(5), Technology: led})
			}
		}
		b.rest(0) // before any light: as configured
		for n := 1; n < 5; n++ {
			b.work(n, arc)
		}
		b.rest(5)
		b.rest(6)
		b.work(7, led)
		var got []plant.Technology
		for _, d := range b.days(8) {
			got = append(got, d.Technology)
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", name, got, tt.want)
		}
	}
}

// A meter that falls silent makes the day on which it did so unusable, and all
// later ones.
func TestSilentMeter(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	for n := range 5 {
		b.work(n, plant.TechnologyArc)
	}
	b.drop(3, "m2/import")
	b.drop(4, "m2/import")
	var got []string
	for _, d := range b.days(5) {
		got = append(got, d.Excluded)
	}
	want := []string{
		"first day of m1/import, may not be whole", "",
		"last day of m2/import so far, may not be whole", "no readings of m2/import any more", "no readings of m2/import any more",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// An exhaust fan that stands still has no entries. Its readings show that it
// used nothing, where a dead meter would have none.
func TestMeterThatStandsStill(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	for n := range 5 {
		b.work(n, plant.TechnologyArc)
	}
	b.drop(1, "m2/import")
	b.drop(3, "m2/import")
	b.drop(4, "m2/import")
	b.amounts = append(b.amounts, savings.Evidence([]plant.Reading{
		{Register: "m2/import", At: b.day(4).Add(7 * time.Hour), Value: 150_000_000},
		{Register: "elsewhere/import", At: b.day(4)},
	})...)
	for n, d := range b.days(5)[1:] {
		want := 100 * unit.KilowattHour
		if n != 1 { // days 1, 3 and 4
			want = 50 * unit.KilowattHour
		}
		if d.Excluded != "" || d.Energy != want {
			t.Errorf("day %d: %v, %q; want %v, usable", n+1, d.Energy, d.Excluded, want)
		}
	}
}

// A meter that comes later makes the days before it unusable.
func TestLateMeter(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	for n := range 4 {
		b.work(n, plant.TechnologyArc)
	}
	b.drop(0, "m2/import")
	b.drop(1, "m2/import")
	var got []string
	for _, d := range b.days(4) {
		got = append(got, d.Excluded)
	}
	want := []string{
		"first day of m1/import, may not be whole", "no readings of m2/import yet", "first day of m2/import, may not be whole", "",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// Arc and LED mounted side by side and run in turns: the days of each make its
// own period, and the day of both is in neither.
func TestTechnologiesInTurns(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	for n := range 12 {
		tech := plant.TechnologyArc
		if n%3 == 2 {
			tech = plant.TechnologyLED
		}
		b.work(n, tech)
	}
	b.add(4, "heron-2/lit", plant.StateCuring, plant.TechnologyLED, 10*hour)
	days := b.days(12)
	arc, others := savings.Select(days, plant.Selection{Technology: plant.TechnologyArc})
	if len(arc) != 6 || len(others) != 2 {
		t.Errorf("%d arc days and %d others, want 6 and 2 (the first day and the mixed one)", len(arc), len(others))
	}
	led, others := savings.Select(days, plant.Selection{Technology: plant.TechnologyLED})
	if len(led) != 4 || len(others) != 1 || !others[0].Mixed {
		t.Errorf("%d LED days and others %+v, want 4 and the mixed day", len(led), others)
	}
	some, others := savings.Select(days, plant.Selection{From: b.day(3), To: b.day(6)})
	if len(some) != 2 || len(others) != 1 || !some[0].Day.Equal(b.day(3)) || !some[1].Day.Equal(b.day(5)) {
		t.Errorf("by date: %+v and %+v", some, others)
	}
}

// On the days of clock change the day has 23 and 25 hours, and its timeline is
// whole with 23 and 25 hours.
// Source: IANA time zone database: Berlin changes on 29 March and 25 October 2026.
func TestClockChangeDays(t *testing.T) {
	for _, tt := range []struct {
		day   time.Time
		hours float64
	}{
		{time.Date(2026, 3, 29, 12, 0, 0, 0, time.UTC), 23},
		{time.Date(2026, 10, 25, 12, 0, 0, 0, time.UTC), 25},
	} {
		b := newBench(t, "Europe/Berlin", tt.day.AddDate(0, 0, -1))
		b.plant.WorkDays[time.Sunday] = true
		for n := range 3 {
			b.work(n, plant.TechnologyArc)
		}
		d := b.days(3)[1]
		if d.ScheduledHours != tt.hours || d.Excluded != "" {
			t.Errorf("%v: %v h, %q; want %v h, usable", tt.day, d.ScheduledHours, d.Excluded, tt.hours)
		}
	}
}

func TestDriverRegisters(t *testing.T) {
	b := newBench(t, "UTC", monday())
	want := []plant.RegisterID{
		"m1/import", "m2/import",
		"heron-1/lit", "heron-1/time", "heron-1/starts", "heron-2/lit", "heron-2/time", "heron-2/starts",
		"heron/area", "heron/impressions",
	}
	if got := savings.DriverRegisters(&b.plant, b.project); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	b.project.Drivers = []plant.Driver{plant.DriverCuringHours}
	want = []plant.RegisterID{"m1/import", "m2/import", "heron-1/lit", "heron-1/time", "heron-2/lit", "heron-2/time"}
	if got := savings.DriverRegisters(&b.plant, b.project); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// The order of amounts does not matter, days tile the calendar, and their
// energies add up to the amounts exactly.
func TestDaysAddUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t, "Australia/Lord_Howe", time.Date(2026, 3, 30, 12, 0, 0, 0, time.UTC))
		n := rapid.IntRange(1, 12).Draw(rt, "days")
		var total int64
		for i := range n {
			for _, id := range b.project.Boundary {
				v := rapid.Int64Range(-1000, 1_000_000_000).Draw(rt, "mWh")
				b.add(i, id, plant.StateNone, plant.TechnologyNone, v)
				total += v
			}
		}
		days := b.days(n)
		shuffled := rapid.Permutation(b.amounts).Draw(rt, "order")
		again := savings.Days(&b.plant, b.project, shuffled, b.day(n))
		if fmt.Sprint(days) != fmt.Sprint(again) {
			rt.Fatalf("order matters: %v, %v", days, again)
		}
		var sum unit.Energy
		for i, d := range days {
			sum += d.Energy
			if !d.Day.Equal(b.day(i)) {
				rt.Fatalf("day %d begins %v, want %v", i, d.Day, b.day(i))
			}
		}
		if int64(sum) != total || len(days) != n {
			rt.Fatalf("%d days with %d mWh, want %d with %d", len(days), sum, n, total)
		}
	})
}

// From settled amounts to the statement: a plant whose energy is known from its
// drivers gives that energy back.
func TestFromAmountsToStatement(t *testing.T) {
	b := newBench(t, "Europe/Berlin", monday())
	b.project.Drivers = []plant.Driver{plant.DriverCuringHours, plant.DriverStarts}
	b.project.Baseline.Technology = plant.TechnologyArc
	b.project.Reporting.Technology = plant.TechnologyLED
	for n := range 60 {
		tech := plant.TechnologyArc
		if n >= 30 {
			tech = plant.TechnologyLED
		}
		b.work(n, tech)
		extra, starts := int64(n%7), int64(n%4)
		b.add(n, "heron-1/lit", plant.StateCuring, tech, extra*hour/2)
		b.add(n, "heron-1/starts", plant.StateStarting, tech, starts)
		if tech == plant.TechnologyArc { // 8 kWh per curing hour, 0.5 kWh per start
			b.add(n, "m1/import", plant.StateCuring, tech, extra*4_000_000+starts*500_000)
		}
	}
	days := b.days(60)
	base, err := savings.Freeze(b.project, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "kWh per curing hour", base.Model.Coefficients[1], 8, 1e-9)
	near(t, "kWh per start", base.Model.Coefficients[2], 0.5, 1e-9)
	if len(base.Rows) != 29 || len(base.Excluded) != 1 {
		t.Errorf("%d rows and %v left out, want 29 and the first day", len(base.Rows), base.Excluded)
	}
	s, err := savings.State(base, b.project, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	var saved float64
	for n := 30; n < 60; n++ {
		saved += 4*float64(n%7) + 0.5*float64(n%4)
	}
	near(t, "saved", s.SavedKWh, saved, 1e-9)
	near(t, "actual", s.ActualKWh, 3000, 0)
	if math.Abs(s.HalfWidthKWh) > 1e-6 || !s.Shown {
		t.Errorf("half-width %v of an exact model, shown %v", s.HalfWidthKWh, s.Shown)
	}
	if !strings.Contains(base.Excluded[0].Reason, "first day") {
		t.Errorf("reason %q", base.Excluded[0].Reason)
	}
}

// Three years of a project with 50 registers, from day amounts to statement.
func BenchmarkStatement(b *testing.B) {
	p := plant.Plant{TimeZone: time.UTC, Presses: []plant.Press{{ID: "heron"}}}
	pr := plant.Project{
		ID: "heron-led", Press: "heron", Drivers: []plant.Driver{plant.DriverCuringHours, plant.DriverStandbyHours},
		Confidence: 0.9, Baseline: plant.Selection{Technology: plant.TechnologyArc},
		Reporting: plant.Selection{Technology: plant.TechnologyLED},
	}
	for i := range 12 {
		p.Presses[0].Stations = append(p.Presses[0].Stations, plant.Station{ID: plant.StationID(fmt.Sprintf("heron-%d", i))})
	}
	for i := range 26 {
		pr.Boundary = append(pr.Boundary, plant.RegisterID(fmt.Sprintf("m%d/import", i)))
	}
	first := time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC)
	const n = 3 * 365
	var amounts []plant.DayAmount
	for d := range n {
		tech := plant.TechnologyArc
		if d >= 200 {
			tech = plant.TechnologyLED
		}
		for _, id := range savings.DriverRegisters(&p, pr) {
			for i, s := range []plant.State{plant.StateOff, plant.StateStandby, plant.StateCuring} {
				amounts = append(amounts, plant.DayAmount{
					Day: first.AddDate(0, 0, d), Register: id, State: s, Technology: tech,
					Amount: 8*hour + int64(d*d%(7+i)*1000),
				})
			}
		}
	}
	for b.Loop() {
		days := savings.Days(&p, pr, amounts, first.AddDate(0, 0, n))
		base, err := savings.Freeze(pr, days, approved())
		if err != nil {
			b.Fatal(err)
		}
		if _, err := savings.State(base, pr, days, savings.Terms{}); err != nil {
			b.Fatal(err)
		}
	}
}

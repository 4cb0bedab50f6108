package hvac_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/hvac"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Max(math.Abs(want), 1e-12)) {
		t.Errorf("%s is %.12g, want %.12g", what, got, want)
	}
}

func exactly(v float64) hvac.Value { return hvac.Value{Value: v} }

// Source: ASHRAE Handbook Fundamentals, chapter 1: saturation at 20 °C is 2338.9 Pa in
// its table, 2338.8 by its equation. The others are its equations worked out with an
// independent program. From memory.
func TestMoistAir(t *testing.T) {
	near(t, "saturation at 20 °C", hvac.Saturation(20), 2338.8037, 1e-7)
	for _, c := range []struct{ celsius, humidity, vapour, moisture, enthalpy float64 }{
		{24, 0.5, 2985.1270679, 0.0092985052, 47.81464671},
		{30, 0.65, 4246.0302436, 0.0174150746, 74.70686286},
		{32, 0.6, 4758.5342390, 0.0180332093, 78.36639309},
	} {
		a := hvac.Air{Celsius: c.celsius, Humidity: c.humidity}
		near(t, "saturation", hvac.Saturation(c.celsius), c.vapour, 1e-9)
		near(t, "moisture", a.Moisture(hvac.StandardPressure), c.moisture, 1e-8)
		near(t, "enthalpy", a.Enthalpy(hvac.StandardPressure), c.enthalpy, 1e-9)
	}
	near(t, "density at 1500 m", hvac.Density(1500), 1.0014026032, 1e-9)
	near(t, "density at the sea", hvac.Density(0), 1.2, 1e-15)
	near(t, "COP of EER 11.2", hvac.COPFromEER(11.2), 3.2823956330, 1e-10)
}

// 100 000 kWh saved, 0.8 of it in the room. Worked by hand.
func TestRoom(t *testing.T) {
	r := hvac.Room{Heat: exactly(80_000), Cooled: exactly(0.45), Heated: exactly(0.35), COP: exactly(3.2), Heating: exactly(0.88)}
	near(t, "cooling avoided", r.CoolingAvoided().KWh, 11_250, 1e-12)
	near(t, "heating by gas", r.HeatingPenalty().KWh, 31_818.1818, 1e-8)
	r.Heating = exactly(2.8)
	near(t, "heating by heat pump", r.HeatingPenalty().KWh, 10_000, 1e-12)
	near(t, "waste heat factor", hvac.WasteHeatFactor(0.8, 0.45, 3.2), 1.1125, 1e-12)
	// Shares of Chicago's large offices. Source: Sezgen and Huang (1994), as printed in
	// IAEEL newsletter 4/94: 15.8 kWh/m² of lighting saved, 10.3 less load of cooling,
	// 3.1 less energy for it, 3.6 more load of heating.
	o := hvac.Room{Heat: exactly(15.8), Cooled: exactly(10.3 / 15.8), Heated: exactly(3.6 / 15.8), COP: exactly(10.3 / 3.1), Heating: exactly(1)}
	near(t, "cooling of an office", o.CoolingAvoided().KWh, 3.1, 1e-12)
	near(t, "heating of an office", o.HeatingPenalty().KWh, 3.6, 1e-12)
	r.COP, r.Heating = hvac.Value{}, hvac.Value{}
	if r.CoolingAvoided() != (hvac.Estimate{}) || r.HeatingPenalty() != (hvac.Estimate{}) {
		t.Error("a room that is neither cooled nor heated has effects")
	}
}

// 1 m³/s from 32 °C and 60 % to 24 °C and 50 %; the same heated over bins to 18 °C at
// 0.85; over 2 800 kelvin days at 50 of 168 hours. Worked with an independent program.
func TestMakeUp(t *testing.T) {
	out, in := hvac.Air{Celsius: 32, Humidity: 0.6}, hvac.Air{Celsius: 24, Humidity: 0.5}
	near(t, "sensible", hvac.SensibleKW(1, 8, 0), 9.6576, 1e-12)
	near(t, "total", hvac.TotalKW(1, out, in, 0), 36.6620956, 1e-8)
	m := hvac.MakeUp{Flow: exactly(1), Balance: 18, Indoors: in, COP: exactly(3), Heating: exactly(0.85)}
	near(t, "cooling", m.CoolingAvoided([]hvac.Hour{{out, 900}}).KWh, 10_998.6287, 1e-8)
	var bins []hvac.Hour
	each := []float64{4056.192, 8607.336, 13906.944, 12868.752, 6760.320, 1629.720}
	for i, hours := range []float64{120, 310, 640, 820, 700, 450} {
		b := hvac.Hour{Air: hvac.Air{Celsius: float64(5*i - 10), Humidity: 0.7}, Hours: hours}
		bins = append(bins, b)
		near(t, "heat of a bin", m.HeatKWh([]hvac.Hour{b}), each[i], 1e-12)
	}
	near(t, "heat", m.HeatKWh(bins), 47_829.264, 1e-12)
	near(t, "fuel", m.HeatingAvoided(bins).KWh, 56_269.7224, 1e-9)
	if cold := m.CoolingAvoided(bins[:3]); cold.KWh != 0 {
		t.Errorf("cold air is cooled: %+v", cold)
	}
	near(t, "heat of degree days", hvac.HeatFromDegreeDays(1, 2800, 50.0/168, 0), 24_144, 1e-9)
}

// Source: fan laws; 3 kW at 80 % and 50 % of the flow with exponents 3, 2.5 and 2, worked
// by hand.
func TestFan(t *testing.T) {
	for _, c := range []struct{ exponent, at80, at50 float64 }{{3, 1.536, 0.375}, {2.5, 1.7173002, 0.5303301}, {2, 1.92, 0.75}} {
		f := hvac.Fan{KW: exactly(3), Share: exactly(0.8), Exponent: c.exponent, Hours: exactly(1000)}
		near(t, "power at 80 %", f.PowerKW(), c.at80, 1e-7)
		near(t, "saved at 80 %", f.Saved().KWh, (3-c.at80)*1000, 1e-6)
		f.Share = exactly(0.5)
		near(t, "power at 50 %", f.PowerKW(), c.at50, 1e-7)
	}
	near(t, "power", hvac.FanKW(1, 500, 0.6, 0.9), 0.9259259, 1e-7)
	gone := hvac.Fan{KW: exactly(0.9259259), Exponent: 3, Hours: exactly(4000)}
	near(t, "a fan that is gone", gone.Saved().KWh, 3703.7037, 1e-7)
}

// Uncertainties follow the slopes of the formulas: a small step of each input by its
// own standard uncertainty, added up in squares.
// Source: JCGM 100:2008, equation 10.
func TestUncertainty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, low, high float64) hvac.Value {
			v := rapid.Float64Range(low, high).Draw(t, name)
			return hvac.Value{Value: v, Standard: v * rapid.Float64Range(0, 0.2).Draw(t, name+" standard")}
		}
		r := hvac.Room{Heat: draw("heat", 1e3, 1e5), Cooled: draw("cooled", 0.1, 0.9), COP: draw("cop", 2, 5)}
		f := hvac.Fan{KW: draw("kw", 1, 10), Share: draw("share", 0.2, 0.9), Exponent: 2.5, Hours: draw("hours", 100, 6000)}
		check := func(what string, e hvac.Estimate, again func() float64, inputs ...*hvac.Value) {
			var squares float64
			for _, in := range inputs {
				was, h := in.Value, 1e-6*in.Value
				in.Value = was + h
				up := again()
				in.Value = was - h
				down := again()
				in.Value = was
				step := (up - down) / (2 * h) * in.Standard
				squares += step * step
			}
			if want := math.Sqrt(squares); math.Abs(e.StandardKWh-want) > 1e-5*want+1e-9 {
				t.Fatalf("%s: standard uncertainty %v, by slopes %v", what, e.StandardKWh, want)
			}
		}
		check("cooling", r.CoolingAvoided(), func() float64 { return r.CoolingAvoided().KWh }, &r.Heat, &r.Cooled, &r.COP)
		// The power of the fan enters by what is left of it.
		f.Share.Standard = 0
		check("fan", f.Saved(), func() float64 { return f.Saved().KWh }, &f.KW, &f.Hours)
		f.KW.Standard, f.Hours.Standard, f.Share.Standard = 0, 0, 0.05
		check("fan at its share", f.Saved(), func() float64 { return f.Saved().KWh }, &f.Share)
	})
}

// The worked figures of a room, of make-up air and of fans come out as lines of their
// own, over the days that count, and the penalty is below 0.
func TestLines(t *testing.T) {
	b := hvac.Beside{
		Room: &hvac.InRoom{
			Before: exactly(0.8), After: exactly(0.8), Cooled: exactly(0.45), COP: exactly(3.2), Heated: exactly(0.35), Heating: exactly(0.88), Source: "gas",
		},
		Fans: []hvac.NamedFan{
			{Name: "scheduled", Fan: hvac.Fan{KW: hvac.FanPower(exactly(1), exactly(500), exactly(0.6), exactly(0.9)), Exponent: 3}},
			{Name: "daily", Fan: hvac.Fan{KW: exactly(3), Share: exactly(0.8), Exponent: 3}, HoursPerDay: hvac.Value{Value: 10, Standard: 1}},
		},
	}
	d := hvac.Days{Zone: time.UTC, ExpectedKWh: 130_000, ActualKWh: 30_000, SavedStandard: 2000, ScheduledHours: 4000, Each: days(100)}
	lines, err := b.Lines(d, nil)
	if err != nil || len(lines) != 4 {
		t.Fatalf("%+v, %v", lines, err)
	}
	for i, want := range []struct{ kwh, standard float64 }{
		{11_250, 11_250 * 2000 * 0.8 / 80_000}, {-31_818.1818, 31_818.1818 * 2000 * 0.8 / 80_000}, {3703.7037, 0}, {1464 * 1, 146.4},
	} {
		near(t, lines[i].Name, lines[i].KWh, want.kwh, 1e-7)
		near(t, lines[i].Name+" standard", lines[i].StandardKWh, want.standard, 1e-7)
	}
	if lines[1].Carrier != "gas" || lines[0].Carrier != "electricity" {
		t.Errorf("%+v", lines[:2])
	}
	// The share that stays differs on both sides: 0.3 of 130 000 less 0.9 of 30 000.
	b.Room.Before, b.Room.After = exactly(0.3), exactly(0.9)
	if lines, err = b.Lines(d, nil); err != nil {
		t.Fatal(err)
	}
	near(t, "cooling with shares apart", lines[0].KWh, 12_000*0.45/3.2, 1e-12)
	// Source: 1.6449 standard deviations for 90 % of a normal distribution.
	near(t, "half-width", hvac.Estimate{StandardKWh: 100}.HalfWidth(0.9), 164.48536, 1e-7)
}

// days are n days from 2 June 2025 on, in UTC.
func days(n int) []hvac.Stretch {
	var out []hvac.Stretch
	for i := range n {
		from := time.Date(2025, 6, 2+i, 0, 0, 0, 0, time.UTC)
		out = append(out, hvac.Stretch{From: from, To: from.AddDate(0, 0, 1)})
	}
	return out
}

// hourly is weather from 2 June 2025 on, of the same air.
func hourly(n int, air hvac.Air) []hvac.Observation {
	var out []hvac.Observation
	for i := range n {
		out = append(out, hvac.Observation{At: time.Date(2025, 6, 2, i, 0, 0, 0, time.UTC), Air: air})
	}
	return out
}

// 900 hours of 32 °C and 60 % are the worked figure; what is missing up to a twentieth is
// flagged and taken as the rest is, more is refused.
func TestLines_Weather(t *testing.T) {
	hot := hvac.Air{Celsius: 32, Humidity: 0.6}
	b := hvac.Beside{MakeUp: &hvac.Exhaust{
		MakeUp: hvac.MakeUp{Flow: exactly(1), Balance: 18, Indoors: hvac.Air{Celsius: 24, Humidity: 0.5}, COP: exactly(3)},
	}}
	d := hvac.Days{Zone: time.UTC, Each: days(38)}
	d.Each[37].To = d.Each[37].From.Add(12 * time.Hour)
	whole := hourly(900, hot)
	lines, err := b.Lines(d, whole)
	if err != nil || len(lines) != 1 {
		t.Fatalf("%+v, %v", lines, err)
	}
	near(t, "cooling", lines[0].KWh, 10_998.6287, 1e-8)
	near(t, "its uncertainty", lines[0].StandardKWh, 0, 0)
	lacking := slices.Concat(whole[:100], whole[120:])
	if lines, err = b.Lines(d, lacking); err != nil {
		t.Fatal(err)
	}
	near(t, "cooling with 20 hours missing", lines[0].KWh, 10_998.6287, 1e-8)
	near(t, "its uncertainty", lines[0].StandardKWh, 10_998.6287*20/900, 1e-7)
	if !strings.Contains(lines[0].Note, "20 of 900 hours lack their weather, the first from 2025-06-06 04:00 on") {
		t.Error(lines[0].Note)
	}
	_, err = b.Lines(d, whole[:854])
	if !errors.Is(err, hvac.ErrWeather) || !strings.Contains(err.Error(), "46 of 900 hours, the first from 2025-07-07 14:00 on") {
		t.Errorf("46 of 900 hours missing: %v", err)
	}
}

// A schedule takes its hours of its days, over midnight too, and a half-hour of a zone
// belongs to the hour of weather that holds then.
func TestSchedule(t *testing.T) {
	weather := hourly(24*14, hvac.Air{})
	for _, c := range []struct {
		name string
		s    hvac.Schedule
		want float64
	}{
		{"always", hvac.Schedule{}, 24 * 14},
		{"work", hvac.Schedule{Days: [7]bool{1: true, 2: true, 3: true, 4: true, 5: true}, Begin: 6 * 60, End: 22*60 + 30}, 10 * 16.5},
		{"night", hvac.Schedule{Begin: 22 * 60, End: 6 * 60}, 14 * 8},
	} {
		bins, gap := c.s.Bins(hvac.Days{Zone: time.UTC, Each: days(14)}, weather)
		var sum float64
		for _, b := range bins {
			sum += b.Hours
		}
		if sum != c.want || gap.Asked != c.want || gap.Hours != 0 {
			t.Errorf("%s: %v hours of %v, %v missing, want %v", c.name, sum, gap.Asked, gap.Hours, c.want)
		}
	}
	kathmandu := time.FixedZone("", 5*3600+45*60)
	from := time.Date(2025, 6, 3, 0, 0, 0, 0, kathmandu)
	bins, gap := hvac.Schedule{}.Bins(hvac.Days{Zone: kathmandu, Each: []hvac.Stretch{{From: from, To: from.AddDate(0, 0, 1)}}}, weather)
	if len(bins) != 25 || bins[0].Hours != 0.75 || gap.Hours != 0 {
		t.Errorf("%d bins, the first of %v hours, %v missing", len(bins), bins[0].Hours, gap.Hours)
	}
}

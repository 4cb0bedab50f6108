package valuation_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/govalues/decimal"
	"pgregory.net/rapid"

	"curetally/internal/core/carbon"
	"curetally/internal/core/plant"
	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
	"curetally/internal/core/valuation"
)

func every() [8]bool { return [8]bool{true, true, true, true, true, true, true, true} }

func site(t *testing.T) *plant.Plant {
	t.Helper()
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return &plant.Plant{TimeZone: z, Interval: 30 * time.Minute, WorkDays: [7]bool{false, true, true, true, true, true, false}}
}

func eur(s string) unit.Money { return unit.Money{Amount: decimal.MustParse(s), Currency: "EUR"} }

func kwh(v float64) unit.Energy { return unit.Energy(math.Round(v * 1e6)) }

func series(start time.Time, values ...float64) []tariff.Used {
	var out []tariff.Used
	for i, v := range values {
		out = append(out, tariff.Used{Start: start.Add(time.Duration(i) * 30 * time.Minute), Energy: kwh(v)})
	}
	return out
}

// A day of the baseline is its own shape, so expecting just its energy gives its own
// half hours back, and the saving is that of the worked figures: 28.00 of energy and
// 377.00 of demand, though the two maxima could have been at different times. Worked by
// hand with an independent program.
func TestOf_Worked(t *testing.T) {
	p := site(t)
	all := tariff.When{Days: every(), End: tariff.MinutesOfDay}
	tt := &tariff.Tariff{Name: "grid", Zone: p.TimeZone, Versions: []tariff.Version{{
		Periods: []tariff.Period{
			{Name: "peak", When: tariff.When{Days: every(), Begin: 600, End: 780}, Price: eur("0.24")},
			{Name: "else", When: tariff.When{Days: every(), Begin: 780, End: 600}, Price: eur("0.14")},
		},
		Demands: []tariff.Demand{{Name: "peak", When: all, Price: eur("14.5"), Window: 30 * time.Minute, Step: 30 * time.Minute}},
	}}}
	table := carbon.One("plant", 0.46, "an example")
	base := time.Date(2026, 3, 10, 8, 0, 0, 0, p.TimeZone)
	after := time.Date(2026, 4, 14, 8, 0, 0, 0, p.TimeZone)
	v, err := valuation.Of(valuation.Input{
		Plant: p, Tariff: tt, Location: &table,
		Measured: append(series(base, 18, 22, 25, 26, 31, 33, 30, 34, 32, 28, 24, 19), series(after, 11, 13, 15, 14, 17, 18, 16, 21, 17, 15, 13, 12)...),
		Begin:    p.Day(base, 0), End: p.Day(base, 1),
		Days: []valuation.Day{{Day: p.Day(after, 0), Expected: kwh(322)}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if v.Cost.Saved.String() != "28.00 EUR" || v.Cost.Expected.String() != "63.88 EUR" || v.Cost.Actual.String() != "35.88 EUR" || v.Unpriced != 0 {
		t.Errorf("cost %+v", v.Cost)
	}
	if len(v.Demand) != 1 || v.Demand[0].Saved.String() != "377.00 EUR" || v.Demand[0].Days != 1 || v.Demand[0].Month.Month() != time.April {
		t.Errorf("demand %+v", v.Demand)
	}
	if c := v.Location; v.Market != nil || math.Abs(c.SavedKg-140*0.46) > 1e-9 || len(c.Sources) != 1 {
		t.Errorf("carbon %+v", c)
	}
}

// A month in which the old lamps ran until its middle is billed for them, so what came
// after avoids no demand in it. With a ratchet the months after neither avoid more than
// it lets them.
func TestDemand_MonthOfTheChange(t *testing.T) {
	p := site(t)
	d := tariff.Demand{Name: "peak", When: tariff.When{Days: every(), End: tariff.MinutesOfDay}, Price: eur("10"), Window: 30 * time.Minute, Step: 30 * time.Minute, Months: 11}
	value := func(ratchet string) []valuation.Month {
		t.Helper()
		d.Ratchet = decimal.MustParse(ratchet)
		tt := &tariff.Tariff{Zone: p.TimeZone, Versions: []tariff.Version{{
			Periods: []tariff.Period{{When: tariff.When{Days: every(), End: tariff.MinutesOfDay}, Price: eur("0.2")}}, Demands: []tariff.Demand{d},
		}}}
		at := func(m time.Month, day int) time.Time { return time.Date(2026, m, day, 9, 0, 0, 0, p.TimeZone) }
		in := valuation.Input{Plant: p, Tariff: tt, Begin: p.Day(at(3, 1), 0), End: p.Day(at(3, 11), 0)}
		for _, u := range [][]tariff.Used{series(at(3, 10), 20), series(at(3, 24), 5), series(at(4, 14), 5)} {
			in.Measured = append(in.Measured, u...)
		}
		in.Days = []valuation.Day{{Day: p.Day(at(3, 24), 0), Expected: kwh(20)}, {Day: p.Day(at(4, 14), 0), Expected: kwh(20)}}
		v, err := valuation.Of(in)
		if err != nil || len(v.Demand) != 2 {
			t.Fatalf("%+v, %v", v.Demand, err)
		}
		return v.Demand
	}
	for ratchet, want := range map[string]string{"0": "300.00 EUR", "0.8": "80.00 EUR"} {
		months := value(ratchet)
		if months[0].Saved.String() != "0.00 EUR" || months[1].Saved.String() != want {
			t.Errorf("ratchet %s: %s and %s, want nothing and %s", ratchet, months[0].Saved, months[1].Saved, want)
		}
	}
}

func TestExpected_NoShape(t *testing.T) {
	p := site(t)
	in := valuation.Input{Plant: p, Days: []valuation.Day{{Day: p.Day(time.Date(2026, 3, 10, 12, 0, 0, 0, p.TimeZone), 0), Expected: 5}}}
	if _, err := valuation.Of(in); !errors.Is(err, valuation.ErrNoShape) {
		t.Errorf("error %v, want ErrNoShape", err)
	}
}

// The intervals of every day tile it and add up to what was expected, also on days of 23
// and of 25 hours and for a shape that has nothing on some of them.
func TestExpected_AddsUp(t *testing.T) {
	p := site(t)
	rapid.Check(t, func(t *rapid.T) {
		in := valuation.Input{Plant: p}
		first := p.Day(time.Date(2026, rapid.SampledFrom([]time.Month{3, 6, 10}).Draw(t, "month"), 20, 12, 0, 0, 0, p.TimeZone), 0)
		start := first.AddDate(0, -1, 0)
		values := rapid.SliceOfN(rapid.Float64Range(0, 50), 1, 200).Draw(t, "baseline")
		values[0] = 1
		in.Measured = series(start, values...)
		in.Begin, in.End = start, first
		for n := range rapid.IntRange(1, 12).Draw(t, "days") {
			in.Days = append(in.Days, valuation.Day{Day: p.Day(first, n), Expected: unit.Energy(rapid.Int64Range(0, 1e12).Draw(t, "mWh"))})
		}
		got, err := valuation.Expected(in)
		if err != nil {
			t.Fatal(err)
		}
		at, i := first, 0
		for _, d := range in.Days {
			var sum unit.Energy
			for ; i < len(got) && got[i].Start.Before(p.Day(d.Day, 1)); i++ {
				if !got[i].Start.Equal(at) || got[i].Energy < 0 {
					t.Fatalf("interval %+v, expected one at %v", got[i], at)
				}
				sum += got[i].Energy
				at = at.Add(p.Interval)
			}
			if sum != d.Expected {
				t.Fatalf("%v of %v on %v", sum, d.Expected, d.Day)
			}
		}
	})
}

package tariff_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/govalues/decimal"
	"pgregory.net/rapid"

	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
)

func eur(s string) unit.Money { return unit.Money{Amount: decimal.MustParse(s), Currency: "EUR"} }

func every() [8]bool { return [8]bool{true, true, true, true, true, true, true, true} }

func weekdays() [8]bool { return [8]bool{false, true, true, true, true, true} }

func berlin(t *testing.T) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// series has one amount per interval, in kWh.
func series(start time.Time, interval time.Duration, kwh ...float64) []tariff.Used {
	out := make([]tariff.Used, len(kwh))
	for i, v := range kwh {
		e, err := unit.EnergyFromKWh(v)
		if err != nil {
			panic(err)
		}
		out[i] = tariff.Used{Start: start.Add(time.Duration(i) * interval), Energy: e}
	}
	return out
}

func wantMoney(t *testing.T, what string, got unit.Money, want string) {
	t.Helper()
	if got.Amount.Cmp(decimal.MustParse(want)) != 0 || got.Currency != "EUR" {
		t.Errorf("%s is %s %s, want %s EUR", what, got.Amount, got.Currency, want)
	}
}

// twoPrices is 0.24 from 10:00 to 13:00 and 0.14 else, with demand at 14.5 per kW.
func twoPrices(z *time.Location) *tariff.Tariff {
	return &tariff.Tariff{Name: "grid", Zone: z, Versions: []tariff.Version{{
		Periods: []tariff.Period{
			{Name: "peak", When: tariff.When{Days: every(), Begin: 600, End: 780}, Price: eur("0.24")},
			{Name: "else", When: tariff.When{Days: every(), Begin: 780, End: 600}, Price: eur("0.14")},
		},
		Demands: []tariff.Demand{{
			Name: "peak", When: tariff.When{Days: every(), End: tariff.MinutesOfDay}, Price: eur("14.5"),
			Window: 30 * time.Minute, Step: 30 * time.Minute,
		}},
	}}}
}

// An example worked by hand with an independent program: half hours from 08:00 to
// 14:00 before and after. The two highest half hours are not the same ones.
func TestCostAndDemand_Worked(t *testing.T) {
	z := berlin(t)
	tt := twoPrices(z)
	start := time.Date(2026, 3, 10, 8, 0, 0, 0, z)
	for _, c := range []struct {
		name            string
		kwh             []float64
		energy          unit.Energy
		cost, demand    string
		peak            unit.Energy
		peakAt          string
		peakWindowsSeen int
	}{
		{"base", []float64{18, 22, 25, 26, 31, 33, 30, 34, 32, 28, 24, 19}, 322, "63.88", "986", 68, "11:30", 1},
		{"actual", []float64{11, 13, 15, 14, 17, 18, 16, 21, 17, 15, 13, 12}, 182, "35.88", "609", 42, "11:30", 1},
	} {
		used := series(start, 30*time.Minute, c.kwh...)
		cost, err := tt.Cost(used)
		if err != nil {
			t.Fatal(err)
		}
		wantMoney(t, c.name+" energy", cost.Total, c.cost)
		if got := cost.Lines[0].Energy + cost.Lines[1].Energy; got != c.energy*unit.KilowattHour || cost.Unpriced != 0 {
			t.Errorf("%s: %v priced, %v not", c.name, got, cost.Unpriced)
		}
		peaks, err := tt.Peaks(used, 30*time.Minute)
		if err != nil || len(peaks) != c.peakWindowsSeen {
			t.Fatalf("%s: %+v, %v", c.name, peaks, err)
		}
		wantMoney(t, c.name+" demand", peaks[0].Cost, c.demand)
		if peaks[0].Power != c.peak*unit.KilowattHour || peaks[0].At.In(z).Format("15:04") != c.peakAt {
			t.Errorf("%s: peak %v at %v", c.name, peaks[0].Power, peaks[0].At.In(z))
		}
	}
}

// Quarter hours of 40 42 60 75 74 50 44 41 kW: blocks of a quarter hour 75, of half an
// hour 67.5, half an hour sliding by a quarter 74.5. Worked by hand.
func TestPeaks_Windows(t *testing.T) {
	z := berlin(t)
	used := series(time.Date(2026, 3, 10, 8, 0, 0, 0, z), 15*time.Minute, 10, 10.5, 15, 18.75, 18.5, 12.5, 11, 10.25)
	for _, c := range []struct{ window, step, kw float64 }{{15, 15, 75}, {30, 30, 67.5}, {30, 15, 74.5}} {
		tt := twoPrices(z)
		tt.Versions[0].Demands[0].Window = time.Duration(c.window) * time.Minute
		tt.Versions[0].Demands[0].Step = time.Duration(c.step) * time.Minute
		peaks, err := tt.Peaks(used, 15*time.Minute)
		if err != nil || len(peaks) != 1 || peaks[0].Power.KWh() != c.kw {
			t.Errorf("window %v, step %v: %+v, %v, want %v kW", c.window, c.step, peaks, err, c.kw)
		}
	}
	tt := twoPrices(z)
	tt.Versions[0].Demands[0].Window = 20 * time.Minute
	if _, err := tt.Peaks(used, 15*time.Minute); err == nil {
		t.Error("windows of 20 minutes were made of quarter hours")
	}
}

// months makes one interval of the given kilowatts in each month from the first on.
func months(z *time.Location, first time.Time, kw ...float64) []tariff.Used {
	var out []tariff.Used
	for i, v := range kw {
		at := time.Date(first.Year(), first.Month()+time.Month(i), 10, 9, 0, 0, 0, z)
		out = append(out, series(at, 30*time.Minute, v/2)...)
	}
	return out
}

// A ratchet of 0.8 over 11 months at 12 per kW, over two years of which the first is
// the baseline's twice over. Worked by hand with an independent program.
// Source: of the rule that 1 000 kW at 0.8 bill at least 800 kW in the 11 months
// after: Pacific Northwest National Laboratory, questions and answers on demand.
func TestPeaks_Ratchet(t *testing.T) {
	z := berlin(t)
	base := []float64{310, 305, 298, 300, 325, 360, 395, 402, 370, 330, 312, 308}
	post := []float64{250, 247, 240, 244, 262, 291, 318, 322, 300, 268, 252, 249}
	tt := twoPrices(z)
	d := &tt.Versions[0].Demands[0]
	d.Price, d.Ratchet, d.Months = eur("12"), decimal.MustParse("0.8"), 11
	bill := func(kw ...[]float64) (last, before float64) {
		t.Helper()
		peaks, err := tt.Peaks(months(z, time.Date(2024, 1, 1, 0, 0, 0, 0, z), slices.Concat(kw...)...), 30*time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range slices.Backward(peaks) {
			switch n := len(peaks) - i; {
			case n <= 12:
				last += p.Cost.Float()
			case n <= 24:
				before += p.Cost.Float()
			}
			if want := min(i, 11); p.Before != want {
				t.Errorf("month %d knows %d months before it, want %d", i, p.Before, want)
			}
		}
		return last, before
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if d := got - want; d > 1e-9 || d < -1e-9 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	baseBill, _ := bill(base, base)
	near("baseline", baseBill, 49_339.20)
	first, _ := bill(base, base, post)
	near("first year after", first, 43_876.80)
	second, _ := bill(base, base, post, post)
	near("second year after", second, 39_679.20)
	near("saving of the first year", baseBill-first, 5_462.40)
	near("saving of the second year", baseBill-second, 9_660.00)
}

// Prices follow the clock on the wall: the night of 29 March 2026 has no half hour
// from 02:00 to 03:00 in Berlin, that of 25 October has it twice.
// Source: IANA time zone database.
func TestCost_ClockChanges(t *testing.T) {
	z := berlin(t)
	tt := &tariff.Tariff{Name: "night", Zone: z, Versions: []tariff.Version{{Periods: []tariff.Period{
		{Name: "two", When: tariff.When{Days: every(), Begin: 120, End: 180}, Price: eur("1")},
		{Name: "else", When: tariff.When{Days: every(), Begin: 180, End: 120}, Price: eur("0.1")},
	}}}}
	for _, c := range []struct {
		day  time.Time
		n    int
		want map[string]unit.Energy
	}{
		{time.Date(2026, 3, 29, 0, 0, 0, 0, z), 46, map[string]unit.Energy{"else": 46}},
		{time.Date(2026, 3, 30, 0, 0, 0, 0, z), 48, map[string]unit.Energy{"two": 2, "else": 46}},
		{time.Date(2026, 10, 25, 0, 0, 0, 0, z), 50, map[string]unit.Energy{"two": 4, "else": 46}},
	} {
		kwh := make([]float64, c.n)
		for i := range kwh {
			kwh[i] = 1
		}
		cost, err := tt.Cost(series(c.day, 30*time.Minute, kwh...))
		if err != nil || len(cost.Lines) != len(c.want) {
			t.Fatalf("%v: %+v, %v", c.day, cost, err)
		}
		for _, l := range cost.Lines {
			if l.Energy != c.want[l.Name]*unit.KilowattHour {
				t.Errorf("%v: %s has %v, want %v kWh", c.day, l.Name, l.Energy, c.want[l.Name])
			}
		}
	}
}

// Seasons over the new year, weekends, holidays and versions choose the price.
func TestAt(t *testing.T) {
	z := berlin(t)
	winter := tariff.When{First: tariff.Date{Month: 11, Day: 1}, Last: tariff.Date{Month: 2, Day: 29}, Days: weekdays(), End: tariff.MinutesOfDay}
	summer := winter
	summer.First, summer.Last = tariff.Date{Month: 3, Day: 1}, tariff.Date{Month: 10, Day: 31}
	rest := tariff.When{Days: [8]bool{true, false, false, false, false, false, true, true}, End: tariff.MinutesOfDay}
	v := tariff.Version{From: time.Date(2025, 1, 1, 0, 0, 0, 0, z), Periods: []tariff.Period{
		{Name: "winter", When: winter, Price: eur("0.3")}, {Name: "summer", When: summer, Price: eur("0.2")}, {Name: "rest", When: rest, Price: eur("0.1")},
	}}
	if f := v.Faults(); len(f) != 0 {
		t.Fatalf("faults %v", f)
	}
	later := tariff.Version{From: time.Date(2026, 7, 1, 0, 0, 0, 0, z), Periods: []tariff.Period{{Name: "flat", When: tariff.When{Days: every(), End: tariff.MinutesOfDay}, Price: eur("0.25")}}}
	tt := tariff.Tariff{Zone: z, Holidays: []tariff.Day{{Year: 2026, Month: 1, Day: 1}, {Year: 2026, Month: 12, Day: 25}}, Versions: []tariff.Version{v, later}}
	for at, want := range map[string]string{
		"2026-01-02T12:00:00+01:00": "winter", // a Friday
		"2026-01-01T12:00:00+01:00": "rest",   // a holiday on a Thursday
		"2025-12-31T23:30:00Z":      "rest",   // the holiday has begun in Berlin
		"2026-01-03T12:00:00+01:00": "rest",
		"2026-03-02T00:00:00+01:00": "summer",
		"2025-11-03T00:00:00+01:00": "winter",
		"2026-06-30T21:59:59Z":      "summer",
		"2026-06-30T22:00:00Z":      "flat",
		"2026-12-25T12:00:00Z":      "flat", // a version that does not name holidays
		"2024-12-31T22:59:59Z":      "",
	} {
		instant, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		if i, j, ok := tt.At(instant); ok {
			got = tt.Versions[i].Periods[j].Name
		}
		if got != want {
			t.Errorf("%s is priced as %q, want %q", at, got, want)
		}
	}
	cost, err := tt.Cost(series(time.Date(2024, 12, 31, 23, 0, 0, 0, z), time.Hour, 1, 2))
	if err != nil || cost.Unpriced != unit.KilowattHour {
		t.Errorf("%+v, %v: what was used before the first version was priced", cost, err)
	}
}

func TestFaults(t *testing.T) {
	day := tariff.When{Days: weekdays(), Begin: 360, End: 1320}
	night := tariff.When{Days: every(), Begin: 1320, End: 360}
	v := tariff.Version{Periods: []tariff.Period{{Name: "day", When: day}, {Name: "night", When: night}}}
	f := v.Faults()
	if len(f) != 1 || f[0].String() != "06:00 to 22:00 on Sun, Sat, holidays from 1 January on (366 days of the year)" || len(f[0].Periods) != 0 {
		t.Errorf("gap: %v", f)
	}
	day.Days = every()
	night.Begin = 1260
	v.Periods[0].When, v.Periods[1].When = day, night
	if f = v.Faults(); len(f) != 1 || f[0].Begin != 1260 || f[0].End != 1320 || !slices.Equal(f[0].Periods, []int{0, 1}) {
		t.Errorf("overlap: %+v", f)
	}
	day.First, day.Last = tariff.Date{Month: 3, Day: 1}, tariff.Date{Month: 2, Day: 28}
	night.Begin = 1320
	v.Periods[0].When, v.Periods[1].When = day, night
	if f = v.Faults(); len(f) != 1 || f[0].InYear != 1 || f[0].First != (tariff.Date{Month: 2, Day: 29}) {
		t.Errorf("leap day: %+v", f)
	}
}

func TestMoneyOfTwoCurrencies(t *testing.T) {
	tt := twoPrices(berlin(t))
	tt.Versions[0].Periods[1].Price.Currency = "USD"
	_, err := tt.Cost(series(time.Date(2026, 3, 10, 9, 0, 0, 0, tt.Zone), time.Hour, 1, 1))
	if !errors.Is(err, unit.ErrCurrency) {
		t.Errorf("error %v, want ErrCurrency", err)
	}
}

// A cost does not depend on how time was cut, and is the sum over its lines; what
// is priced and what is not make up all energy.
func TestCost_AddsUp(t *testing.T) {
	z := berlin(t)
	tt := twoPrices(z)
	tt.Versions[0].From = time.Date(2026, 3, 29, 0, 0, 0, 0, z)
	rapid.Check(t, func(t *rapid.T) {
		start := time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC)
		var used []tariff.Used
		var all unit.Energy
		for i := range rapid.IntRange(1, 200).Draw(t, "n") {
			e := unit.Energy(rapid.Int64Range(0, 1e12).Draw(t, "mWh"))
			used = append(used, tariff.Used{Start: start.Add(time.Duration(i) * 30 * time.Minute), Energy: e})
			all += e
		}
		whole, err := tt.Cost(used)
		if err != nil {
			t.Fatal(err)
		}
		cut := rapid.IntRange(0, len(used)).Draw(t, "cut")
		sum := whole.Unpriced
		for _, l := range whole.Lines {
			sum += l.Energy
		}
		if sum != all {
			t.Fatalf("%v of %v in lines", sum, all)
		}
		total := unit.Money{}
		for _, part := range [][]tariff.Used{used[:cut], used[cut:]} {
			c, err := tt.Cost(part)
			if err != nil {
				t.Fatal(err)
			}
			if total, err = total.Plus(c.Total); err != nil {
				t.Fatal(err)
			}
		}
		if total.Amount.Cmp(whole.Total.Amount) != 0 {
			t.Fatalf("parts cost %s, the whole %s", total.Amount, whole.Total.Amount)
		}
		if again := tariff.Merge(used[cut:], used[:cut]); !slices.Equal(again, used) {
			t.Fatal("merging the parts does not give the whole")
		}
	})
}

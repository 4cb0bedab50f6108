package carbon_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/carbon"
	"curetally/internal/core/unit"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.12g, want %.12g", what, got, want)
	}
}

// Source: US EPA eGRID2022, total output emission rates in lb/MWh of CO2, CH4 and
// N2O; CO2-equivalents worked out from them.
func TestFromPounds(t *testing.T) {
	for _, c := range []struct {
		region              string
		co2, ch4, n2o, want float64
	}{
		{"CAMX", 497.443, 0.030, 0.004, 0.226498},
		{"ERCT", 771.083, 0.049, 0.007, 0.351221},
		{"NYUP", 274.559, 0.015, 0.002, 0.124969},
		{"RFCW", 1000.053, 0.087, 0.012, 0.456164},
		{"SRMW", 1369.887, 0.151, 0.022, 0.625933},
		{"US", 823.149, 0.066, 0.009, 0.375294},
	} {
		near(t, c.region, carbon.AR5().FromPounds(c.co2, c.ch4, c.n2o), c.want, 5e-7)
	}
	near(t, "older values", carbon.AR4().FromPounds(0, 1, 1), (25+298)*0.45359237/1000, 1e-15)
}

func year(y int, kg float64, source string) carbon.Factor {
	return carbon.Factor{From: time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC), To: time.Date(y+1, 1, 1, 0, 0, 0, 0, time.UTC), KgPerKWh: kg, Source: source}
}

// Source: UK Government conversion factors 2024 (0.20705) and 2025 (0.17700 kg/kWh):
// 100 000 kWh are 20 705 and 17 700 kg.
func TestYearly(t *testing.T) {
	table, err := carbon.New("uk", []carbon.Factor{year(2025, 0.17700, "UK 2025"), year(2024, 0.20705, "UK 2024")})
	if err != nil {
		t.Fatal(err)
	}
	const e = 100_000 * unit.KilowattHour
	at := func(y int) time.Time { return time.Date(y, 6, 1, 0, 0, 0, 0, time.UTC) }
	a := table.Of([]carbon.Used{{at(2025), e}, {at(2024), e}, {at(2026), e}, {at(2023), e / 2}})
	if len(a.Parts) != 2 || a.Unknown != e+e/2 {
		t.Fatalf("%+v", a)
	}
	near(t, "2024", a.Parts[0].Kg, 20_705, 1e-9)
	near(t, "2025", a.Parts[1].Kg, 17_700, 1e-9)
	near(t, "sum", a.Kg, 38_405, 1e-9)
	near(t, "California", carbon.Kg(157_476_505_000, 0.226498)/1000, 35.668141, 5e-5)
	near(t, "UK 2024", carbon.Kg(157_476_505_000, 0.20705)/1000, 32.605510, 5e-7)
	near(t, "UK 2025", carbon.Kg(157_476_505_000, 0.177)/1000, 27.873341, 5e-7)
}

// Hourly factors weigh each hour by its own: 89.65 kg, where the mean factor would
// say 88.40. Worked by hand.
func TestHourly(t *testing.T) {
	start := time.Date(2026, 3, 10, 8, 0, 0, 0, time.UTC)
	var factors []carbon.Factor
	var used []carbon.Used
	kwh := []float64{60, 60, 55, 40, 20, 20}
	for i, kg := range []float64{.42, .40, .31, .22, .28, .45} {
		from := start.Add(time.Duration(i) * time.Hour)
		factors = append(factors, carbon.Factor{From: from, To: from.Add(time.Hour), KgPerKWh: kg, Source: "grid operator 2026"})
		for q := range 4 {
			used = append(used, carbon.Used{Start: from.Add(time.Duration(q) * 15 * time.Minute), Energy: unit.Energy(kwh[i] * 250_000)})
		}
	}
	table, err := carbon.New("hours", factors)
	if err != nil {
		t.Fatal(err)
	}
	a := table.Of(used)
	near(t, "sum", a.Kg, 89.65, 1e-9)
	if len(a.Parts) != 1 || a.Parts[0].Low != .22 || a.Parts[0].High != .45 || a.Unknown != 0 {
		t.Errorf("%+v", a)
	}
	if got := table.Of([]carbon.Used{{start.Add(6 * time.Hour), 5}}); got.Unknown != 5 {
		t.Errorf("the hour after the table has a factor: %+v", got)
	}
}

func TestNew_Refuses(t *testing.T) {
	for name, factors := range map[string][]carbon.Factor{
		"twice":    {year(2024, 0.2, "a"), year(2024, 0.3, "a")},
		"negative": {year(2024, -0.2, "a")},
		"nan":      {year(2024, math.NaN(), "a")},
		"sourced":  {year(2024, 0.2, "")},
		"backward": {{From: time.Unix(1, 0), To: time.Unix(1, 0), KgPerKWh: 1, Source: "a"}},
	} {
		if _, err := carbon.New("table", factors); !errors.Is(err, carbon.ErrFactors) {
			t.Errorf("%s: error %v, want ErrFactors", name, err)
		}
	}
}

// With one factor, carbon over energy is that factor, whatever the intervals; before
// less after is the carbon of the difference.
func TestOne_Derives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := carbon.One("plant", rapid.Float64Range(0, 2).Draw(t, "factor"), "an example")
		draw := func(label string) (used []carbon.Used, sum unit.Energy) {
			for i, v := range rapid.SliceOfN(rapid.Int64Range(0, 1e12), 0, 50).Draw(t, label) {
				used = append(used, carbon.Used{Start: time.Unix(int64(i)*900, 0), Energy: unit.Energy(v)})
				sum += unit.Energy(v)
			}
			return used, sum
		}
		before, b := draw("before")
		after, a := draw("after")
		f, _ := table.At(time.Unix(0, 0))
		saved := table.Of(before).Kg - table.Of(after).Kg
		if want := carbon.Kg(b-a, f.KgPerKWh); math.Abs(saved-want) > 1e-9*(b.KWh()+a.KWh()+1) {
			t.Fatalf("saved %v kg, the saved energy has %v", saved, want)
		}
	})
}

// Common practice, no source: a lamp holds some tens of milligrams.
func TestMercury(t *testing.T) {
	near(t, "mercury of 24 lamps", carbon.MercuryGrams(24, 50), 1.2, 1e-12)
}

package regression_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/regression"
	"curetally/internal/core/stats"
)

// drawn makes rows with a first driver in tenths and energy around a level.
func drawn(t *rapid.T, atLeast, atMost int) regression.Table {
	n := rapid.IntRange(atLeast, atMost).Draw(t, "rows")
	tab := regression.Table{Drivers: []string{"t", "x"}}
	for range n {
		tab.Rows = append(tab.Rows, []float64{float64(rapid.IntRange(-50, 250).Draw(t, "t")) / 10, float64(rapid.IntRange(0, 40).Draw(t, "x"))})
		tab.Energy = append(tab.Energy, 500+float64(rapid.IntRange(-200, 200).Draw(t, "energy")))
	}
	return tab
}

// changed gives the table with other units: values times a factor, plus a shift.
func changed(tab regression.Table, driver, energy [2]float64) regression.Table {
	out := regression.Table{Drivers: tab.Drivers}
	for i, row := range tab.Rows {
		out.Rows = append(out.Rows, []float64{driver[0]*row[0] + driver[1], row[1]})
		out.Energy = append(out.Energy, energy[0]*tab.Energy[i]+energy[1])
	}
	return out
}

func refused(err error) bool {
	_, singular := errors.AsType[*stats.SingularError](err)
	return singular || errors.Is(err, regression.ErrInput)
}

// Celsius or Fahrenheit, kWh or MJ: the model is the same one.
func TestUnitsDoNotMatter(t *testing.T) {
	forms := []regression.Form{regression.Mean, regression.Linear, regression.Cooling3, regression.Heating3, regression.Cooling4, regression.Five}
	rapid.Check(t, func(t *rapid.T) {
		tab := drawn(t, 12, 25)
		form := rapid.SampledFrom(forms).Draw(t, "form")
		// Powers of two and whole shifts are exact, so that equal sums of squares
		// stay equal and the search decides alike.
		driver := [2]float64{rapid.SampledFrom([]float64{0.5, 2, 1024}).Draw(t, "factor"), float64(rapid.IntRange(-64, 64).Draw(t, "shift"))}
		energy := [2]float64{rapid.SampledFrom([]float64{0.25, 4, 65536}).Draw(t, "energy factor"), 0}
		m, err := regression.Fit(tab, form)
		if refused(err) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		o, err := regression.Fit(changed(tab, driver, energy), form)
		if err != nil {
			t.Fatal(err)
		}
		close := func(what string, got, want, rel float64) {
			if !(math.Abs(got-want) <= rel*max(math.Abs(want), 1)) {
				t.Fatalf("%s %s: %v, want %v", form, what, got, want)
			}
		}
		close("SSE", o.SSE/energy[0]/energy[0], m.SSE, 1e-8)
		close("CV", o.CVRMSE, m.CVRMSE, 1e-8)
		close("rho", o.Rho, m.Rho, 1e-4)
		for i, row := range tab.Rows {
			close(fmt.Sprint("prediction of row ", i), o.Predict(changed(tab, driver, energy).Rows[i])/energy[0], m.Predict(row), 1e-4)
		}
		for i, c := range m.ChangePoints {
			close("change point", (o.ChangePoints[i]-driver[1])/driver[0], c, 1e-3)
		}
	})
}

// No change point on a fine grid is better than the one found.
func TestSearchFindsTheLeastSumOfSquares(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tab := drawn(t, 9, 16)
		rows := make([][]float64, len(tab.Rows))
		m, err := regression.Fit(tab, regression.Cooling3)
		if refused(err) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for c := -5.0; c <= 25; c += 0.15 {
			above, below := map[float64]bool{}, 0
			for i, row := range tab.Rows {
				rows[i] = []float64{max(row[0]-c, 0), row[1]}
				if row[0] >= c {
					above[row[0]] = true
				} else {
					below++
				}
			}
			if len(above) < 3 || below < 2 {
				continue // runs through its points whatever they are
			}
			f, err := stats.LeastSquares(rows, tab.Energy, []string{"above", "x"})
			if err == nil && f.SSE < m.SSE*(1-1e-9)-1e-18 {
				t.Fatalf("found %v with SSE %v, but %v has %v", m.ChangePoints, m.SSE, c, f.SSE)
			}
		}
	})
}

// The same for pairs, where the energy has the shape: with shapeless energy
// there are many valleys and only the grid decides between them.
func TestSearchOfPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tab := regression.Table{Drivers: []string{"t"}}
		c1, c2 := float64(rapid.IntRange(4, 9).Draw(t, "c1")), float64(rapid.IntRange(12, 18).Draw(t, "c2"))
		for i := range 30 {
			temp := float64(i)*0.8 + 0.1
			tab.Rows = append(tab.Rows, []float64{temp})
			tab.Energy = append(tab.Energy, 300+20*max(c1-temp, 0)+15*max(temp-c2, 0)+float64(rapid.IntRange(-8, 8).Draw(t, "noise")))
		}
		m, err := regression.Fit(tab, regression.Five)
		if err != nil {
			t.Fatal(err)
		}
		rows := make([][]float64, len(tab.Rows))
		for a := 2.0; a < 11; a += 1.3 {
			for b := a + 1.3; b < 21; b += 1.3 {
				for i, row := range tab.Rows {
					rows[i] = []float64{max(a-row[0], 0), max(row[0]-b, 0)}
				}
				f, err := stats.LeastSquares(rows, tab.Energy, []string{"below", "above"})
				if err == nil && f.SSE < m.SSE*(1-1e-9)-1e-18 {
					t.Fatalf("found %v with SSE %v, but %v, %v has %v", m.ChangePoints, m.SSE, a, b, f.SSE)
				}
			}
		}
	})
}

// A year of hours is fitted within the patience of somebody at a terminal.
func BenchmarkFiveOnHours(b *testing.B) {
	tab := regression.Table{Drivers: []string{"t"}}
	for i := range 8760 {
		temp := 12 - 11*math.Cos(2*math.Pi*float64(i)/8760) - 4*math.Cos(2*math.Pi*float64(i)/24)
		tab.Rows = append(tab.Rows, []float64{temp})
		tab.Energy = append(tab.Energy, 30+2*max(6-temp, 0)+max(temp-17, 0)+float64(i*7919%101)/20)
	}
	for b.Loop() {
		if _, err := regression.Fit(tab, regression.Five); err != nil {
			b.Fatal(err)
		}
	}
}

// Likewise daily rows of a year.
func BenchmarkAutoOnDays(b *testing.B) {
	tab := regression.Table{Drivers: []string{"t", "x"}}
	for i := range 365 {
		temp := 12 - 11*math.Cos(2*math.Pi*float64(i)/365) + float64(i*37%11)
		tab.Rows = append(tab.Rows, []float64{temp, float64(i % 7)})
		tab.Energy = append(tab.Energy, 300+20*max(temp-17, 0)+float64(i*7919%101)/5)
	}
	for b.Loop() {
		if _, err := regression.Fit(tab, regression.Auto); err != nil {
			b.Fatal(err)
		}
	}
}

package regression_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"curetally/internal/core/regression"
)

// plant makes days of a press whose energy is a line on its output plus
// disturbances that follow each other with the correlation rho.
func plant(r *rand.Rand, days int, rho float64) regression.Table {
	tab := regression.Table{Drivers: []string{"output"}}
	const sd = 60
	e := sd * r.NormFloat64()
	for range days {
		x := 400 + 80*r.NormFloat64()
		e = rho*e + sd*math.Sqrt(1-rho*rho)*r.NormFloat64()
		tab.Rows = append(tab.Rows, []float64{x})
		tab.Energy = append(tab.Energy, 160+1.05*x+e)
	}
	return tab
}

// The stated 90 % interval holds the true saving about nine times in ten, on 500
// plants with a year of baseline. The last row of each is what neglect of the
// correlation would state. Run with -v to see the table.
// Source: simulation; the bounds are those of a coverage of 90 % ± 3 %, and 85 %
// where residuals are strongly correlated.
func TestCoverage(t *testing.T) {
	const plants = 500
	for _, c := range []struct {
		rho         float64
		days        int
		least, most float64
	}{
		{0, 90, 0.87, 0.93}, {0, 365, 0.87, 0.93},
		{0.4, 90, 0.87, 0.93}, {0.4, 365, 0.87, 0.93},
		{0.8, 90, 0.85, 1}, {0.8, 365, 0.85, 1},
	} {
		t.Run(fmt.Sprintf("rho=%v,days=%d", c.rho, c.days), func(t *testing.T) {
			r := rand.New(rand.NewPCG(5, uint64(c.days)))
			var held, neglecting, width float64
			for range plants {
				all := plant(r, 365+c.days, c.rho)
				base := regression.Table{Drivers: all.Drivers, Rows: all.Rows[:365], Energy: all.Energy[:365]}
				rep := regression.Table{Drivers: all.Drivers, Rows: all.Rows[365:], Energy: all.Energy[365:]}
				m := fit(t, base, regression.Linear)
				// Nothing was saved: the true saving is 0.
				s := m.Compare(rep, regression.Terms{Confidence: 0.90})
				width += s.HalfWidth / plants
				if !s.Shown() {
					held += 1. / plants
				}
				if !m.Compare(rep, regression.Terms{Confidence: 0.90, Independent: true}).Shown() {
					neglecting += 1. / plants
				}
			}
			t.Logf("coverage %.3f, mean half-width %.0f kWh; taken as independent %.3f", held, width, neglecting)
			if held < c.least || held > c.most {
				t.Errorf("coverage %.3f, want %v to %v", held, c.least, c.most)
			}
			if c.rho == 0.8 && neglecting > 0.6 {
				t.Errorf("neglecting the correlation covers %.3f: the simulation has none", neglecting)
			}
		})
	}
}

// The half-width of a change-point model takes the change point as it was found.
// That is enough: intervals hold as often, in warmer days than the baseline's too.
// Source: simulation, as above.
func TestCoverageOfChangePoints(t *testing.T) {
	const plants = 150
	days := func(r *rand.Rand, warmer float64) regression.Table {
		tab := regression.Table{Drivers: []string{"temperature"}}
		for range 40 {
			x := 12 + warmer + 7*r.NormFloat64()
			tab.Rows = append(tab.Rows, []float64{x})
			tab.Energy = append(tab.Energy, 300+15*max(x-14, 0)+20*r.NormFloat64())
		}
		return tab
	}
	for _, warmer := range []float64{0, 6} {
		r := rand.New(rand.NewPCG(11, 3))
		var held float64
		for range plants {
			m := fit(t, days(r, 0), regression.Cooling3)
			if !m.Compare(days(r, warmer), regression.Terms{Confidence: 0.90, Independent: true}).Shown() {
				held += 1. / plants
			}
		}
		t.Logf("%v degrees warmer: coverage %.3f", warmer, held)
		if held < 0.85 || held > 0.95 {
			t.Errorf("%v degrees warmer: coverage %.3f, want about 0.90", warmer, held)
		}
	}
}

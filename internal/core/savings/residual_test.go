package savings

import (
	"math"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

func TestResiduals(t *testing.T) {
	sheets := []float64{412, 388, 455, 430, 470, 498, 356, 301, 467, 489, 440, 372}
	kwh := []float64{18608, 18032, 19682, 18525, 19465, 20497, 16674, 14002, 19760, 21074, 19580, 16608}
	// Source: ordinary least squares of these rows, computed alike with R 4.2.2 (lm) and
	// numpy.
	want := []float64{428.1664, 631.0911, 106.5929, -239.0272, -597.2351, -473.9806, 311.6575, -575.3067, -204.8695, 395.1161, 491.4208, -273.6257}
	const atMeanOf430 = 0.0845365606 // leverage of 430

	pr := plant.Project{ID: "heron-led", Boundary: []plant.RegisterID{"m/import"}, Drivers: []plant.Driver{plant.DriverImpressions}}
	var days []Day
	for i, x := range sheets {
		days = append(days, Day{
			Day: time.Date(2026, 3, i+1, 0, 0, 0, 0, time.UTC), Energy: unit.Energy(kwh[i]) * unit.KilowattHour, Drivers: []float64{x},
		})
	}
	b, err := Draft(pr, days)
	if err != nil {
		t.Fatal(err)
	}
	var leverages float64
	all := b.Residuals()
	if len(all) != len(want) {
		t.Fatalf("%d residuals, want %d", len(all), len(want))
	}
	for i, r := range all {
		if math.Abs(r.ResidualKWh-want[i]) > 5e-5 || math.Abs(r.ActualKWh-r.ExpectedKWh-r.ResidualKWh) > 1e-9 {
			t.Errorf("row %d: residual %v of %v − %v, want %v", i, r.ResidualKWh, r.ActualKWh, r.ExpectedKWh, want[i])
		}
		if sd := 466.262562369366 * math.Sqrt(1-r.Leverage); math.Abs(r.Studentized-r.ResidualKWh/sd) > 1e-9 {
			t.Errorf("row %d: %v standard deviations", i, r.Studentized)
		}
		leverages += r.Leverage
	}
	if math.Abs(all[3].Leverage-atMeanOf430) > 1e-9 || math.Abs(leverages-2) > 1e-9 {
		t.Errorf("leverage of 430 is %v, of all rows %v", all[3].Leverage, leverages)
	}
}

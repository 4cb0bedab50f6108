package main

import (
	"math"
	"os"
	"path/filepath"
	"testing"
)

const pressTerms = `    tariff: grid
    carbon_location: grid
    carbon_market: supplier
tariffs:
  - name: grid
    versions:
      - prices:
          - {name: day, hours: 06:00-18:00, price: 0.30 EUR}
          - {name: night, hours: 18:00-06:00, price: 0.20 EUR}
        demand: [{name: peak, price: 10 EUR, window: 15m}]
carbon:
  - {name: grid, file: grid.csv}
  - {name: supplier, file: supplier.csv}
`

// The press that runs around the clock pays the mean of day and night, 0.25, and its
// demand falls from 267 000 to 41 000 kWh over the 6 240 hours of a year.
func TestSavingsByTariff(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config
	f, err := os.OpenFile(p.config, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString(pressTerms); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"grid.csv":     "year,kg_per_kwh,source\n2025,0.40,grid operator 2025\n",
		"supplier.csv": "time,kg_per_kwh,source\n2025-06-02T10:00:00Z,0.05,supplier 2025\n",
	} {
		if err := os.WriteFile(filepath.Join(filepath.Dir(p.config), name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	command(t, exitOK, "baseline", "freeze", "heron-led", "--by", "Ann Example", conf)
	contains(t, command(t, exitOK, "savings", conf),
		`cost by tariff +grid: would have cost 7.701\.92 EUR, did cost 1.182\.69 EUR, avoided 6.519\.23 EUR\n`,
		`demand May 2025 +peak, 6 days counted: billed 42\.8 kW, would have been 42\.8 kW; avoided 0\.00 EUR`,
		`demand Jun 2025 +peak, 30 days counted: billed 6\.6 kW, would have been 42\.8 kW; avoided 362\.18 EUR \(a low estimate`,
		`carbon by location grid: would have been 12.323 kg, was 1.892 kg, avoided 10.431 kg \(grid operator 2025\)\n`,
		`carbon by market +supplier: .*\(supplier 2025\)\n +no factor +for 4.724\.\d+ kWh of what was used`)
	var said struct {
		Valuations []struct {
			Currency string  `json:"currency"`
			Saved    float64 `json:"energy_cost_saved"`
			Demand   []struct {
				Month string  `json:"month"`
				Days  int     `json:"days"`
				Saved float64 `json:"cost_saved"`
			} `json:"demand"`
			Location struct {
				Saved float64 `json:"saved_kg"`
			} `json:"carbon_location"`
		} `json:"valuations"`
	}
	decode(t, command(t, exitOK, "savings", "--json", conf), &said)
	if len(said.Valuations) != 1 {
		t.Fatalf("%d valuations, want 1", len(said.Valuations))
	}
	v := said.Valuations[0]
	saved := float64(arcKWhYear-ledKWhYear) * 6 / 52 // of six weeks
	if math.Abs(v.Saved-0.25*saved) > 0.01 || math.Abs(v.Location.Saved-0.4*saved) > 0.01 || v.Currency != "EUR" {
		t.Errorf("%+v, want %v EUR and %v kg", v, 0.25*saved, 0.4*saved)
	}
	if len(v.Demand) != 3 || v.Demand[0].Month != "2025-05" || v.Demand[1].Days != 30 || math.Abs(v.Demand[1].Saved-10*float64(arcKWhYear-ledKWhYear)/litHourYear) > 0.01 {
		t.Errorf("demand %+v", v.Demand)
	}
}

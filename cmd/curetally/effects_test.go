package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The worked figures, scaled to the six weeks of the statement: what 100 000 kWh saved
// do to a room of which 0.8 stays, 900 hours of 32 °C and 304 hours of colder bins at
// 10 m³/s, and a fan of 1 m³/s and 500 Pa.
const effectsYAML = `    effects:
      room: {kept_before: 0.8, kept_after: 0.8, while_cooling: 0.45, cooling_cop: 3.2, while_heating: 0.35, heating_efficiency: {value: 0.88, within: 5 %}, heating_source: gas}
      make_up: {m3_per_hour: 36000, weather: weather.csv, cooling_cop: 3, heating_efficiency: 0.85, heating_source: gas}
      fans:
        - {name: heron-exhaust, m3_per_hour: 3600, pascal: 500, fan_efficiency: 0.6, motor_efficiency: 0.9, hours_per_day: 16}
        - {name: hall-supply, kilowatts: 3, flow_after: 0.5, exponent: 2.5}
`

// sixWeeks are the hours of the days that count, written in UTC.
func sixWeeks(leaveOut int) string {
	var b strings.Builder
	b.WriteString("time,celsius,humidity_percent\n")
	cold := []int{12, 31, 64, 82, 70, 45}
	begin := time.Date(2025, 5, 25, 22, 0, 0, 0, time.UTC)
	for i := range 42*24 - leaveOut {
		celsius, n := 32.0, i
		for bin, hours := range cold {
			if n >= 0 && n < hours {
				celsius = float64(5*bin - 10)
			}
			n -= hours
		}
		fmt.Fprintf(&b, "%s,%g,60\n", begin.Add(time.Duration(i)*time.Hour).Format(time.RFC3339), celsius)
	}
	return b.String()
}

func TestEffectsBesideTheMeter(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config
	weather := filepath.Join(filepath.Dir(p.config), "weather.csv")
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(p.config, pressYAML+effectsYAML)
	write(weather, sixWeeks(0))
	command(t, exitOK, "check", p.config)
	command(t, exitOK, "baseline", "freeze", "heron-led", "--by", "Ann Example", conf)
	text := command(t, exitOK, "savings", conf)
	contains(t, text, `avoided +26.077 ± 0 kWh`,
		`beside the meter estimates from the configuration at 90 % confidence; not measured, and in no figure above\n`,
		`cooling avoided +\+2.934 ± 0 kWh \(electricity\)`, `heating penalty +−8.297 ± 394 kWh \(gas\)`,
		`make-up air, heating avoided +\+56.270 ± 0 kWh \(gas\)`, `make-up air, cooling avoided +\+86.034 ± 0 kWh \(electricity\)`,
		`fan heron-exhaust +\+622 ± 0 kWh`, `fan hall-supply +\+1.\d{3} ± 0 kWh`, `note: removing an exhaust removes its free cooling too`)
	var said struct {
		Statements []struct {
			Saved float64 `json:"saved_kwh"`
			Hours float64 `json:"scheduled_hours"`
		} `json:"statements"`
		Effects []struct {
			Effect, Carrier, Method, Note string
			Saved                         float64 `json:"saved_kwh"`
			Standard                      float64 `json:"standard_uncertainty_kwh"`
		} `json:"effects"`
	}
	decode(t, command(t, exitOK, "savings", "--json", conf), &said)
	if len(said.Effects) != 6 || len(said.Statements) != 1 {
		t.Fatalf("%d effects of %d statements, want 6 of 1", len(said.Effects), len(said.Statements))
	}
	saved := said.Statements[0].Saved
	for i, want := range []float64{
		saved * 0.1125, -saved * 0.35 * 0.8 / 0.88,
		// Worked with an independent program: 56 269.7224 over hours ten times as many at a
		// tenth of the flow, 10 998.6287 over 900 hours at a tenth of it, of which there are 704.
		56_269.7224, 10_998.6287 * 10 * 704 / 900, 0.9259259 * 42 * 16, (3 - 0.5303301) * said.Statements[0].Hours,
	} {
		if e := said.Effects[i]; math.Abs(e.Saved-want) > 1e-5*math.Abs(want) || e.Method != "estimate" {
			t.Errorf("%+v, want %v", e, want)
		}
	}
	if e := said.Effects[1]; math.Abs(e.Standard/e.Saved)-0.05/math.Sqrt(3) > 1e-9 {
		t.Errorf("an efficiency that is known to 5 %%: %+v", e)
	}

	write(weather, sixWeeks(8))
	contains(t, command(t, exitOK, "savings", conf), `note: 8 of 1008 hours lack their weather, the first from 2025-07-06 16:00 on`)
	write(weather, sixWeeks(60))
	contains(t, command(t, exitFailed, "savings", conf), `avoided +26.077 ± 0 kWh`)
	write(weather, "time,celsius,humidity_percent\n2025-06-02T07:00:00Z,warm,50\n")
	contains(t, command(t, exitFailed, "check", p.config), `weather\.csv:2: celsius: "warm" is no number`)
	contains(t, command(t, exitFailed, "check", p.config, "--json"), `"line": 2,\n +"path": "celsius"`)
	write(p.config, pressYAML+strings.ReplaceAll(effectsYAML, "heron-exhaust", "heron-meter"))
	contains(t, command(t, exitFailed, "check", p.config), `plant\.yaml:\d+: savings\[0\]\.effects\.fans\[0\]\.name: the meter heron-meter is in the boundary`)
}

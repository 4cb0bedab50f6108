package main

import (
	"math"
	"os"
	"path/filepath"
	"testing"
)

const beforeAfterYAML = `    before_after:
      - {quantity: housing_celsius, signal: heron-1/housing_celsius, before: {value: 70, date: 2025-05-02, instrument: contact thermometer 4}}
      - quantity: noise_dba
        before: {value: 78, date: 2025-05-02, instrument: sound level meter 2}
        after: {value: 71, date: 2025-06-03, instrument: sound level meter 2}
      - {quantity: ozone_ppm, after: {value: 0, date: 2025-06-03, instrument: "none: LED makes no ozone"}}
`

// A survey whose figures are those of a year of the press, so that what was measured
// scaled to a year is the plan: 42 of 365.25 days have 5 of 7 as work days, a year of 52
// weeks 260.
const pressSurvey = `currency: EUR
before: {kwh: {value: 267000, within: 5 %}, lamps: 10, lamp_price: 300}
after: {kwh: {value: 41000, within: 5 %}}
energy_price: 0.168
carbon: 0.461
carbon_source: an example
investment: 120000
years: 10
discount_rate: 7 %
`

func appended(t *testing.T, p press, text string) {
	t.Helper()
	if err := os.WriteFile(p.config, []byte(pressYAML+text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Each cell says where it is from: the peak from the meter, lamps from the fittings, the
// housing after from the station's signal and before, where nothing sent it, by hand.
func TestReportBeforeAfter(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config
	appended(t, p, beforeAfterYAML)
	command(t, exitOK, "baseline", "freeze", "heron-led", "--by", "Ann Example", conf)
	signals := filepath.Join(filepath.Dir(p.config), "signals.csv")
	if err := os.WriteFile(signals, []byte("time,subject,name,value\n2025-06-03T08:00:00Z,heron-1,housing_celsius,41\n2025-06-04T08:00:00Z,heron-1,housing_celsius,45\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, exitOK, "import", "signals", signals, conf)
	command(t, exitOK, "done", "window-clean/heron-1", "--by", "Ann", "--at", "2025-06-12", conf)
	contains(t, command(t, exitOK, "report", "--before-after", conf),
		`before and after of heron-led: 2025-04-14 to 2025-05-23 against 2025-05-26 to 2025-07-06\n`,
		`peak power, kW +42\.8 +6\.6 +before: measured, the highest mean of 15m0s, Mon 14 Apr 2025`,
		`noise, dB\(A\) +78 +71 +before: by hand, 2025-05-02, sound level meter 2\n +after: by hand, 2025-06-03, sound level meter 2\n`,
		`housing, °C +70 +43 +before: by hand, 2025-05-02, contact thermometer 4\n +after: measured, heron-1/housing_celsius: of 2 days`,
		`ozone, ppm +- +0\.000 +before: not known: give a signal, or a value with date and instrument`,
		`lamp changes a year +0\.0 +0\.0 +before: records: 0 lamps in 40 days`,
		`mercury in lamps changed, mg a year +0 +0 +before: records: 0 lamps with 0 mg of mercury in 40 days`, `mercury avoided: 0\.00 g a year`,
		`upkeep, h a year +0\.0 +0\.7 .*\n +after: records: 1 task of the task log, 5 minutes of work`,
		`housing before, 70 °C: bare smooth metal as hot as that may burn the skin within about 1 s of contact\n`,
		`housing after, 43 °C: .* within 8 h`, `From memory of ISO 13732-1`)
	var said struct {
		Tables []struct {
			Rows []struct {
				Quantity      string
				Before, After struct{ Value *float64 }
			} `json:"rows"`
		} `json:"tables"`
	}
	decode(t, command(t, exitOK, "report", "--before-after", "--json", conf), &said)
	if len(said.Tables) != 1 || len(said.Tables[0].Rows) != 14 || said.Tables[0].Rows[0].Before.Value != nil || *said.Tables[0].Rows[5].After.Value != 71 {
		t.Errorf("%+v", said)
	}
	command(t, exitUsage, "report", "--before-after", "--plan", conf)
	appended(t, p, "    before_after:\n      - {quantity: noise, before: {value: 78, date: 2025-05-02, instrument: ''}}\n      - {quantity: ozone_ppm}\n      - {quantity: floor_m2, signal: hall/floor}\n")
	contains(t, command(t, exitFailed, "check", p.config),
		`before_after\[0\]\.quantity: unknown quantity "noise"`, `before_after\[0\]\.before\.instrument: is empty`,
		`before_after\[1\]: says neither a signal nor a value`, `before_after\[2\]\.signal: no meter, station or press is named "hall"`)
}

// The measured case is the planned one with the measured energy in the place of the
// planned, its uncertainty carried through with a fixed seed.
func TestReportCase(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config
	command(t, exitOK, "baseline", "freeze", "heron-led", "--by", "Ann Example", conf)
	survey := filepath.Join(filepath.Dir(p.config), "survey.yaml")
	if err := os.WriteFile(survey, []byte(pressSurvey), 0o600); err != nil {
		t.Fatal(err)
	}
	text := command(t, exitOK, "report", "--case", survey, conf)
	contains(t, text, `planned and measured, heron-led: intervals of 90 %\n`, `energy saved, kWh a year +226.000 +\d+`, `internal rate of return +\d+\.\d %`,
		`The measured saving is within the interval of the plan\.`, `Measured energy is that of 42 counted days`, `no whole year`)
	if again := command(t, exitOK, "report", "--case", survey, conf); again != text {
		t.Error("the same survey and statement give another case")
	}
	type spread struct{ Value, Low, High float64 }
	var said struct {
		Cases []struct {
			Planned  map[string]spread `json:"planned"`
			Measured map[string]spread `json:"measured"`
		} `json:"cases"`
	}
	decode(t, command(t, exitOK, "report", "--case", survey, "--json", conf), &said)
	if len(said.Cases) != 1 {
		t.Fatalf("%d cases", len(said.Cases))
	}
	planned, measured := said.Cases[0].Planned, said.Cases[0].Measured
	saved := float64(arcKWhYear-ledKWhYear) * 6 / 52 * 365.25 / 42
	yearly := saved*0.168 + 3000
	for key, want := range map[string]float64{
		"energy_saved_kwh": saved, "cost_saved": yearly, "carbon_saved_kg": saved * 0.461, "simple_payback_years": 120_000 / yearly,
		"npv": yearly*7.0235815 - 120_000, // Source: uniform present value, 7 %, 10 years.
	} {
		if got := measured[key]; math.Abs(got.Value-want) > 1e-5*want || got.Low > got.High {
			t.Errorf("%s: %+v, want %v", key, got, want)
		}
	}
	if w := planned["energy_saved_kwh"]; w.Value != 226_000 || !(w.High-w.Low > measured["energy_saved_kwh"].High-measured["energy_saved_kwh"].Low) {
		t.Errorf("planned %+v", w)
	}
	command(t, exitFailed, "report", "--case", filepath.Join(t.TempDir(), "none.yaml"), conf)
}

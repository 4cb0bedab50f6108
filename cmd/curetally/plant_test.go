package main

import (
	"encoding/json"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/app"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/config"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/store"
	"curetally/internal/work/settle"
)

// A press that runs 24 hours on 5 days a week: at 267,000 kWh a year with arc
// lamps, at 41,000 kWh a year with LED.
const (
	arcKWhYear  = 267_000
	ledKWhYear  = 41_000
	litHourYear = 52 * 5 * 24
)

const pressYAML = `site: {name: Alder Lane Labels, time_zone: Europe/Berlin}
database: {url_file: database-url}
presses:
  - name: heron
    stations:
      - {name: heron-1, silence: 2h, technology: [{is: arc}, {from: 2025-05-24 08:00, is: led}]}
meters:
  - {name: heron-meter, url: "tcp://192.0.2.11:502", profile: wh-uint64, max_power: 60 kW, max_gap: 2h, station: heron-1}
broker: {url: "mqtt://192.0.2.5:1883"}
rules:
  - led
  - arc
savings:
  - name: heron-led
    boundary: [heron-meter]
    drivers: [curing_hours]
    baseline: {from: 2025-04-14, to: 2025-05-24, technology: arc}
    reporting: {from: 2025-05-26, to: 2025-07-07, technology: led}
    confidence: 0.90
    price: 0.168 EUR
    carbon: 0.461
    carbon_source: an example
`

// press is a plant on record: three months of hourly facts, in the store and
// settled, with the change from arc to LED in their middle.
type press struct {
	config, url        string
	begin, change, end time.Time
}

func newPress(t *testing.T) press {
	t.Helper()
	dir := t.TempDir()
	p := press{config: filepath.Join(dir, "plant.yaml"), url: pgtest.New(t)}
	for name, text := range map[string]string{"plant.yaml": pressYAML, "database-url": p.url} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	conf, err := config.Load(p.config)
	if err != nil {
		t.Fatal(err)
	}
	day := func(m time.Month, d int) time.Time { return time.Date(2025, m, d, 0, 0, 0, 0, conf.Plant.TimeZone) }
	p.begin, p.end = day(4, 10), day(7, 12)  // from a Thursday to a Saturday
	p.change = day(5, 24).Add(8 * time.Hour) // a Saturday
	db, end, err := app.OpenStore(t.Context(), conf, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []struct {
		lamp plant.Fitting
		kind string
	}{
		{plant.Fitting{Lamp: "ARC-1", Station: "heron-1", From: p.begin, To: p.change, Reason: "conversion", By: "Ann"}, "arc-lamp"},
		{plant.Fitting{Lamp: "LED-1", Station: "heron-1", From: p.change, By: "Ann"}, "led-module"},
	} {
		if err := db.FitLamp(t.Context(), f.lamp, f.kind); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Apply(t.Context(), "00000000-0000-4000-8000-000000000001", []plant.Batch{{Sequence: 1, Facts: p.facts()}}); err != nil {
		t.Fatal(err)
	}
	settleAll(t, db, &conf.Plant)
	if err := end(t.Context()); err != nil {
		t.Fatal(err)
	}
	return p
}

func settleAll(t *testing.T, db *store.DB, p *plant.Plant) {
	t.Helper()
	s := settle.New(settle.Options{Plant: p, Store: db, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
	for {
		marks, err := s.Round(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if marks == 0 {
			return
		}
	}
}

// facts are an hourly reading and an hourly message of the station.
func (p press) facts() plant.Facts {
	var f plant.Facts
	var arcHours, ledHours, starts int64
	was := plant.StateOff
	for at := p.begin; !at.After(p.end); at = at.Add(time.Hour) {
		state := plant.StateCuring
		if d := at.Weekday(); d == time.Saturday || d == time.Sunday {
			state = plant.StateOff
		}
		if state == plant.StateCuring && was == plant.StateOff {
			starts++
		}
		f.Readings = append(f.Readings, plant.Reading{
			Register: "heron-meter/import", At: at.UTC(),
			Value: int64(unit.KilowattHour) * (arcHours*arcKWhYear + ledHours*ledKWhYear) / litHourYear,
		})
		f.Events = append(f.Events, plant.StationEvent{
			Station: "heron-1", At: at.UTC(), Arrived: at.UTC(), State: state, Boot: "b", Sequence: int64(len(f.Events)),
			LitMillis: (arcHours + ledHours) * time.Hour.Milliseconds(), Starts: starts,
		})
		if was = state; state == plant.StateCuring {
			if at.Before(p.change) {
				arcHours++
			} else {
				ledHours++
			}
		}
	}
	return f
}

// A conversion that is told in the trade, through the whole program from
// registers to the statement.
func TestSavingsOfAYear(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config

	text := command(t, exitOK, "baseline", "freeze", "heron-led", "--by", "Ann Example", conf)
	contains(t, text, `baseline heron-led, version 1, frozen .* by Ann Example`, `days used +40, left out 0`, `= 0 \+ 42\.79 × curing_hours`, `curing_hours +0 to 24 per day`)
	if again := command(t, exitOK, "baseline", "show", "heron-led", conf); again != text {
		t.Errorf("the baseline is shown as\n%sfrozen was\n%s", again, text)
	}
	var b savings.Baseline
	decode(t, command(t, exitOK, "baseline", "show", "heron-led", "--json", conf), &b)
	if b.Version != 1 || b.Approver != "Ann Example" || len(b.Rows) != 40 || len(b.DataHash) != 64 {
		t.Errorf("baseline as JSON: version %d by %q, %d rows, hash %q", b.Version, b.Approver, len(b.Rows), b.DataHash)
	}

	text = command(t, exitOK, "savings", conf)
	contains(t, text, `savings of heron-led, 26 May 2025 to 6 Jul 2025 \(42 days counted, 0 left out\)`,
		`would have used +30.808 kWh \(baseline version 1, frozen by Ann Example\)`, `did use +4.731 kWh`,
		`quality +100\.00 % measured of what was used; a day counts with up to 5 % that is neither`,
		`avoided +26.077 ± 0 kWh at 90 % confidence \(84\.6 %\)`, `cost avoided +4.380\.92 EUR`,
		`carbon avoided +12.021 kg CO2-equivalent \(factor 0\.461 kg/kWh, an example\)`)
	if one := command(t, exitOK, "savings", "heron-led", conf); one != text {
		t.Errorf("one project is stated as\n%sall were\n%s", one, text)
	}

	june := command(t, exitOK, "savings", "--month", "2025-06", conf)
	contains(t, june, `savings of heron-led, 1 Jun 2025 to 30 Jun 2025 \(30 days counted, 0 left out\)`, `at 68 % +± 0 kWh`, `at 95 % +± 0 kWh`)
	contains(t, command(t, exitOK, "savings", "--day", "2025-06-03", conf), `3 Jun 2025 to 3 Jun 2025 \(1 day counted`)
	if text := command(t, exitFailed, "savings", "--month", "2024-06", conf); text != "" {
		t.Errorf("a month before the conversion is stated as\n%s", text)
	}

	adjusted(t, conf)

	var said struct{ Statements []savings.Statement }
	decode(t, command(t, exitOK, "savings", "--json", conf), &said)
	if len(said.Statements) != 1 {
		t.Fatalf("%d statements, want 1", len(said.Statements))
	}
	st := said.Statements[0]
	year := 52.0 / 6 // the statement is of six weeks
	for _, c := range []struct {
		what             string
		got, want, round float64
	}{
		// Common practice, no source.
		{"saved, %", 100 * st.SavedFraction, 84.6, 0.05},
		{"carbon before, t/y", st.ExpectedCarbonKg * year / 1000, 123, 0.5},
		{"carbon after, t/y", st.ActualCarbonKg * year / 1000, 19, 0.5},
		{"expected, kWh/y", st.ExpectedKWh * year, arcKWhYear, 1},
		{"used, kWh/y", st.ActualKWh * year, ledKWhYear, 1},
	} {
		if math.Abs(c.got-c.want) > c.round {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
}

func TestLampsAndTasks(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config

	// Two days and six weeks of arc, then seven weeks of LED; a week is of 120
	// hours and one start.
	text := command(t, exitOK, "lamp", "list", conf)
	contains(t, text, `ARC-1 +arc-lamp +spent +- +2025-04-10 +2025-05-24 +conversion +768\.0 +768\.0 +0\.0 +6 +774\.0 +52 % of 1.500 h +0\n`,
		`LED-1 +led-module +fitted +heron-1 +2025-05-24 +- +- +840\.0 +840\.0 +0\.0 +7 +840\.0 +4 % of 20.000 h +0\n`)
	var lamps struct {
		Lamps []struct {
			Serial     string  `json:"serial"`
			Station    string  `json:"station"`
			Reason     string  `json:"reason"`
			LitHours   float64 `json:"lit_hours"`
			Starts     int64   `json:"starts"`
			Equivalent float64 `json:"equivalent_hours"`
			Rated      float64 `json:"rated_hours"`
			Used       float64 `json:"used_fraction"`
		} `json:"lamps"`
	}
	decode(t, command(t, exitOK, "lamp", "list", "--json", conf), &lamps)
	if n := len(lamps.Lamps); n != 2 {
		t.Fatalf("%d lamps, want 2", n)
	}
	if l := lamps.Lamps[0]; l.Serial != "ARC-1" || l.Station != "" || l.Reason != "conversion" || l.LitHours != 768 || l.Starts != 6 || l.Equivalent != 774 || l.Rated != 1500 || l.Used != 0.516 {
		t.Errorf("first lamp is %+v", l)
	}

	contains(t, command(t, exitOK, "tasks", conf),
		`STATUS +DUE +TASK +USED +MINUTES +WHY`, `overdue +Sat 7 Jun 2025 +led-air-filter/heron-1 +\d+ % +5 +every 14 days, counted since Sat 24 May 2025; due Sat 7 Jun 2025`,
		`due +\w{3} \d+ \w{3} \d{4} +window-clean/heron-1 +1400 % +5 +840 of 60 lit hours; reached `)
	contains(t, command(t, exitOK, "tasks", "--cautions", conf), `\nClean the window \(window-clean/heron-1\)\n  C1 Isolate`)
	command(t, exitOK, "done", "window-clean/heron-1", "--by", "Ann", "--at", "2025-07-12", conf)
	var tasks struct {
		At    time.Time     `json:"at"`
		Tasks []upkeep.Task `json:"tasks"`
	}
	decode(t, command(t, exitOK, "tasks", "--all", "--json", conf), &tasks)
	i := slices.IndexFunc(tasks.Tasks, func(k upkeep.Task) bool { return k.Rule == "window-clean" && k.Subject == "heron-1" })
	if i < 0 || tasks.At.IsZero() {
		t.Fatalf("at %v the window is not among %d tasks", tasks.At, len(tasks.Tasks))
	}
	if k := tasks.Tasks[i]; k.Status != upkeep.OK || k.UsedFraction != 0 || !k.Anchor.Equal(time.Date(2025, 7, 11, 22, 0, 0, 0, time.UTC)) {
		t.Errorf("after it was done the task is %+v", k)
	}
}

func TestAuditFindsAnAlteredEntry(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config
	contains(t, command(t, exitOK, "audit", conf), `heron-meter/import +\d+ +38.380\.769 kWh +agrees\n`, `\n4 registers, 0 differ from the facts\n`)

	db, err := pgx.Connect(t.Context(), p.url)
	if err != nil {
		t.Fatal(err)
	}
	tag, err := db.Exec(t.Context(), `UPDATE entry SET amount = amount + 1 WHERE start = $1 AND register =
		(SELECT id FROM register WHERE name = 'heron-meter/import')`, time.Date(2025, 5, 27, 10, 0, 0, 0, time.UTC))
	if err != nil || tag.RowsAffected() != 1 {
		t.Fatalf("alter one entry: %d rows, %v", tag.RowsAffected(), err)
	}
	if err := db.Close(t.Context()); err != nil {
		t.Fatal(err)
	}

	contains(t, command(t, exitFinding, "audit", conf),
		`heron-meter/import .* 1 entry differs: entry 2025-05-27T10:00:00Z curing led LED-1 is stored as \d+ \(measured\), facts give \d+ \(measured\)\n`,
		`heron-1/lit .* agrees\n`, `\n4 registers, 1 differ from the facts\n`)
	var r struct {
		Registers []struct {
			Register  string `json:"register"`
			Facts     int64  `json:"total_from_facts"`
			Stored    int64  `json:"total_stored"`
			Differing int    `json:"differing"`
			First     string `json:"first_difference"`
		} `json:"registers"`
		Differing int   `json:"differing"`
		Unsettled int64 `json:"unsettled"`
	}
	decode(t, command(t, exitFinding, "audit", "--json", conf), &r)
	if m := r.Registers[0]; r.Differing != 1 || r.Unsettled != 0 || m.Register != "heron-meter/import" || m.Stored != m.Facts+1 || m.Differing != 1 || m.First == "" {
		t.Errorf("audit as JSON: %+v", r)
	}
}

// contains fails the test for every pattern that the text does not match.
func contains(t *testing.T, text string, patterns ...string) {
	t.Helper()
	for _, p := range patterns {
		if !regexp.MustCompile(p).MatchString(text) {
			t.Errorf("nothing matches %s in\n%s", p, text)
		}
	}
}

// decode reads the only JSON document of a text, whose keys are all in lower
// case.
func decode(t *testing.T, text string, into any) {
	t.Helper()
	if err := json.Unmarshal([]byte(text), into); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	if strange := regexp.MustCompile(`"\w*[A-Z]\w*": `).FindString(text); strange != "" {
		t.Errorf("key %s is not in lower case", strange)
	}
}

// adjusted publishes June, corrects it by an adjustment, and takes the adjustment
// back.
func adjusted(t *testing.T, conf string) {
	t.Helper()
	contains(t, command(t, exitOK, "savings", "published", "heron-led", conf), `nothing was published yet`)
	contains(t, command(t, exitOK, "adjustment", "list", "heron-led", conf), `no adjustment is on record`)
	publish := []string{"savings", "publish", "heron-led", "--month", "2025-06", "--by", "Ann Example", conf}
	contains(t, command(t, exitOK, publish...), `published: heron-led, 2025-06, version 1, by Ann Example`, `SHA-256 [0-9a-f]{64}`)
	contains(t, command(t, exitOK, publish...), `published already: heron-led, 2025-06, version 1 says the same, word for word`)
	command(t, exitUsage, "savings", "publish", "heron-led", "--by", "Ann", conf)

	add := []string{
		"adjustment", "add", "heron-led", "--from", "2025-06-02", "--to", "2025-06-12", "--kwh", "150", "--sign", "plus",
		"--event", "a further dryer", "--by", "Ann Example", conf,
	}
	command(t, exitUsage, append(add, "--evidence", " ")...)
	command(t, exitUsage, append(add, "--evidence", "readings", "--kwh", "-5")...)
	command(t, exitFailed, append(add, "--evidence", "readings", "--factor", "dryers")...)
	contains(t, command(t, exitOK, append(add, "--evidence", "readings of the dryer's meter")...),
		`recorded: adjustment 1 of heron-led, plus 150.0 kWh over 2025-06-02 to 2025-06-12, a further dryer; approved by Ann Example`)
	contains(t, command(t, exitOK, "savings", "--month", "2025-06", conf),
		`adjustment 1 +\+150 kWh for a further dryer \(10 of 10 days counted; readings of the dryer's meter; approved by Ann Example\)`)
	if text := command(t, exitFailed, publish...); text != "" {
		t.Errorf("a correction without a reason: %s", text)
	}
	contains(t, command(t, exitOK, append(publish, "--reason", "a dryer was forgotten")...), `version 2 in place of version 1, by Ann Example`)
	contains(t, command(t, exitOK, "savings", "published", "heron-led", conf), `2025-06 +1 `, `2025-06 +2 .* instead of version 1: a dryer was forgotten`)
	var one, two savings.Statement
	decode(t, command(t, exitOK, "savings", "published", "heron-led", "--period", "2025-06", "--version", "1", conf), &one)
	decode(t, command(t, exitOK, "savings", "published", "heron-led", "--period", "2025-06", conf), &two)
	if d := two.SavedKWh - one.SavedKWh; math.Abs(d-150) > 1e-6 || len(two.Adjustments) != 1 || len(one.Adjustments) != 0 {
		t.Errorf("the corrected statement says %v kWh more, want 150", d)
	}
	command(t, exitFailed, "savings", "published", "heron-led", "--period", "2025-07", conf)

	take := append(add, "--evidence", "the dryer stood outside the boundary", "--kwh", "0", "--instead-of", "1")
	command(t, exitOK, take...)
	command(t, exitFailed, take...) // 1 has been taken back
	contains(t, command(t, exitOK, "adjustment", "list", "heron-led", conf), `1 +2025-06-02 +2025-06-12 +\+150 +replaced`, `2 .*takes back 1`)
	contains(t, command(t, exitOK, "adjustment", "list", "heron-led", "--json", conf), `"in_force": false`)
}

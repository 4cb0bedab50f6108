package plantfile_test

import (
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/sim"
	"curetally/internal/sim/plantfile"
)

func demo(t *testing.T) *sim.World {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatalf("time zone data: %v: install tzdata", err)
	}
	w, err := sim.New(sim.Defaults(time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC), zone))
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// The daemon takes the text, and its registers are those of the plant.
func TestDaemonTakesIt(t *testing.T) {
	w := demo(t)
	text, err := plantfile.Text(w, plantfile.Addresses{
		MeterTCP: "tcp://127.0.0.1:1502", MeterRTU: "rtuovertcp://127.0.0.1:1503", Broker: "mqtt://127.0.0.1:1883",
	})
	if err != nil {
		t.Fatal(err)
	}
	c, err := config.Parse("demo.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p := c.Plant
	if err := w.History(t.Context(), sim.HistoryOptions{To: w.Options().Start.Add(time.Hour)}, func(f plant.Facts) error {
		for _, r := range f.Readings {
			if _, ok := p.FindRegister(r.Register); !ok {
				t.Errorf("the configuration has no register %s", r.Register)
			}
		}
		for _, e := range f.Events {
			if s, ok := p.FindStation(e.Station); !ok || s.TechnologyAt(e.At) != e.Technology || s.Silence <= sim.StatusPeriod {
				t.Errorf("station %s: %+v", e.Station, s)
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for _, id := range sim.Meters() {
		_, layout, err := w.Mounting(id)
		if err != nil {
			t.Fatal(err)
		}
		m, ok := p.FindMeter(id)
		if a := m.Accuracy; !ok || a.Class == "" || a.PowerFactor == 0 {
			t.Errorf("%s: accuracy %+v", id, a)
		}
		r, _ := p.FindRegister(plant.RegisterOf(id, sim.ValueImport))
		if want := int64(layout.Modulus) * layout.StepMilliwattHours; r.Rules.Modulus != want || r.Rules.Slack != layout.StepMilliwattHours {
			t.Errorf("%s: modulus %d and slack %d, want %d and %d", id, r.Rules.Modulus, r.Rules.Slack, want, layout.StepMilliwattHours)
		}
	}
	for _, a := range w.Lamps() {
		if _, ok := p.FindLampKind(a.Lamp.Kind); !ok {
			t.Errorf("no lamp kind %s", a.Lamp.Kind)
		}
	}
	rules := map[plant.RuleID]bool{}
	for _, r := range p.Rules {
		rules[r.ID] = true
	}
	for _, d := range w.Dones() {
		if !rules[d.Rule] {
			t.Fatalf("no rule %s", d.Rule)
		}
	}
	// Enough for its arc lamp, as nobody would have mounted it otherwise.
	if m, ok := p.FindMeter("heron-6-meter"); !ok || m.Accuracy.Transformers != "0.5" || len(c.Warnings) != 0 {
		t.Errorf("the meter with large transformers: %+v, warnings %v", m.Accuracy, c.Warnings)
	}
	if len(p.Projects) != 1 || len(p.Projects[0].Boundary) != len(sim.Meters())-1 {
		t.Errorf("projects %+v: want one with all meters but the check meter", p.Projects)
	}
}

func TestText(t *testing.T) {
	w := demo(t)
	a := plantfile.Addresses{
		MeterTCP: "tcp://127.0.0.1:1", MeterRTU: "rtuovertcp://127.0.0.1:2", Broker: "mqtt://127.0.0.1:3",
		Listen: "127.0.0.1:4", DataDir: "data", DatabaseURL: "postgres://x",
	}
	text, err := plantfile.Text(w, a)
	if err != nil {
		t.Fatal(err)
	}
	again, err := plantfile.Text(w, a)
	if err != nil || again != text {
		t.Errorf("the same plant gave another configuration (%v)", err)
	}
	for _, want := range []string{
		`url: "tcp://127.0.0.1:1"`, `url: "rtuovertcp://127.0.0.1:2"`, `url: "mqtt://127.0.0.1:3"`, `listen: "127.0.0.1:4"`,
		`data_dir: "data"`, `url: "postgres://x"`, `from: "2026-09-12 10:00", is: led`, "time_zone: Europe/London",
		"baseline: {from: 2026-03-16, to: 2026-09-12, technology: arc}", "reporting: {from: 2026-09-13, technology: led}",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("configuration lacks %q", want)
		}
	}
	for _, m := range sim.Meters() {
		if !strings.Contains(text, "name: "+string(m)+",") {
			t.Errorf("configuration lacks meter %s", m)
		}
	}
	if strings.Contains(text, "- heron-supply-meter") {
		t.Error("the check meter is in the boundary")
	}
	bare, err := plantfile.Text(w, plantfile.Addresses{})
	if err != nil || strings.Contains(bare, "listen:") || strings.Contains(bare, "database:") {
		t.Errorf("addresses that are not given are in the configuration (%v)", err)
	}
}

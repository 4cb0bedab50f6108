package probe

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/commission"
	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
)

var update = flag.Bool("update", false, "write the golden files anew")

// bench is a meter of whole-number registers on a workbench: 9 kW through three
// phases, counted in watt-hours.
type bench struct {
	began time.Time
	watts float64
	turn  float64 // -1 with the transformer of phase 2 turned round
	err   error
	// patience is how long an answer takes.
	patience time.Duration
}

func (b *bench) Read(ctx context.Context) (layout.Image, error) {
	timer := time.NewTimer(b.patience)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
		return layout.Image{}, ctx.Err()
	}
	if b.err != nil {
		return layout.Image{}, b.err
	}
	now := time.Now()
	wh := 100_000_000 + uint32(b.watts*now.Sub(b.began).Hours())
	phase := b.watts / 3
	img := layout.Image{At: now.UTC(), Words: map[layout.Address]uint16{}}
	amperes := phase / 230 / 0.95
	for i, w := range []float64{
		float64(wh >> 16), float64(wh & 0xFFFF), phase * (2 + b.turn), 2300, 2301, 2299,
		amperes * 100, amperes * 100, amperes * 100, phase, phase * b.turn, phase, 95, 95 * b.turn, 95, 5000,
	} {
		img.Words[layout.Address{Function: 3, Register: uint16(10 + i)}] = uint16(int64(math.Round(w)))
	}
	return img, nil
}

func benchMeter(name string) plant.Meter {
	value := func(name string, at uint16, t plant.WordType, scale, unit string) plant.ProfileValue {
		return plant.ProfileValue{Name: name, Function: 3, Address: 10 + at, Type: t, Scale: scale, Unit: unit, Cumulative: unit == "Wh"}
	}
	p := plant.Profile{Name: "bench", Values: []plant.ProfileValue{value("import", 0, plant.Uint32, "", "Wh"), value("power", 2, plant.Int16, "", "W")}}
	for i := range uint16(3) {
		n := fmt.Sprint(i + 1)
		p.Values = append(
			p.Values, value("voltage_"+n, 3+i, plant.Uint16, "0.1", "V"), value("current_"+n, 6+i, plant.Uint16, "0.01", "A"),
			value("power_"+n, 9+i, plant.Int16, "", "W"), value("power_factor_"+n, 12+i, plant.Int16, "0.01", ""),
		)
	}
	p.Values = append(p.Values, value("frequency", 15, plant.Uint16, "0.01", "Hz"))
	return plant.Meter{ID: plant.MeterID(name), Bus: "panel", Unit: 3, Profile: p, MaxPower: 12000}
}

// newLive reads benches, one bus each.
func newLive(out *bytes.Buffer, benches ...*bench) live {
	l := live{out: out, zone: time.FixedZone("CET", 3600), record: Record{
		Site: "Alder Lane Labels", By: "Ann Example", Program: "curetally test", Safety: safety,
		Transformer: commission.Transformer{Amperes: 400, Class: "0.5S"},
	}}
	for i, b := range benches {
		m := benchMeter(fmt.Sprintf("heron-%d-meter", i+1))
		l.lines = append(l.lines, line{
			subjects: []*subject{{meter: m, url: fmt.Sprintf("tcp://192.0.2.%d:502", 11+i), source: b}},
			close:    func() error { return nil },
		})
	}
	return l
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(want, got) {
		t.Errorf("%s differs from\n%s\nlook at both, then run the test with -update", path, got)
	}
}

// A minute with one meter that is right but for its transformers, at the virtual
// time of the bubble: Saturday, 1 January 2000.
func TestLive_OneMeterForAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		l := newLive(&out, &bench{began: time.Now(), watts: 9000, turn: 1, patience: 20 * time.Millisecond})
		l.terminal = true
		ctx, stop := context.WithTimeout(t.Context(), 70*time.Second+500*time.Millisecond)
		defer stop()
		r, err := l.run(ctx)
		if err != nil {
			t.Fatal(err)
		}
		pages := strings.Split(out.String(), home)
		if n := len(pages) - 1; n < 69 || n > 72 || pages[0] != clearScreen {
			t.Errorf("%d pages in 70 s, before the first %q", n, pages[0])
		}
		golden(t, "page.golden", []byte(pages[len(pages)-1]))
		golden(t, "record.golden", recordText(r, l.zone))
		if err := r.verdict(); err != nil {
			t.Errorf("verdict: %v", err)
		}
		if v := r.Meters[0].Verdicts; v[len(v)-1].Check != commission.CheckRegister || v[len(v)-1].Outcome != commission.Good {
			t.Errorf("after a minute the register is %+v", v[len(v)-1])
		}
	})
}

// Several meters on a terminal make one line each, with what is wrong; a silent one
// holds up no other.
func TestLive_Overview(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		l := newLive(
			&out,
			&bench{began: time.Now(), watts: 9000, turn: 1},
			&bench{began: time.Now(), watts: 9000, turn: -1},
			&bench{err: errors.New("meter heron-3-meter: no answer — check the meter's supply"), patience: 5 * time.Second},
		)
		l.terminal = true
		l.record.Transformer = commission.Transformer{}
		ctx, stop := context.WithTimeout(t.Context(), 6500*time.Millisecond)
		defer stop()
		r, err := l.run(ctx)
		if err != nil {
			t.Fatal(err)
		}
		pages := strings.Split(out.String(), home)
		golden(t, "overview.golden", []byte(pages[len(pages)-1]))
		if !strings.Contains(pages[2], "9000.0 W") || !strings.Contains(pages[2], "not read yet") {
			t.Errorf("while one is silent the page is\n%s", pages[2])
		}
		if err := r.verdict(); !errors.Is(err, desk.ErrFinding) {
			t.Errorf("verdict: %v", err)
		}
	})
}

func TestLive_Once(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, asJSON := range []bool{false, true} {
			var out bytes.Buffer
			l := newLive(&out, &bench{began: time.Now(), watts: 9000, turn: -1, patience: 3 * time.Second})
			l.once, l.json = true, asJSON
			r, err := l.run(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(out.String(), "\x1b") {
				t.Errorf("control sequences for no terminal:\n%s", &out)
			}
			if !asJSON {
				if n := strings.Count(out.String(), "read only\n"); n != 1 || !strings.Contains(out.String(), "WRONG     direction    negative power: phase 2 −3.000 kW") {
					t.Errorf("%d blocks:\n%s", n, &out)
				}
				continue
			}
			var back Record
			if err := json.Unmarshal(out.Bytes(), &back); err != nil {
				t.Fatal(err)
			}
			if len(back.Meters) != 1 || len(back.Meters[0].Values) != 15 || len(back.Meters[0].Settings) != 12 || back.Safety == "" || !back.At.Equal(r.At) {
				t.Errorf("JSON is\n%s", &out)
			}
		}
	})
}

// As JSON, a run gives one document per line and second.
func TestLive_JSONLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		l := newLive(&out, &bench{began: time.Now(), watts: 9000, turn: 1})
		l.json, l.terminal = true, true
		ctx, stop := context.WithTimeout(t.Context(), 3500*time.Millisecond)
		defer stop()
		if _, err := l.run(ctx); err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		if len(lines) != 4 {
			t.Errorf("%d lines", len(lines))
		}
		for _, text := range lines {
			if !json.Valid([]byte(text)) {
				t.Errorf("no JSON: %s", text)
			}
		}
	})
}

type brokenPipe struct{}

func (brokenPipe) Write([]byte) (int, error) { return 0, os.ErrClosed }

// When nobody reads the pages any more, everything ends.
func TestLive_BrokenOutput(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLive(nil, &bench{began: time.Now(), watts: 9000, turn: 1}, &bench{began: time.Now(), watts: 9000, turn: 1})
		l.out = brokenPipe{}
		if _, err := l.run(t.Context()); !errors.Is(err, os.ErrClosed) {
			t.Errorf("run: %v", err)
		}
	})
}

func TestVerdict(t *testing.T) {
	read := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
	good := []commission.Verdict{{Outcome: commission.Good}}
	for _, c := range []struct {
		name    string
		meters  []Meter
		finding bool
		text    string
	}{
		{"good", []Meter{{At: read, Verdicts: good}}, false, ""},
		{"doubtful is no finding", []Meter{{At: read, Verdicts: []commission.Verdict{{Outcome: commission.Doubtful}}}}, false, ""},
		{"wrong", []Meter{{At: read, Verdicts: []commission.Verdict{{Outcome: commission.Wrong}}}}, true, ""},
		{"lost while reading", []Meter{{At: read, Verdicts: good, Problem: "gone"}}, true, ""},
		{"one of two", []Meter{{At: read, Verdicts: good}, {Problem: "silent"}}, true, ""},
		{"the only one", []Meter{{Problem: "silent"}}, false, "silent"},
		{"none", []Meter{{Problem: "silent"}, {Problem: "dead"}}, false, "none of 2 meters could be read; the first: silent"},
	} {
		err := Record{Meters: c.meters}.verdict()
		if errors.Is(err, desk.ErrFinding) != c.finding {
			t.Errorf("%s: %v", c.name, err)
		}
		if !c.finding && (c.text == "" && err != nil || c.text != "" && (err == nil || err.Error() != c.text)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.text)
		}
	}
}

func TestValidate(t *testing.T) {
	discover := Command{Discover: "tcp://192.0.2.1:502", Units: "1-5", Timeout: time.Second}
	with := func(change func(*Command)) Command {
		c := discover
		change(&c)
		return c
	}
	for _, c := range []struct {
		command Command
		want    string
	}{
		{Command{}, ""},
		{Command{Once: true, Record: "a.json", By: "Ann", CTAmperes: 100, CTClass: "0.5S"}, ""},
		{discover, ""},
		{Command{Once: true, For: time.Second}, "expected one of them"},
		{Command{For: -time.Second}, "--for"},
		{Command{CTAmperes: math.NaN()}, "--ct-amperes"},
		{Command{CTClass: "0.5"}, "needs --ct-amperes"},
		{Command{CTClass: "0.7", CTAmperes: 100}, "expected one of 0.1, 0.2"},
		{Command{Record: "a.pdf", By: "Ann"}, ""},
		{Command{Record: "a.doc", By: "Ann"}, "ends in .json, .txt or .pdf"},
		{Command{Record: "a.txt", By: " "}, "needs --by"},
		{with(func(c *Command) { c.Meters = []string{"m"} }), "without meters"},
		{with(func(c *Command) { c.Record, c.By = "a.txt", "Ann" }), "--record"},
		{with(func(c *Command) { c.Timeout = 0 }), "--timeout"},
		{with(func(c *Command) { c.Units = "300" }), "--units"},
		{with(func(c *Command) { c.Discover, c.Units = "rtu:///dev/ttyUSB0", "0-5" }), "broadcast"},
	} {
		err := c.command.Validate()
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%+v: %v, want an error with %q", c.command, err, c.want)
		}
	}
}

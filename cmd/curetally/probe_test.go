package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/simonvetter/modbus"
)

// benchMeter serves a meter of 32-bit floats, high word first, at unit 1, and
// counts what is not a read.
type benchMeter struct {
	words  []uint16
	writes chan uint8
}

func (m benchMeter) HandleCoils(r *modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func (m benchMeter) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func (m benchMeter) HandleInputRegisters(*modbus.InputRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}

func (m benchMeter) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	if r.IsWrite {
		m.writes <- r.UnitId
		return nil, modbus.ErrIllegalFunction
	}
	if r.UnitId != 1 || int(r.Addr)+int(r.Quantity) > len(m.words) {
		return nil, modbus.ErrIllegalDataAddress
	}
	return m.words[r.Addr : r.Addr+r.Quantity], nil
}

// serveBench starts the meter and gives its address. Values are as profile
// kwh-float32 lists them: energy, power, three volts, three amperes, power factor.
func serveBench(t *testing.T) string {
	t.Helper()
	m := benchMeter{writes: make(chan uint8, 1)}
	for _, v := range []float32{12345.5, 6210, 230, 231, 229, 10, 10, 10, 0.9} {
		bits := math.Float32bits(v)
		m.words = append(m.words, uint16(bits>>16), uint16(bits))
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0") // for a free port
	if err != nil {
		t.Fatal(err)
	}
	url := "tcp://" + ln.Addr().String()
	if err := ln.Close(); err != nil {
		t.Fatal(err)
	}
	server, err := modbus.NewServer(&modbus.ServerConfiguration{URL: url, Logger: slog.NewLogLogger(slog.DiscardHandler, 0)}, m)
	if err != nil {
		t.Fatal(err)
	}
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := server.Stop(); err != nil && !errors.Is(err, net.ErrClosed) {
			t.Errorf("server: %v", err)
		}
		if len(m.writes) > 0 {
			t.Error("a register was written")
		}
	})
	return url
}

func probePlant(t *testing.T, meters string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "plant.yaml")
	text := `site: {name: Alder Lane Labels, time_zone: Europe/Berlin}
broker: {url: "mqtt://192.0.2.5:1883"}
presses: [{name: heron, stations: [{name: heron-1, technology: led, metered: false}]}]
meters:
` + meters
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// probeRun gives what a call prints, after checking its exit code.
func probeRun(t *testing.T, code int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if got := run(t.Context(), append([]string{"probe"}, args...), &out, &errs); got != code {
		t.Errorf("probe %v: exit code %d, want %d\n%s%s", args, got, code, &out, &errs)
	}
	return out.String(), errs.String()
}

func expect(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("nothing says %q in\n%s", p, text)
		}
	}
}

func TestProbe_OnceAndRecord(t *testing.T) {
	config := probePlant(t, fmt.Sprintf("  - {name: heron-meter, url: %q, profile: kwh-float32, max_power: 9 kW, press: heron}\n", serveBench(t)))
	text, _ := probeRun(t, exitOK, "--config", config, "--once", "--ct-amperes=200", "--ct-class=0.5")
	expect(
		t, text, "Panels are for licensed electricians", "[CONFIGURED]", "12345.500 ✓",
		"GOOD      setting      as configured, 9 of 9 values look plausible",
		"GOOD      power        the meter says 6.210 kW; the sum of volts × amperes × power factor over the phases gives 6.210 kW",
		"10 A is 5 % of the 200 A", "OPEN      register",
	)

	file := filepath.Join(t.TempDir(), "record.txt")
	probeRun(t, exitOK, "--config", config, "--once", "--record", file, "--by=Ann Example", "heron-meter")
	record, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	expect(t, string(record), "COMMISSIONING RECORD", "By        Ann Example", "12345.500 kWh", "Electrician   ____")
	_, said := probeRun(t, exitFailed, "--config", config, "--once", "--record", file, "--by=Bob Example")
	expect(t, said, "is there already")
	if again, err := os.ReadFile(file); err != nil || !bytes.Equal(again, record) {
		t.Errorf("the record was touched: %v", err)
	}

	file = filepath.Join(t.TempDir(), "record.json")
	probeRun(t, exitOK, "--config", config, "--once", "--record", file, "--by=Ann Example")
	var r struct {
		By     string
		Meters []struct {
			Meter    string
			Verdicts []struct{ Check, Outcome string }
		}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &r); err != nil || r.By != "Ann Example" || len(r.Meters) != 1 || r.Meters[0].Verdicts[0].Outcome != "good" {
		t.Errorf("record is %+v, %v\n%s", r, err, data)
	}
}

func TestProbe_WrongWordOrderShowsItself(t *testing.T) {
	config := probePlant(t, fmt.Sprintf("  - {name: heron-meter, url: %q, profile: kwh-float32-little-words, max_power: 9 kW, press: heron}\n", serveBench(t)))
	text, _ := probeRun(t, exitFinding, "--config", config, "--once")
	expect(t, text, "WRONG     setting", "with words swapped, 9 of 9", "→ take a profile with word_order: big")
}

func TestProbe_WrongAddressShowsItself(t *testing.T) {
	config := probePlant(t, fmt.Sprintf("  - {name: heron-meter, url: %q, profile: kwh-float32, address_offset: 1, max_power: 9 kW, press: heron}\n", serveBench(t)))
	text, _ := probeRun(t, exitFinding, "--config", config, "--once")
	expect(t, text, "WRONG     setting", "with address 1 lower, orders as configured, 9 of 9", "→ add -1 to address_offset")
}

func TestProbe_NobodyAnswers(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := ln.Close(); err != nil { // nobody listens there now
		t.Fatal(err)
	}
	line := "  - {name: %s, url: \"tcp://%s\", profile: kwh-float32, max_power: 9 kW, press: heron}\n"
	config := probePlant(t, fmt.Sprintf(line, "heron-meter", ln.Addr()))
	file := filepath.Join(t.TempDir(), "record.txt")
	_, said := probeRun(t, exitFailed, "--config", config, "--once")
	expect(t, said, "heron-meter", "expected a reachable device")
	probeRun(t, exitFailed, "--config", config, "--once", "--record", file, "--by=Ann")
	if _, err := os.Stat(file); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a record of nothing is left: %v", err)
	}
	_, said = probeRun(t, exitFailed, "--config", config, "--once", "heron-metre")
	expect(t, said, `meter "heron-metre" is not in the configuration`, "heron-meter")
	_, said = probeRun(t, exitFailed, "--discover", "tcp://"+ln.Addr().String(), "--units=1-3")
	expect(t, said, "expected a reachable device")
}

func TestProbe_DiscoverFindsNoSunSpec(t *testing.T) {
	text, _ := probeRun(t, exitOK, "--discover", serveBench(t), "--units=1-2", "--timeout=5s")
	expect(t, text, "Panels are for licensed electricians", "2 of 2 unit ids answer: 1-2", "without SunSpec registers: 1-2", "no meter that a ready-made profile fits")
}

func TestProbe_WrongCalls(t *testing.T) {
	for _, args := range [][]string{{"--record=a.doc", "--by=Ann"}, {"--units=x", "--discover=tcp://192.0.2.1:502"}, {"--parity=mark"}, {"--once", "--for=5s"}} {
		out, said := probeRun(t, exitUsage, args...)
		expect(t, said, "see curetally probe --help")
		if out != "" {
			t.Errorf("%v prints %q", args, out)
		}
	}
}

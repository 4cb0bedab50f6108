package discover

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/simonvetter/modbus"

	"curetally/cmd/curetally/desk"
	"curetally/internal/link/config"
	"curetally/internal/link/config/profiles"
	"curetally/internal/link/meterlink"
)

// panel serves the holding registers of several units; others are refused as a
// gateway does.
type panel map[uint8]map[uint16]uint16

func (panel) HandleCoils(*modbus.CoilsRequest) ([]bool, error) { return nil, modbus.ErrIllegalFunction }

func (panel) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func (panel) HandleInputRegisters(*modbus.InputRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}

func (p panel) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	image, ok := p[r.UnitId]
	if !ok {
		return nil, modbus.ErrGWTargetFailedToRespond
	}
	out := make([]uint16, r.Quantity)
	for i := range out {
		w, ok := image[r.Addr+uint16(i)]
		if !ok || r.IsWrite {
			return nil, modbus.ErrIllegalDataAddress
		}
		out[i] = w
	}
	return out, nil
}

// device lays out a SunSpec device of given models.
func device(base uint16, serial string, blocks ...[2]uint16) map[uint16]uint16 {
	image := map[uint16]uint16{base: 0x5375, base + 1: 0x6E53}
	at := base + 2
	for _, b := range append([][2]uint16{{1, 66}}, blocks...) {
		image[at], image[at+1] = b[0], b[1]
		for i := range b[1] {
			image[at+2+i] = 0
		}
		if b[0] == 1 {
			for i, c := range []byte("Alder Lane") {
				image[at+2+uint16(i/2)] |= uint16(c) << (8 * (1 - i%2))
			}
			for i, c := range []byte(serial) {
				image[at+50+uint16(i/2)] |= uint16(c) << (8 * (1 - i%2))
			}
		}
		at += 2 + b[1]
	}
	image[at], image[at+1] = 0xFFFF, 0
	return image
}

func serve(t *testing.T, p panel) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0") // for a free port
	if err != nil {
		t.Fatal(err)
	}
	url := "tcp://" + ln.Addr().String()
	if err := ln.Close(); err != nil {
		t.Fatal(err)
	}
	server, err := modbus.NewServer(&modbus.ServerConfiguration{URL: url, Logger: slog.NewLogLogger(slog.DiscardHandler, 0)}, p)
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
	})
	return url
}

func run(t *testing.T, s Search) (string, error) {
	t.Helper()
	s.Timeout, s.Safety = 5*time.Second, "Licensed electricians only."
	if err := s.Check(); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	err := s.Run(t.Context(), desk.Surroundings{Stdout: &out, Log: slog.New(slog.DiscardHandler)})
	return out.String(), err
}

func TestSearch(t *testing.T) {
	garbage := device(40000, "SN-6", [2]uint16{203, 105})
	garbage[40071] = 0 // length of the meter's block
	url := serve(t, panel{
		2: device(40000, "SN-2", [2]uint16{203, 105}),
		3: device(0, "SN-3", [2]uint16{213, 124}, [2]uint16{203, 105}),
		4: device(40000, "SN-2", [2]uint16{203, 105}),
		5: {0: 1, 1: 2},
		6: garbage,
		7: device(50000, "SN-7", [2]uint16{201, 104}, [2]uint16{160, 20}),
	})
	text, err := run(t, Search{URL: url, Units: "1-8"})
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf(`Licensed electricians only.

unit 2: SunSpec at 40000, Alder Lane, serial SN-2
  model 1     at 40002 length 66
  model 203   at 40070 length 105   SunSpec model 203, three phases, star: profile sunspec-203, address_offset 0

unit 3: SunSpec at 0, Alder Lane, serial SN-3
  model 1     at 2     length 66
  model 213   at 70    length 124   SunSpec model 213, three phases, star, floats: profile sunspec-213, address_offset -40000
  model 203   at 196   length 105   SunSpec model 203, three phases, star: profile sunspec-203, address_offset -39874

unit 4: SunSpec at 40000, Alder Lane, serial SN-2
  the same device as unit 2: it answers for other unit ids too

unit 6: SunSpec at 40000, Alder Lane, serial SN-6
  model 1     at 40002 length 66
  FAULT: the block at address 40070, model 203, has length 0: the chain of models would not go on

unit 7: SunSpec at 50000, Alder Lane, serial SN-7
  model 1     at 50002 length 66
  model 201   at 50070 length 104   sunspec-201 does not fit: the block has length 104, the profile expects [105]: copy the profile into the configuration and change its anchor after comparing the map
  model 160   at 50176 length 20

6 of 8 unit ids answer: 2-7
without SunSpec registers: 5
for the configuration:

meters:
  - {name: meter-2, url: %[1]q, unit: 2, profile: sunspec-203} # add max_power, and station or press
  - {name: meter-3, url: %[1]q, unit: 3, profile: sunspec-203, address_offset: -39874} # add max_power, and station or press
`, url)
	if d := cmp.Diff(want, text); d != "" {
		t.Errorf("result differs (-want +got):\n%s", d)
	}

	text, err = run(t, Search{URL: url, Units: "2", JSON: true})
	if err != nil {
		t.Fatal(err)
	}
	var f Found
	if err := json.Unmarshal([]byte(text), &f); err != nil {
		t.Fatal(err)
	}
	if f.Asked != 1 || len(f.Devices) != 1 || f.Devices[0].Serial != "SN-2" || len(f.Devices[0].Models) != 2 || !strings.HasPrefix(f.Configuration, "meters:\n") {
		t.Errorf("JSON is\n%s", text)
	}

	if text, err := run(t, Search{URL: url, Units: "100-102"}); err == nil || !strings.Contains(err.Error(), "none of 3 unit ids answers") || text != "" {
		t.Errorf("nobody answers: %v, %q", err, text)
	}
}

// What is printed goes into a configuration, on each kind of bus: only what it
// names as missing is missing.
func TestConfigurationCanBePasted(t *testing.T) {
	for _, url := range []string{"tcp://192.0.2.10:502", "rtuovertcp://192.0.2.10:4001", "rtu:///dev/ttyUSB0"} {
		f := Found{URL: url}
		for unit, at := range map[uint8]uint16{3: 40070, 9: 70} {
			f.Devices = append(f.Devices, f.device(meterlink.Device{
				Unit: unit, Answers: true, SunSpec: true, Blocks: []meterlink.Block{{Model: 203, Address: at, Length: 105}},
			}, profiles.Ready()))
		}
		lines := f.configure(Search{Speed: 9600, Parity: "none", StopBits: 1})
		lines = strings.ReplaceAll(lines, "} # add max_power, and station or press", ", max_power: 9 kW, press: heron}")
		text := "site: {name: Alder Lane Labels, time_zone: Europe/Berlin}\npresses: [{name: heron, stations: [{name: heron-1, technology: arc, metered: false}]}]\nbroker: {url: \"mqtt://192.0.2.5:1883\"}\n" + lines
		c, err := config.Parse("pasted.yaml", []byte(text))
		if err != nil {
			t.Errorf("%s: %v\n%s", url, err, text)
			continue
		}
		if b := c.Plant.Buses; len(b) != 1 || len(b[0].Meters) != 2 || b[0].URL != url {
			t.Errorf("%s: buses %+v", url, b)
		}
	}
}

func TestUnits(t *testing.T) {
	for text, want := range map[string]string{
		"1-3": "1-3", "5": "5", "3,1-2, 2": "1-3", "1,126,247": "1, 126, 247", "0,255": "0, 255", "250-255": "250-255",
		"": "", "a": "", "5-1": "", "256": "", "-1": "", "1-": "", "1,,2": "",
	} {
		units, err := parseUnits(text)
		if got := formatUnits(units); got != want || (err != nil) != (want == "") || !slices.IsSorted(units) {
			t.Errorf("%q: %q, %v; want %q", text, got, err, want)
		}
	}
}

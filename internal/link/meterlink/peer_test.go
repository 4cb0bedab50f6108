package meterlink

import (
	"bufio"
	"bytes"
	"errors"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"curetally/internal/core/plant"
)

// startPeer builds the libmodbus meter of testdata, starts it in a mode and
// gives the bus URL it is reached at.
func startPeer(t *testing.T, mode string) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "peer")
	build := exec.CommandContext(t.Context(), "cc", "-Wall", "-Wno-overflow", "-I/usr/include/modbus",
		"-o", program, filepath.Join("testdata", "peer.c"), "-lmodbus")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("the peer did not build: %v\n%s\nexpected a C compiler and libmodbus: apt-get install gcc libc6-dev libmodbus-dev", err, out)
	}
	peer := exec.Command(program, mode) // outlives the test's context, so that the bus closes first
	var said bytes.Buffer
	peer.Stderr = &said
	out, err := peer.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := peer.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = peer.Process.Kill()
		_ = peer.Wait() // ends by the kill
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		_ = peer.Wait()
		t.Fatalf("the peer did not start: %v\n%s", err, said.String())
	}
	if mode == "rtu" {
		return "rtu://" + strings.TrimSpace(line)
	}
	return "tcp://127.0.0.1:" + strings.TrimSpace(line)
}

// everyType is a profile over the peer's registers outside the meter block.
func everyType() plant.Profile {
	none := uint64(0xFFFF)
	float := plant.ProfileValue{Function: 3, Type: plant.Float32, Unit: "kWh", Cumulative: true}
	layout := func(name string, address uint16, littleWords, littleBytes bool) plant.ProfileValue {
		v := float
		v.Name, v.Address, v.LittleWords, v.LittleBytes = name, address, littleWords, littleBytes
		return v
	}
	return plant.Profile{Name: "every-type", Values: []plant.ProfileValue{
		{Name: "unsigned", Function: 3, Address: 40120, Type: plant.Uint32, Unit: "Wh", Cumulative: true},
		{Name: "signed", Function: 3, Address: 40122, Type: plant.Int32, Unit: "W"},
		{Name: "long", Function: 3, Address: 40124, Type: plant.Int64, Unit: "mWh", Cumulative: true},
		layout("abcd", 40128, false, false),
		layout("dcba", 40130, true, true),
		layout("badc", 40132, false, true),
		layout("cdab", 40134, true, false),
		{Name: "absent", Function: 3, Address: 40136, Type: plant.Uint16, NoValue: &none},
		{Name: "short", Function: 3, Address: 40137, Type: plant.Int16, Scale: "0.1", Unit: "A"},
		{Name: "input-float", Function: 4, Address: 40120, Type: plant.Float32, Unit: "kWh", Cumulative: true},
		{Name: "input-unsigned", Function: 4, Address: 40122, Type: plant.Uint32, Scale: "0.01", Unit: "kWh", Cumulative: true},
	}}
}

// The peer is libmodbus, which shares no code with the client library: over
// TCP, and over a serial line made of a pseudo terminal.
func TestAgainstLibmodbus(t *testing.T) {
	for _, mode := range []string{"tcp", "rtu"} {
		t.Run(mode, func(t *testing.T) {
			url := startPeer(t, mode)
			refused := plant.Profile{Name: "beyond", Values: []plant.ProfileValue{{Name: "v", Function: 3, Address: 1, Type: plant.Uint16}}}
			b := newTestBus(t, plant.Bus{
				ID: "line", URL: url, Speed: 115200, DataBits: 8, Parity: "none", StopBits: 1,
				Timeout: 20 * time.Second, Quiet: 10 * time.Millisecond,
				Meters: []plant.Meter{
					{ID: "block", Unit: 17, Profile: threePhase(40000), Multiplier: "40"},
					{ID: "types", Unit: 17, Profile: everyType()},
					{ID: "beyond", Unit: 17, Profile: refused},
				},
			})
			for range 3 {
				s, err := b.Read(t.Context(), "block")
				if err != nil {
					t.Fatal(err)
				}
				mustEqual(t, s, Sample{
					// 3 000 000 123 × 10⁻¹ Wh, before the transformers; 2³² counts likewise.
					Readings: []plant.Reading{{Register: "block/import", Value: 300_000_012_300, Modulus: 1 << 32 * 100}},
					Signals: []plant.Signal{
						{Subject: "block", Name: "power_watts", Value: -600_000},
						{Subject: "block", Name: "current_amperes", Value: 493.6},
						{Subject: "block", Name: "voltage_volts", Value: 230.5},
						{Subject: "block", Name: "frequency_hertz", Value: 50.01},
					},
				})
				if s, err = b.Read(t.Context(), "types"); err != nil {
					t.Fatal(err)
				}
				mustEqual(t, s, Sample{
					Readings: []plant.Reading{
						{Register: "types/unsigned", Value: 0xDEADBEEF * 1000},
						{Register: "types/long", Value: -5_000_000_000},
						// 12345.678 as float32 is 12345.677734375 exactly.
						{Register: "types/abcd", Value: 12_345_677_734},
						{Register: "types/dcba", Value: 12_345_677_734},
						{Register: "types/badc", Value: 12_345_677_734},
						{Register: "types/cdab", Value: 12_345_677_734},
						{Register: "types/input-float", Value: 1_234_500_000},
						{Register: "types/input-unsigned", Value: 9_876_543_210_000},
					},
					Signals: []plant.Signal{
						{Subject: "types", Name: "signed_watts", Value: -2},
						{Subject: "types", Name: "short_amperes", Value: -12.3},
					},
				})
				if _, err := b.Read(t.Context(), "beyond"); !errors.Is(err, ErrException) {
					t.Fatalf("an address beyond the map: err = %v, want ErrException", err)
				}
			}
		})
	}
}

// A unit that is not on the line: silence, then the line is sound again.
func TestSilentUnitOnASerialLine(t *testing.T) {
	t.Parallel()
	b := newTestBus(t, plant.Bus{
		ID: "line", URL: startPeer(t, "rtu"), Speed: 115200, Timeout: patience, Quiet: 20 * time.Millisecond,
		Meters: []plant.Meter{
			{ID: "here", Unit: 17, Profile: threePhase(40000)},
			{ID: "gone", Unit: 18, Profile: threePhase(40000)},
		},
	})
	for i, id := range []plant.MeterID{"here", "gone", "here", "here"} {
		_, err := b.Read(t.Context(), id)
		if id == "here" && err != nil {
			t.Fatalf("poll %d: %v", i+1, err)
		}
		if id == "gone" && !errors.Is(err, ErrLink) {
			t.Fatalf("poll %d: err = %v, want ErrLink", i+1, err)
		}
	}
}

// mustEqual compares samples but for their instants.
func mustEqual(t *testing.T, got, want Sample) {
	t.Helper()
	when := cmp.Options{cmpopts.EquateEmpty(), cmpopts.IgnoreFields(plant.Reading{}, "At"), cmpopts.IgnoreFields(plant.Signal{}, "At")}
	if diff := cmp.Diff(want, got, when); diff != "" {
		t.Fatalf("sample (-want +got):\n%s", diff)
	}
}

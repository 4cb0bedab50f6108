package meters

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"log"
	"math"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
)

// started runs the servers of a plant with a clock that stands at an instant of
// working hours after the conversion.
func started(t *testing.T) (*Servers, *sim.World, time.Time) {
	t.Helper()
	now := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)
	w, err := sim.New(sim.Defaults(now, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	s, err := Listen(w, Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return s, w, now
}

func client(t *testing.T, url string) *modbus.ModbusClient {
	t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: url, Speed: 921600, Timeout: 5 * time.Second, Logger: log.New(io.Discard, "", 0),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// The register maps as the demo configuration describes them.
func decode(t *testing.T, c *modbus.ModbusClient, profile string) (mwh int64, watts float64) {
	t.Helper()
	read := func(address, n uint16, kind modbus.RegType) []uint16 {
		words, err := c.ReadRegisters(address, n, kind)
		if err != nil {
			t.Fatalf("%s: read %d registers at %d: %v", profile, n, address, err)
		}
		return words
	}
	big := func(w []uint16) (v uint64) {
		for _, x := range w {
			v = v<<16 | uint64(x)
		}
		return v
	}
	switch profile {
	case sim.ProfileWh32:
		w := read(256, 4, modbus.HOLDING_REGISTER)
		return int64(big(w[:2])) * 1000, float64(big(w[2:]))
	case sim.ProfileKWh6:
		w := read(40, 5, modbus.HOLDING_REGISTER)
		return int64(uint64(w[0])|uint64(w[1])<<16) * 100_000, float64(w[4])
	case sim.ProfileWh64:
		w := read(0, 10, modbus.INPUT_REGISTER)
		return int64(big(w[:4])) * 100, float64(math.Float32frombits(uint32(big(w[8:]))))
	case sim.ProfileSerial:
		w := read(12, 8, modbus.HOLDING_REGISTER)
		if w[0] != 19781 || w[1] != 21 {
			t.Errorf("anchor = %v, want [19781 21]", w[:2])
		}
		return int64(big(w[4:6])) * 10_000, float64(big(w[6:])) / 10
	default:
		t.Fatalf("unknown profile %s", profile)
		return 0, 0
	}
}

func TestEveryMeterShowsItsRegister(t *testing.T) {
	s, w, now := started(t)
	panel, line := client(t, s.TCP()), client(t, s.RTU())
	seen := map[string]bool{}
	for _, id := range sim.Meters() {
		unit, layout, err := w.Mounting(id)
		if err != nil {
			t.Fatal(err)
		}
		c := panel
		if layout.Profile == sim.ProfileSerial {
			c = line
		}
		if err := c.SetUnitId(unit); err != nil {
			t.Fatal(err)
		}
		mwh, watts := decode(t, c, layout.Profile)
		if want := w.Register(id, now); mwh != want {
			t.Errorf("%s shows %d mWh, want %d", id, mwh, want)
		}
		if want := w.Power(id, now); math.Abs(watts-want) > 0.5 {
			t.Errorf("%s shows %v W, want %v", id, watts, want)
		}
		seen[layout.Profile] = true
	}
	if len(seen) != 4 {
		t.Errorf("layouts %v: want four kinds", seen)
	}
}

// A meter that is known to the configuration alone cannot be read, and nothing
// can be written.
func TestRefusals(t *testing.T) {
	s, _, _ := started(t)
	panel := client(t, s.TCP())
	read := func(unit uint8, address, n uint16, kind modbus.RegType) error {
		if err := panel.SetUnitId(unit); err != nil {
			t.Fatal(err)
		}
		_, err := panel.ReadRegisters(address, n, kind)
		return err
	}
	for name, c := range map[string]struct{ got, want error }{
		"no such unit":      {read(99, 256, 2, modbus.HOLDING_REGISTER), modbus.ErrGWTargetFailedToRespond},
		"before the map":    {read(1, 255, 2, modbus.HOLDING_REGISTER), modbus.ErrIllegalDataAddress},
		"beyond the map":    {read(1, 258, 3, modbus.HOLDING_REGISTER), modbus.ErrIllegalDataAddress},
		"wrong function":    {read(1, 256, 2, modbus.INPUT_REGISTER), modbus.ErrIllegalFunction},
		"write a register":  {panel.WriteRegister(256, 1), modbus.ErrIllegalFunction},
		"write a coil":      {panel.WriteCoil(1, true), modbus.ErrIllegalFunction},
		"read other things": {second(panel.ReadDiscreteInputs(1, 1)), modbus.ErrIllegalFunction},
	} {
		if !errors.Is(c.got, c.want) {
			t.Errorf("%s: %v, want %v", name, c.got, c.want)
		}
	}
	line := client(t, s.RTU())
	if err := line.SetUnitId(21); err != nil {
		t.Fatal(err)
	}
	if _, err := line.ReadRegisters(500, 2, modbus.HOLDING_REGISTER); !errors.Is(err, modbus.ErrIllegalDataAddress) {
		t.Errorf("serial meter beyond its map: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }

// A broken frame ends the connection without an answer; the next connection is
// served.
func TestBrokenFrame(t *testing.T) {
	s, _, _ := started(t)
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", strings.TrimPrefix(s.RTU(), "rtuovertcp://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte{21, 3, 0, 16, 0, 2, 0xde, 0xad}); err != nil {
		t.Fatal(err)
	}
	if n, err := conn.Read(make([]byte, 16)); n != 0 || err == nil {
		t.Errorf("%d bytes, %v: want the connection closed without answer", n, err)
	}
	line := client(t, s.RTU())
	if err := line.SetUnitId(21); err != nil {
		t.Fatal(err)
	}
	if _, err := line.ReadRegisters(16, 2, modbus.HOLDING_REGISTER); err != nil {
		t.Errorf("after a broken frame on another connection: %v", err)
	}
}

// Source: Modbus over serial line, specification V1.02, appendix B: the frame
// 02 07 has the CRC 1241h, sent as 41 12.
func TestCRC(t *testing.T) {
	if got := crc16([]byte{0x02, 0x07}); got != 0x1241 {
		t.Errorf("CRC = %04x, want 1241", got)
	}
	if got := binary.LittleEndian.AppendUint16(nil, crc16([]byte{0x02, 0x07})); got[0] != 0x41 || got[1] != 0x12 {
		t.Errorf("sent as % x, want 41 12", got)
	}
}

// The register of a six-digit meter starts again from zero on the wire too.
func TestRolloverOnTheWire(t *testing.T) {
	now := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)
	w, err := sim.New(sim.Defaults(now, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	id := plant.MeterID("heron-3-meter")
	first, last := w.Counts(id, w.Options().Start), w.Counts(id, now)
	if first < 900_000 || last >= first || last >= 1_000_000 {
		t.Errorf("counts from %d to %d: want a pass of 1 000 000", first, last)
	}
	_, _, words := image(sim.ProfileKWh6, 999_999, 0)
	if words[0] != 0x423f || words[1] != 0x000f {
		t.Errorf("999999 on the wire = %04x, want low word 423f first", words)
	}
}

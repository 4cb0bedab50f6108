package meterlink

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

// crc16 is the checksum of RTU frames, low byte first on the wire.
func crc16(frame []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range frame {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

func withCRC(frame []byte) []byte {
	return binary.LittleEndian.AppendUint16(bytes.Clone(frame), crc16(frame))
}

// query is a request as it came over the wire.
type query struct {
	raw            []byte
	header         []byte // MBAP transaction and protocol ids; empty on RTU
	unit, function uint8
	address, words uint16
}

// echo answers each register with its own address.
func (q query) echo() []byte {
	pdu := []byte{q.function, byte(2 * q.words)}
	for i := range q.words {
		pdu = binary.BigEndian.AppendUint16(pdu, q.address+i)
	}
	return q.frame(q.unit, pdu)
}

func (q query) exception(code byte) []byte { return q.frame(q.unit, []byte{q.function | 0x80, code}) }

func (q query) frame(unit byte, pdu []byte) []byte {
	if q.header == nil {
		return withCRC(append([]byte{unit}, pdu...))
	}
	f := binary.BigEndian.AppendUint16(bytes.Clone(q.header), uint16(len(pdu)+1))
	return append(append(f, unit), pdu...)
}

// wire is a server that misbehaves as told. serve gets each request with the
// number of its connection, counted from 1, and returns the bytes to send; nil
// sends nothing, an empty slice closes the connection.
type wire struct {
	t      *testing.T
	ln     net.Listener
	framed bool
	serve  func(conn int, q query) []byte

	mu       sync.Mutex // guards the fields below
	accepted []time.Time
	queries  []query
	open     int
	changed  chan struct{} // closed and replaced when open changes
	conns    sync.WaitGroup
}

func newWire(t *testing.T, framed bool, serve func(conn int, q query) []byte) *wire {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{t: t, ln: ln, framed: framed, serve: serve, changed: make(chan struct{})}
	w.conns.Go(w.accept)
	t.Cleanup(func() {
		ln.Close()
		w.conns.Wait()
	})
	return w
}

func (w *wire) accept() {
	for {
		c, err := w.ln.Accept()
		if err != nil {
			return
		}
		w.mu.Lock()
		w.accepted = append(w.accepted, time.Now())
		n := len(w.accepted)
		w.count(+1)
		w.mu.Unlock()
		w.conns.Go(func() { w.talk(n, c) })
	}
}

// count changes the number of open connections; mu is held.
func (w *wire) count(by int) {
	w.open += by
	close(w.changed)
	w.changed = make(chan struct{})
}

func (w *wire) talk(n int, c net.Conn) {
	defer func() {
		c.Close()
		w.mu.Lock()
		w.count(-1)
		w.mu.Unlock()
	}()
	for {
		q, err := w.read(c)
		if err != nil {
			return
		}
		w.mu.Lock()
		w.queries = append(w.queries, q)
		w.mu.Unlock()
		answer := w.serve(n, q)
		if answer != nil && len(answer) == 0 {
			return
		}
		if _, err := c.Write(answer); err != nil {
			return
		}
	}
}

func (w *wire) read(c net.Conn) (query, error) {
	size := 12
	if w.framed {
		size = 8
	}
	raw := make([]byte, size)
	if _, err := io.ReadFull(c, raw); err != nil {
		return query{}, err
	}
	q := query{raw: raw}
	body := raw
	if w.framed {
		if !bytes.Equal(withCRC(raw[:6]), raw) {
			w.t.Errorf("request % x has a wrong checksum", raw)
		}
	} else {
		q.header, body = raw[:4], raw[6:]
	}
	q.unit, q.function = body[0], body[1]
	q.address, q.words = binary.BigEndian.Uint16(body[2:]), binary.BigEndian.Uint16(body[4:])
	if q.function != 3 && q.function != 4 {
		w.t.Errorf("request % x has function %d: only 3 and 4 read registers", raw, q.function)
	}
	return q, nil
}

// connections gives how many connections were ever accepted.
func (w *wire) connections() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.accepted)
}

// waitOpen waits until n connections are open.
func (w *wire) waitOpen(n int) {
	w.t.Helper()
	deadline := time.NewTimer(5 * time.Second)
	defer deadline.Stop()
	for {
		w.mu.Lock()
		open, changed := w.open, w.changed
		w.mu.Unlock()
		if open == n {
			return
		}
		select {
		case <-changed:
		case <-deadline.C:
			w.t.Fatalf("%d connections are open, want %d", open, n)
		}
	}
}

// patience is the time-out of tests in which a meter stays silent on purpose:
// short enough to wait for, long enough for a loaded machine to answer in.
const patience = time.Second

// bus gives the configuration of a bus at this server.
func (w *wire) bus(meters ...plant.Meter) plant.Bus {
	scheme := "tcp://"
	if w.framed {
		scheme = "rtuovertcp://"
	}
	return plant.Bus{
		ID: "line", URL: scheme + w.ln.Addr().String(), Speed: 115200,
		Timeout: 20 * time.Second, Quiet: 50 * time.Millisecond, Meters: meters,
	}
}

// impatient is bus for a server that does not always answer.
func (w *wire) impatient(meters ...plant.Meter) plant.Bus {
	conf := w.bus(meters...)
	conf.Timeout = patience
	return conf
}

// echoMeter has one 16-bit value without unit per address.
func echoMeter(addresses ...uint16) plant.Meter {
	m := plant.Meter{ID: "m1", Bus: "line", Unit: 17, Profile: plant.Profile{Name: "echo"}}
	for i, a := range addresses {
		m.Profile.Values = append(m.Profile.Values, plant.ProfileValue{
			Name: string(rune('a' + i)), Function: 3, Address: a, Type: plant.Uint16,
		})
	}
	return m
}

func newTestBus(t *testing.T, conf plant.Bus) *Bus {
	t.Helper()
	b, err := NewBus(conf, time.Now, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
			t.Errorf("close: %v", err)
		}
	})
	return b
}

// mustEcho checks that a sample holds the values of echoMeter: each signal its
// own address.
func mustEcho(t *testing.T, s Sample, addresses ...uint16) {
	t.Helper()
	if len(s.Signals) != len(addresses) {
		t.Fatalf("sample has %d signals, want %d: %v", len(s.Signals), len(addresses), s.Signals)
	}
	for i, a := range addresses {
		if g := s.Signals[i]; g.Value != float64(a) || g.Subject != "m1" || g.Name != string(rune('a'+i)) {
			t.Fatalf("signal %d is %+v: address %d was stored under a wrong register", i, g, a)
		}
	}
}

func TestChecksumVectors(t *testing.T) {
	for _, c := range []struct{ frame, want []byte }{
		// From memory: MODBUS over Serial Line V1.02, appendix B: frame 02 07.
		{[]byte{0x02, 0x07}, []byte{0x41, 0x12}},
		// Source: the specification's example of reading registers 108 to 110,
		// as printed with its checksums in manuals of unit-1 devices.
		{[]byte{0x01, 0x03, 0x00, 0x6B, 0x00, 0x03}, []byte{0x74, 0x17}},
		{[]byte{0x01, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64}, []byte{0x05, 0x7A}},
		// From memory: catalogue check value of CRC-16/MODBUS, "123456789" → 4B37.
		{[]byte("123456789"), []byte{0x37, 0x4B}},
	} {
		if got := withCRC(c.frame)[len(c.frame):]; !bytes.Equal(got, c.want) {
			t.Errorf("checksum of % x is % x, want % x", c.frame, got, c.want)
		}
	}
}

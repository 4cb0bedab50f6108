package meterlink

import (
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

// pacedLine is a meter at the far end of a line that enforces the times of the wire:
// an answer begins one silence after the request's last bit, and no byte comes before
// the line could have carried it. The instants are computed from the arrival of the
// request, so that lateness of the peer does not add up; what it is late by is
// measured. It is reached over a connection and not a pseudo terminal, whose bytes wait
// for a thread of the kernel that a loaded machine delays by milliseconds.
type pacedLine struct {
	conn    net.Conn
	char    time.Duration // one character
	silence time.Duration

	asked    int
	late     time.Duration // in sum, of the last byte of each answer
	shortest time.Duration // silence seen before a request
}

// fifo is how many characters a serial port gathers before it hands them on.
const fifo = 8

func (l *pacedLine) serve() error {
	request := make([]byte, 8)
	var ended time.Time
	for {
		if _, err := io.ReadFull(l.conn, request); err != nil {
			return nil // closed at the end
		}
		arrived := time.Now()
		if rest := arrived.Sub(ended); l.asked > 0 && (l.shortest == 0 || rest < l.shortest) {
			l.shortest = rest
		}
		l.asked++
		words := binary.BigEndian.Uint16(request[4:])
		answer := withCRC(append([]byte{request[0], request[1], byte(2 * words)}, make([]byte, 2*words)...))
		begins := arrived.Add(time.Duration(len(request))*l.char + l.silence)
		ended = begins.Add(time.Duration(len(answer)) * l.char)
		for sent := 0; sent < len(answer); {
			waitUntil(begins.Add(time.Duration(min(sent+fifo, len(answer))) * l.char))
			due := min(int(time.Since(begins)/l.char), len(answer))
			if _, err := l.conn.Write(answer[sent:due]); err != nil {
				return fmt.Errorf("answer: %w", err)
			}
			sent = due
		}
		l.late += time.Since(ended)
	}
}

// BenchmarkWire reads over a line that enforces byte times. The metric "of-wire" is
// the share of the rate that the wire allows: request, silence, answer, silence, with
// no time to think. The peer's own lateness counts against it; "of-wire-net" leaves
// out what of it is known, "peer-late-us" per read.
func BenchmarkWire(b *testing.B) {
	for _, c := range []struct {
		speed  uint
		parity string
		bits   int
	}{{9600, "even", 11}, {9600, "none", 10}, {19200, "even", 11}, {19200, "none", 10}, {115200, "even", 11}, {115200, "none", 10}} {
		for _, words := range []int{10, 50} {
			b.Run(fmt.Sprintf("%d-%s-%d", c.speed, c.parity, words), func(b *testing.B) {
				char := time.Duration(c.bits) * time.Second / time.Duration(c.speed)
				silence := 35 * char / 10
				if c.speed > standardSpeed {
					silence = 1750 * time.Microsecond
				}
				benchmarkWire(b, plant.Bus{ID: "line", Speed: c.speed, DataBits: 8, Parity: c.parity, StopBits: 1, Timeout: 20 * time.Second}, words, char, silence)
			})
		}
	}
}

func benchmarkWire(b *testing.B, conf plant.Bus, words int, char, silence time.Duration) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer ln.Close()
	line := &pacedLine{char: char, silence: silence}
	served := make(chan error, 1)
	go func() {
		var err error
		if line.conn, err = ln.Accept(); err == nil {
			defer line.conn.Close()
			err = line.serve()
		}
		served <- err
	}()
	conf.URL = "rtuovertcp://" + ln.Addr().String()
	conf.Meters = []plant.Meter{{ID: "m1", Unit: 1, Profile: plant.Profile{Name: "ends", MaxWaste: 120, Values: []plant.ProfileValue{
		{Name: "first", Function: 3, Address: 0, Type: plant.Uint16},
		{Name: "last", Function: 3, Address: uint16(words - 1), Type: plant.Uint16},
	}}}}
	bus, err := NewBus(conf, time.Now, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	if _, err := bus.Read(b.Context(), "m1"); err != nil { // opens the line
		b.Fatal(err)
	}
	reads := 0
	began := time.Now()
	for b.Loop() {
		if _, err := bus.Read(b.Context(), "m1"); err != nil {
			b.Fatal(err)
		}
		reads++
	}
	took := time.Since(began)
	if err := bus.Close(); err != nil {
		b.Fatal(err)
	}
	if err := <-served; err != nil {
		b.Fatal(err)
	}
	if line.shortest < silence {
		b.Errorf("a request began %v after the answer before it, the line needs %v", line.shortest, silence)
	}
	least := time.Duration(reads) * (time.Duration(8+5+2*words)*char + 2*silence)
	late := line.late / time.Duration(line.asked) * time.Duration(reads)
	b.ReportMetric(float64(reads)/took.Seconds(), "reads/s")
	b.ReportMetric(least.Seconds()/took.Seconds(), "of-wire")
	b.ReportMetric(least.Seconds()/(took-late).Seconds(), "of-wire-net")
	b.ReportMetric(float64(late.Microseconds())/float64(reads), "peer-late-us")
}

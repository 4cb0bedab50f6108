package meterlink

import (
	"errors"
	"log/slog"
	"net"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"curetally/internal/core/plant"
)

// loopback answers every register with 1. The library's own server is used
// here so that both sides of the comparison meet the same peer.
type loopback struct{}

func (loopback) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func (loopback) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func (loopback) HandleInputRegisters(*modbus.InputRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}

func (loopback) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	out := make([]uint16, r.Quantity)
	for i := range out {
		out[i] = 1
	}
	return out, nil
}

func serveLoopback(b *testing.B) string {
	b.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0") // for a free port
	if err != nil {
		b.Fatal(err)
	}
	address := ln.Addr().String()
	if err := ln.Close(); err != nil {
		b.Fatal(err)
	}
	server, err := modbus.NewServer(&modbus.ServerConfiguration{
		URL: "tcp://" + address, Logger: slog.NewLogLogger(slog.DiscardHandler, 0),
	}, loopback{})
	if err != nil {
		b.Fatal(err)
	}
	if err := server.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := server.Stop(); err != nil && !errors.Is(err, net.ErrClosed) {
			b.Errorf("server: %v", err)
		}
	})
	return address
}

// BenchmarkRead takes turns between Read and a bare loop over the library's
// client that reads the same registers and drops them, on one connection each.
// The metric "of-bare" is the share of the bare loop's rate that Read reaches.
func BenchmarkRead(b *testing.B) {
	url := "tcp://" + serveLoopback(b)
	profile := threePhase(40070)
	profile.Anchors[0].Words = []uint16{1, 1}
	bus, err := NewBus(plant.Bus{ID: "line", URL: url, Meters: []plant.Meter{{ID: "m1", Unit: 1, Profile: profile}}}, time.Now, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	defer bus.Close()
	bare, err := modbus.NewClient(&modbus.ClientConfiguration{URL: url, Logger: slog.NewLogLogger(slog.DiscardHandler, 0)})
	if err != nil {
		b.Fatal(err)
	}
	if err := bare.Open(); err != nil {
		b.Fatal(err)
	}
	defer bare.Close()
	const turn = 200
	var polls int
	var read, loop time.Duration
	for b.Loop() {
		start := time.Now()
		for range turn {
			if s, err := bus.Read(b.Context(), "m1"); err != nil || len(s.Readings)+len(s.Signals) != 6 {
				b.Fatalf("Read = %v, %v", s, err)
			}
		}
		middle := time.Now()
		for range turn {
			if _, err := bare.ReadRegisters(40070, 55, modbus.HOLDING_REGISTER); err != nil {
				b.Fatal(err)
			}
		}
		read, loop, polls = read+middle.Sub(start), loop+time.Since(middle), polls+turn
	}
	b.ReportMetric(float64(polls)/read.Seconds(), "polls/s")
	b.ReportMetric(float64(polls)/loop.Seconds(), "bare-polls/s")
	b.ReportMetric(loop.Seconds()/read.Seconds(), "of-bare")
}

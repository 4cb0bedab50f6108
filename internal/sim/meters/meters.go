// Package meters serves the energy registers of the virtual plant over Modbus,
// as panel meters behind a TCP gateway and one meter on a serial line behind a
// serial server that speaks RTU frames over TCP.
//
// What a register holds is a function of the plant and the clock that is given
// in Options, in the layout that the demo configuration describes, so a reader
// sees rollovers and the exchanged meter like the history does. Only the read
// functions 3 and 4 are answered; every write is refused.
//
// Listen binds both servers on loopback; Run keeps them until its context ends.
package meters

import (
	"context"
	"errors"
	"fmt"
	"log"
	"log/slog"
	"net"
	"time"

	"github.com/simonvetter/modbus"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
)

// Options of the servers.
type Options struct {
	// Now is the clock of the plant; time.Now when nil.
	Now    func() time.Time
	Logger *slog.Logger
}

// Servers answer for all meters of a plant.
type Servers struct {
	now     func() time.Time
	panel   map[uint8]mounted // behind the gateway, by unit
	line    map[uint8]mounted // on the serial line, by unit
	gateway *modbus.ModbusServer
	tcp     string
	serial  *serialServer
}

// mounted is one meter at its unit id.
type mounted struct {
	id      plant.MeterID
	profile string
	world   *sim.World
}

// Listen binds the gateway and the serial server on free loopback ports. The
// caller must then call Run, also when it gives up: Run with an ended context
// closes both.
func Listen(w *sim.World, opts Options) (*Servers, error) {
	s := &Servers{now: opts.Now, panel: map[uint8]mounted{}, line: map[uint8]mounted{}}
	if s.now == nil {
		s.now = time.Now
	}
	logger := opts.Logger
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	for _, id := range sim.Meters() {
		unit, layout, err := w.Mounting(id)
		if err != nil {
			return nil, err
		}
		bank := s.panel
		if layout.Profile == sim.ProfileSerial {
			bank = s.line
		}
		bank[unit] = mounted{id, layout.Profile, w}
	}
	if err := s.startGateway(slog.NewLogLogger(logger.Handler(), slog.LevelDebug)); err != nil {
		return nil, fmt.Errorf("meter gateway: %w", err)
	}
	serial, err := listenSerial(func(q question) ([]uint16, byte) { return s.answer(s.line, q) })
	if err != nil {
		return nil, errors.Join(fmt.Errorf("serial server: %w", err), s.gateway.Stop())
	}
	s.serial = serial
	return s, nil
}

// startGateway binds the Modbus TCP server. The library cannot say which port
// it got, so a free one is found first; if another process takes it in between,
// the next one is tried.
func (s *Servers) startGateway(logger *log.Logger) error {
	var last error
	for range 5 {
		free, err := (&net.ListenConfig{}).Listen(context.Background(), "tcp", "127.0.0.1:0")
		if err != nil {
			return err
		}
		address := free.Addr().String()
		if err := free.Close(); err != nil {
			return err
		}
		const manyClients = 256
		server, err := modbus.NewServer(&modbus.ServerConfiguration{
			URL: "tcp://" + address, MaxClients: manyClients, Timeout: time.Hour, Logger: logger,
		}, (*handler)(s))
		if err != nil {
			return err
		}
		if last = server.Start(); last == nil {
			s.gateway, s.tcp = server, address
			return nil
		}
	}
	return last
}

// TCP is the URL of the gateway.
func (s *Servers) TCP() string { return "tcp://" + s.tcp }

// RTU is the URL of the serial server.
func (s *Servers) RTU() string { return "rtuovertcp://" + s.serial.address() }

// Run serves until ctx ends, then closes both servers and their connections.
func (s *Servers) Run(ctx context.Context) error {
	stop := context.AfterFunc(ctx, s.serial.close)
	defer stop()
	s.serial.serve()
	<-ctx.Done()
	return s.gateway.Stop()
}

// question is a read request.
type question struct {
	unit     uint8
	function uint8
	address  uint16
	quantity uint16
}

// Exception codes of the Modbus application protocol.
const (
	exceptionNone     = 0
	exceptionFunction = 1
	exceptionAddress  = 2
	exceptionSilent   = 0x0b // no such unit: a gateway says so, a line stays silent
)

// answer reads registers of a bank at the present instant.
func (s *Servers) answer(bank map[uint8]mounted, q question) ([]uint16, byte) {
	m, ok := bank[q.unit]
	if !ok {
		return nil, exceptionSilent
	}
	now := s.now()
	function, first, words := image(m.profile, m.world.Counts(m.id, now), m.world.Power(m.id, now))
	if q.function != function {
		return nil, exceptionFunction
	}
	begin := int(q.address) - int(first)
	if begin < 0 || begin+int(q.quantity) > len(words) || q.quantity == 0 {
		return nil, exceptionAddress
	}
	return words[begin : begin+int(q.quantity)], exceptionNone
}

// handler is the side of Servers that the Modbus library calls.
type handler Servers

func (h *handler) read(q question) ([]uint16, error) {
	words, exception := (*Servers)(h).answer(h.panel, q)
	switch exception {
	case exceptionNone:
		return words, nil
	case exceptionAddress:
		return nil, modbus.ErrIllegalDataAddress
	case exceptionSilent:
		return nil, modbus.ErrGWTargetFailedToRespond
	default:
		return nil, modbus.ErrIllegalFunction
	}
}

// HandleHoldingRegisters answers function 3 and refuses writes.
func (h *handler) HandleHoldingRegisters(req *modbus.HoldingRegistersRequest) ([]uint16, error) {
	if req.IsWrite {
		return nil, modbus.ErrIllegalFunction
	}
	return h.read(question{req.UnitId, 3, req.Addr, req.Quantity})
}

// HandleInputRegisters answers function 4.
func (h *handler) HandleInputRegisters(req *modbus.InputRegistersRequest) ([]uint16, error) {
	return h.read(question{req.UnitId, 4, req.Addr, req.Quantity})
}

// HandleCoils refuses: a power meter has none.
func (h *handler) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

// HandleDiscreteInputs refuses: a power meter has none.
func (h *handler) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

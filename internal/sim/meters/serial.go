package meters

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"sync"
)

// serialServer is a serial server with one line of meters behind it: Modbus RTU
// frames, carried by TCP. Like meters on a line it is silent when asked for a
// unit that is not there, and when a frame is broken it drops the connection,
// because the borders of frames are lost.
type serialServer struct {
	listener net.Listener
	answer   func(question) ([]uint16, byte)

	mu     sync.Mutex // guards open and closed
	open   map[net.Conn]struct{}
	closed bool
}

func listenSerial(answer func(question) ([]uint16, byte)) (*serialServer, error) {
	l, err := (&net.ListenConfig{}).Listen(context.Background(), "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	return &serialServer{listener: l, answer: answer, open: map[net.Conn]struct{}{}}, nil
}

func (s *serialServer) address() string { return s.listener.Addr().String() }

// serve accepts until close, and returns when all connections have ended.
func (s *serialServer) serve() {
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			return
		}
		if !s.add(conn) {
			_ = conn.Close()
			return
		}
		wg.Go(func() {
			defer s.remove(conn)
			s.talk(conn)
		})
	}
}

// close ends serve and every connection.
func (s *serialServer) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	_ = s.listener.Close()
	for conn := range s.open {
		_ = conn.Close()
	}
}

func (s *serialServer) add(conn net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.open[conn] = struct{}{}
	}
	return !s.closed
}

func (s *serialServer) remove(conn net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, conn)
	_ = conn.Close()
}

// talk answers read requests until the connection ends or a frame is broken.
func (s *serialServer) talk(conn net.Conn) {
	const requestBytes = 8 // unit, function, address, quantity, CRC
	request := make([]byte, requestBytes)
	for {
		if _, err := io.ReadFull(conn, request); err != nil {
			return
		}
		answer, err := s.reply(request)
		if err != nil {
			return
		}
		if _, err := conn.Write(answer); err != nil {
			return
		}
	}
}

var errBrokenFrame = errors.New("broken frame")

// reply gives the frame that answers a request; empty when nobody on the line
// answers.
func (s *serialServer) reply(request []byte) ([]byte, error) {
	body, sum := request[:len(request)-2], request[len(request)-2:]
	if crc16(body) != binary.LittleEndian.Uint16(sum) {
		return nil, errBrokenFrame
	}
	q := question{
		unit: body[0], function: body[1],
		address: binary.BigEndian.Uint16(body[2:]), quantity: binary.BigEndian.Uint16(body[4:]),
	}
	words, exception := s.answer(q)
	frame := []byte{q.unit, q.function}
	switch {
	case exception == exceptionSilent:
		return nil, nil
	case exception != exceptionNone:
		frame[1] |= 0x80
		frame = append(frame, exception)
	default:
		frame = append(frame, byte(2*len(words)))
		for _, w := range words {
			frame = binary.BigEndian.AppendUint16(frame, w)
		}
	}
	return binary.LittleEndian.AppendUint16(frame, crc16(frame)), nil
}

// crc16 is the check sum of RTU frames. Source: Modbus over serial line,
// specification V1.02, appendix B: polynomial 0xA001 reflected, start 0xFFFF.
func crc16(data []byte) uint16 {
	sum := uint16(0xffff)
	for _, b := range data {
		sum ^= uint16(b)
		for range 8 {
			low := sum & 1
			sum >>= 1
			if low == 1 {
				sum ^= 0xa001
			}
		}
	}
	return sum
}

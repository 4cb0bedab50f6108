package meterlink

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"curetally/internal/core/plant"
)

func echoServer(_ int, q query) []byte { return q.echo() }

// Source: Modbus Application Protocol V1.1b3, sections 6.3 (registers 108 to
// 110) and 6.4 (input register 9), for the bytes after the address.
func TestSpecificationFramesOnTheWire(t *testing.T) {
	holding := plant.Meter{ID: "m1", Unit: 1, Profile: plant.Profile{Name: "three", Values: []plant.ProfileValue{
		{Name: "r108", Function: 3, Address: 107, Type: plant.Uint16},
		{Name: "r109", Function: 3, Address: 108, Type: plant.Uint16},
		{Name: "r110", Function: 3, Address: 109, Type: plant.Uint16},
	}}}
	input := plant.Meter{ID: "m1", Unit: 1, Profile: plant.Profile{Name: "one", Values: []plant.ProfileValue{
		{Name: "r9", Function: 4, Address: 8, Type: plant.Uint16},
	}}}
	for _, c := range []struct {
		name         string
		meter        plant.Meter
		request, pdu []byte
		checksum     []byte // of the request, where it is published
		want         []float64
	}{
		{"function 3", holding, []byte{0x03, 0x00, 0x6B, 0x00, 0x03}, []byte{0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64}, []byte{0x74, 0x17}, []float64{555, 0, 100}},
		{"function 4", input, []byte{0x04, 0x00, 0x08, 0x00, 0x01}, []byte{0x04, 0x02, 0x00, 0x0A}, nil, []float64{10}},
	} {
		for _, framed := range []bool{true, false} {
			w := newWire(t, framed, func(_ int, q query) []byte { return q.frame(q.unit, c.pdu) })
			s, err := newTestBus(t, w.bus(c.meter)).Read(t.Context(), "m1")
			if err != nil {
				t.Fatal(err)
			}
			for i, want := range c.want {
				if s.Signals[i].Value != want {
					t.Errorf("%s: signal %d = %v, want %v", c.name, i, s.Signals[i].Value, want)
				}
			}
			got := w.queries[0].raw
			// Source: Modbus Messaging on TCP/IP V1.0b, section 3.1.3: transaction,
			// protocol 0, length of what follows, unit.
			want := append([]byte{0, 1, 0, 0, 0, 6, 1}, c.request...)
			if framed {
				want = withCRC(append([]byte{1}, c.request...))
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s: the wire carries % x, want % x", c.name, got, want)
			}
			if framed && c.checksum != nil && !bytes.HasSuffix(got, c.checksum) {
				t.Errorf("%s: checksum % x, want % x", c.name, got[6:], c.checksum)
			}
		}
	}
}

func TestReadBeforeOpenDoesNotPanic(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	url := "tcp://" + ln.Addr().String()
	ln.Close() // nobody listens here now
	b := newTestBus(t, plant.Bus{ID: "line", URL: url, Meters: []plant.Meter{echoMeter(1)}})
	for range 2 {
		_, err = b.Read(t.Context(), "m1")
		if !errors.Is(err, ErrLink) || !errors.Is(err, syscall.ECONNREFUSED) {
			t.Fatalf("err = %v, want ErrLink for a refused connection", err)
		}
	}
	for _, part := range []string{"m1", url, "check address"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("message %q does not name %q", err, part)
		}
	}
	if _, err := b.Read(t.Context(), "other"); err == nil || errors.Is(err, ErrLink) {
		t.Errorf("a meter of another bus: err = %v", err)
	}
}

// This is the trap itself, shown on the bare library: after one time-out every
// answer is the one before, without an error. Should this test fail, the
// library has been mended.
func TestBareLibraryTakesLateAnswersForOthers(t *testing.T) {
	t.Parallel()
	var late []byte
	w := newWire(t, true, func(_ int, q query) []byte {
		before := late
		late = q.echo()
		return before
	})
	c, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: w.bus().URL, Speed: 115200, Timeout: patience, Logger: slog.NewLogLogger(slog.DiscardHandler, 0),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.ReadRegisters(1000, 1, modbus.HOLDING_REGISTER); !errors.Is(err, modbus.ErrRequestTimedOut) {
		t.Fatalf("err = %v, want a time-out", err)
	}
	for _, a := range []uint16{2000, 3000} {
		got, err := c.ReadRegisters(a, 1, modbus.HOLDING_REGISTER)
		if err != nil || got[0] != a-1000 {
			t.Fatalf("read %d = %v, %v: expected the answer to the request before", a, got, err)
		}
	}
}

// An answer comes after its time-out, while the line is closed: three requests
// of one length, no anchors, nothing but the quiet time to tell them apart.
func TestLateAnswerOnTheOldConnection(t *testing.T) {
	t.Parallel()
	var w *wire
	var first atomic.Bool
	first.Store(true)
	timedOut := make(chan struct{})
	w = newWire(t, true, func(_ int, q query) []byte {
		if first.Swap(false) {
			<-timedOut
		}
		return q.echo()
	})
	conf := w.impatient(echoMeter(1000, 2000, 3000))
	b := newTestBus(t, conf)
	start := time.Now()
	s, err := b.Read(t.Context(), "m1")
	if !errors.Is(err, ErrLink) || !errors.Is(err, modbus.ErrRequestTimedOut) || len(s.Signals) > 0 {
		t.Fatalf("Read = %v, %v, want a time-out and no values", s, err)
	}
	close(timedOut)
	w.waitOpen(0)
	for range 3 {
		s, err := b.Read(t.Context(), "m1")
		if err != nil {
			t.Fatal(err)
		}
		mustEcho(t, s, 1000, 2000, 3000)
	}
	if n := w.connections(); n != 2 {
		t.Errorf("%d connections, want 2", n)
	}
	if pause := w.accepted[1].Sub(start); pause < conf.Timeout+conf.Quiet {
		t.Errorf("opened again %v after the request: expected the time-out and the quiet time, %v", pause, conf.Timeout+conf.Quiet)
	}
}

// The worst gateway: it keeps the late answer and delivers it into the next
// connection, right before the answer to its first request. Whatever comes out
// of Read must be the registers' own values, and Read must recover.
func TestLateAnswerOnTheNextConnection(t *testing.T) {
	t.Parallel()
	for name, meter := range map[string]plant.Meter{
		"one request":            echoMeter(1000, 1001, 1002),
		"two of the same length": echoMeter(1000, 1001, 2000, 2001),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var late []byte
			w := newWire(t, true, func(conn int, q query) []byte {
				if conn == 1 {
					late = q.echo()
					return nil
				}
				both := append(bytes.Clone(late), q.echo()...)
				late = nil
				return both
			})
			b := newTestBus(t, w.impatient(meter))
			var want []uint16
			for _, v := range meter.Profile.Values {
				want = append(want, v.Address)
			}
			var failed []error
			for good := 0; good < 3; {
				s, err := b.Read(t.Context(), "m1")
				if err == nil {
					mustEcho(t, s, want...)
					good++
					continue
				}
				if failed = append(failed, err); !errors.Is(err, ErrLink) || len(failed) > 8 {
					t.Fatalf("no recovery: %v", failed)
				}
			}
			if len(failed) < 2 || !errors.Is(failed[1], modbus.ErrProtocolError) {
				t.Errorf("expected a time-out, then the late answer found out; got %v", failed)
			}
		})
	}
}

// An exception on a line that is not proven again may be a late one, too.
func TestExceptionOnAnUnprovenLineClosesIt(t *testing.T) {
	t.Parallel()
	w := newWire(t, true, func(conn int, q query) []byte {
		switch conn {
		case 1:
			return nil
		case 2:
			return q.exception(2)
		default:
			return q.echo()
		}
	})
	b := newTestBus(t, w.impatient(echoMeter(1000, 1001)))
	for i, want := range []error{ErrLink, ErrException, nil} {
		if _, err := b.Read(t.Context(), "m1"); !errors.Is(err, want) {
			t.Fatalf("poll %d: err = %v, want %v", i+1, err, want)
		}
	}
	if n := w.connections(); n != 3 {
		t.Errorf("%d connections, want 3", n)
	}
}

func TestHalfFrameCostsOnePoll(t *testing.T) {
	t.Parallel()
	for _, framed := range []bool{false, true} {
		var first atomic.Bool
		first.Store(true)
		w := newWire(t, framed, func(_ int, q query) []byte {
			if first.Swap(false) {
				return q.echo()[:5]
			}
			return q.echo()
		})
		b := newTestBus(t, w.impatient(echoMeter(7, 8, 9, 10)))
		if _, err := b.Read(t.Context(), "m1"); !errors.Is(err, ErrLink) {
			t.Fatalf("framed %v: err = %v, want ErrLink", framed, err)
		}
		s, err := b.Read(t.Context(), "m1")
		if err != nil {
			t.Fatalf("framed %v: the next poll failed: %v", framed, err)
		}
		mustEcho(t, s, 7, 8, 9, 10)
	}
}

func TestWrongUnitIsNotStored(t *testing.T) {
	for _, framed := range []bool{false, true} {
		w := newWire(t, framed, func(_ int, q query) []byte {
			return q.frame(q.unit+1, []byte{3, 2, 0, 42})
		})
		s, err := newTestBus(t, w.bus(echoMeter(7))).Read(t.Context(), "m1")
		if !errors.Is(err, ErrLink) || !errors.Is(err, modbus.ErrBadUnitId) || len(s.Signals) > 0 {
			t.Fatalf("framed %v: Read = %v, %v, want ErrLink with ErrBadUnitId", framed, s, err)
		}
		if !strings.Contains(err.Error(), "unit 17") || !strings.Contains(err.Error(), "set the unit id") {
			t.Errorf("message %q names no unit or remedy", err)
		}
		w.waitOpen(0)
	}
}

func TestBadChecksumClosesTheLink(t *testing.T) {
	var first atomic.Bool
	first.Store(true)
	w := newWire(t, true, func(_ int, q query) []byte {
		a := q.echo()
		if first.Swap(false) {
			a[len(a)-1] ^= 1
		}
		return a
	})
	b := newTestBus(t, w.bus(echoMeter(7)))
	if _, err := b.Read(t.Context(), "m1"); !errors.Is(err, ErrLink) || !errors.Is(err, modbus.ErrBadCRC) {
		t.Fatalf("err = %v, want ErrLink with ErrBadCRC", err)
	}
	if s, err := b.Read(t.Context(), "m1"); err != nil {
		t.Fatal(err)
	} else {
		mustEcho(t, s, 7)
	}
}

func TestOpenOnceAndNeverLeak(t *testing.T) {
	t.Parallel()
	var polls atomic.Int32
	w := newWire(t, false, func(_ int, q query) []byte {
		if polls.Add(1)%4 == 0 {
			return nil
		}
		return q.echo()
	})
	b := newTestBus(t, w.impatient(echoMeter(7)))
	for range 8 {
		_, err := b.Read(t.Context(), "m1")
		if err != nil && !errors.Is(err, ErrLink) {
			t.Fatal(err)
		}
		if err != nil {
			w.waitOpen(0)
		} else {
			w.waitOpen(1)
		}
	}
	if n := w.connections(); n != 2 {
		t.Errorf("%d connections for 8 polls with 2 time-outs, want 2", n)
	}
	if _, err := b.Read(t.Context(), "m1"); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	}
	w.waitOpen(0)
}

// Without a logger the library writes its remarks to standard output.
func TestLibraryRemarksGoToTheLog(t *testing.T) {
	w := newWire(t, false, func(_ int, q query) []byte {
		stray := q.echo()
		stray[0] ^= 0xFF // another transaction
		return append(stray, q.echo()...)
	})
	r, out, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout := os.Stdout
	os.Stdout = out
	var log bytes.Buffer
	b, err := NewBus(w.bus(echoMeter(7)), time.Now, slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})))
	if err == nil {
		_, err = b.Read(t.Context(), "m1")
		b.Close()
	}
	os.Stdout = stdout
	out.Close()
	if err != nil {
		t.Fatal(err)
	}
	if said, err := io.ReadAll(r); err != nil || len(said) > 0 {
		t.Errorf("standard output got %q, %v", said, err)
	}
	if !strings.Contains(log.String(), "level=DEBUG") || !strings.Contains(log.String(), "unexpected transaction id") {
		t.Errorf("the log does not hold the library's remark: %q", log.String())
	}
}

// The library waits 5 s for a connection, whatever the time-out. A listener
// whose queue is full leaves the connection hanging.
func TestCallerLeavesAHangingConnection(t *testing.T) {
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM, 0)
	if err != nil {
		t.Fatal(err)
	}
	shut := func() { syscall.Close(fd) }
	defer func() { shut() }()
	if err := syscall.Bind(fd, &syscall.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Listen(fd, 0); err != nil {
		t.Fatal(err)
	}
	name, err := syscall.Getsockname(fd)
	if err != nil {
		t.Fatal(err)
	}
	address := (&net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: name.(*syscall.SockaddrInet4).Port}).String()
	for range 8 { // until the queue is full
		c, err := net.DialTimeout("tcp", address, 100*time.Millisecond)
		if err != nil {
			break
		}
		defer c.Close()
	}
	b := newTestBus(t, plant.Bus{ID: "line", URL: "tcp://" + address, Meters: []plant.Meter{echoMeter(7)}})
	for range 2 { // the second finds the first attempt still under way
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		start := time.Now()
		_, err := b.Read(ctx, "m1")
		cancel()
		if took := time.Since(start); !errors.Is(err, context.DeadlineExceeded) || took > 2*time.Second {
			t.Fatalf("Read returned %v after %v: expected the end of its context at once", err, took)
		}
	}
	if b.opening == nil {
		t.Fatal("no connection attempt is under way: the test's listener did not leave it hanging")
	}
	shut() // refuses the attempt
	shut = func() {}
}

// A request cannot be interrupted; the caller leaves after it, without sending
// the next one, and the link stays sound.
func TestCallerLeavesBetweenRequests(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	reason := errors.New("the daemon stops")
	var requests atomic.Int32
	w := newWire(t, true, func(_ int, q query) []byte {
		requests.Add(1)
		cancel(reason)
		return q.echo()
	})
	b := newTestBus(t, w.bus(echoMeter(1000, 2000)))
	if _, err := b.Read(ctx, "m1"); !errors.Is(err, reason) {
		t.Fatalf("err = %v, want the cause of the context", err)
	}
	if n := requests.Load(); n != 1 {
		t.Errorf("%d requests were sent, want 1", n)
	}
	s, err := b.Read(t.Context(), "m1")
	if err != nil {
		t.Fatal(err)
	}
	mustEcho(t, s, 1000, 2000)
	if n := w.connections(); n != 1 {
		t.Errorf("%d connections, want 1: the link was sound", n)
	}
}

// A meter that never answers holds the caller for one time-out, whatever the
// number of retries.
func TestEndedContextStopsRetries(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	var requests atomic.Int32
	w := newWire(t, false, func(int, query) []byte {
		requests.Add(1)
		cancel()
		return nil
	})
	m := echoMeter(7)
	m.Retries = 50
	if _, err := newTestBus(t, w.impatient(m)).Read(ctx, "m1"); err == nil {
		t.Fatal("Read succeeded without an answer")
	}
	if n := requests.Load(); n != 1 {
		t.Errorf("%d requests were sent, want 1", n)
	}
}

func TestQuietTimeEndsWithTheContext(t *testing.T) {
	t.Parallel()
	w := newWire(t, true, func(int, query) []byte { return nil })
	conf := w.impatient(echoMeter(7))
	conf.Quiet = time.Hour
	b := newTestBus(t, conf)
	if _, err := b.Read(t.Context(), "m1"); !errors.Is(err, ErrLink) {
		t.Fatalf("err = %v, want ErrLink", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := b.Read(ctx, "m1"); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("err = %v, want the end of the context", err)
	}
}

// What came and is no fact says so, and silence is told from it.
func TestRefusedAndSilent(t *testing.T) {
	t.Parallel()
	anchored := echoMeter(41)
	anchored.Profile.Anchors = []plant.Anchor{{Function: 3, Address: 40, Words: []uint16{7}}}
	for _, c := range []struct {
		name    string
		meter   plant.Meter
		answer  func(q query) []byte
		class   error
		refused bool
		content string
	}{
		{"silence", echoMeter(7), func(query) []byte { return nil }, ErrSilent, false, ""},
		{"silence behind a gateway", echoMeter(7), func(q query) []byte { return q.exception(0x0B) }, ErrSilent, false, ""},
		{"exception", echoMeter(7), func(q query) []byte { return q.exception(2) }, ErrException, true, ""},
		{"another unit", echoMeter(7), func(q query) []byte { return q.frame(q.unit+1, []byte{3, 2, 0, 42}) }, ErrFrame, true, ""},
		{"another length", echoMeter(7), func(q query) []byte { return q.frame(q.unit, []byte{3, 4, 0, 42, 0, 43}) }, ErrFrame, true, ""},
		{"anchor", anchored, query.echo, ErrAnchor, true, "0x0028"},
	} {
		w := newWire(t, true, func(_ int, q query) []byte { return c.answer(q) })
		s, err := newTestBus(t, w.impatient(c.meter)).Read(t.Context(), "m1")
		if !errors.Is(err, c.class) || errors.Is(err, ErrSilent) != errors.Is(c.class, ErrSilent) || len(s.Signals) > 0 {
			t.Errorf("%s: Read = %v, %v, want class %v", c.name, s, err, c.class)
		}
		r, ok := errors.AsType[*Refused](err)
		if ok != c.refused {
			t.Errorf("%s: refused is %v, want %v: %v", c.name, ok, c.refused, err)
		}
		if ok && (r.Content != c.content || r.Value != "" || !strings.HasPrefix(r.Reason(), "meter m1, unit 17 on ")) {
			t.Errorf("%s: refused %+v with reason %q", c.name, r, r.Reason())
		}
	}
}

// On a shared line each attempt at a dead meter costs the others a time-out.
func TestReadOnceTriesOnce(t *testing.T) {
	t.Parallel()
	var requests atomic.Int32
	w := newWire(t, false, func(int, query) []byte {
		requests.Add(1)
		return []byte{}
	})
	m := echoMeter(7)
	m.Retries = 2
	b := newTestBus(t, w.bus(m))
	for i, c := range []struct {
		read func(context.Context, plant.MeterID) (Sample, error)
		want int32
	}{{b.Read, 3}, {b.ReadOnce, 1}} {
		requests.Store(0)
		if _, err := c.read(t.Context(), "m1"); !errors.Is(err, ErrLink) {
			t.Fatalf("poll %d: err = %v, want ErrLink", i+1, err)
		}
		if n := requests.Load(); n != c.want {
			t.Errorf("poll %d: %d requests, want %d", i+1, n, c.want)
		}
	}
}

// Rest takes the quiet time, so that the next poll need not.
func TestRestTakesTheQuietTime(t *testing.T) {
	t.Parallel()
	var first atomic.Bool
	first.Store(true)
	w := newWire(t, true, func(_ int, q query) []byte {
		if first.Swap(false) {
			return q.frame(q.unit+1, []byte{3, 2, 0, 42})
		}
		return q.echo()
	})
	conf := w.bus(echoMeter(7))
	conf.Quiet = 200 * time.Millisecond
	b := newTestBus(t, conf)
	b.Rest(t.Context()) // nothing to rest from
	if _, err := b.Read(t.Context(), "m1"); !errors.Is(err, ErrFrame) {
		t.Fatalf("err = %v, want ErrFrame", err)
	}
	b.Rest(t.Context())
	if left := time.Until(b.quietUntil); left > 0 {
		t.Errorf("%v of the quiet time are left", left)
	}
	if _, err := b.Read(t.Context(), "m1"); err != nil {
		t.Fatal(err)
	}
}

func TestExceptionKeepsTheLink(t *testing.T) {
	for _, code := range []byte{1, 2, 4, 6, 7, 11} {
		var refuse atomic.Bool
		refuse.Store(true)
		w := newWire(t, true, func(_ int, q query) []byte {
			if refuse.Swap(false) {
				return q.exception(code)
			}
			return q.echo()
		})
		m := echoMeter(7)
		m.Retries = 3 // an exception is an answer: asking again is of no use
		b := newTestBus(t, w.bus(m))
		_, err := b.Read(t.Context(), "m1")
		if !errors.Is(err, ErrException) || errors.Is(err, ErrLink) {
			t.Fatalf("code %d: err = %v, want ErrException", code, err)
		}
		if !strings.Contains(err.Error(), "function 3, address 7, 1 registers") {
			t.Errorf("message %q does not name the request", err)
		}
		s, err := b.Read(t.Context(), "m1")
		if err != nil {
			t.Fatal(err)
		}
		mustEcho(t, s, 7)
		if n := w.connections(); n != 1 {
			t.Errorf("code %d: %d connections, want 1", code, n)
		}
	}
}

func TestMeterClosesTheConnection(t *testing.T) {
	var polls atomic.Int32
	closeEverySecond := func(_ int, q query) []byte {
		if polls.Add(1)%2 == 0 {
			return []byte{}
		}
		return q.echo()
	}
	w := newWire(t, false, closeEverySecond)
	b := newTestBus(t, w.bus(echoMeter(7)))
	for i, want := range []error{nil, ErrLink, nil} {
		if _, err := b.Read(t.Context(), "m1"); !errors.Is(err, want) {
			t.Fatalf("poll %d: err = %v, want %v", i+1, err, want)
		}
	}

	polls.Store(0)
	patient := echoMeter(7)
	patient.Retries = 1
	b = newTestBus(t, newWire(t, false, closeEverySecond).bus(patient))
	for i := range 3 {
		if _, err := b.Read(t.Context(), "m1"); err != nil {
			t.Fatalf("poll %d with one retry: %v", i+1, err)
		}
	}
}

func TestAnchorGuardsIdentity(t *testing.T) {
	for _, framed := range []bool{false, true} {
		var wrong atomic.Bool
		w := newWire(t, framed, func(_ int, q query) []byte {
			if wrong.Load() {
				q.address++
			}
			return q.echo()
		})
		m := echoMeter(41)
		m.Profile.Anchors = []plant.Anchor{{Function: 3, Address: 40, Words: []uint16{40}}}
		b := newTestBus(t, w.bus(m))
		s, err := b.Read(t.Context(), "m1")
		if err != nil {
			t.Fatal(err)
		}
		mustEcho(t, s, 41)
		wrong.Store(true)
		s, err = b.Read(t.Context(), "m1")
		if !errors.Is(err, ErrAnchor) || len(s.Signals) > 0 {
			t.Fatalf("framed %v: Read = %v, %v, want ErrAnchor", framed, s, err)
		}
		if !strings.Contains(err.Error(), "address 40 holds [0x0029]: expected [0x0028]") {
			t.Errorf("message %q does not say what was found and expected", err)
		}
		if framed {
			w.waitOpen(0)
		} else {
			w.waitOpen(1)
		}
	}
}

// A value that cannot be a fact is refused with its name and its words; the others
// are taken, and the link stays.
func TestUnusableValueHurtsNoOther(t *testing.T) {
	w := newWire(t, true, echoServer)
	m := echoMeter(7)
	scale := uint16(12) // holds 12, which is no exponent
	m.Profile.Values = append(m.Profile.Values, plant.ProfileValue{
		Name: "power", Function: 4, Address: 10, Type: plant.Uint32, Unit: "W", ScaleRegister: &scale,
	}, plant.ProfileValue{
		Name: "import", Function: 4, Address: 20, Type: plant.Uint32, Unit: "Wh", Cumulative: true,
	})
	s, err := newTestBus(t, w.bus(m)).Read(t.Context(), "m1")
	if err != nil || len(s.Refused) != 1 {
		t.Fatalf("Read = %v, %v, want one refused value", s, err)
	}
	r := s.Refused[0]
	s.Refused = nil
	mustEqual(t, s, Sample{
		Readings: []plant.Reading{{Register: "m1/import", Value: (20<<16 + 21) * 1000}},
		Signals:  []plant.Signal{{Subject: "m1", Name: "a", Value: 7}},
	})
	if !errors.Is(r, ErrValue) || r.Value != "power" || r.Content != "0x000a 0x000b, scale register 0x000c" {
		t.Errorf("refused %+v", r)
	}
	for _, part := range []string{"meter m1, unit 17", "function 4, address 10, 3 registers", "value power", "expected a power of ten"} {
		if !strings.Contains(r.Error(), part) || !strings.Contains(r.Reason(), part) {
			t.Errorf("message %q or reason %q does not name %q", r.Error(), r.Reason(), part)
		}
	}
	if !strings.Contains(r.Error(), "holds 12") || strings.Contains(r.Reason(), "holds 12") {
		t.Errorf("message %q, reason %q: what came belongs to the message alone", r.Error(), r.Reason())
	}
	w.waitOpen(1)
}

// At 2400 baud the library alone waits 8 + 3.5 characters of 11 bits, 52.7 ms,
// between request and answer: the middle is at least half of that from either
// end, however loaded the machine is.
func TestReadingIsTheMiddleOfThePoll(t *testing.T) {
	w := newWire(t, true, echoServer)
	m := echoMeter(7)
	m.Profile.Values = append(m.Profile.Values, plant.ProfileValue{Name: "import", Function: 3, Address: 0, Type: plant.Uint32, Unit: "Wh", Cumulative: true})
	m.Profile.MaxWaste = 5
	conf := w.bus(m)
	conf.Speed = 2400
	b := newTestBus(t, conf)
	before := time.Now()
	s, err := b.Read(t.Context(), "m1")
	if err != nil {
		t.Fatal(err)
	}
	after := time.Now()
	const half = 26 * time.Millisecond
	r, g := s.Readings[0], s.Signals[0]
	if r.Register != "m1/import" || r.Value != 1000 || r.Modulus != 0 {
		t.Errorf("reading %+v, want m1/import 1000 mWh", r)
	}
	if r.At.Sub(before) < half || after.Sub(r.At) < half {
		t.Errorf("reading at %v: expected the middle between %v and %v", r.At, before, after)
	}
	if r.At.Location() != time.UTC || r.At.Nanosecond()%1000 != 0 {
		t.Errorf("reading at %v: expected UTC and whole microseconds", r.At)
	}
	if !g.At.Equal(r.At.Truncate(time.Millisecond)) {
		t.Errorf("signal at %v: expected the reading's %v in whole milliseconds", g.At, r.At)
	}
}

func TestNewBusListsEveryBadValue(t *testing.T) {
	noValue := uint64(0x1_0000)
	bad := plant.Profile{
		Name: "broken",
		Values: []plant.ProfileValue{
			{Name: "Import", Function: 3, Type: plant.Uint32, Unit: "kWh", Cumulative: true},
			{Name: "b", Function: 6, Type: plant.Uint16},
			{Name: "c", Function: 3, Type: "uint24"},
			{Name: "d", Function: 3, Type: plant.Uint64, Address: 65533},
			{Name: "e", Function: 3, Type: plant.Uint16, Unit: "BTU"},
			{Name: "f", Function: 3, Type: plant.Uint16, Unit: "W", Cumulative: true},
			{Name: "g", Function: 3, Type: plant.Uint16, Unit: "Wh"},
			{Name: "h", Function: 3, Type: plant.Uint16, Scale: "1/3"},
			{Name: "i", Function: 3, Type: plant.Uint16, Scale: "0.0"},
			{Name: "j", Function: 3, Type: plant.Uint16, Unit: "Wh", Cumulative: true, Scale: "-1"},
			{Name: "k", Function: 3, Type: plant.Uint16, Unit: "Wh", Cumulative: true, ModulusCounts: 70000},
			{Name: "l", Function: 3, Type: plant.Uint16, ModulusCounts: 7},
			{Name: "m", Function: 3, Type: plant.Uint16, NoValue: &noValue},
			{Name: "m", Function: 3, Type: plant.Uint16},
		},
		Anchors: []plant.Anchor{{Function: 3}, {Function: 5, Words: []uint16{1}}, {Function: 4, Address: 65535, Words: []uint16{1, 2}}},
	}
	_, err := NewBus(plant.Bus{
		ID: "line", URL: "rtuovertcp://gateway", Parity: "mark", Timeout: -1,
		Meters: []plant.Meter{
			{ID: "m1", Unit: 0, Profile: bad},
			{ID: "m1", Unit: 1, Profile: bad},
			{ID: "m2", Unit: 2, Profile: bad, Retries: -1},
			{ID: "m3", Unit: 3, Profile: plant.Profile{Name: "empty"}, Multiplier: "-40"},
		},
	}, time.Now, slog.New(slog.DiscardHandler))
	if err == nil {
		t.Fatal("NewBus took a broken bus")
	}
	for _, want := range []string{
		`bus line: url "rtuovertcp://gateway": expected rtuovertcp://host:port`, `bus line: parity "mark"`, "bus line: timeout -1ns",
		"meter m1: unit 0", "meter m1 is twice", "meter m2: retries -1", `meter m3: multiplier "-40"`, "profile empty has no values",
		`value Import: name "Import"`, "value b: function 6", `value c: type "uint24"`, "value d: address 65533", `value e: unit "BTU"`,
		`value f: unit "W"`, `value g: unit "Wh"`, `value h: scale "1/3"`, `value i: scale "0.0"`, `value j: scale "-1"`,
		"value k: modulus 70000", "value l: modulus 7", "value m: no_value 0x10000", "value m: the name is used twice",
		"anchor 1: 0 words", "anchor 2: function 5", "anchor 3: address 65535",
	} {
		if n := strings.Count(err.Error(), want); n != 1 {
			t.Errorf("%q is said %d times, want once", want, n)
		}
	}
	if t.Failed() {
		t.Log(err)
	}
	for _, url := range []string{"", "udp://a:1", "tcp+tls://a:1", "rtu://ttyUSB0", "tcp://:502"} {
		if _, err := NewBus(plant.Bus{ID: "line", URL: url}, time.Now, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "expected") {
			t.Errorf("url %q: err = %v, want one that says what is expected", url, err)
		}
	}
}

// Source: MODBUS over Serial Line V1.02, section 2.5.1.1: 3.5 characters of 11 bits up
// to 19 200 baud, 1.750 ms above.
func TestSilence(t *testing.T) {
	for speed, want := range map[uint]time.Duration{
		2400: 16_041_666, 9600: 4_010_416, 19200: 2_005_208, 0: 2_005_208, 38400: 1_750_000, 115200: 1_750_000,
	} {
		if got := silenceAfter(speed); got != want {
			t.Errorf("silence at %d baud is %v, want %v", speed, got, want)
		}
	}
}

// The line rests between an answer, an exception too, and the next request.
func TestLineRestsBetweenFrames(t *testing.T) {
	want := silenceAfter(2400)
	var answered time.Time
	var asked, early atomic.Int32
	w := newWire(t, true, func(_ int, q query) []byte {
		if asked.Add(1) > 1 && time.Since(answered) < want {
			early.Add(1)
		}
		answered = time.Now()
		if asked.Load()%3 == 0 {
			return q.exception(2)
		}
		return q.echo()
	})
	conf := w.bus(echoMeter(1000, 2000))
	conf.Speed = 2400
	b := newTestBus(t, conf)
	for range 4 {
		if _, err := b.Read(t.Context(), "m1"); err != nil && !errors.Is(err, ErrException) {
			t.Fatal(err)
		}
	}
	if asked.Load() < 6 || early.Load() > 0 {
		t.Errorf("%d requests, %d of them less than %v after the answer before", asked.Load(), early.Load(), want)
	}
}

func TestQuietTime(t *testing.T) {
	for _, c := range []struct {
		conf plant.Bus
		want time.Duration
	}{
		{plant.Bus{Timeout: time.Second, Speed: 19200}, time.Second},
		// 256 characters of 11 bits at 9600 baud are 293.3 ms.
		{plant.Bus{Timeout: 100 * time.Millisecond, Speed: 9600}, 256 * 11 * time.Second / 9600},
		{plant.Bus{Timeout: 100 * time.Millisecond}, 256 * 11 * time.Second / 19200},
		{plant.Bus{Timeout: time.Second, Speed: 9600, Quiet: 50 * time.Millisecond}, 50 * time.Millisecond},
	} {
		if got := quietTime(c.conf); got != c.want {
			t.Errorf("quiet time of %+v is %v, want %v", c.conf, got, c.want)
		}
	}
}

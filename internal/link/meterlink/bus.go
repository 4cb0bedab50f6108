package meterlink

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/simonvetter/modbus"

	"curetally/internal/core/plant"
)

// defaultTimeout is for one request, where the configuration gives none.
const defaultTimeout = time.Second

// maxFrame is the longest RTU frame in characters of 11 bits.
// Source: MODBUS over Serial Line V1.02, section 2.5.1.
const (
	maxFrame      = 256
	bitsPerChar   = 11
	standardSpeed = 19200
)

// Bus owns one Modbus endpoint: a serial port, a gateway or a TCP meter. It is
// not safe for concurrent use: one goroutine owns it.
type Bus struct {
	conf   plant.Bus
	client *modbus.ModbusClient
	framed bool             // RTU frames: answers carry no transaction number
	now    func() time.Time // stamps answers
	quiet  time.Duration    // pause before opening again, on RTU framing
	meters map[plant.MeterID]*meter

	// opening brings the end of a connection attempt under way; nil when there
	// is none. A Read whose context ended leaves it to the next.
	opening chan error
	open    bool
	// unproven is set from an error on RTU framing until a whole poll has
	// succeeded: answers may be those of earlier requests.
	unproven   bool
	quietUntil time.Time
	// free is when the next frame may begin, on RTU framing.
	free time.Time
}

// meter is one meter with its plan.
type meter struct {
	conf plant.Meter
	plan plan
}

// Sample is what one poll of a meter yields. A value that the meter says it
// does not have is absent, and so is one that was refused.
type Sample struct {
	// Readings are the energy registers, in milliwatt-hours rounded down; At is
	// the middle of request and answer, UTC, whole microseconds. Modulus is set
	// where a scale register decides it.
	Readings []plant.Reading
	// Signals are the momentary values in base units, with the unit in the
	// name, whole milliseconds. Their subject is the meter's name.
	Signals []plant.Signal
	// Refused are the values that came and cannot be facts, of class ErrValue. They
	// do not hurt the others.
	Refused []*Refused
}

// answer is what one request brought.
type answer struct {
	at    time.Time // middle of request and answer
	words []uint16
}

// NewBus checks the bus and the profiles of its meters and lays out what will
// be read. It opens nothing. The error joins a message for every bad value. Now is
// the clock that stamps what is read; it should never go back. The log receives the library's own remarks at debug level.
func NewBus(conf plant.Bus, now func() time.Time, log *slog.Logger) (*Bus, error) {
	if conf.Timeout == 0 {
		conf.Timeout = defaultTimeout
	}
	scheme, errs := checkBus(conf)
	b := &Bus{conf: conf, framed: scheme != "tcp", meters: map[plant.MeterID]*meter{}, now: now}
	b.quiet = quietTime(conf)
	said := map[string]bool{} // a profile used by many meters is wrong once
	for _, m := range conf.Meters {
		if b.meters[m.ID] != nil {
			errs = append(errs, fmt.Errorf("meter %s is twice on bus %s: give each meter its own name", m.ID, conf.ID))
			continue
		}
		errs = append(errs, checkMeter(m, b.framed)...)
		b.meters[m.ID] = &meter{conf: m}
		values, err := compileValues(m)
		if err != nil {
			if !said[err.Error()] {
				errs = append(errs, err)
			}
			said[err.Error()] = true
			continue
		}
		b.meters[m.ID].plan = newPlan(m.Profile, values)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	client, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL: conf.URL, Speed: conf.Speed, DataBits: conf.DataBits,
		Parity: parityOf(conf.Parity), StopBits: conf.StopBits, Timeout: conf.Timeout,
		// Without a logger the library writes to standard output.
		Logger: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	})
	if err != nil {
		return nil, fmt.Errorf("bus %s, url %q: %w", conf.ID, conf.URL, err)
	}
	b.client = client
	return b, nil
}

// checkBus checks what belongs to the line and gives the URL's scheme.
func checkBus(conf plant.Bus) (string, []error) {
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("bus %s: "+format, append([]any{conf.ID}, args...)...))
	}
	scheme, target, _ := strings.Cut(conf.URL, "://")
	switch scheme {
	case "tcp", "rtuovertcp":
		host, port, err := net.SplitHostPort(target)
		if err != nil || host == "" || port == "" {
			bad("url %q: expected %s://host:port, for example %s://192.0.2.10:502", conf.URL, scheme, scheme)
		}
	case "rtu":
		if !strings.HasPrefix(target, "/") {
			bad("url %q: expected rtu:// and the path of the serial port, for example rtu:///dev/ttyUSB0", conf.URL)
		}
	default:
		bad("url %q: expected tcp://host:port, rtuovertcp://host:port or rtu:///dev/ttyUSB0", conf.URL)
	}
	if !slices.Contains([]string{"", "none", "even", "odd"}, conf.Parity) {
		bad("parity %q: expected none, even or odd", conf.Parity)
	}
	if conf.Timeout < 0 || conf.Quiet < 0 {
		bad("timeout %v and quiet %v: expected no negative times", conf.Timeout, conf.Quiet)
	}
	return scheme, errs
}

func checkMeter(m plant.Meter, framed bool) []error {
	var errs []error
	if framed && m.Unit == 0 {
		errs = append(errs, fmt.Errorf("meter %s: unit 0 is a broadcast on a serial line, which no meter answers: expected 1 to 247", m.ID))
	}
	if m.Retries < 0 {
		errs = append(errs, fmt.Errorf("meter %s: retries %d: expected 0 or more", m.ID, m.Retries))
	}
	return errs
}

func parityOf(word string) uint {
	switch word {
	case "even":
		return modbus.PARITY_EVEN
	case "odd":
		return modbus.PARITY_ODD
	default:
		return modbus.PARITY_NONE
	}
}

// quietTime is how long a line is left alone after an error: as configured,
// else as long as an answer may still be under way.
func quietTime(conf plant.Bus) time.Duration {
	if conf.Quiet > 0 {
		return conf.Quiet
	}
	speed := conf.Speed
	if speed == 0 {
		speed = standardSpeed
	}
	return max(conf.Timeout, maxFrame*bitsPerChar*time.Second/time.Duration(speed))
}

// Read polls one meter: all requests of its plan, opening the link when it is
// not open. Failures of the link are tried again as often as the meter's
// Retries say, each time over a newly opened link; a link that does not open is
// not tried again. ReadOnce does the same with no second attempt.
//
// When ctx ends, Read returns at once from a connection attempt or a pause, and
// after the request under way otherwise, that is within the time-out of the
// bus: the library cannot be interrupted, and handing each request to another
// goroutine would halve the rate of polling.
//
// Errors are of class ErrException, ErrAnchor or ErrLink, and a *Refused where
// something came, or wrap the cause of ctx. With an error the Sample is empty.
func (b *Bus) Read(ctx context.Context, id plant.MeterID) (Sample, error) {
	return b.read(ctx, id, true)
}

// ReadOnce is Read without the meter's retries, for a meter that did not answer
// before: on a shared line every attempt costs the others a time-out and a quiet
// time.
func (b *Bus) ReadOnce(ctx context.Context, id plant.MeterID) (Sample, error) {
	return b.read(ctx, id, false)
}

func (b *Bus) read(ctx context.Context, id plant.MeterID, retry bool) (Sample, error) {
	m := b.meters[id]
	if m == nil {
		return Sample{}, fmt.Errorf("meter %s is not on bus %s: expected a meter of its configuration", id, b.conf.ID)
	}
	for attempt := 0; ; attempt++ {
		answers, err := b.poll(ctx, m)
		if err == nil {
			return b.sample(m, answers), nil
		}
		again := errors.Is(err, ErrLink) && !errors.Is(err, errOpen) || b.framed && errors.Is(err, ErrAnchor)
		if ctx.Err() != nil || !again || !retry || attempt >= m.conf.Retries {
			return Sample{}, err
		}
	}
}

// Rest waits until the line has rested after an error and may be used again, or
// ctx ends. A Read waits by itself; calling Rest first keeps that time out of the
// next meter's poll.
func (b *Bus) Rest(ctx context.Context) {
	if !b.open {
		_ = pause(ctx, time.Until(b.quietUntil)) // only the end of ctx, which the caller sees
	}
}

// Close closes the link; a later Read would open it again. It waits for a
// connection attempt that an ended context left behind, at most 5 s.
func (b *Bus) Close() error {
	if b.opening != nil {
		b.open = <-b.opening == nil
		b.opening = nil
	}
	if !b.open {
		return nil
	}
	b.open = false
	if err := b.client.Close(); err != nil {
		return fmt.Errorf("bus %s: close %s: %w", b.conf.ID, b.conf.URL, err)
	}
	return nil
}

// poll opens the link when needed and runs one exchange.
func (b *Bus) poll(ctx context.Context, m *meter) ([]answer, error) {
	if !b.open {
		if err := b.connect(ctx, m); err != nil {
			return nil, err
		}
	}
	return b.exchange(ctx, m)
}

// left is the error of a Read whose context ended.
func (b *Bus) left(ctx context.Context, m *meter) error {
	return fmt.Errorf("meter %s on %s: poll given up: %w", m.conf.ID, b.conf.URL, context.Cause(ctx))
}

// connect opens the link after the quiet time, in a goroutine of its own so
// that the caller can leave: the library waits 5 s for a connection.
func (b *Bus) connect(ctx context.Context, m *meter) error {
	if b.opening == nil {
		if err := pause(ctx, time.Until(b.quietUntil)); err != nil {
			return b.left(ctx, m)
		}
		done := make(chan error, 1)
		go func() { done <- b.client.Open() }()
		b.opening = done
	}
	select {
	case err := <-b.opening:
		b.opening = nil
		if err != nil {
			return fmt.Errorf("meter %s, unit %d: bus %s at %s: %w: %w: %w — expected a reachable device: check address, port, cable and rights on the serial port",
				m.conf.ID, m.conf.Unit, b.conf.ID, b.conf.URL, ErrLink, errOpen, err)
		}
		b.open = true
		return nil
	case <-ctx.Done():
		return b.left(ctx, m)
	}
}

// pause waits, or fails when ctx ends before.
func pause(ctx context.Context, d time.Duration) error {
	if d <= 0 || ctx.Err() != nil {
		return ctx.Err()
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// exchange runs the requests of a plan over the open link.
func (b *Bus) exchange(ctx context.Context, m *meter) ([]answer, error) {
	if b.unproven && m.plan.probe != nil {
		// The answer is thrown away. An exception is an answer too.
		if _, err := b.ask(m, *m.plan.probe); err != nil && !errors.Is(err, ErrException) {
			return nil, err
		}
	}
	answers := make([]answer, 0, len(m.plan.requests))
	for i, r := range m.plan.requests {
		if ctx.Err() != nil {
			return nil, b.left(ctx, m)
		}
		a, err := b.ask(m, r)
		if err == nil {
			err = b.compare(m, i, a)
		}
		if err != nil {
			if b.unproven {
				b.drop()
			}
			return nil, err
		}
		answers = append(answers, a)
	}
	b.unproven = false
	return answers, nil
}

// ask sends one request. After any error that is not an exception the link is
// closed: the answer may still come, and would be taken for another's.
func (b *Bus) ask(m *meter, r request) (answer, error) {
	if err := b.client.SetUnitId(m.conf.Unit); err != nil {
		return answer{}, b.fail(m, r, ErrLink, err)
	}
	kind := modbus.HOLDING_REGISTER
	if r.function == functionInput {
		kind = modbus.INPUT_REGISTER
	}
	waitUntil(b.free) // else the library would wait, with a coarser clock
	sent := b.now()
	words, err := b.client.ReadRegisters(r.address, r.words, kind)
	if b.framed {
		b.free = time.Now().Add(silenceAfter(b.conf.Speed))
	}
	switch {
	case err == nil:
		return answer{at: sent.Add(b.now().Sub(sent) / 2).UTC(), words: words}, nil
	case isException(err):
		return answer{}, b.fail(m, r, ErrException, err)
	default:
		b.drop()
		return answer{}, b.fail(m, r, ErrLink, err)
	}
}

// drop closes the link after an error and starts the quiet time.
func (b *Bus) drop() {
	if !b.open {
		return
	}
	b.open = false
	_ = b.client.Close() // given up in any case; the error that led here is the one to report
	if b.framed {
		b.unproven = true
		b.quietUntil = time.Now().Add(b.quiet)
	}
}

// compare checks the anchors that the answer to request i holds. On RTU framing
// a wrong one may be a late answer, so the link is closed.
func (b *Bus) compare(m *meter, i int, a answer) error {
	for _, c := range m.plan.checks {
		if c.at.request != i {
			continue
		}
		got := a.words[c.at.offset : c.at.offset+len(c.words)]
		if slices.Equal(got, c.words) {
			continue
		}
		if b.framed {
			b.drop()
		}
		r := m.plan.requests[i]
		address := int(r.address) + c.at.offset
		return &Refused{
			place: b.place(m, r), class: ErrAnchor, Content: inHex(got),
			found: fmt.Sprintf("address %d holds %#04x", address, got),
			expected: fmt.Sprintf("expected %#04x at address %d — check the unit id and that the profile %s is of this kind of meter",
				c.words, address, m.conf.Profile.Name),
		}
	}
	return nil
}

// sample decodes the answers of a whole poll.
func (b *Bus) sample(m *meter, answers []answer) Sample {
	s := Sample{
		Readings: make([]plant.Reading, 0, m.plan.cumulative),
		Signals:  make([]plant.Signal, 0, len(m.plan.values)-m.plan.cumulative),
	}
	for i := range m.plan.values {
		v := &m.plan.values[i]
		a := answers[v.at.request]
		var scale uint16
		if v.scaled {
			scale = answers[v.scaleAt.request].words[v.scaleAt.offset]
		}
		d, present, refused := v.decode(a.words[v.at.offset:v.at.offset+int(v.kind.Words())], scale)
		switch {
		case refused != nil:
			refused.place = b.place(m, m.plan.requests[v.at.request])
			s.Refused = append(s.Refused, refused)
		case !present:
		case v.cumulative:
			s.Readings = append(s.Readings, plant.Reading{
				Register: v.register, At: a.at.Truncate(time.Microsecond), Value: d.units, Modulus: d.modulus,
			})
		default:
			s.Signals = append(s.Signals, plant.Signal{
				Subject: string(m.conf.ID), Name: v.signal, At: a.at.Truncate(time.Millisecond), Value: d.signal,
			})
		}
	}
	return s
}

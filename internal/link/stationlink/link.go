package stationlink

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"curetally/internal/core/plant"
)

const (
	firstPause = time.Second
	// maxReconnectInterval is the longest pause between two attempts to connect.
	maxReconnectInterval = 30 * time.Second
	// steady is how long a connection lasts that does not call for a longer pause.
	steady = 10 * time.Second
	// queueLength is more than the messages that a broker has under way to one
	// client unless it was told otherwise (20 to 8192), so that the client
	// library need not wait for the receiver and keeps hearing the broker.
	queueLength = 16384
)

// Options are the parts of a Link.
type Options struct {
	// URL is the broker: mqtt://host:1883, mqtts://host:8883, ws:// or wss://.
	URL string
	// ClientID names the session at the broker. Empty means a name derived from
	// those of the site and of this host; two links with one name disconnect each
	// other for ever.
	ClientID string
	Username string
	Password string
	// TLS is for mqtts and wss; nil means the certificates of the system.
	TLS *tls.Config
	// KeepAlive is how often an idle connection is tested, in whole seconds; 15 s
	// when zero.
	KeepAlive time.Duration
	Plant     *plant.Plant     // required
	Now       func() time.Time // clock of arrivals; the real one when nil
	Log       *slog.Logger     // none when nil
}

// Message is what one MQTT message has become. Facts are never empty.
type Message struct {
	Topic string
	Facts plant.Facts
	// Ack tells the broker that the message need not be sent again. It is called
	// once the facts are durable, by any goroutine, and does not block; a second
	// call does nothing. After the connection has ended it has no effect: the
	// broker sends the message again.
	Ack func()
}

// Link is a connection to a broker that is kept up while Run lives.
type Link struct {
	o       Options
	server  *url.URL
	filters map[string]byte // subscription filter → quality of service
	covers  func(topic string) bool
	facts   func(topic string, payload []byte, arrived time.Time, age Age) plant.Facts

	session   atomic.Pointer[session] // the subscribed one; nil while there is none
	unmatched atomic.Uint64
	dropping  atomic.Bool
	refused   []string // filters that the broker refused last; used by Run alone
	order     order    // used by the receiving goroutine of Run alone
}

// New checks the options and prepares the mapping; it does not connect.
func New(o Options) (*Link, error) {
	server, err := Server(o.URL)
	if err != nil {
		return nil, err
	}
	m, err := NewMapper(o.Plant)
	if err != nil {
		return nil, err
	}
	if o.ClientID == "" {
		host, err := os.Hostname()
		if err != nil {
			return nil, fmt.Errorf("name of this host for the client id: %w — write broker.client_id", err)
		}
		o.ClientID = derivedID(o.Plant.Name, host)
	}
	if o.KeepAlive == 0 {
		o.KeepAlive = 15 * time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Log = o.Log.With("component", "stationlink")
	l := &Link{o: o, server: server, filters: map[string]byte{}, covers: m.Covers, facts: m.Facts, order: order{last: map[plant.StationID]plant.StationEvent{}}}
	for _, f := range m.Filters() {
		l.filters[f] = atLeastOnce
	}
	return l, nil
}

// derivedID gives a client id that every broker must accept. Source: MQTT 3.1.1
// [MQTT-3.1.3-5]: 1 to 23 letters and digits.
func derivedID(site, host string) string {
	sum := sha256.Sum256([]byte(site + "\x00" + host))
	return "curetally" + hex.EncodeToString(sum[:7])
}

// Connected says whether the broker is connected and subscribed to.
func (l *Link) Connected() bool {
	s := l.session.Load()
	return s != nil && s.client.IsConnectionOpen()
}

// Unmatched counts messages of topics that no mapping has since the start. They
// come from subscriptions of an earlier configuration that the broker still
// holds, and are acknowledged without a trace.
func (l *Link) Unmatched() uint64 { return l.unmatched.Load() }

// Run keeps the connection until ctx ends and hands every message that has facts
// to handle, in the order of arrival. Handle may block: messages then wait in
// memory, and further ones at the broker. Run is called once at a time; it
// returns nil when all that it started has ended.
func (l *Link) Run(ctx context.Context, handle func(Message)) error {
	ctx, cancel := context.WithCancel(ctx)
	queue := make(chan arrival, queueLength)
	acks := &ackQueue{wake: make(chan struct{}, 1)}
	var wg sync.WaitGroup
	wg.Go(func() { l.receive(ctx, queue, acks, handle) })
	wg.Go(func() { acks.run(ctx) })
	l.stayConnected(ctx, queue, acks)
	cancel()
	wg.Wait()
	return nil
}

// stayConnected makes one session after the other until ctx ends. It writes one
// line when the condition changes: connected, lost, or away for another reason.
func (l *Link) stayConnected(ctx context.Context, queue chan<- arrival, acks *ackQueue) {
	log := l.o.Log.With("broker", l.server.Redacted())
	pause, away := firstPause, ""
	for attempt := 1; ctx.Err() == nil; attempt++ {
		s, err := l.open(ctx, queue)
		switch {
		case ctx.Err() != nil:
			s.close()
			return
		case err != nil:
			s.close()
			if r := remedy(err); r != away {
				away = r
				log.Warn("the broker is away, trying again for ever — "+r, "err", err, "attempt", attempt)
			}
		default:
			away = ""
			log.Info("connected to the broker", "attempt", attempt)
			l.reportRefused(s.refused)
			l.session.Store(s)
			started := time.Now()
			select {
			case <-ctx.Done():
				acks.flush()
			case err = <-s.lost:
				away = remedy(err)
				hint := ""
				if time.Since(started) < steady {
					hint = " — if this repeats, look for another client with the same client id"
				} else {
					pause, attempt = firstPause, 0
				}
				log.Warn("lost the broker, station states become unknown after their silence limit"+hint, "err", err)
			}
			l.session.Store(nil)
			s.close()
		}
		if !wait(ctx, pause+rand.N(pause/4)) {
			return
		}
		pause = min(2*pause, maxReconnectInterval)
	}
}

// reportRefused writes one line for each filter that the broker refuses, and one
// when it no longer does.
func (l *Link) reportRefused(refused []string) {
	for _, f := range refused {
		if !slices.Contains(l.refused, f) {
			l.o.Log.Error("the broker refuses the subscription, its messages do not come — allow the user of the broker to read this filter", "filter", f, "user", l.o.Username)
		}
	}
	for _, f := range l.refused {
		if !slices.Contains(refused, f) {
			l.o.Log.Info("the broker grants the subscription", "filter", f)
		}
	}
	l.refused = refused
}

// wait pauses; false when ctx ended.
func wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// arrival is a message as it came in.
type arrival struct {
	message mqtt.Message
	at      time.Time
}

// enqueue takes a message from the client library, which hears nothing of the
// broker while it waits here. A message of quality 0 is not worth that.
func (l *Link) enqueue(ctx context.Context, queue chan<- arrival, m mqtt.Message) {
	a := arrival{m, l.o.Now()}
	select {
	case queue <- a:
		return
	default:
	}
	if m.Qos() == 0 {
		if !l.dropping.Swap(true) {
			l.o.Log.Warn("messages come faster than they are stored, those of quality of service 0 are lost — publish with quality 1", "topic", m.Topic())
		}
		return
	}
	select {
	case queue <- a:
	case <-ctx.Done(): // not acknowledged: the broker sends it again
	}
}

// receive maps the messages of the queue and hands them on until ctx ends.
func (l *Link) receive(ctx context.Context, queue <-chan arrival, acks *ackQueue, handle func(Message)) {
	for {
		select {
		case <-ctx.Done():
			return
		case a := <-queue:
			l.take(a, acks, handle)
			if len(queue) == 0 {
				l.dropping.Store(false)
			}
		}
	}
}

func (l *Link) take(a arrival, acks *ackQueue, handle func(Message)) {
	m := a.message
	ack := sync.OnceFunc(func() { acks.add(m.Ack) })
	if !l.covers(m.Topic()) {
		if l.unmatched.Add(1) == 1 {
			l.o.Log.Warn("the broker sends a topic without a mapping, left over from an earlier subscription; such messages are counted and dropped — change broker.client_id once, or delete the old session at the broker", "topic", m.Topic())
		}
		ack()
		return
	}
	f := l.mapped(a)
	if f.Len() == 0 {
		ack()
		return
	}
	handle(Message{Topic: m.Topic(), Facts: f, Ack: ack})
}

// mapped gives the facts of a message. A mistake in the mapping must not end the
// daemon: the broker would send the same message again at every start.
func (l *Link) mapped(a arrival) (f plant.Facts) {
	m := a.message
	defer func() {
		if cause := recover(); cause != nil {
			l.o.Log.Error("mapping of a message failed, please report it", "topic", m.Topic(), "err", fmt.Errorf("panic: %v", cause))
			f = plant.Facts{Refusals: []plant.Refusal{{
				At: a.at.UTC().Truncate(time.Millisecond), Source: m.Topic(), Reason: "the mapping of this message failed — please report it with the payload",
				Payload: slices.Clone(m.Payload()[:min(len(m.Payload()), plant.MaxRefusalPayload)]),
			}}}
		}
	}()
	age := ageOf(m)
	f = l.facts(m.Topic(), m.Payload(), a.at, age)
	l.order.straighten(f, age)
	return f
}

func ageOf(m mqtt.Message) Age {
	switch {
	case m.Retained():
		return Retained
	case m.Duplicate():
		return Repeated
	default:
		return Fresh
	}
}

// ackQueue decouples those who are done with messages from the connection,
// which may be slow to write. It holds no more than the messages under way.
type ackQueue struct {
	mu      sync.Mutex // for waiting
	waiting []func()
	sending sync.Mutex    // held while acknowledgements are under way
	wake    chan struct{} // of capacity 1
}

func (q *ackQueue) add(ack func()) {
	q.mu.Lock()
	q.waiting = append(q.waiting, ack)
	q.mu.Unlock()
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// flush sends what waits and returns when all that was added before is sent.
func (q *ackQueue) flush() {
	q.sending.Lock()
	defer q.sending.Unlock()
	q.mu.Lock()
	waiting := q.waiting
	q.waiting = nil
	q.mu.Unlock()
	for _, ack := range waiting {
		ack()
	}
}

func (q *ackQueue) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-q.wake:
			q.flush()
		}
	}
}

// errURL is what a broker URL should have been.
var errURL = errors.New("expected mqtt://host:1883, or mqtts://host:8883 with TLS")

// Server checks the URL of a broker and adds the port that goes with its
// scheme.
func Server(raw string) (*url.URL, error) {
	u, err := url.Parse(raw)
	if err != nil || u.Hostname() == "" {
		return nil, fmt.Errorf("broker URL: %w", errURL)
	}
	port, ok := map[string]string{"mqtt": "1883", "tcp": "1883", "mqtts": "8883", "ssl": "8883", "tls": "8883", "ws": "80", "wss": "443"}[u.Scheme]
	if !ok {
		return nil, fmt.Errorf("broker URL: unknown scheme %q: %w", u.Scheme, errURL)
	}
	if u.Port() == "" {
		u.Host = u.Host + ":" + port
	}
	return u, nil
}

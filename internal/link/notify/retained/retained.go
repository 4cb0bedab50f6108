// Package retained shows the state of a plant at an MQTT broker: savings, tasks and
// lamp life as retained JSON below one prefix, so that whoever subscribes later
// has the newest at once.
//
// The wanted state is set as a whole; the package publishes what differs from what
// the broker confirmed on this connection, and all of it after each new connection,
// because a broker may forget. A topic that is wanted no more is emptied. Nothing
// is ever read from the broker, and nothing that is shown here steers anything.
//
// PREFIX/online is true while the daemon is connected; the broker makes it false
// when the connection breaks.
package retained

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

const (
	mqtt311       = 4
	atLeastOnce   = 1
	answerTimeout = 10 * time.Second
	firstPause    = time.Second
	longestPause  = 30 * time.Second
	partingMillis = 1000
	online        = "online"
)

// errNoAnswer is a broker that takes the connection and then says nothing.
var errNoAnswer = errors.New("the broker does not answer")

// Options are the parts of a Board.
type Options struct {
	// Server is the broker with its port: mqtt, mqtts, ws or wss.
	Server *url.URL
	// ClientID names the connection at the broker; no other client may have it.
	ClientID string
	Username string
	Password string
	// TLS is for mqtts and wss; nil means the certificates of the system.
	TLS       *tls.Config
	KeepAlive time.Duration
	// Prefix is what all topics begin with, without a slash at its end.
	Prefix string
	Log    *slog.Logger
}

// Board shows documents at a broker while Run lives.
type Board struct {
	o    Options
	wake chan struct{}

	mu     sync.Mutex // guards the rest
	wanted map[string][]byte
}

// New builds a Board; Run makes it work. Show may be called before.
func New(o Options) *Board {
	o.Log = o.Log.With("component", "retained", "broker", o.Server.Redacted())
	return &Board{o: o, wake: make(chan struct{}, 1), wanted: map[string][]byte{}}
}

// Show sets all documents that are to be seen, by their topic below the prefix. It
// does not wait for the broker.
func (b *Board) Show(documents map[string]any) error {
	wanted := make(map[string][]byte, len(documents))
	for topic, d := range documents {
		text, err := json.Marshal(d)
		if err != nil {
			return fmt.Errorf("document for %s: %w", topic, err)
		}
		wanted[topic] = text
	}
	b.mu.Lock()
	b.wanted = wanted
	b.mu.Unlock()
	select {
	case b.wake <- struct{}{}:
	default: // a wake-up is already waiting
	}
	return nil
}

// Run keeps the connection until ctx ends. A broker that is away is tried again for
// ever; the log says once that it is away and once that it is back.
func (b *Board) Run(ctx context.Context) error {
	pause, away := firstPause, false
	stale := map[string]bool{} // shown on an earlier connection
	for ctx.Err() == nil {
		err := b.connection(ctx, stale, func() {
			if away {
				b.o.Log.Info("the broker is back")
			}
			pause, away = firstPause, false
		})
		if ctx.Err() != nil {
			break
		}
		if !away {
			away = true
			b.o.Log.Warn("what the plant does is not shown at the broker — check that it runs and that the user may write below the prefix", "err", err, "prefix", b.o.Prefix)
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause + rand.N(pause/4)):
		}
		pause = min(2*pause, longestPause)
	}
	return nil
}

// connection lives from connecting to losing the broker, or to the end of ctx,
// which it tells the broker.
func (b *Board) connection(ctx context.Context, stale map[string]bool, up func()) error {
	lost := make(chan error, 1)
	client := mqtt.NewClient(b.clientOptions(lost))
	defer client.Disconnect(partingMillis)
	if err := outcome(ctx, client.Connect()); err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	if err := b.publish(ctx, client, online, []byte("true")); err != nil {
		return err
	}
	up()
	shown := map[string][]byte{}
	for {
		if err := b.update(ctx, client, shown, stale); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return b.publish(context.WithoutCancel(ctx), client, online, []byte("false"))
		case err := <-lost:
			return fmt.Errorf("connection lost: %w", err)
		case <-b.wake:
		}
	}
}

// update publishes what differs and empties what is wanted no more.
func (b *Board) update(ctx context.Context, client mqtt.Client, shown map[string][]byte, stale map[string]bool) error {
	b.mu.Lock()
	wanted := b.wanted
	b.mu.Unlock()
	for _, topic := range slices.Sorted(maps.Keys(wanted)) {
		if before, ok := shown[topic]; ok && bytes.Equal(before, wanted[topic]) {
			continue
		}
		if err := b.publish(ctx, client, topic, wanted[topic]); err != nil {
			return err
		}
		shown[topic], stale[topic] = wanted[topic], true
	}
	for _, topic := range slices.Sorted(maps.Keys(stale)) {
		if _, ok := wanted[topic]; ok {
			continue
		}
		if err := b.publish(ctx, client, topic, nil); err != nil {
			return err
		}
		delete(shown, topic)
		delete(stale, topic)
	}
	return nil
}

// publish sends one retained message and waits until the broker has it.
func (b *Board) publish(ctx context.Context, client mqtt.Client, topic string, payload []byte) error {
	if err := outcome(ctx, client.Publish(b.o.Prefix+"/"+topic, atLeastOnce, true, payload)); err != nil {
		return fmt.Errorf("publish %s/%s: %w", b.o.Prefix, topic, err)
	}
	return nil
}

// outcome waits for a token, never without a limit.
func outcome(ctx context.Context, t mqtt.Token) error {
	limit := time.NewTimer(answerTimeout)
	defer limit.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-limit.C:
		return errNoAnswer
	case <-t.Done():
		return t.Error()
	}
}

// clientOptions leaves reconnecting to Run: the pauses of the library cannot be
// ended.
func (b *Board) clientOptions(lost chan<- error) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().SetClientID(b.o.ClientID).SetProtocolVersion(mqtt311).
		SetUsername(b.o.Username).SetPassword(b.o.Password).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetKeepAlive(b.o.KeepAlive).SetWriteTimeout(answerTimeout).SetConnectTimeout(answerTimeout).
		SetBinaryWill(b.o.Prefix+"/"+online, []byte("false"), atLeastOnce, true).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) {
			select {
			case lost <- err:
			default:
			}
		})
	o.Servers = []*url.URL{b.o.Server}
	if b.o.TLS != nil {
		o.SetTLSConfig(b.o.TLS)
	}
	return o
}

// Level makes one topic level of a name: what MQTT gives a meaning of its own is
// replaced. Source: MQTT 3.1.1, 4.7.1 (levels are divided by "/"; "+" and "#" must
// not stand in the topic of a message).
func Level(name string) string {
	return strings.NewReplacer("/", "_", "+", "_", "#", "_", "\x00", "_").Replace(name)
}

// Package broker is the MQTT broker of the demo: an embedded one on a free
// loopback port, open to every client of this machine.
//
// It keeps nothing on disk. Sessions and retained messages end with it, which
// is enough for the virtual plant, whose stations say everything anew when they
// connect. It is no broker for a real plant.
package broker

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sync"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Broker is a running MQTT broker.
type Broker struct {
	server   *mqtt.Server
	listener *listeners.TCP
}

// Listen starts the broker on a free loopback port. The caller must then call
// Run, also when it gives up: Run with an ended context closes the broker. Hooks
// watch what passes; they are called by the broker's goroutines.
func Listen(hooks ...mqtt.Hook) (*Broker, error) {
	limits := mqtt.NewDefaultServerCapabilities()
	// With the defaults, messages beyond 8192 waiting are dropped after they
	// were acknowledged.
	limits.MaximumInflight = math.MaxUint16
	limits.MaximumClientWritesPending = math.MaxUint16 + 1
	server := mqtt.New(&mqtt.Options{Capabilities: limits, Logger: slog.New(slog.DiscardHandler)})
	for _, h := range append([]mqtt.Hook{new(open)}, hooks...) {
		if err := server.AddHook(h, nil); err != nil {
			return nil, fmt.Errorf("broker: %w", err)
		}
	}
	b := &Broker{server: server, listener: listeners.NewTCP(listeners.Config{ID: "demo", Address: "127.0.0.1:0"})}
	if err := server.AddListener(b.listener); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	if err := server.Serve(); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	return b, nil
}

// URL is where clients connect.
func (b *Broker) URL() string { return "mqtt://" + b.listener.Address() }

// Run keeps the broker until ctx ends, then closes it with all connections.
func (b *Broker) Run(ctx context.Context) error {
	<-ctx.Done()
	if err := b.server.Close(); err != nil {
		return fmt.Errorf("close broker: %w", err)
	}
	return nil
}

// open lets every client in; without a hook of this kind the library refuses
// all of them. It also keeps apart what the library does not: it notes a retained
// message under a lock and looks for retained messages without one. So a client
// that keeps a message and one that subscribes take turns.
type open struct {
	mqtt.HookBase
	turns sync.RWMutex
	// keeper is the client whose retained message is being noted; it holds turns.
	keeper atomic.Pointer[mqtt.Client]
}

// ID names the hook.
func (*open) ID() string { return "open" }

// Provides says what the hook decides or watches.
func (*open) Provides(b byte) bool {
	return slices.Contains([]byte{
		mqtt.OnConnectAuthenticate, mqtt.OnACLCheck,
		mqtt.OnPublish, mqtt.OnWill, mqtt.OnRetainMessage, mqtt.OnSubscribe, mqtt.OnPacketProcessed,
	}, b)
}

// OnConnectAuthenticate accepts every client.
func (*open) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }

// OnACLCheck allows every topic.
func (*open) OnACLCheck(*mqtt.Client, string, bool) bool { return true }

// OnPublish begins the turn of a retained message. OnRetainMessage follows it
// directly.
func (h *open) OnPublish(c *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Retain {
		h.keep(c)
	}
	return pk, nil
}

// OnWill likewise for a last will, unless it is to be sent later.
func (h *open) OnWill(c *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	if will.Retain && c.Properties.Will.WillDelayInterval == 0 {
		h.keep(c)
	}
	return will, nil
}

func (h *open) keep(c *mqtt.Client) {
	h.turns.Lock()
	h.keeper.Store(c)
}

// OnRetainMessage ends the turn of a retained message.
func (h *open) OnRetainMessage(c *mqtt.Client, _ packets.Packet, _ int64) {
	if h.keeper.CompareAndSwap(c, nil) {
		h.turns.Unlock()
	}
}

// OnSubscribe begins the turn of a subscription.
func (h *open) OnSubscribe(_ *mqtt.Client, pk packets.Packet) packets.Packet {
	h.turns.RLock()
	return pk
}

// OnPacketProcessed ends the turn of a subscription; it follows every
// OnSubscribe.
func (h *open) OnPacketProcessed(_ *mqtt.Client, pk packets.Packet, _ error) {
	if pk.FixedHeader.Type == packets.Subscribe {
		h.turns.RUnlock()
	}
}

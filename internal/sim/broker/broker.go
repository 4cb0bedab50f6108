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
// Run, also when it gives up: Run with an ended context closes the broker.
func Listen() (*Broker, error) {
	limits := mqtt.NewDefaultServerCapabilities()
	// With the defaults, messages beyond 8192 waiting are dropped after they
	// were acknowledged.
	limits.MaximumInflight = math.MaxUint16
	limits.MaximumClientWritesPending = math.MaxUint16 + 1
	server := mqtt.New(&mqtt.Options{Capabilities: limits, Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(new(open), nil); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
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
// all of them.
type open struct{ mqtt.HookBase }

// ID names the hook.
func (*open) ID() string { return "open" }

// Provides says what the hook decides.
func (*open) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck
}

// OnConnectAuthenticate accepts every client.
func (*open) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }

// OnACLCheck allows every topic.
func (*open) OnACLCheck(*mqtt.Client, string, bool) bool { return true }

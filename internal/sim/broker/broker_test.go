package broker_test

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"curetally/internal/sim/broker"
)

// A retained message reaches who subscribes later, and after Run the port is
// free.
func TestBroker(t *testing.T) {
	b, err := broker.Listen()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()

	const patience = 30 * time.Second
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.URL()).SetClientID("test").SetProtocolVersion(4).SetAutoReconnect(false))
	if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("connect: %v", tok.Error())
	}
	if tok := c.Publish("a/b", 1, true, "kept"); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("publish: %v", tok.Error())
	}
	got := make(chan string, 1)
	if tok := c.Subscribe("a/+", 1, func(_ mqtt.Client, m mqtt.Message) { got <- string(m.Payload()) }); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("subscribe: %v", tok.Error())
	}
	select {
	case text := <-got:
		if text != "kept" {
			t.Errorf("retained message = %q", text)
		}
	case <-time.After(patience):
		t.Fatal("no retained message")
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatalf("Run: %v", err)
	}
	if conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", strings.TrimPrefix(b.URL(), "mqtt://")); err == nil {
		conn.Close()
		t.Error("the broker still listens after Run")
	}
	c.Disconnect(0)
}

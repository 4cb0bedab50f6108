package broker_test

import (
	"context"
	"net"
	"net/url"
	"strconv"
	"strings"
	"sync"
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

// Clients keep messages while others subscribe; under the race detector this
// fails when the two do not take turns. The last will of one that is cut off is
// kept like any message.
func TestBroker_KeepsWhileOthersSubscribe(t *testing.T) {
	b, err := broker.Listen()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()

	const patience, rounds = 30 * time.Second, 60
	done := func(what string, tok mqtt.Token) bool {
		if !tok.WaitTimeout(patience) || tok.Error() != nil {
			t.Errorf("%s: %v", what, tok.Error())
			return false
		}
		return true
	}
	var conns sync.Map // by client
	client := func(name string) mqtt.Client {
		o := mqtt.NewClientOptions().AddBroker(b.URL()).SetClientID(name).SetProtocolVersion(4).SetAutoReconnect(false)
		o.SetWill("a/"+name, "gone", 1, true)
		o.SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
			conn, err := net.Dial("tcp", u.Host)
			conns.Store(name, conn)
			return conn, err
		})
		c := mqtt.NewClient(o)
		done("connect", c.Connect())
		return c
	}
	var wg sync.WaitGroup
	for _, name := range []string{"one", "two"} {
		wg.Go(func() {
			c := client(name)
			defer c.Disconnect(100)
			for i := range rounds {
				if !done("publish", c.Publish("a/"+name, 1, true, strconv.Itoa(i))) {
					return
				}
			}
		})
		wg.Go(func() {
			c := client("reader-" + name)
			defer c.Disconnect(100)
			for range rounds {
				if !done("subscribe", c.Subscribe("a/+", 1, func(mqtt.Client, mqtt.Message) {})) {
					return
				}
			}
		})
	}
	wg.Wait()

	client("lost")
	if conn, ok := conns.Load("lost"); !ok || conn.(net.Conn).Close() != nil {
		t.Fatal("the connection could not be cut")
	}
	reader, got := client("late"), make(chan string, 1)
	defer reader.Disconnect(100)
	done("subscribe", reader.Subscribe("a/lost", 1, func(_ mqtt.Client, m mqtt.Message) { got <- string(m.Payload()) }))
	select {
	case text := <-got:
		if text != "gone" {
			t.Errorf("last will = %q", text)
		}
	case <-time.After(patience):
		t.Error("no last will")
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatalf("Run: %v", err)
	}
}

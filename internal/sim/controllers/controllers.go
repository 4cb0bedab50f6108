// Package controllers are the station controllers and the press of the virtual
// plant as MQTT clients: each reports its state when it changes and at a steady
// beat, retained and with quality of service 1, and leaves a last will.
//
// What they say is a function of the plant and the clock given in Options, so
// the messages continue the history of package sim: same boot, rising sequence,
// the same counters. Messages that fall due while the broker is away are lost,
// like those of a real controller; the counters make up for them.
//
// New builds, Run connects and reports until its context ends.
package controllers

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"curetally/internal/sim"
)

// Options of the controllers.
type Options struct {
	Broker string // URL of the broker
	// Beat is the longest time between two messages; 10 s when zero.
	Beat time.Duration
	// Now is the clock of the plant, After waits by it; the real ones when nil.
	Now    func() time.Time
	After  func(time.Duration) <-chan time.Time
	Logger *slog.Logger
}

// Controllers report for all stations of a plant and for its press.
type Controllers struct {
	world *sim.World
	opts  Options
}

// New builds the controllers of a plant.
func New(w *sim.World, opts Options) *Controllers {
	if opts.Beat == 0 {
		opts.Beat = 10 * time.Second
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.After == nil {
		opts.After = time.After
	}
	if opts.Logger == nil {
		opts.Logger = slog.New(slog.DiscardHandler)
	}
	return &Controllers{world: w, opts: opts}
}

// reporter is one client: a station or the press.
type reporter struct {
	name    string
	topic   string
	will    bool
	payload func(time.Time) ([]byte, error)
	next    func(time.Time) (time.Time, bool) // next change after an instant
	phase   time.Duration                     // of the beat
}

// Run connects all clients and reports until ctx ends. A broker that cannot be
// reached is tried again for ever; Run fails only when a message cannot be made.
func (c *Controllers) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	var mu sync.Mutex
	var failures []error
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	for _, r := range c.reporters() {
		wg.Go(func() {
			if err := c.report(ctx, r); err != nil {
				mu.Lock()
				defer mu.Unlock()
				failures = append(failures, err)
				cancel()
			}
		})
	}
	wg.Wait()
	return errors.Join(failures...)
}

func (c *Controllers) reporters() []reporter {
	all := []reporter{{
		name: string(sim.Press), topic: PressTopic(),
		payload: func(t time.Time) ([]byte, error) { return PressStatus(c.world, t) },
		next:    func(time.Time) (time.Time, bool) { return time.Time{}, false },
	}}
	for i, id := range sim.StationIDs() {
		all = append(all, reporter{
			name: string(id), topic: StatusTopic(id), will: true,
			payload: func(t time.Time) ([]byte, error) { return Status(c.world, id, t) },
			next:    func(t time.Time) (time.Time, bool) { return c.world.NextChange(id, t) },
			phase:   c.opts.Beat * time.Duration(i+1) / (sim.Stations + 1),
		})
	}
	return all
}

// due gives the next instant after t at which a reporter says something.
func (r reporter) due(t time.Time, beat time.Duration) time.Time {
	next := t.Add(-r.phase).Truncate(beat).Add(beat + r.phase)
	if change, ok := r.next(t); ok && change.Before(next) {
		return change
	}
	return next
}

// report is the life of one client.
func (c *Controllers) report(ctx context.Context, r reporter) error {
	log := c.opts.Logger.With("component", "controllers", "station", r.name)
	connected := make(chan struct{}, 1)
	client := mqtt.NewClient(c.clientOptions(r, connected, log))
	client.Connect()
	defer func() {
		if r.will && client.IsConnectionOpen() {
			deliver(client, r.topic, []byte(sim.OfflineWord))
		}
		const settleMillis = 250
		client.Disconnect(settleMillis)
	}()
	last := c.opts.Now()
	var beat <-chan time.Time // nil, so never, before the first connection
	for up := false; ; {
		due := r.due(last, c.opts.Beat)
		if up {
			beat = c.opts.After(due.Sub(c.opts.Now()))
		}
		select {
		case <-ctx.Done():
			return nil
		case <-connected:
			// A fresh status replaces a retained last will.
			up, due = true, c.opts.Now().Truncate(time.Millisecond)
		case <-beat:
		}
		payload, err := r.payload(due)
		if err != nil {
			return fmt.Errorf("message of %s: %w", r.name, err)
		}
		if client.IsConnectionOpen() {
			deliver(client, r.topic, payload)
		}
		if due.After(last) {
			last = due
		}
	}
}

// deliver publishes and waits a bounded time for the broker to take it. A
// message that is not taken is lost, like that of a real controller.
func deliver(client mqtt.Client, topic string, payload []byte) {
	const atLeastOnce, patience = 1, 2 * time.Second
	client.Publish(topic, atLeastOnce, true, payload).WaitTimeout(patience)
}

func (c *Controllers) clientOptions(r reporter, connected chan<- struct{}, log *slog.Logger) *mqtt.ClientOptions {
	const mqtt311 = 4
	o := mqtt.NewClientOptions().AddBroker(c.opts.Broker).SetClientID("plant-" + r.name).SetProtocolVersion(mqtt311).
		SetCleanSession(true).SetConnectRetry(true).SetConnectRetryInterval(time.Second).SetMaxReconnectInterval(5 * time.Second).
		SetKeepAlive(15 * time.Second).SetPingTimeout(5 * time.Second).SetWriteTimeout(5 * time.Second)
	if r.will {
		o.SetWill(r.topic, sim.OfflineWord, 1, true)
	}
	o.SetOnConnectHandler(func(mqtt.Client) {
		select {
		case connected <- struct{}{}:
		default:
		}
	})
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		log.Debug("controller lost the broker", "err", err)
	})
	return o
}

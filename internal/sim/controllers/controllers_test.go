package controllers_test

import (
	"context"
	"encoding/json"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
	"curetally/internal/sim/broker"
	"curetally/internal/sim/controllers"
)

// patience bounds what a test waits for the broker; it is no assertion.
const patience = 30 * time.Second

// clock moves only when somebody waits by it.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) After(d time.Duration) <-chan time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(max(0, d))
	fired := make(chan time.Time, 1)
	fired <- c.now
	return fired
}

type message struct {
	topic   string
	payload string
}

// listen subscribes to everything at a broker.
func listen(t *testing.T, url string) <-chan message {
	t.Helper()
	out := make(chan message, 1<<16)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("test").SetProtocolVersion(4))
	if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("connect: %v", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	tok := c.Subscribe("alder/#", 1, func(_ mqtt.Client, m mqtt.Message) {
		out <- message{m.Topic(), string(m.Payload())}
	})
	if !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("subscribe: %v", tok.Error())
	}
	return out
}

// running starts a broker and the controllers of a plant in working hours.
func running(t *testing.T) (w *sim.World, messages <-chan message, stop func() error) {
	t.Helper()
	now := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)
	w, err := sim.New(sim.Defaults(now, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	b, err := broker.Listen()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("broker: %v", err)
		}
	})
	messages = listen(t, b.URL())
	c := &clock{now: now}
	plantCtx, off := context.WithCancel(context.Background())
	result := make(chan error, 1)
	go func() {
		result <- controllers.New(w, controllers.Options{Broker: b.URL(), Now: c.Now, After: c.After}).Run(plantCtx)
	}()
	var once sync.Once
	var failure error
	stop = func() error {
		once.Do(func() {
			off()
			failure = <-result
		})
		return failure
	}
	t.Cleanup(func() { _ = stop() })
	return w, messages, stop
}

func next(t *testing.T, messages <-chan message) message {
	t.Helper()
	select {
	case m := <-messages:
		return m
	case <-time.After(patience):
		t.Fatal("no message from the plant")
		return message{}
	}
}

type status struct {
	Time     time.Time `json:"ts"`
	Boot     string    `json:"boot"`
	Sequence int64     `json:"seq"`
	State    string    `json:"state"`
	Source   string    `json:"source"`
	Counters struct {
		Lit    json.Number `json:"lit_s"`
		Starts int64       `json:"starts"`
	} `json:"counters"`
}

// Every message says what the plant does at its instant, states change within
// the stream, and sequence numbers continue those of the history.
func TestStatusMessages(t *testing.T) {
	w, messages, _ := running(t)
	last := map[string]int64{}
	changes := 0
	for seen := 0; seen < 400 || changes < 3 || len(last) < sim.Stations; seen++ {
		m := next(t, messages)
		if m.topic == controllers.PressTopic() {
			continue
		}
		var s status
		if err := json.Unmarshal([]byte(m.payload), &s); err != nil {
			t.Fatalf("%s: %v in %s", m.topic, err, m.payload)
		}
		parts := strings.Split(m.topic, "/")
		id := plant.StationID(parts[1] + "-" + parts[2])
		e := w.Event(id, s.Time)
		lit, err := strconv.ParseInt(strings.Replace(s.Counters.Lit.String(), ".", "", 1), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		if s.State != e.State.String() || s.Source != "led" || s.Boot != e.Boot || s.Sequence != e.Sequence ||
			lit != e.LitMillis || s.Counters.Starts != e.Starts {
			t.Fatalf("%s says %s, plant %+v", m.topic, m.payload, e)
		}
		if s.Sequence <= last[m.topic] || s.Sequence < w.Event(id, w.Options().Now).Sequence {
			t.Fatalf("%s: sequence %d after %d", m.topic, s.Sequence, last[m.topic])
		}
		last[m.topic] = s.Sequence
		if at, ok := w.NextChange(id, s.Time.Add(-time.Millisecond)); ok && at.Equal(s.Time) {
			changes++
		}
	}
}

func TestPressMessages(t *testing.T) {
	w, messages, _ := running(t)
	for {
		m := next(t, messages)
		if m.topic != controllers.PressTopic() {
			continue
		}
		var p struct {
			Time   time.Time   `json:"ts"`
			State  string      `json:"state"`
			Area   json.Number `json:"area_m2"`
			Length json.Number `json:"length_m"`
		}
		if err := json.Unmarshal([]byte(m.payload), &p); err != nil {
			t.Fatal(err)
		}
		web := w.Web(p.Time)
		if strings.Replace(p.Area.String(), ".", "", 1) != strconv.FormatInt(web.AreaCm2, 10) ||
			strings.Replace(p.Length.String(), ".", "", 1) != strconv.FormatInt(web.LengthMm, 10) || web.AreaCm2 == 0 {
			t.Errorf("press says %s, plant %+v", m.payload, web)
		}
		return
	}
}

// Stations that are switched off say so, so that nobody takes their last state
// for the present one.
func TestStopSaysOffline(t *testing.T) {
	_, messages, stop := running(t)
	for seen := map[string]bool{}; len(seen) < sim.Stations; {
		if m := next(t, messages); m.topic != controllers.PressTopic() {
			seen[m.topic] = true
		}
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	for gone := map[string]bool{}; len(gone) < sim.Stations; {
		if m := next(t, messages); m.payload == sim.OfflineWord {
			gone[m.topic] = true
		}
	}
}

package stationlink

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/mosquitto"
)

// patience bounds what a test waits for from outside; it is no assertion.
const patience = 60 * time.Second

// logged collects log lines.
type logged struct {
	mu    sync.Mutex
	lines bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lines.Write(p)
}

// count says how many lines have the text.
func (l *logged) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := 0
	for line := range strings.Lines(l.lines.String()) {
		if strings.Contains(line, text) {
			n++
		}
	}
	return n
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lines.String()
}

// running is a link under test. Messages that have facts come out of messages,
// one at a time.
type running struct {
	*Link
	log      *logged
	messages chan Message
	stop     func()
}

// run starts a link and stops it at the end of the test, or before by stop.
func run(t *testing.T, url string, p *plant.Plant, change ...func(*Options)) *running {
	t.Helper()
	r := &running{log: &logged{}, messages: make(chan Message)}
	o := Options{URL: url, Plant: p, Log: slog.New(slog.NewTextHandler(r.log, nil))}
	for _, c := range change {
		c(&o)
	}
	l, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	r.Link = l
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- l.Run(ctx, func(m Message) {
			select {
			case r.messages <- m:
			case <-ctx.Done():
			}
		})
	}()
	r.stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Error("Run does not end")
		}
		if l.Connected() {
			t.Error("connected after Run has ended")
		}
	})
	t.Cleanup(func() {
		r.stop()
		if t.Failed() {
			t.Logf("log:\n%s", r.log)
		}
	})
	return r
}

// up starts a link and waits until it is connected.
func up(t *testing.T, url string, p *plant.Plant, change ...func(*Options)) *running {
	t.Helper()
	r := run(t, url, p, change...)
	mosquitto.Eventually(t, "the link is connected", r.Connected)
	return r
}

func (r *running) next(t *testing.T) Message {
	t.Helper()
	select {
	case m := <-r.messages:
		return m
	case <-time.After(patience):
		t.Fatalf("no message; log:\n%s", r.log)
		return Message{}
	}
}

// status is a payload of a sequence number.
func status(sequence int) string {
	return fmt.Sprintf(`{"ts":%q,"boot":"b7","seq":%d,"state":"curing"}`, time.Now().UTC().Format(time.RFC3339Nano), sequence)
}

// sequenceOf gives the number of the only event in a message.
func sequenceOf(t *testing.T, m Message) int {
	t.Helper()
	if len(m.Facts.Events) != 1 || m.Facts.Len() != 1 {
		t.Fatalf("not one event: %+v", m)
	}
	return int(m.Facts.Events[0].Sequence)
}

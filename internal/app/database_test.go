package app

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"

	"curetally/internal/link/config"
	"curetally/internal/link/privatepg/pgtest"
)

// lines collects what is logged and tells of each line.
type lines struct {
	mu      sync.Mutex
	text    bytes.Buffer
	written chan struct{}
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	select {
	case l.written <- struct{}{}:
	default:
	}
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// sitePlant is the least configuration, on the given database.
func sitePlant(t *testing.T, database string) *config.Config {
	t.Helper()
	c, err := config.Parse("plant.yaml", []byte(`site: {name: Alder Lane Labels, time_zone: Europe/London}
data_dir: `+t.TempDir()+`
database: {url: "`+database+`"}
presses:
  - {name: heron, stations: [{name: heron-1, technology: arc}]}
meters:
  - {name: heron-meter, url: "tcp://127.0.0.1:1", profile: wh-uint32, max_power: 12 kW, station: heron-1}
broker: {url: "mqtt://127.0.0.1:1"}
`))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A database that is away at the start is waited for, said once, and the wait can
// be interrupted.
func TestRun_WaitsForTheDatabase(t *testing.T) {
	nobody, err := new(net.ListenConfig).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := nobody.Addr().String()
	if err := nobody.Close(); err != nil {
		t.Fatal(err)
	}
	log := &lines{written: make(chan struct{}, 1)}
	ctx, end := context.WithCancel(t.Context())
	defer end()
	ended := make(chan error, 1)
	go func() {
		ended <- Run(ctx, Options{
			Config: sitePlant(t, "postgres://tally:secret-word@"+addr+"/tally"), Listen: "127.0.0.1:0",
			Log: slog.New(slog.NewTextHandler(log, nil)),
		})
	}()
	select {
	case err := <-ended:
		t.Fatalf("the daemon ended instead of waiting: %v", err)
	case <-log.written:
	}
	end()
	if err := <-ended; err != nil {
		t.Errorf("interrupted while waiting: %v", err)
	}
	if got := log.String(); strings.Count(got, "cannot be reached") != 1 || strings.Contains(got, "secret-word") {
		t.Errorf("log:\n%s", got)
	}
}

// What waiting cannot heal is an error at once.
func TestRun_DatabaseThatDoesNotExist(t *testing.T) {
	u, err := url.Parse(pgtest.New(t))
	if err != nil {
		t.Fatal(err)
	}
	u.Path += "_not_there"
	err = Run(t.Context(), Options{Config: sitePlant(t, u.String()), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err == nil || !strings.Contains(err.Error(), "does not exist") {
		t.Errorf("a database that does not exist: %v", err)
	}
}

func TestReady_SaysNothingOfTheDatabaseServer(t *testing.T) {
	_, db := demoStore(t)
	d := Daemon{store: db, log: slog.New(slog.DiscardHandler)}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := d.ready(ended); err == nil || err.Error() != "the database does not answer" {
		t.Errorf("ready with a database that does not answer: %v", err)
	}
}

package app_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
	"curetally/internal/sim/mosquitto"
	"curetally/internal/sim/plantfile"
)

// status is a message of a station in the form of the configuration.
func status(at time.Time, seq int, state string, litSeconds, starts int) string {
	return fmt.Sprintf(`{"ts":%q,"boot":"b1","seq":%d,"state":%q,"source":"arc","counters":{"lit_s":%d,"starts":%d}}`,
		at.UTC().Format("2006-01-02T15:04:05.000Z"), seq, state, litSeconds, starts)
}

// What stations really send: sound, malformed, misdated, repeated and retained
// messages through a broker and a publisher that are not ours. What is taken is
// counted once, also after a restart; what is refused is kept with its reason.
func TestRun_TakesStationMessagesFromMosquitto(t *testing.T) {
	t.Parallel()
	s := newSite(t, workingWorld(t), false)
	broker := mosquitto.New(t).Start()
	dir := openDir(t)
	conf := s.configure(t, dir, plantfile.Addresses{Broker: broker.URL()})

	begin := time.Now().UTC().Truncate(time.Millisecond).Add(-40 * time.Second)
	at := func(seconds int) time.Time { return begin.Add(time.Duration(seconds) * time.Second) }
	kept := status(at(0), 1, "curing", 5000, 7)
	broker.Publish("alder/heron/1/status", kept, "-r") // before anybody subscribes

	p := daemon(t, conf)
	connected := func(p *process) string {
		url := p.url()
		p.until("the broker", func() bool { return scrape(t, url)["curetally_broker_connected"] == 1 })
		return url
	}
	url := connected(p)
	db, pl := open(t, conf) // beside the daemon, as a command
	a := archive{db, pl, s.world}
	p.until("what the plant does to be shown at the broker", func() bool {
		shown := broker.Retained("curetally/alder-lane-labels")
		return shown["curetally/alder-lane-labels/online"] == "true" && strings.Contains(shown["curetally/alder-lane-labels/tasks"], `"site":"Alder Lane Labels"`)
	})
	p.until("the retained message", func() bool { return len(a.events(t, "heron-1")) == 1 })

	const malformed = `{"ts": "soon`
	broker.Publish("alder/heron/2/status", malformed)
	broker.Publish("alder/heron/2/status", status(at(0), 1, "glowing", 10, 1))
	broker.Publish("alder/heron/99/status", status(at(0), 1, "curing", 10, 1))
	broker.Publish("alder/heron/3/status", status(time.Unix(0, 0), 1, "standby", 300, 2))
	broker.Publish("alder/heron/4/status", status(time.Now().AddDate(1, 0, 0), 1, "curing", 400, 3))
	broker.Publish("alder/heron/1/status", status(at(10), 2, "curing", 5010, 7))
	broker.Publish("alder/heron/1/status", status(at(10), 2, "curing", 5010, 7)) // repeated
	broker.Publish("alder/heron/1/status", status(at(20), 3, "standby", 5020, 8), "-r")
	broker.Publish("alder/heron/1/status", status(at(10), 2, "curing", 5010, 7)) // late and repeated
	broker.Publish("alder/heron/1/status", status(at(30), 4, "curing", 5030, 9), "-r")
	// The broker keeps the order, so all before this one has come in with it.
	last := func(second, seq int) {
		t.Helper()
		broker.Publish("alder/heron/8/status", status(at(second), seq, "off", 80, 1))
		eventually(t, "the last message", func() bool {
			return slices.ContainsFunc(a.events(t, "heron-8"), func(e plant.StationEvent) bool { return e.Sequence == int64(seq) })
		})
	}
	last(31, 1)

	a.refused(t, malformed)
	a.dated(t, "heron-3", plant.StateStandby)
	a.dated(t, "heron-4", plant.StateCuring)
	if n := len(a.events(t, "heron-2")); n != 0 {
		t.Errorf("%d messages of heron-2 were taken", n)
	}
	a.once(t, at)
	p.until("the finding and the states", func() bool {
		o, ok := overview(t, url)
		return ok && finding(t, o, "refused message", "alder/heron/99/status") && shows(t, url, "heron-1", "curing") && shows(t, url, "heron-8", "off")
	})
	if n := scrape(t, url)["curetally_facts_refused_total"]; n != 3 {
		t.Errorf("the metric of refused messages is %v, expected 3", n)
	}
	p.stop(syscall.SIGTERM)

	// The broker sends what it keeps again, and what came in between.
	broker.Publish("alder/heron/1/status", status(at(10), 2, "curing", 5010, 7))
	p = daemon(t, conf)
	connected(p)
	db, pl = open(t, conf)
	a = archive{db, pl, s.world}
	last(32, 2)
	a.once(t, at)
	p.stop(syscall.SIGTERM)

	spoolEmpty(t, dir)
	db, pl = open(t, conf)
	a = archive{db, pl, s.world}
	a.settled(t)
	a.once(t, at)
	if lit, starts := sum(a.entries(t, "heron-1/lit")), sum(a.entries(t, "heron-1/starts")); lit != 30_000 || starts != 2 {
		t.Errorf("heron-1 was lit for %d ms with %d starts, its counters say 30000 and 2", lit, starts)
	}
	if told := sum(a.entries(t, "heron-1/time")); told != 30_000 {
		t.Errorf("the states of heron-1 last %d ms, expected 30000", told)
	}
}

// once checks that heron-1 has its four messages, each once.
func (a archive) once(t *testing.T, at func(int) time.Time) {
	t.Helper()
	var got []string
	for _, e := range a.events(t, "heron-1") {
		got = append(got, fmt.Sprint(e.Sequence, e.At.Sub(at(0)), e.State, e.LitMillis, e.Starts))
	}
	want := []string{"1 0s curing 5000000 7", "2 10s curing 5010000 7", "3 20s standby 5020000 8", "4 30s curing 5030000 9"}
	if !slices.Equal(got, want) {
		t.Errorf("messages of heron-1 are %q, expected %q", got, want)
	}
}

// dated checks that the one message of a station whose clock cannot be true is
// taken with the time of its arrival.
func (a archive) dated(t *testing.T, st plant.StationID, state plant.State) {
	t.Helper()
	events := a.events(t, st)
	if len(events) != 1 {
		t.Errorf("%d messages of %s, expected one", len(events), st)
		return
	}
	e := events[0]
	if !e.ClockDistrusted || !e.At.Equal(e.Arrived.Truncate(time.Millisecond)) || time.Since(e.At) > patience || e.State != state {
		t.Errorf("the message of %s is %+v, expected %s at its arrival", st, e, state)
	}
}

// refused checks what was refused: each message once, with its place, its reason
// and its content.
func (a archive) refused(t *testing.T, malformed string) {
	t.Helper()
	total, err := a.db.RefusedTotal(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	all, err := a.db.Refusals(t.Context(), 10)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct{ source, reason, payload string }{ // newest first
		{"alder/heron/99/status", "heron-99", `"curing"`},
		{"alder/heron/2/status", "glowing", "glowing"},
		{"alder/heron/2/status", "JSON", malformed},
	}
	if total != int64(len(want)) || len(all) != len(want) {
		t.Fatalf("%d refused, %d kept, expected %d: %+v", total, len(all), len(want), all)
	}
	for i, w := range want {
		r := all[i]
		if r.Source != w.source || !strings.Contains(r.Reason, w.reason) || !strings.Contains(r.Reason, " — ") || !bytes.Contains(r.Payload, []byte(w.payload)) {
			t.Errorf("refusal %d is %s: %s: %s, expected %+v and a remedy", i, r.Source, r.Reason, r.Payload, w)
		}
	}
}

// shows says whether the API shows a station in a state.
func shows(t *testing.T, url string, st plant.StationID, state string) bool {
	t.Helper()
	_, body := fetch(t, url+"/api/v1/overview")
	var o struct {
		Presses []struct {
			Stations []struct{ Name, State string }
		}
	}
	if err := json.Unmarshal(body, &o); err != nil || len(o.Presses) != 1 || len(o.Presses[0].Stations) != sim.Stations {
		t.Fatalf("overview: %v: %s", err, body)
	}
	for _, s := range o.Presses[0].Stations {
		if s.Name == string(st) {
			return s.State == state
		}
	}
	return false
}

package app_test

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"syscall"
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg"
	"curetally/internal/sim"
	"curetally/internal/sim/plantfile"
	"curetally/internal/work/web"
)

// overview reads what the API shows; ok is false while it shows nothing.
func overview(t *testing.T, url string) (o web.Overview, ok bool) {
	t.Helper()
	status, body := fetch(t, url+"/api/v1/overview")
	return o, status == http.StatusOK && json.Unmarshal(body, &o) == nil
}

// finding looks a finding up and expects that it names a remedy.
func finding(t *testing.T, o web.Overview, kind, subject string) bool {
	t.Helper()
	i := slices.IndexFunc(o.Findings, func(f web.Finding) bool {
		return f.Kind == kind && (subject == "" || f.Subject == subject)
	})
	if i >= 0 && (o.Findings[i].Remedy == "" || o.Findings[i].Text == "") {
		t.Errorf("a finding without text or remedy: %+v", o.Findings[i])
	}
	return i >= 0
}

// Nobody listens where one meter and the broker should be: all else goes on, each
// condition is logged once and shown with its remedy.
func TestRun_WithUnreachableMeterAndBroker(t *testing.T) {
	t.Parallel()
	s := newSite(t, workingWorld(t), false)
	dir := openDir(t)
	conf := s.configure(t, dir, plantfile.Addresses{
		MeterRTU: "rtuovertcp://" + freeAddress(t), Broker: "mqtt://" + freeAddress(t),
	})
	p := daemon(t, conf)
	url := p.url()
	silent := `{meter="` + string(sim.MeterSupply) + `"}`
	p.until("three failed polls of the unreachable meter", func() bool {
		m := scrape(t, url)
		return m["curetally_meter_poll_failures_total"+silent] >= 3 && m["curetally_facts_applied_total"] > 100
	})
	p.until("findings on meter and broker", func() bool {
		o, ok := overview(t, url)
		return ok && finding(t, o, "silent meter", string(sim.MeterSupply)) && finding(t, o, "broker", "")
	})
	m := scrape(t, url)
	if m["curetally_meter_up"+silent] != 0 || m["curetally_broker_connected"] != 0 || m["curetally_store_up"] != 1 {
		t.Errorf("meter up %v, broker connected %v, store up %v", m["curetally_meter_up"+silent], m["curetally_broker_connected"], m["curetally_store_up"])
	}
	p.stop(syscall.SIGTERM)
	for _, words := range [][]string{
		{"level=WARN", "component=collect", "meter=" + string(sim.MeterSupply)},
		{"level=WARN", "component=stationlink"},
	} {
		if n := p.stderr.lines(words...); n != 1 {
			t.Errorf("%d lines with %q, expected one\n%s", n, words, p.stderr.String())
		}
	}

	spoolEmpty(t, dir)
	db, pl := open(t, conf)
	a := archive{db, pl, s.world}
	a.settled(t)
	for _, id := range sim.Meters() {
		reg := plant.RegisterOf(id, sim.ValueImport)
		readings := a.readings(t, reg)
		if id == sim.MeterSupply {
			if len(readings) != 0 {
				t.Errorf("%d readings of %s, which nobody answers for", len(readings), id)
			}
			continue
		}
		if len(readings) < 5 {
			t.Errorf("only %d readings of %s", len(readings), id)
			continue
		}
		if got, want := sum(a.entries(t, reg)), readings[len(readings)-1].Value-readings[0].Value; got != want {
			t.Errorf("%s: entries add up to %d, the register counted %d", reg, got, want)
		}
	}
}

// The given database stops and comes back while meters are polled and stations
// speak: facts wait in the spool, and none is lost.
func TestRun_KeepsFactsWhileTheDatabaseIsAway(t *testing.T) {
	t.Parallel()
	s := newSite(t, workingWorld(t), true)
	dir, home := openDir(t), openDir(t)
	cluster := func() *privatepg.Cluster {
		c, err := privatepg.Start(t.Context(), privatepg.Options{Dir: home})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := c.Stop(context.Background()); err != nil {
				t.Error(err)
			}
		})
		return c
	}
	given := cluster()
	conf := s.configure(t, dir, plantfile.Addresses{DatabaseURL: given.URL()})
	p := daemon(t, conf)
	url := p.url()
	p.until("facts of meters and stations in the database", func() bool {
		m := scrape(t, url)
		return m["curetally_broker_connected"] == 1 && m["curetally_facts_applied_total"] > 200
	})
	s.polled(p, 50)

	if err := given.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	p.until("facts in the spool and a finding on the database", func() bool {
		m := scrape(t, url)
		o, ok := overview(t, url)
		return m["curetally_store_up"] == 0 && m["curetally_spool_batches"] > 5 && ok && finding(t, o, "database", "")
	})
	s.polled(p, 100)
	if status, _ := fetch(t, url+"/healthz"); status != http.StatusOK {
		t.Errorf("/healthz answers %d while the database is away", status)
	}
	if status, _ := fetch(t, url+"/readyz"); status != http.StatusServiceUnavailable {
		t.Errorf("/readyz answers %d while the database is away", status)
	}

	if again := cluster(); again.URL() != given.URL() {
		t.Fatalf("the database came back as %s, it was %s", again.URL(), given.URL())
	}
	p.until("an empty spool", func() bool {
		m := scrape(t, url)
		return m["curetally_store_up"] == 1 && m["curetally_spool_batches"] == 0
	})
	s.polled(p, 50)
	m := scrape(t, url)
	p.stop(syscall.SIGTERM)
	for _, words := range []string{"the database takes nothing", "the database takes facts again"} {
		if n := p.stderr.lines(words); n != 1 {
			t.Errorf("%d lines say that %s, expected one\n%s", n, words, p.stderr.String())
		}
	}

	spoolEmpty(t, dir)
	db, pl := open(t, conf)
	a := archive{db, pl, s.world}
	a.settled(t)
	a.conserves(t)
	a.tiles(t)
	a.complete(t)
	for _, id := range sim.Meters() {
		label := `{meter="` + string(id) + `"}`
		read := m["curetally_meter_polls_total"+label] - m["curetally_meter_poll_failures_total"+label]
		if n := len(a.readings(t, plant.RegisterOf(id, sim.ValueImport))); float64(n) < read || read < 10 {
			t.Errorf("%s: %d readings are on record, %v polls had succeeded before the end", id, n, read)
		}
	}
}

package app_test

import (
	"math/rand/v2"
	"net/http"
	"syscall"
	"testing"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
	"curetally/internal/sim/plantfile"
)

// Ten times the daemon is killed while it polls and listens; what is on record
// afterwards is whole, and nothing is counted twice.
func TestRun_SurvivesTenKills(t *testing.T) {
	t.Parallel()
	s := newSite(t, workingWorld(t), true)
	dir := openDir(t)
	conf := s.configure(t, dir, plantfile.Addresses{})
	seed := rand.Uint64()
	t.Logf("seed of the kills: %d", seed)
	chance := rand.New(rand.NewPCG(seed, 1))
	for range 10 {
		p := daemon(t, conf)
		s.polled(p, 1)
		// 55 answers a second when nothing else is in the way.
		s.polled(p, 16+chance.Int64N(50))
		p.kill()
	}

	p := daemon(t, conf)
	url := p.url()
	p.until("the daemon to be ready, with nothing in the spool", func() bool {
		status, _ := fetch(t, url+"/readyz")
		m := scrape(t, url)
		return status == http.StatusOK && m["curetally_broker_connected"] == 1 && m["curetally_facts_applied_total"] > 0 && m["curetally_spool_batches"] == 0
	})
	s.polled(p, 100)
	p.stop(syscall.SIGTERM)
	if left := leftovers(t, dir); len(left) > 0 {
		t.Errorf("still running: %q", left)
	}

	spoolEmpty(t, dir)
	db, pl := open(t, conf)
	a := archive{db, pl, s.world}
	a.settled(t)
	a.conserves(t)
	a.tiles(t)
	s.acks.recorded(t, a)
	readings := int64(0)
	for _, m := range sim.Meters() {
		readings += int64(len(a.readings(t, plant.RegisterOf(m, sim.ValueImport))))
	}
	if n := s.answers.Load(); readings > n {
		t.Errorf("%d readings are on record, the meters answered %d times", readings, n)
	}
	if supply := sum(a.entries(t, plant.RegisterOf(sim.MeterSupply, sim.ValueImport))); supply == 0 {
		t.Error("the plant was at work, but no energy is on record")
	}
}

package whole

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"
)

var (
	oneSeed  = flag.Uint64("sim.seed", 0, "replay one seed; 0 runs the usual ones")
	showAll  = flag.Bool("sim.trace", false, "print the history of a replayed seed")
	simHours = flag.Int("sim.hours", 3, "virtual hours of each seed, a multiple of 3")
)

// usual is the history of the seeds of every run of the tests.
func usual() options {
	return options{length: time.Duration(*simHours) * time.Hour, stretch: 3 * time.Hour}
}

func TestSeeds(t *testing.T) {
	if *oneSeed != 0 {
		o := usual()
		if *showAll {
			o.print = func(line string) { fmt.Fprintln(os.Stderr, line) }
		}
		report(t, *oneSeed, simulate(t, *oneSeed, o))
		return
	}
	random := rand.Uint64N(1 << 32)
	t.Logf("random seeds from %d on", random)
	for i := range uint64(20) {
		for _, seed := range []uint64{1 + i, random + i} {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				report(t, seed, simulate(t, seed, usual()))
			})
		}
	}
}

func report(t *testing.T, seed uint64, out outcome) {
	t.Helper()
	for _, b := range out.broken {
		t.Errorf("seed %d: %s", seed, b)
	}
	if len(out.broken) > 0 {
		t.Logf("replay: go test -run TestSeeds -sim.seed=%d -sim.trace ./internal/sim/whole/", seed)
	}
	if out.facts == 0 {
		t.Errorf("seed %d: nothing was stored", seed)
	}
}

// The same seed gives the same history, to the nanosecond. An orderly end is left out:
// there a select of the daemon takes any of two channels that are ready, and the
// history after it may differ by milliseconds.
func TestSameSeedSameHistory(t *testing.T) {
	for seed := range uint64(4) {
		o := options{length: 3 * time.Hour, stretch: 3 * time.Hour, sudden: true}
		first := simulate(t, seed, o)
		if again := simulate(t, seed, o); again.sum != first.sum || first.sum == "" {
			t.Errorf("seed %d: history %s, then %s", seed, first.sum, again.sum)
		}
	}
}

// once are seeds that failed once, and why.
var once = []struct {
	seed           uint64
	hours, stretch time.Duration
	reason         string
}{
	{14, 12, 6, "honesty: after the machine's clock was set back while the daemon was down, what was used meanwhile seems to have been used at once and is held out for minutes; that is meant, and the check did not know"},
	{9, 6, 3, "conservation: while the newest values of a counter are held out, the states tell what came after; the check did not know"},
	{470431809, 6, 3, "honesty: a wrong value that is the very first of its register is the origin of its curve until a person rules; the simulation made one"},
	{519854538, 3, 3, "plausibility: what was used while the machine's clock was set back stood just at the limit of eight steps; the check allowed two of them to round"},
	{1023460025, 12, 6, "conservation: a person vouched for the first value that was held out, which was another than the one he meant"},
}

// Seeds that failed once hold now.
func TestSeedsThatFailedOnce(t *testing.T) {
	for _, s := range once {
		t.Run(fmt.Sprint(s.seed), func(t *testing.T) {
			t.Parallel()
			o := options{length: s.hours * time.Hour, stretch: s.stretch * time.Hour}
			report(t, s.seed, simulate(t, s.seed, o))
		})
	}
}

// Each planted bug is found within twenty seeds.
func TestPlantedBugsAreFound(t *testing.T) {
	for _, b := range bugs {
		t.Run(b.name, func(t *testing.T) {
			t.Parallel()
			for seed := uint64(1); seed <= 20; seed++ {
				o := options{length: 3 * time.Hour, stretch: 3 * time.Hour, bug: b}
				if out := simulate(t, seed, o); len(out.broken) > 0 {
					t.Logf("found by seed %d: %s", seed, out.broken[0])
					return
				}
			}
			t.Errorf("%s: not found within 20 seeds", b.of)
		})
	}
}

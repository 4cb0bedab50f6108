package settle

import (
	"cmp"
	"log/slog"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"curetally/internal/core/plant"
)

// Two stretches of one round: a value that comes late is a glitch, which the first
// stretch finds out; the second, which reaches back to it, must not begin from it.
// Found by TestSettlingInPartsIsSettlingTheWhole.
func TestRound_AStretchDoesNotBeginFromWhatIsJudgedInTheSameRound(t *testing.T) {
	p, m := little(true), newMemory()
	s := New(Options{Plant: p, Store: m, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
	number := int64(0)
	take := func(after time.Duration, lit int64) {
		number++
		m.take(plant.Facts{Events: []plant.StationEvent{{
			Station: "s", At: begin.Add(after), State: plant.StateOff, Boot: "b", Sequence: number, LitMillis: lit, Starts: 0,
		}}})
	}
	settle := func() {
		for {
			n, err := s.Round(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if n == 0 {
				return
			}
		}
	}
	const minute, second = time.Minute, time.Second
	take(16*second, 1000)
	take(17*second, -1) // a last will offers no counter
	take(3*minute+48*second, 211_000)
	take(3*minute+49*second, 211_000)
	take(3*minute+51*second, 213_000)
	take(3*minute+52*second, 213_000)
	take(3*minute+53*second, 213_000)
	take(3*minute+56*second, 0) // a glitch: the next value goes on from 213 s
	take(30*minute, 1_780_000)
	take(33*minute, 1_780_000)
	take(34*minute, 1_780_000)
	take(44*minute, 1_780_000)
	settle()
	take(3*minute+47*second, 0) // a glitch that comes late, together with a true reset
	take(45*minute+4*second, 0)
	settle()

	reg, _ := p.FindRegister("s/lit")
	whole, err := Settle(t.Context(), &memory{events: m.events, steps: map[plant.RegisterID][]plant.RegisterEvent{}}, p, Stretch{Register: reg, From: begin, To: begin.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	got := slices.SortedFunc(slices.Values(m.entries["s/lit"]), func(a, b plant.Entry) int { return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.State, b.State)) })
	if d := gocmp.Diff(whole.Entries, got); d != "" {
		t.Errorf("entries in parts differ from the whole (-whole +parts):\n%s", d)
	}
	if d := gocmp.Diff(whole.Events, m.steps["s/lit"]); d != "" {
		t.Errorf("judgements in parts differ from the whole (-whole +parts):\n%s", d)
	}
}

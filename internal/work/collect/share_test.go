package collect

import (
	"fmt"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// Whatever is asked of a line, with dead meters on it or not: from one poll of a live
// meter to the next pass at most two periods and one poll of each meter of the bus;
// every slot is either polled or counted as missed; and what a dead meter costs stays
// within one attempt per pause after the first poll.
func TestNoMeterStarves(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		f := &fakeBus{
			latency: map[plant.MeterID]time.Duration{}, dead: map[plant.MeterID]func(time.Time) bool{}, asked: map[plant.MeterID]int{},
			retries: rapid.IntRange(0, 3).Draw(rt, "retries"),
			quiet:   rapid.SampledFrom([]time.Duration{0, 300 * time.Millisecond, time.Second}).Draw(rt, "quiet"),
		}
		b := plant.Bus{ID: "hall"}
		for i := range rapid.IntRange(1, 8).Draw(rt, "meters") {
			m := plant.Meter{ID: plant.MeterID(fmt.Sprint("m", i)), Bus: "hall"}
			m.Period = time.Duration(rapid.IntRange(500, 90_000).Draw(rt, "period ms")) * time.Millisecond
			if rapid.IntRange(0, 3).Draw(rt, "dead") == 0 {
				f.dead[m.ID] = func(time.Time) bool { return true }
			} else {
				f.latency[m.ID] = time.Duration(rapid.IntRange(1, 3000).Draw(rt, "latency ms")) * time.Millisecond
			}
			b.Meters = append(b.Meters, m)
		}
		var problem string
		synctest.Test(t, func(t *testing.T) { problem = unfair(t, b, f) })
		if problem != "" {
			rt.Fatal(problem)
		}
	})
}

// unfair polls for ten minutes and says what of the promise was broken.
func unfair(t *testing.T, b plant.Bus, f *fakeBus) string {
	t.Helper()
	const length = 10 * time.Minute
	attempt := timeout + f.quiet
	firstDead := time.Duration(1+f.retries) * attempt
	var longest time.Duration // one poll of each meter, in sum
	for _, m := range b.Meters {
		longest += f.latency[m.ID]
		if f.dead[m.ID] != nil {
			longest += firstDead
		}
	}
	start := time.Now()
	got, _, p := run(t, b, f, length)
	atEnd := false // whether the end fell into the rest after a poll
	for i, h := range p.Health() {
		m, next := b.Meters[i], p.tasks[i].next
		if slots := uint64(next.Sub(nextSlot(start, m)) / m.Period); h.Polls+h.Missed != slots {
			return fmt.Sprintf("%s: %d polls and %d missed slots, want %d slots in all", m.ID, h.Polls, h.Missed, slots)
		}
		if f.dead[m.ID] != nil {
			growing := uint64(0)
			for m.Period<<(growing+1) < pauseMax {
				growing++
			}
			if most := 2 + growing + uint64(length/max(pauseMax, m.Period)); h.Polls > most {
				return fmt.Sprintf("%s: asked %d times in %v, want at most %d", m.ID, h.Polls, length, most)
			}
			want := firstDead + time.Duration(h.Polls-1)*attempt
			if short := want - h.Line; h.Polls > 0 && short != 0 {
				// The end may fall into the rest after one poll, and of one meter only.
				if atEnd || short < 0 || short > f.quiet {
					return fmt.Sprintf("%s: held the line for %v, want %v in %d polls", m.ID, h.Line, want, h.Polls)
				}
				atEnd = true
			}
			continue
		}
		bound, last := 2*m.Period+longest, start
		for _, at := range append(got[plant.RegisterOf(m.ID, "import")], start.Add(length)) {
			if gap := at.Sub(last); gap > bound {
				return fmt.Sprintf("%s with period %v: %v between two polls, want at most %v", m.ID, m.Period, gap, bound)
			}
			last = at
		}
	}
	return ""
}

// What a dead meter costs a good one's line, in figures: with one second of time-out,
// half a second of quiet and two retries, 4.5 s once and then 1.5 s a minute.
func TestDeadMeterCostsOneAttemptAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeBus{
			latency: map[plant.MeterID]time.Duration{"good": 20 * time.Millisecond}, asked: map[plant.MeterID]int{},
			dead:    map[plant.MeterID]func(time.Time) bool{"dead": func(time.Time) bool { return true }},
			retries: 2, quiet: 500 * time.Millisecond,
		}
		_, _, p := run(t, bus("good", "dead"), f, time.Hour)
		good, dead := p.Health()[0], p.Health()[1]
		// Pauses of 20 and 40 s, then a minute: 3 polls in the first 60 s, 59 more.
		if dead.Polls < 61 || dead.Polls > 62 || dead.Line != 4500*time.Millisecond+time.Duration(dead.Polls-1)*1500*time.Millisecond {
			t.Errorf("%d polls of the dead meter took %v of the line", dead.Polls, dead.Line)
		}
		if good.Polls+good.Missed != 360 || good.Missed > 2 || good.Line != time.Duration(good.Polls)*20*time.Millisecond {
			t.Errorf("the good meter: %d polls, %d missed, %v of the line", good.Polls, good.Missed, good.Line)
		}
	})
}

// A clock that is set back by hours leaves slots in the future: they are laid anew.
func TestClockSetBackSilencesNoMeter(t *testing.T) {
	p := New(Options{Bus: bus("m"), Log: slog.New(slog.DiscardHandler)})
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	p.tasks[0].next = now.Add(3 * time.Hour)
	if due, wait := p.choose(now); due != nil || wait <= 0 || wait > 10*time.Second {
		t.Errorf("due %v, wait %v: want the next slot within the period of 10 s", due, wait)
	}
	p.tasks[0].next = now.Add(pauseMax + 9*time.Second) // the pause after failures
	if due, wait := p.choose(now); due != nil || wait != pauseMax || !p.tasks[0].next.Equal(now.Add(pauseMax+9*time.Second)) {
		t.Errorf("due %v, wait %v, next %v: a pause was cut short", due, wait, p.tasks[0].next)
	}
}

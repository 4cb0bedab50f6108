package whole

import (
	"crypto/sha256"
	"fmt"
	"hash"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/stationlink"
	"curetally/internal/sim/model"
)

// night is an evening from which clocks may change.
type night struct{ zone, evening string }

// Source: IANA time zone database: clock changes of 2026 (Lord Howe's by half an
// hour), Kathmandu's offset of 5:45; ISO 8601: 2028 has a 29 February.
var nights = []night{
	{"Europe/Berlin", "2026-03-28T19:00:00Z"},
	{"Europe/Berlin", "2026-10-24T19:00:00Z"},
	{"America/New_York", "2026-03-08T01:00:00Z"},
	{"America/New_York", "2026-11-01T01:00:00Z"},
	{"Australia/Lord_Howe", "2026-04-04T09:00:00Z"},
	{"Asia/Kathmandu", "2026-01-01T12:00:00Z"},
	{"UTC", "2028-02-28T19:00:00Z"},
}

// The tasks. Each wakes only at instants of its own: those whose nanoseconds are
// its number modulo tasks. Every pause of the daemon is a whole number of
// milliseconds, or drawn, so it keeps to that.
const (
	taskSpool = 1 + iota
	taskApply
	taskSettle
	taskPlan
	taskTell
	taskMail
	taskHall
	taskRoof
	taskBroker
	taskLink
	taskDevice1
	taskDevice2
	taskOperator
	taskDirector
	taskLate
	tasks = 64
)

// target is what may be away.
type target uint8

const (
	theStore target = iota
	theDisk
	theBroker
	theHall
	theRoof
	theMail
	targets
)

type outage struct {
	of       target
	from, to time.Time
}

// plan is what a seed has in store.
type plan struct {
	zone    *time.Location
	begin   time.Time
	length  time.Duration
	stretch time.Duration // from one quiet point to the next
	outages []outage
	// Of a thousand acts: writes that fail before and after the fact, that hang, and
	// answers of meters that are broken or wrong.
	before, after, hang, broken, glitch uint64
	life                                time.Duration // mean time between kills
	clock                               []clockSet    // of the machine
}

type clockSet struct {
	at time.Time
	by time.Duration
}

// calm is how long nothing fails before a quiet point: time for everything that
// waits, and for a glitch to be proved one.
const calm = 14 * time.Minute

func drawPlan(rng *rand.Rand, length, stretch time.Duration) plan {
	n := nights[rng.IntN(len(nights))]
	zone, err := time.LoadLocation(n.zone)
	if err != nil {
		panic(err) // the table is wrong
	}
	begin, err := time.Parse(time.RFC3339, n.evening)
	if err != nil {
		panic(err)
	}
	p := plan{zone: zone, begin: begin, length: length, stretch: stretch, life: 20*time.Minute + upTo(rng, 3*time.Hour)}
	maybe := func(most uint64) uint64 { // a fault may be switched off
		if rng.IntN(3) == 0 {
			return 0
		}
		return rng.Uint64N(most)
	}
	p.before, p.after, p.hang, p.broken, p.glitch = maybe(100), maybe(100), maybe(10), maybe(100), maybe(40)
	for range rng.IntN(6) {
		from := begin.Add(upTo(rng, length))
		p.outages = append(p.outages, outage{target(rng.IntN(int(targets))), from, from.Add(time.Minute + upTo(rng, spanLimit*time.Hour/2))})
	}
	if rng.IntN(3) == 0 {
		for range 1 + rng.IntN(3) {
			p.clock = append(p.clock, clockSet{begin.Add(upTo(rng, length)), -8*time.Minute + upTo(rng, 16*time.Minute)})
		}
	}
	return p
}

// upTo draws a duration from 0 up to one.
func upTo(rng *rand.Rand, d time.Duration) time.Duration { return time.Duration(rng.Int64N(int64(d))) }

// isCalm says whether nothing may fail now.
func (p *plan) isCalm(t time.Time) bool {
	return p.stretch-t.Sub(p.begin)%p.stretch <= calm
}

func (p *plan) away(of target, t time.Time) bool {
	return !p.isCalm(t) && slices.ContainsFunc(p.outages, func(o outage) bool { return o.of == of && !t.Before(o.from) && t.Before(o.to) })
}

// offset is by how much the machine's clock is wrong.
func (p *plan) offset(t time.Time) time.Duration {
	var sum time.Duration
	for _, c := range p.clock {
		if !t.Before(c.at) {
			sum += c.by
		}
	}
	return sum
}

// world is all that outlives a kill.
type world struct {
	seed   uint64
	plan   plan
	truth  *truth
	store  *model.Store
	disk   *model.Disk
	broker *broker
	bug    bug
	mapper *stationlink.Mapper

	mu     sync.Mutex // guards all below
	trace  hash.Hash
	print  func(string)
	late   []*lateTx                         // commits whose answer was lost and that land later
	reads  map[readKey]bool                  // values that meters showed; false for a wrong one
	acked  map[messageKey]bool               // what the broker was told is safe
	sent   map[string]int                    // messages that a receiver got, by key
	fitted map[plant.StationID]plant.Fitting // by what the operator has done
	lines  int                               // of the log
}

type readKey struct {
	register plant.RegisterID
	micro    int64
}

// mix draws a number from others.
func mix(all ...uint64) uint64 {
	x := uint64(0x9e3779b97f4a7c15)
	for _, v := range all {
		x ^= v + 0x9e3779b97f4a7c15 + x<<6 + x>>2
		x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
		x = (x ^ x>>27) * 0x94d049bb133111eb
		x ^= x >> 31
	}
	return x
}

func newWorld(seed uint64, o options) *world {
	rng := rand.New(rand.NewPCG(seed, 0xa1de))
	w := &world{
		seed: seed, plan: drawPlan(rng, o.length, o.stretch), disk: &model.Disk{}, bug: o.bug, trace: sha256.New(), print: o.print,
		reads: map[readKey]bool{}, acked: map[messageKey]bool{}, sent: map[string]int{}, fitted: map[plant.StationID]plant.Fitting{},
	}
	w.truth = newTruth(rng, w.plan.zone, w.plan.begin, w.plan.length)
	if len(w.plan.clock) > 0 { // people look at a clock that is right, so their exchange would stand at another instant
		w.truth.exchange = time.Time{}
	}
	w.store = model.NewStore(w.truth.plant)
	w.broker = &broker{w: w}
	var err error
	if w.mapper, err = stationlink.NewMapper(w.truth.plant); err != nil {
		panic(err) // the plant of this file is wrong
	}
	return w
}

// note adds a line to the history.
func (w *world) note(format string, args ...any) {
	line := time.Now().UTC().Format("01-02 15:04:05.000000000 ") + fmt.Sprintf(format, args...)
	w.mu.Lock()
	defer w.mu.Unlock()
	_, _ = fmt.Fprintln(w.trace, line) // a hash never fails
	if w.print != nil {
		w.print(line)
	}
}

// sum is the hash of the history.
func (w *world) sum() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return fmt.Sprintf("%x", w.trace.Sum(nil)[:8])
}

// lateTx is a transaction whose commit is under way.
type lateTx struct {
	name string
	run  func() error
	done bool
}

// land makes the commits happen that are under way: a database lets no other
// transaction on the same rows pass them.
func (w *world) land() {
	w.mu.Lock()
	late := w.late
	w.late = nil
	w.mu.Unlock()
	for _, l := range late {
		if !l.done {
			l.done = true
			w.note("late %s: %v", l.name, l.run())
		}
	}
}

// later has a transaction commit some time after its caller was told that it
// failed.
func (w *world) later(name string, d time.Duration, run func() error) {
	w.mu.Lock()
	w.late = append(w.late, &lateTx{name: name, run: run})
	w.mu.Unlock()
	go func() {
		nap(taskLate, d)
		w.land()
	}()
}

// logger counts lines and shows them in the history.
func (w *world) logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(lineCounter{w}, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}}))
}

type lineCounter struct{ w *world }

func (c lineCounter) Write(p []byte) (int, error) {
	c.w.mu.Lock()
	c.w.lines++
	print := c.w.print
	c.w.mu.Unlock()
	if print != nil {
		print("    " + string(p[:len(p)-1]))
	}
	return len(p), nil
}

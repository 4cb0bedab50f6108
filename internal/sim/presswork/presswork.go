// Package presswork lays out what the press of the virtual plant does: working
// weeks, jobs with make-ready, running and short stops, and which curing
// stations each job uses.
//
// Weeks are drawn one after the other from a seed, and each is stretched so that
// running, make-ready and stops take their share of the scheduled time; what a
// week holds does not depend on how far the layout goes. All shares and shapes
// are own computation from typical values; Common practice, no source.
package presswork

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"time"
)

// Kind is what the press does.
type Kind uint8

// The kinds of phase.
const (
	Closed Kind = iota // outside working hours
	Off                // within working hours, lamps switched off
	Stand              // make-ready, web stands
	Move               // make-ready, web moves with light on
	Run                // good running
	Stop               // short stop within a run
)

// Stations is how many curing stations the press has.
const Stations = 8

// Phase is a stretch of the press timeline; it ends where the next begins.
type Phase struct {
	From  int64 // Unix milliseconds
	Kind  Kind
	Speed int64 // millimetres per minute, 0 when the web stands
	Width int64 // millimetres
	Decks uint8 // bit i: station i in use
}

// Moves says whether the web moves, so that light is wanted.
func (p Phase) Moves() bool { return p.Kind == Move || p.Kind == Run }

// Uses says whether the job of the phase uses station i.
func (p Phase) Uses(i int) bool { return p.Kind >= Stand && p.Decks&(1<<i) != 0 }

// Lay draws the timeline of a press from start up to end.
func Lay(seed uint64, zone *time.Location, start, end time.Time) []Phase {
	p := planner{seed: seed}
	for monday := MondayOf(start, zone); monday.Before(end); monday = monday.AddDate(0, 0, 7) {
		p.week(monday)
	}
	from, to := start.UnixMilli(), end.UnixMilli()
	phases := []Phase{{From: from, Kind: Closed}}
	for _, ph := range p.phases {
		if ph.From <= from {
			ph.From = from
			phases[0] = ph
		} else if ph.From < to {
			phases = append(phases, ph)
		}
	}
	return phases
}

// Shares of the scheduled time. Common practice, no source.
const (
	shareRun       = 0.50
	shareMakeReady = 0.28
	shareStop      = 0.14
	shareMoving    = 0.25 // of make-ready

	weekMillis   = 120 * hourMillis // Monday 06:00 to Saturday 06:00
	hourMillis   = 3_600_000
	minuteMillis = 60_000
)

// monthShape is how busy a month is against the mean, damped. Common practice,
// no source.
func monthShape(m time.Month) float64 {
	shape := 1.03 // March to June
	switch m {
	case time.January:
		shape = 0.92
	case time.February:
		shape = 1.00
	case time.July, time.August:
		shape = 0.90
	case time.September, time.October, time.November:
		shape = 1.10
	case time.December:
		shape = 0.88
	}
	const damping, mean = 0.4, 1.005
	return (1 + damping*(shape-1)) / mean
}

// ClosedWeek says whether the plant rests in the week of a Monday: two weeks in
// August and the weeks of Christmas and New Year.
func ClosedWeek(monday time.Time) bool {
	for d := range 7 {
		_, m, day := monday.AddDate(0, 0, d).Date()
		if m == time.December && day == 25 || m == time.January && day == 1 {
			return true
		}
	}
	return monday.Month() == time.August && monday.Day() <= 14
}

// MondayOf gives Monday 06:00 local of the week of t.
func MondayOf(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	back := (int(t.In(zone).Weekday()) + 6) % 7
	return time.Date(y, m, d-back, 6, 0, 0, 0, zone)
}

// group is a kind of time whose weekly total is set by the calendar.
type group uint8

const (
	groupOff group = iota
	groupMakeReady
	groupRun
	groupStop
	groups
)

// item is a phase before its length is settled.
type item struct {
	kind    Kind
	group   group
	minutes float64
	speed   float64 // metres per minute
	width   int64
	decks   uint8
}

// planner lays out the press timeline week by week.
type planner struct {
	seed    uint64
	decks   uint8
	balance float64 // station-hours above the mean of six in use
	phases  []Phase
}

// meanDecks is the mean number of stations in use.
const meanDecks = 6

// week appends the phases of the working week that begins at monday.
func (p *planner) week(monday time.Time) {
	start := monday.UnixMilli()
	if ClosedWeek(monday) {
		return
	}
	rng := rand.New(rand.NewPCG(p.seed, uint64(start)))
	shape := monthShape(monday.Month())
	var target [groups]float64
	target[groupRun] = shareRun * shape * weekMillis
	target[groupMakeReady] = shareMakeReady * shape * weekMillis
	target[groupStop] = shareStop * shape * weekMillis
	target[groupOff] = weekMillis - target[groupRun] - target[groupMakeReady] - target[groupStop]

	items := p.jobs(rng, target[groupRun]/minuteMillis)
	var drawn [groups]float64
	for _, it := range items {
		drawn[it.group] += it.minutes
	}
	at := float64(start)
	for _, it := range items {
		p.phases = append(p.phases, Phase{
			From: int64(math.Round(at)), Kind: it.kind,
			Speed: int64(math.Round(it.speed * 1000)), Width: it.width, Decks: it.decks,
		})
		at += it.minutes * target[it.group] / drawn[it.group]
	}
	p.phases = append(p.phases, Phase{From: start + weekMillis, Kind: Closed})
}

// jobs draws jobs until the wanted minutes of running are reached.
func (p *planner) jobs(rng *rand.Rand, wanted float64) []item {
	items := []item{{kind: Off, group: groupOff, minutes: 40 + 30*rng.Float64()}}
	running := 0.0
	for running < wanted {
		decks := p.chooseDecks(rng)
		width := 380 + int64(rng.IntN(5))*10 // 380 to 420 mm
		ready := clampedLognormal(rng, 28, 0.6, 8, 150)
		// A job is drawn by its running time, so that the mean speed over time
		// does not depend on which jobs are long.
		run := clampedLognormal(rng, 37.5, 1.014, 4, 420)
		items = append(items, makeReady(rng, item{minutes: ready, width: width, decks: decks})...)
		running += run
		total := ready + run
		speed := min(150, max(30, 80+22*rng.NormFloat64()))
		items = append(items, runWithStops(rng, item{minutes: run, speed: speed, width: width, decks: decks})...)
		p.balance += float64(bits.OnesCount8(decks)-meanDecks) * total / 60
		if rng.Float64() < 0.10 && running < wanted {
			items = append(items, item{kind: Off, group: groupOff, minutes: 60 + 50*rng.Float64()})
		}
	}
	return items
}

// makeReady splits a make-ready: stand, move, stand, move.
func makeReady(rng *rand.Rand, whole item) []item {
	var parts []item
	for i, share := range []float64{0.45, 0.40 * shareMoving, 0.30, 0.60 * shareMoving} {
		part := whole
		part.group, part.kind = groupMakeReady, Stand
		part.minutes = whole.minutes * share
		if i%2 == 1 {
			part.kind, part.speed = Move, 15+20*rng.Float64()
		}
		parts = append(parts, part)
	}
	return parts
}

// runWithStops splits a run by short stops, one per 20 minutes on average, each
// of 5 minutes on average.
func runWithStops(rng *rand.Rand, whole item) []item {
	var parts []item
	left := whole.minutes
	for left > 0 {
		part := whole
		part.kind, part.group = Run, groupRun
		part.minutes = min(left, 1+19*rng.ExpFloat64())
		left -= part.minutes
		parts = append(parts, part)
		if left > 0 {
			stop := whole
			stop.kind, stop.group, stop.speed = Stop, groupStop, 0
			stop.minutes = min(30, 0.5+4.5*rng.ExpFloat64())
			parts = append(parts, stop)
		}
	}
	return parts
}

// chooseDecks decides which stations the next job uses. Most jobs keep what the
// last one had.
func (p *planner) chooseDecks(rng *rand.Rand) uint8 {
	if p.decks != 0 && rng.Float64() > 0.35 && math.Abs(p.balance) < 12 {
		return p.decks
	}
	n := drawDecks(rng)
	if p.balance > 5 && n > meanDecks || p.balance < -5 && n < meanDecks {
		n = min(Stations, 2*meanDecks-n)
	}
	for bits.OnesCount8(p.decks) < n {
		p.decks |= 1 << rng.IntN(Stations)
	}
	for bits.OnesCount8(p.decks) > n {
		p.decks &^= 1 << rng.IntN(Stations)
	}
	return p.decks
}

// drawDecks draws how many of the eight stations a job uses.
func drawDecks(rng *rand.Rand) int {
	u := rng.Float64()
	for i, upTo := range []float64{0.05, 0.15, 0.35, 0.60, 0.80} {
		if u < upTo {
			return 3 + i
		}
	}
	return Stations
}

// clampedLognormal draws from a lognormal distribution by its median.
func clampedLognormal(rng *rand.Rand, median, sigma, low, high float64) float64 {
	return min(high, max(low, median*math.Exp(sigma*rng.NormFloat64())))
}

package curing

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/presswork"
)

// need is what the press wants of one station; it ends where the next begins.
type need struct {
	from    int64
	use     bool // station in use
	moving  bool // web moves: light wanted
	powered bool // within working hours
	speed   int64
}

// shortPause is the longest time out of use over which a station is left in
// standby: switching an arc off and on takes as long.
const shortPause = 20 * minuteMillis

// needs extracts what the press wants of station i.
func needs(phases []presswork.Phase, i int) []need {
	var out []need
	for _, p := range phases {
		n := need{from: p.From, powered: p.Kind != presswork.Closed, use: p.Uses(i)}
		n.moving = n.use && p.Moves()
		if n.moving {
			n.speed = p.Speed
		}
		if len(out) > 0 {
			last := n
			last.from = out[len(out)-1].from
			if last == out[len(out)-1] {
				continue
			}
		}
		out = append(out, n)
	}
	for k := 1; k+1 < len(out); k++ {
		if n := &out[k]; n.powered && !n.use && out[k-1].use && out[k+1].use && out[k+1].from-n.from < shortPause {
			n.use = true
		}
	}
	return out
}

// Options choose a station.
type Options struct {
	Seed       uint64
	Index      int // place in the web, from 0
	ID         plant.StationID
	Changeover time.Time // from when it is an LED head
	End        time.Time // of the layout
}

// Lay lays a station along the timeline of its press, from the first phase on.
func Lay(phases []presswork.Phase, o Options) Line {
	b := &stationBuilder{
		seed: o.Seed, index: o.Index, id: o.ID, changeover: o.Changeover.UnixMilli(),
		rng: rand.New(rand.NewPCG(o.Seed, 0xa1de<<8|uint64(o.Index))),
	}
	b.build(needs(phases, o.Index), o.End.UnixMilli())
	integrate(b.pieces)
	return Line{Pieces: b.pieces, Spans: b.spans, Acts: b.acts, Dones: b.dones}
}

// stationBuilder walks along the needs of one station and lays its pieces,
// spans, lamp acts and done tasks.
type stationBuilder struct {
	seed       uint64
	index      int
	id         plant.StationID
	changeover int64
	rng        *rand.Rand

	pieces []Piece
	spans  []Span
	acts   []LampAct
	dones  []plant.Done

	at         int64
	lit        bool  // arc burns
	startLeft  int64 // milliseconds of a start still to come
	darkUntil  int64 // end of a fault
	untilTrip  int64 // lit milliseconds to the next trip
	cleanLit   int64 // lit milliseconds since the optics were cleaned
	lampLit    int64 // lit milliseconds of the lamp
	lampStarts int64
	usedUp     float64 // equivalent hours on the first lamp before the history begins
	changeAt   float64 // equivalent hours at which the lamp is changed
	failAt     float64 // equivalent hours at which it fails by itself
	serial     int
}

func (b *stationBuilder) tech() plant.Technology {
	if b.at >= b.changeover {
		return plant.TechnologyLED
	}
	return plant.TechnologyArc
}

// until lays a piece from the current instant up to the given one.
func (b *stationBuilder) until(to int64, state plant.State, kw float64) {
	if to <= b.at {
		return
	}
	tech := b.tech()
	b.pieces = append(b.pieces, Piece{From: b.at, Milliwatts: milliwatts(kw), State: state, Technology: tech})
	lit, starts := int64(0), int64(0)
	if n := len(b.spans); n > 0 {
		last := b.spans[n-1]
		lit, starts = last.Lit, last.Starts
		if last.Technology.Lit(last.State) {
			lit += b.at - last.From
		} else if tech.Lit(state) {
			starts++
		}
		if last.State != state || last.Technology != tech {
			b.spans = append(b.spans, Span{From: b.at, State: state, Technology: tech, Lit: lit, Starts: starts})
		}
	} else {
		b.spans = append(b.spans, Span{From: b.at, State: state, Technology: tech})
	}
	if tech.Lit(state) {
		b.lampLit += to - b.at
		b.cleanLit += to - b.at
		b.untilTrip -= to - b.at
	}
	b.at = to
}

// noise is the supply voltage of the day and the spread of a station from span
// to span, as a factor around 1.
func (b *stationBuilder) noise() float64 {
	day := uint64(b.at / (24 * hourMillis))
	voltage := 0.02 * (Mix(b.seed, 1, day) - 0.5)
	own := 0.02 * (Mix(b.seed, 2, uint64(b.index), uint64(b.at)) - 0.5)
	return 1 + voltage + own
}

// build lays everything from the first need up to end.
func (b *stationBuilder) build(list []need, end int64) {
	b.at = list[0].from
	b.usedUp = float64((b.index*5)%8) / 8 * (arcRatedHours - 100)
	if b.tech() == plant.TechnologyArc {
		b.fitArc()
	}
	b.drawTrip(arcTripHours)
	for i, n := range list {
		to := end
		var next need
		if i+1 < len(list) {
			next = list[i+1]
			to = next.from
		}
		if b.at < b.changeover && b.changeover < to {
			b.arc(n, need{}, b.changeover)
		}
		if b.at >= b.changeover {
			b.convert()
			b.led(n, to)
		} else {
			b.arc(n, next, to)
		}
	}
}

// arc serves a need with a mercury arc.
func (b *stationBuilder) arc(n, next need, to int64) {
	if n.use {
		b.arcInUse(n, to)
		return
	}
	if b.lit {
		b.lit, b.startLeft = false, 0
		b.until(min(to, b.at+arcCoolMillis), plant.StateCooling, arcCoolKW)
	}
	b.maintain(to)
	off := arcOffKW
	if !n.powered {
		off = isolatedKW
	}
	if next.use {
		// The operator strikes so that the lamp is warm when the web wants it.
		b.until(max(b.at, to-arcStartMillis), plant.StateOff, off)
		b.strike(to)
		return
	}
	b.until(to, plant.StateOff, off)
}

// arcInUse keeps the lamp burning up to the given instant, through trips and
// failures.
func (b *stationBuilder) arcInUse(n need, to int64) {
	for b.at < to {
		switch {
		case b.at < b.darkUntil:
			b.until(min(to, b.darkUntil), plant.StateFault, arcOffKW)
		case !b.lit:
			b.strike(to)
		default:
			b.burn(n, to)
		}
	}
}

// burn lays standby or curing up to the given instant or the next fault.
func (b *stationBuilder) burn(n need, to int64) {
	stop := min(to, b.at+max(0, b.untilTrip))
	failure := b.at + int64((b.failAt-b.equivalent())*hourMillis)
	failed := failure < stop
	stop = max(b.at, min(stop, failure))
	if n.moving {
		b.until(stop, plant.StateCuring, arcRunKW()*b.noise())
	} else {
		b.until(stop, plant.StateStandby, arcStandbyKW()*b.noise())
	}
	switch {
	case failed:
		b.lit = false
		b.darkUntil = b.at + 45*minuteMillis
		b.changeLamp("failed")
	case b.untilTrip <= 0:
		b.lit = false
		b.darkUntil = b.at + (6+int64(b.rng.IntN(8)))*minuteMillis
		b.drawTrip(arcTripHours)
	}
}

// strike lays a start, or the rest of one, up to the given instant at most.
func (b *stationBuilder) strike(to int64) {
	if b.startLeft == 0 {
		b.startLeft = arcStartMillis
		b.lampStarts++
	}
	const stepMillis = 10 * secondMillis
	for b.startLeft > 0 && b.at < to {
		from := int64(arcStartMillis) - b.startLeft
		step := min(stepMillis, b.startLeft, to-b.at)
		if from < arcStrikeMillis {
			step = min(step, arcStrikeMillis-from)
		}
		b.until(b.at+step, plant.StateStarting, arcStartKW(from, from+step))
		b.startLeft -= step
	}
	b.lit = b.startLeft == 0
}

// led serves a need with an LED head.
func (b *stationBuilder) led(n need, to int64) {
	for b.at < to {
		switch {
		case b.at < b.darkUntil && n.use:
			b.until(min(to, b.darkUntil), plant.StateFault, ledIdleKW)
		case n.moving:
			kw := ledIdleKW + ledLightKW(ledDim(float64(n.speed)/1000))
			b.until(min(to, b.at+max(1, b.untilTrip)), plant.StateCuring, kw*b.ledNoise())
			if b.untilTrip <= 0 {
				b.darkUntil = b.at + (5+int64(b.rng.IntN(8)))*minuteMillis
				b.drawTrip(ledTripHours)
			}
		case n.use:
			b.until(to, plant.StateStandby, ledIdleKW)
		default:
			b.maintain(to)
			off := ledIdleKW
			if !n.powered {
				off = isolatedKW
			}
			b.until(to, plant.StateOff, off)
		}
	}
}

func (b *stationBuilder) ledNoise() float64 {
	return 1 + 0.01*(Mix(b.seed, 3, uint64(b.index), uint64(b.at))-0.5)
}

// drawTrip draws the lit time to the next trip of the station.
func (b *stationBuilder) drawTrip(meanHours float64) {
	b.untilTrip = 1 + int64(b.rng.ExpFloat64()*meanHours*hourMillis)
}

// equivalent is the life used of the fitted lamp: lit hours + starts × 1 h.
func (b *stationBuilder) equivalent() float64 {
	return float64(b.lampLit)/hourMillis + float64(b.lampStarts) + b.usedUp
}

// maintain does what people do while the station is off up to the given
// instant: change a worn lamp, clean the optics.
func (b *stationBuilder) maintain(to int64) {
	if to-b.at < 40*minuteMillis {
		return
	}
	led := b.tech() == plant.TechnologyLED
	if !led && b.equivalent() >= b.changeAt {
		b.changeLamp("preventive")
	}
	rule, limit := ruleReflectorClean, int64(235*hourMillis)
	if led {
		rule, limit = ruleWindowClean, 54*hourMillis
		if b.index == 3 {
			limit = 95 * hourMillis // the deck that is hard to reach waits longer
		}
	}
	if b.cleanLit >= limit {
		b.cleanLit = 0
		b.dones = append(b.dones, plant.Done{
			Rule: rule, Subject: string(b.id), At: instant(b.at + 15*minuteMillis), By: crew(b.at),
		})
	}
}

// changeLamp takes the lamp out and fits a new one 20 minutes later.
func (b *stationBuilder) changeLamp(reason string) {
	b.acts = append(b.acts, LampAct{
		At: instant(b.at + 5*minuteMillis), Station: b.id, Lamp: b.arcLamp(), Removed: reason, By: crew(b.at),
	})
	b.usedUp = 0
	at := b.at
	b.at += 25 * minuteMillis
	b.fitArc()
	b.at = at
}

// fitArc fits a new arc lamp at the current instant and draws its life.
func (b *stationBuilder) fitArc() {
	b.serial++
	b.lampLit, b.lampStarts = 0, 0
	b.changeAt = arcRatedHours - 60 + 90*b.rng.Float64()
	if b.rng.Float64() < arcInfantShare {
		b.failAt = b.rng.ExpFloat64() * arcInfantHours
	} else {
		b.failAt = arcFailureScale * math.Pow(b.rng.ExpFloat64(), 1/arcFailureShape)
	}
	// A lamp that has come so far did not fail on the way.
	b.failAt = max(b.failAt, b.usedUp+20)
	b.acts = append(b.acts, LampAct{At: instant(b.at), Station: b.id, Lamp: b.arcLamp(), By: crew(b.at)})
}

func (b *stationBuilder) arcLamp() plant.Lamp {
	return plant.Lamp{Serial: serial("ALR-A", b.index, b.serial), Kind: KindArc}
}

// convert takes the arc lamp out and mounts the LED module, once.
func (b *stationBuilder) convert() {
	if b.serial < 0 {
		return
	}
	at := b.at + int64(b.index)*45*minuteMillis
	if b.serial > 0 {
		b.acts = append(b.acts, LampAct{
			At: instant(at), Station: b.id, Lamp: b.arcLamp(), Removed: "conversion", By: "fitter",
		})
	}
	b.acts = append(b.acts, LampAct{
		At: instant(at + 30*minuteMillis), Station: b.id,
		Lamp: plant.Lamp{Serial: serial("ALR-U", b.index, 1), Kind: KindLED}, By: "fitter",
	})
	b.serial = -1
	b.lit, b.startLeft, b.darkUntil, b.cleanLit = false, 0, 0, 0
	b.drawTrip(ledTripHours)
}

// crew names the shift that works at an instant.
func crew(ms int64) string {
	return [...]string{"early shift", "late shift", "night shift"}[(instant(ms).Hour()+18)%24/8]
}

func instant(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

func serial(series string, station, n int) plant.LampSerial {
	return plant.LampSerial(fmt.Sprintf("%s-%d%03d", series, station+1, n))
}

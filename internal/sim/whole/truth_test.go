package whole

import (
	"encoding/json"
	"math/rand/v2"
	"sort"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
)

// The meters, each with a story of its own, and the stations.
const (
	meterGlitch   = plant.MeterID("heron-1-meter") // shows wrong values now and then
	meterRollover = plant.MeterID("heron-2-meter") // starts again from zero every few hours
	meterExchange = plant.MeterID("chiller-meter") // is exchanged
	meterJump     = plant.MeterID("exhaust-meter") // counts more than can be true, and a person knows why

	step       = 1000      // milliwatt-hours of one count
	ratedWatts = 9000      // behind each meter
	modulus    = 65_536    // counts, of the meter that rolls over
	jumpCounts = 120_000   // of the jump: 120 kWh
	spanLimit  = 4         // hours, the longest outage: a rollover can still be counted
	wideCounts = 1 << 32   // modulus of the others
	glitchBy   = 1_000_000 // counts, far beyond what can be true
)

const (
	interval  = 15 * time.Minute
	maxGap    = 15 * time.Minute
	period    = 2 * time.Minute
	silence   = 12 * time.Minute
	beat      = 5 * time.Minute
	clockable = 10 * time.Minute // ClockLimit
)

// piece is a stretch of one state of a station or load; it ends where the next
// begins.
type piece struct {
	from        int64 // Unix milliseconds
	state       plant.State
	milliwatts  int64
	energy      int64 // milliwatt-milliseconds before it
	lit, starts int64 // milliseconds, count before it
}

// line is what a station or load does, in truth.
type line []piece

// layLine draws an arc station: off, starting, curing and standby in turns, cooling.
func layLine(rng *rand.Rand, begin time.Time, length time.Duration) line {
	at, end := begin.UnixMilli(), begin.Add(length).UnixMilli()
	l := line{{from: at, state: plant.StateOff, milliwatts: 60_000}}
	add := func(s plant.State, kilowatts float64, atMost time.Duration) {
		last := l[len(l)-1]
		d := 20_000 + rng.Int64N(atMost.Milliseconds())
		next := piece{from: last.from + d, state: s, milliwatts: int64(kilowatts * 1e6), energy: last.energy + last.milliwatts*d, lit: last.lit, starts: last.starts}
		lit := func(s plant.State) bool { return plant.TechnologyArc.Lit(s) }
		if lit(last.state) {
			next.lit += d
		}
		if lit(s) && !lit(last.state) {
			next.starts++
		}
		l = append(l, next)
	}
	for l[len(l)-1].from < end {
		add(plant.StateStarting, 8.5, 12*time.Minute)
		for range 1 + rng.IntN(4) {
			add(plant.StateCuring, 5+3*rng.Float64(), 3*time.Minute)
			add(plant.StateStandby, 3, 25*time.Minute)
		}
		if rng.IntN(5) == 0 {
			add(plant.StateFault, 0.1, 4*time.Minute)
		}
		add(plant.StateCooling, 0.6, 4*time.Minute)
		add(plant.StateOff, 0.06, 5*time.Minute)
	}
	return l
}

func (l line) index(ms int64) int {
	return max(0, sort.Search(len(l), func(i int) bool { return l[i].from > ms })-1)
}

// at gives the piece of an instant, with its sums up to that instant.
func (l line) at(t time.Time) piece {
	ms := t.UnixMilli()
	p := l[l.index(ms)]
	d := max(0, ms-p.from)
	p.energy += p.milliwatts * d
	if plant.TechnologyArc.Lit(p.state) {
		p.lit += d
	}
	return p
}

// nextChange is the first change of state after t.
func (l line) nextChange(t time.Time) time.Time {
	i := l.index(t.UnixMilli()) + 1
	if i >= len(l) {
		return t.Add(24 * time.Hour)
	}
	return time.UnixMilli(l[i].from)
}

// truth is the plant as it really is: a pure function of time.
type truth struct {
	plant    *plant.Plant
	begin    time.Time
	lines    map[plant.MeterID]line
	base     map[plant.MeterID]int64 // counts at the begin
	exchange time.Time               // of meterExchange; zero for never
	first    int64                   // counts of the meter that was mounted then
	jump     time.Time               // of meterJump; zero for never
	reboot   time.Time               // of the second station's controller
	behind   time.Duration           // of its clock
}

func newTruth(rng *rand.Rand, zone *time.Location, begin time.Time, length time.Duration) *truth {
	t := &truth{plant: alderLane(zone), begin: begin, lines: map[plant.MeterID]line{}, base: map[plant.MeterID]int64{}}
	for _, b := range t.plant.Buses {
		for _, m := range b.Meters {
			t.lines[m.ID] = layLine(rng, begin.Add(-time.Hour), length+3*time.Hour)
			t.base[m.ID] = 2_000_000 + rng.Int64N(1_000_000)
		}
	}
	t.base[meterRollover] = rng.Int64N(modulus)
	within := func() time.Time { return begin.Add(time.Hour + upTo(rng, length-2*time.Hour)) }
	if rng.IntN(2) == 0 {
		t.exchange, t.first = within(), rng.Int64N(4000)
	}
	if rng.IntN(2) == 0 {
		t.jump = within()
	}
	t.reboot, t.behind = within(), upTo(rng, 5*time.Minute)
	return t
}

// counted is how many counts a meter has counted since before the begin, whichever
// meter was mounted.
func (t *truth) counted(m plant.MeterID, at time.Time) int64 {
	n := t.lines[m].at(at).energy / 3_600_000 / step
	if m == meterJump && !t.jump.IsZero() && !at.Before(t.jump) {
		n += jumpCounts
	}
	return n
}

// shows is what the register of a meter shows, in milliwatt-hours.
func (t *truth) shows(m plant.MeterID, at time.Time) int64 {
	n := t.base[m] + t.counted(m, at)
	if m == meterExchange && !t.exchange.IsZero() && !at.Before(t.exchange) {
		n = t.first + t.counted(m, at) - t.counted(m, t.exchange)
	}
	if m == meterRollover {
		n %= modulus
	}
	return n * step
}

// declared is the exchange as a person declares it.
func (t *truth) declared() plant.Exchange {
	return plant.Exchange{
		Register: plant.RegisterOf(meterExchange, plant.ValueImport), At: t.exchange.UTC().Truncate(time.Microsecond),
		Final: (t.base[meterExchange] + t.counted(meterExchange, t.exchange)) * step, First: t.first * step, By: "electrician",
	}
}

func stationMeter(st plant.StationID) plant.MeterID { return plant.MeterID(st) + "-meter" }

// status is the message that a station publishes at an instant.
func (t *truth) status(st plant.StationID, at time.Time, number int64) []byte {
	p := t.lines[stationMeter(st)].at(at)
	boot, clock := "b1", at
	if st == "heron-2" {
		clock = at.Add(-t.behind)
		if !at.Before(t.reboot) {
			boot = "b2"
		}
	}
	doc := map[string]any{
		"state": p.state.String(), "at": clock.UnixMilli(), "boot": boot, "number": number, "technology": "arc",
		"lit_s": json.Number(decimalSeconds(p.lit)), "starts": p.starts,
	}
	out, _ := json.Marshal(doc) // of plain values: never fails
	return out
}

func decimalSeconds(ms int64) string {
	out, _ := json.Marshal(float64(ms) / 1000) // finite
	return string(out)
}

// alderLane is the plant: two stations with a meter each, and two shared loads.
func alderLane(zone *time.Location) *plant.Plant {
	p := &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: zone, Interval: interval, ClockLimit: clockable,
		WorkDays:  [7]bool{true, true, true, true, true, true, true},
		LampKinds: []plant.LampKind{{Name: "arc-lamp", Title: "Arc lamp", Technology: plant.TechnologyArc, RatedHours: 6, HoursPerStart: 0.1}},
		Rules: []plant.TaskRule{
			{ID: "lamp-change", Title: "Change the lamp", Scope: plant.PerLamp, LifeFraction: 1, Lead: 1},
			{ID: "clean-reflector", Title: "Clean the reflector", Scope: plant.PerStation, LitHours: 2, Lead: 1},
			{ID: "check-exhaust", Title: "Check the exhaust", Scope: plant.PerPress, Days: 1},
		},
		Topics: []plant.Topic{{
			Pattern: "alder/{station}/status", Station: "{station}", State: "state", Instant: "at", InstantFormat: "unix_millis",
			Technology: "technology", Boot: "boot", Sequence: "number", LitSeconds: "lit_s", Starts: "starts",
		}},
	}
	press := plant.Press{ID: "heron", Title: "Heron"}
	hall := plant.Bus{ID: "hall"}
	for _, st := range []plant.StationID{"heron-1", "heron-2"} {
		press.Stations = append(press.Stations, plant.Station{
			ID: st, Press: "heron", Silence: silence, LampKind: "arc-lamp", Technology: []plant.TechnologyFrom{{Technology: plant.TechnologyArc}},
		})
		hall.Meters = append(hall.Meters, plant.Meter{ID: stationMeter(st), Bus: "hall", Period: period, MaxPower: ratedWatts, Station: st, Press: "heron"})
	}
	roof := plant.Bus{ID: "roof"}
	for _, m := range []plant.MeterID{meterExchange, meterJump} {
		roof.Meters = append(roof.Meters, plant.Meter{ID: m, Bus: "roof", Period: period, MaxPower: ratedWatts, Press: "heron"})
	}
	p.Presses, p.Buses = []plant.Press{press}, []plant.Bus{hall, roof}
	for _, b := range p.Buses {
		for _, m := range b.Meters {
			rules := plant.Rules{Modulus: wideCounts * step, MaxPerHour: ratedWatts * 1000, Slack: step, Backstep: 2 * step, MaxGap: maxGap}
			if m.ID == meterRollover {
				rules.Modulus = modulus * step
			}
			p.Registers = append(p.Registers, plant.Register{ID: plant.RegisterOf(m.ID, plant.ValueImport), Quantity: plant.QuantityEnergy, Station: m.Station, Press: "heron", Rules: rules})
		}
	}
	for _, st := range press.Stations {
		lit := plant.Rules{MaxPerHour: 3_600_000, Slack: 2000, Backstep: 2000, MaxGap: maxGap}
		starts := plant.Rules{MaxPerHour: 3600, Slack: 1, MaxGap: maxGap}
		p.Registers = append(p.Registers,
			plant.Register{ID: plant.RegisterOf(st.ID, plant.ValueLit), Quantity: plant.QuantityTime, Station: st.ID, Press: "heron", Rules: lit, Curve: plant.FromEvents},
			plant.Register{ID: plant.RegisterOf(st.ID, plant.ValueStarts), Quantity: plant.QuantityCount, Station: st.ID, Press: "heron", Rules: starts, Curve: plant.FromEvents},
			plant.Register{ID: plant.RegisterOf(st.ID, plant.ValueTime), Quantity: plant.QuantityTime, Station: st.ID, Press: "heron", Curve: plant.FromTimeline})
	}
	return p
}

// limits are those of the notices.
var limits = notice.Limits{Settle: 3 * time.Minute, Clear: 5 * time.Minute, Unanswered: time.Hour}

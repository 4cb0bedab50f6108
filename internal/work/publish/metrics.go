package publish

import (
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"curetally/internal/core/plant"
)

// MeterHealth is what is known of the polling of one meter.
type MeterHealth struct {
	Meter       plant.MeterID
	LastSuccess time.Time // zero when never
	Up          bool
	// Trouble is what was wrong with the last poll, one of MeterConditions.
	Trouble  string
	Polls    uint64
	Failures uint64
	Refused  uint64        // answers and values that came and were not taken
	Missed   uint64        // slots at which the meter was not asked
	Line     time.Duration // how long its polls held the line
}

// TaskCount counts tasks by status.
type TaskCount map[string]int

// LampLife is the used share of the lamp in one station.
type LampLife struct {
	Station plant.StationID
	Used    float64 // 1 = rated life reached
}

// Condition is what the daemon knows of itself at one instant.
type Condition struct {
	Meters []MeterHealth
	// MeterConditions are the words that MeterHealth.Trouble may be.
	MeterConditions []string
	BrokerUp        bool
	BrokerUsed      bool // a broker is configured
	StoreUp         bool
	FactsReceived   uint64
	FactsApplied    uint64
	RefusedFacts    int64
	SpoolBatches    int
	SpoolBytes      int64
	SpoolOldest     time.Time      // zero when the spool is empty
	SpoolUsed       int64          // bytes in use
	SpoolLimit      int64          // bytes that may be, 0 for any amount
	Thinned         Thinned        // what the spool gave up at its bound
	Broken          map[string]int // violations by invariant
	Checked         []Checked      // when invariants were last looked at
	UnsettledMarks  int64
	HeldReadings    int64         // register values that wait for a person
	StuckRegisters  int           // that stand while power flows
	ClockAhead      time.Duration // of the clock that stamps facts, before the machine's
	Tasks           TaskCount
	Lamps           []LampLife
	Deliveries      []Deliveries
}

// Deliveries is how attempts to deliver notices on a channel ended since the start of
// the daemon.
type Deliveries struct {
	Channel            string
	Sent, Failed, Dead uint64
}

// Checked says when an invariant was last looked at.
type Checked struct {
	Invariant string
	At        time.Time
}

// Thinned counts the facts that the spool gave up at its bound.
type Thinned struct{ Signals, Readings, Refusals int }

// Collector renders the newest snapshot and the daemon's condition as metrics.
// It touches neither database nor bus. All values are in base units: joules,
// seconds, watts, ratios.
type Collector struct {
	newest    func() *Snapshot
	condition func() Condition
	plant     *plant.Plant
	d         map[string]*prometheus.Desc
}

// metric declares one metric with its labels; the list is the whole of what is
// exposed, and the metrics reference is made from it.
type metric struct {
	name, help string
	labels     []string
}

func metrics() []metric {
	return []metric{
		{"register_energy_joules_total", "Energy counted by a meter register, from settled entries.", []string{"meter", "register"}},
		{"register_net_energy_joules", "Energy counted by a register that counts both ways, from settled entries.", []string{"meter", "register"}},
		{"meter_power_watts", "Active power at the meter; absent while the meter is silent.", []string{"meter"}},
		{"meter_load_ratio", "Current at the meter over the last 28 days, mean by energy, as a share of the rated current that its accuracy is stated for.", []string{"meter"}},
		{"meter_up", "1 when the last poll of the meter brought values.", []string{"meter"}},
		{"meter_condition", "1 for what the last poll of the meter showed, 0 for the other conditions.", []string{"meter", "condition"}},
		{"meter_polls_total", "Polls of the meter.", []string{"meter"}},
		{"meter_poll_failures_total", "Polls of the meter that failed.", []string{"meter"}},
		{"meter_refused_total", "Answers and values of the meter that came and were not taken.", []string{"meter"}},
		{"meter_missed_slots_total", "Slots of the meter's period at which it was not asked, because its line was busy or in the pause after a failure.", []string{"meter"}},
		{"meter_line_seconds_total", "Time that polls of the meter held its line, with the line's rest after failures.", []string{"meter"}},
		{"meter_last_success_timestamp_seconds", "Unix time of the last successful poll.", []string{"meter"}},
		{"station_state", "1 for the present state of the station, 0 for the others.", []string{"press", "station", "state"}},
		{"station_lit_seconds_total", "Time the station's lamps were lit.", []string{"press", "station"}},
		{"station_starts_total", "Starts (strikes) of the station's lamps.", []string{"press", "station"}},
		{"station_energy_joules_total", "Energy of the station's meters by state.", []string{"press", "station", "state"}},
		{"lamp_life_used_ratio", "Used share of the rated life of the lamp in the station; 1 means rated life reached.", []string{"station"}},
		{"tasks", "Upkeep tasks by status.", []string{"status"}},
		{"savings_avoided_energy_joules", "Avoided energy of the reporting period so far.", []string{"project"}},
		{"savings_avoided_energy_half_width_joules", "Half-width of the interval of avoided energy at the stated confidence.", []string{"project"}},
		{"savings_avoided_energy_model_half_width_joules", "The part of the half-width that comes from the baseline model.", []string{"project"}},
		{"savings_avoided_energy_meter_half_width_joules", "The part of the half-width that comes from the meters; absent where no accuracy of them is configured.", []string{"project"}},
		{"savings_confidence_ratio", "Confidence of the stated interval.", []string{"project"}},
		{"savings_avoided_ratio", "Avoided energy as a share of the adjusted baseline.", []string{"project"}},
		{"savings_avoided_cost", "Avoided cost of energy, in units of the currency.", []string{"project", "currency"}},
		{"savings_avoided_carbon_grams", "Avoided emissions, grams CO2-equivalent.", []string{"project"}},
		{"savings_baseline_frozen", "1 when a baseline of the project is frozen.", []string{"project"}},
		{"savings_baseline_ready", "1 when the baseline that is not frozen yet is good enough; absent once one is frozen.", []string{"project"}},
		{"savings_baseline_missing_seconds", "Least further time after which nothing that days can mend is missing; absent once a baseline is frozen.", []string{"project"}},
		{"savings_baseline_late", "1 when the conversion comes before the baseline is ready; absent once one is frozen.", []string{"project"}},
		{"savings_baseline_smallest_ratio", "Smallest saving that a year would show at the project's confidence; absent without a model.", []string{"project"}},
		{"savings_drift", "1 while more is used, lastingly, than the first days after the conversion let expect.", []string{"project"}},
		{"savings_unadjusted_factors", "Static factors that changed without an adjustment.", []string{"project"}},
		{"savings_reporting_seconds", "Length of the days of the reporting period that are counted.", []string{"project"}},
		{"broker_connected", "1 while the connection to the MQTT broker is open.", nil},
		{"store_up", "1 while the database takes what is recorded.", nil},
		{"facts_received_total", "Facts that came in since the start of the daemon.", nil},
		{"facts_applied_total", "Facts written to the database since the start of the daemon.", nil},
		{"facts_refused_total", "Messages and values that were refused, over all time.", nil},
		{"spool_batches", "Batches that wait in the spool.", nil},
		{"spool_size_bytes", "Size of the spool on disk.", nil},
		{"spool_used_bytes", "Bytes of the spool's file that are in use.", nil},
		{"spool_limit_bytes", "Bytes that may be in use before facts are thinned out; 0 for any amount.", nil},
		{"spool_thinned_total", "Facts that the spool gave up at its bound since the start of the daemon, by kind; station events never are.", []string{"kind"}},
		{"spool_oldest_timestamp_seconds", "Unix time at which the oldest waiting batch was written; 0 when none waits.", nil},
		{"notice_deliveries_total", "Attempts to deliver notices by how they ended, since the start of the daemon; dead ones are not tried again.", []string{"channel", "outcome"}},
		{"invariant_violations", "Places where the records contradict themselves, by invariant; must be 0.", []string{"invariant"}},
		{"invariant_checked_timestamp_seconds", "Unix time at which a part of the records was last held against the invariant.", []string{"invariant"}},
		{"unsettled_marks", "Stretches that wait to be settled.", nil},
		{"clock_ahead_seconds", "How far the clock that stamps facts is ahead of the machine's, after that was set back.", nil},
		{"held_readings", "Register values that are held out of their curve and wait for a person's ruling.", nil},
		{"stuck_registers", "Energy registers that stand while the samples of their meter's power make many of their steps.", nil},
	}
}

// MetricNames lists the names of all metrics that a Collector can give.
func MetricNames() []string {
	var names []string
	for _, m := range metrics() {
		names = append(names, "curetally_"+m.name)
	}
	return names
}

// NewCollector builds a collector over a snapshot and the daemon's condition.
func NewCollector(p *plant.Plant, newest func() *Snapshot, condition func() Condition) *Collector {
	c := &Collector{newest: newest, condition: condition, plant: p, d: map[string]*prometheus.Desc{}}
	for _, m := range metrics() {
		c.d[m.name] = prometheus.NewDesc("curetally_"+m.name, m.help, m.labels, nil)
	}
	return c
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, m := range metrics() {
		ch <- c.d[m.name]
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	out := emitter{ch, c.d}
	cond := c.condition()
	out.daemon(cond)
	if snap := c.newest(); snap != nil {
		out.totals(c.plant, snap)
		out.states(c.plant, snap)
		out.savings(c.plant, snap)
	}
}

type emitter struct {
	ch chan<- prometheus.Metric
	d  map[string]*prometheus.Desc
}

func (e emitter) gauge(name string, v float64, labels ...string) {
	e.ch <- prometheus.MustNewConstMetric(e.d[name], prometheus.GaugeValue, v, labels...)
}

func (e emitter) counter(name string, v float64, labels ...string) {
	e.ch <- prometheus.MustNewConstMetric(e.d[name], prometheus.CounterValue, v, labels...)
}

func (e emitter) daemon(c Condition) {
	for _, m := range c.Meters {
		e.gauge("meter_up", truth(m.Up), string(m.Meter))
		e.counter("meter_polls_total", float64(m.Polls), string(m.Meter))
		e.counter("meter_poll_failures_total", float64(m.Failures), string(m.Meter))
		for _, condition := range c.MeterConditions {
			e.gauge("meter_condition", truth(m.Trouble == condition), string(m.Meter), condition)
		}
		e.counter("meter_refused_total", float64(m.Refused), string(m.Meter))
		e.counter("meter_missed_slots_total", float64(m.Missed), string(m.Meter))
		e.counter("meter_line_seconds_total", m.Line.Seconds(), string(m.Meter))
		e.gauge("meter_last_success_timestamp_seconds", seconds(m.LastSuccess), string(m.Meter))
	}
	for _, l := range c.Lamps {
		e.gauge("lamp_life_used_ratio", l.Used, string(l.Station))
	}
	for status, n := range c.Tasks {
		e.gauge("tasks", float64(n), status)
	}
	if c.BrokerUsed {
		e.gauge("broker_connected", truth(c.BrokerUp))
	}
	e.gauge("store_up", truth(c.StoreUp))
	e.counter("facts_received_total", float64(c.FactsReceived))
	e.counter("facts_applied_total", float64(c.FactsApplied))
	e.counter("facts_refused_total", float64(c.RefusedFacts))
	e.gauge("spool_batches", float64(c.SpoolBatches))
	e.gauge("spool_size_bytes", float64(c.SpoolBytes))
	e.gauge("spool_used_bytes", float64(c.SpoolUsed))
	e.gauge("spool_limit_bytes", float64(c.SpoolLimit))
	e.counter("spool_thinned_total", float64(c.Thinned.Signals), "signal")
	e.counter("spool_thinned_total", float64(c.Thinned.Readings), "reading")
	e.counter("spool_thinned_total", float64(c.Thinned.Refusals), "refusal")
	e.gauge("spool_oldest_timestamp_seconds", seconds(c.SpoolOldest))
	for _, n := range c.Deliveries {
		e.counter("notice_deliveries_total", float64(n.Sent), n.Channel, "sent")
		e.counter("notice_deliveries_total", float64(n.Failed), n.Channel, "failed")
		e.counter("notice_deliveries_total", float64(n.Dead), n.Channel, "dead")
	}
	for name, n := range c.Broken {
		e.gauge("invariant_violations", float64(n), name)
	}
	for _, v := range c.Checked {
		e.gauge("invariant_checked_timestamp_seconds", seconds(v.At), v.Invariant)
	}
	e.gauge("unsettled_marks", float64(c.UnsettledMarks))
	e.gauge("clock_ahead_seconds", c.ClockAhead.Seconds())
	e.gauge("held_readings", float64(c.HeldReadings))
	e.gauge("stuck_registers", float64(c.StuckRegisters))
}

// totals emits the counters that come from settled entries. A register that has
// no entries yet counts from 0, so that no series appears late.
func (e emitter) totals(p *plant.Plant, s *Snapshot) {
	sum := map[plant.RegisterID]int64{}
	byState := map[plant.StationID]map[plant.State]int64{}
	for _, t := range s.Totals {
		sum[t.Register] += t.Amount
		reg, ok := p.FindRegister(t.Register)
		if !ok || reg.Quantity != plant.QuantityEnergy || reg.Station == "" || reg.Part {
			continue
		}
		if byState[reg.Station] == nil {
			byState[reg.Station] = map[plant.State]int64{}
		}
		byState[reg.Station][t.State] += t.Amount
	}
	for _, r := range p.Registers {
		owner, value := r.ID.Split()
		v := float64(sum[r.ID])
		switch {
		case r.Quantity == plant.QuantityEnergy && r.Rules.Net:
			e.gauge("register_net_energy_joules", v*3.6, owner, value)
		case r.Quantity == plant.QuantityEnergy:
			e.counter("register_energy_joules_total", v*3.6, owner, value)
		case value == plant.ValueLit && r.Station != "":
			e.counter("station_lit_seconds_total", v/1000, string(r.Press), owner)
		case value == plant.ValueStarts && r.Station != "":
			e.counter("station_starts_total", v, string(r.Press), owner)
		}
	}
	for _, st := range p.Stations() {
		for _, state := range plant.States() {
			e.counter("station_energy_joules_total", float64(byState[st.ID][state])*3.6, string(st.Press), string(st.ID), state.String())
		}
	}
}

func (e emitter) states(p *plant.Plant, s *Snapshot) {
	for _, st := range p.Stations() {
		now := s.StateOf(st)
		for _, state := range plant.States() {
			e.gauge("station_state", truth(state == now), string(st.Press), string(st.ID), state.String())
		}
	}
	for _, l := range s.Loads {
		if l.Now.Percent > 0 {
			e.gauge("meter_load_ratio", l.Now.Percent/100, string(l.Meter))
		}
	}
	for meter, watts := range s.Powers(p) {
		e.gauge("meter_power_watts", watts, string(meter))
	}
}

func (e emitter) savings(p *plant.Plant, s *Snapshot) {
	for _, ps := range s.Projects {
		id, st := string(ps.Project.ID), ps.Statement
		e.baseline(id, ps)
		if !ps.Stated {
			continue
		}
		e.gauge("savings_avoided_energy_joules", st.SavedKWh*3.6e6, id)
		e.gauge("savings_avoided_energy_half_width_joules", st.HalfWidthKWh*3.6e6, id)
		e.gauge("savings_avoided_energy_model_half_width_joules", st.ModelHalfWidthKWh*3.6e6, id)
		if len(st.Meters) > 0 {
			e.gauge("savings_avoided_energy_meter_half_width_joules", st.MeterHalfWidthKWh*3.6e6, id)
		}
		e.gauge("savings_confidence_ratio", st.Confidence, id)
		e.gauge("savings_avoided_ratio", st.SavedFraction, id)
		e.gauge("savings_avoided_cost", st.Cost.Float(), id, strings.ToUpper(st.Cost.Currency))
		e.gauge("savings_avoided_carbon_grams", st.CarbonKg*1000, id)
		var length time.Duration // a day may have 23, 24 or 25 hours
		for _, day := range st.Series {
			length += p.Day(day.Day, 1).Sub(day.Day)
		}
		e.gauge("savings_reporting_seconds", length.Seconds(), id)
	}
}

// baseline emits how far the baseline is, and once it is frozen what has changed
// since.
func (e emitter) baseline(id string, ps ProjectState) {
	e.gauge("savings_baseline_frozen", truth(ps.Frozen), id)
	if ps.Frozen {
		e.gauge("savings_drift", truth(ps.Drifting), id)
		e.gauge("savings_unadjusted_factors", float64(len(ps.Changes)), id)
		return
	}
	e.gauge("savings_baseline_ready", truth(ps.Ready.Ready), id)
	e.gauge("savings_baseline_missing_seconds", float64(ps.Ready.MoreDays)*24*3600, id)
	e.gauge("savings_baseline_late", truth(ps.Ready.Late), id)
	if ps.Ready.Smallest > 0 {
		e.gauge("savings_baseline_smallest_ratio", ps.Ready.Smallest, id)
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func seconds(t time.Time) float64 {
	if t.IsZero() {
		return 0
	}
	return float64(t.UnixMilli()) / 1000
}

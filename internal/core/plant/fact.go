package plant

import "time"

// Reading is one value of a cumulative register, as read.
type Reading struct {
	Register RegisterID
	// At is the middle of request and answer, UTC, whole microseconds.
	At time.Time
	// Value is the register as the meter shows it, before the ratio of any
	// transformers, in the units of its Quantity: milliwatt-hours for energy,
	// milliseconds for time, whole counts otherwise (see Quantity).
	Value int64
	// Modulus is the value at which the register starts again from zero, where
	// the meter itself states it with the reading (a scale register); 0 means
	// as configured.
	Modulus int64
}

// StationEvent is one status message of a curing station.
type StationEvent struct {
	Station StationID
	// At is the instant the state holds from, UTC, whole milliseconds. It is
	// the station's own clock unless ClockDistrusted, and never after Arrived.
	At time.Time
	// Arrived is when the message came in, UTC.
	Arrived time.Time
	State   State
	// Technology is the light source in use when the message says so, else
	// TechnologyNone: then the configuration decides.
	Technology Technology
	// Boot and Sequence identify the message at its origin. Boot is empty when
	// the station offers none; then Sequence is the instant in Unix
	// milliseconds, so that a repeated message is still the same event.
	Boot     string
	Sequence int64
	// LitMillis and Starts are the station's cumulative counters; negative
	// means not offered.
	LitMillis int64
	Starts    int64
	// ClockDistrusted marks that the device clock was off by more than the
	// limit, or set back, and At is the arrival time instead.
	ClockDistrusted bool
	// LastWill marks that the broker published this on the station's behalf;
	// State is then StateUnknown.
	LastWill bool
}

// BootInferred is the boot id of events that no station sent: its state was concluded
// from the power of its own meter while it was silent. No station may use it.
const BootInferred = "inferred from power"

// Inferred says whether the state was concluded from power.
func (e StationEvent) Inferred() bool { return e.Boot == BootInferred }

// StationClock is how the clock of a station's device stands against that of the
// daemon.
type StationClock struct {
	Station StationID
	// Behind is the least that its newest messages were older than their arrival:
	// a clock that is slow by so much, or messages that are under way for so long.
	Behind time.Duration
	// Distrusted says that the instant of none of them was taken.
	Distrusted bool
}

// Signal is one value of a process quantity: power, speed, temperature,
// irradiance, pressure difference, level.
type Signal struct {
	// Subject is the meter, station or press that the value belongs to.
	Subject string
	// Name is the quantity with its unit, for example "power_watts" or
	// "housing_celsius".
	Name  string
	At    time.Time // UTC, whole milliseconds
	Value float64   // finite
}

// Refusal is something that was received and not taken as a fact. It is kept,
// bounded in number, so that a person can see what came in and why it was
// refused.
type Refusal struct {
	At      time.Time
	Source  string // the topic or meter
	Reason  string // what was expected and the remedy
	Payload []byte // at most MaxRefusalPayload bytes
}

// MaxRefusalPayload bounds the payload that is kept of a refused message.
const MaxRefusalPayload = 4096

// SignalSpan asks for values of one signal thinned out: the first of each of Parts
// equal parts of [From, To).
type SignalSpan struct {
	Subject, Name string
	From, To      time.Time
	Parts         int
}

// Facts is a batch of facts that travel together. The order inside each slice
// is the order of arrival.
type Facts struct {
	Readings []Reading
	Events   []StationEvent
	Signals  []Signal
	Refusals []Refusal
}

// Len counts the facts in the batch.
func (f *Facts) Len() int {
	return len(f.Readings) + len(f.Events) + len(f.Signals) + len(f.Refusals)
}

// Add appends another batch.
func (f *Facts) Add(g Facts) {
	f.Readings = append(f.Readings, g.Readings...)
	f.Events = append(f.Events, g.Events...)
	f.Signals = append(f.Signals, g.Signals...)
	f.Refusals = append(f.Refusals, g.Refusals...)
}

// Exchange is a person's declaration that a register was exchanged (a new meter
// was mounted). The curve takes the old register to Final and goes on from
// First at the instant At.
type Exchange struct {
	Register RegisterID
	At       time.Time
	Final    int64 // last value of the old register, as the meter showed it
	First    int64 // first value of the new one, as it shows it
	By       string
	Note     string
}

// Verdict is what a person rules about one reading.
type Verdict string

// The verdicts. The words are stored.
const (
	// VerdictAccept: the value is true, whatever the limits say.
	VerdictAccept Verdict = "accept"
	// VerdictDiscard: the value is wrong and stays out of the curve.
	VerdictDiscard Verdict = "discard"
	// VerdictRestart: the register goes on from the value; what it counted
	// since the one before is not known.
	VerdictRestart Verdict = "restart"
)

// Verdicts lists the words for Verdict.
func Verdicts() []Verdict { return []Verdict{VerdictAccept, VerdictDiscard, VerdictRestart} }

// Ruling is a person's word about one reading. Rulings are facts: the reading
// stays as it was read, and a later ruling on it takes the place of an earlier.
type Ruling struct {
	Register RegisterID
	At       time.Time // instant of the reading
	Verdict  Verdict
	By       string
	Note     string    // why
	Recorded time.Time // when it was given, by the clock of the database
}

// Lamp is one lamp or LED module, known by its serial. Its life stays with it
// when it moves.
type Lamp struct {
	Serial LampSerial
	Kind   string // name of a LampKind
	// MadeUp marks a serial that the program gave to a spare without one.
	MadeUp bool
}

// Movement is a way of a lamp into the store or out of it.
type Movement string

// The movements. The words are stored. A lamp that is fitted, or taken out of a
// station, moves by its fitting.
const (
	// MovementReceived: it came into the store, from a supplier or back from
	// what was taken for disposal.
	MovementReceived Movement = "received"
	// MovementNamed: a spare with a made-up serial was fitted under its own.
	MovementNamed Movement = "named"
	// MovementDisposed: it left the plant.
	MovementDisposed Movement = "disposed"
)

// LampMovement is a person's record of one movement of a lamp.
type LampMovement struct {
	Lamp     LampSerial
	At       time.Time
	Movement Movement
	By       string
	Note     string
}

// Receipt is the arrival of lamps in the store.
type Receipt struct {
	Kind string
	// Serials of lamps that carry one; Count more are given serials made up of
	// their kind and a number.
	Serials []LampSerial
	Count   int
	At      time.Time
	By      string
	Note    string
}

// OutputReading is the output of the lamp in a station as a person read it.
type OutputReading struct {
	Station    StationID
	At         time.Time
	Irradiance float64 // W/cm², as the instrument shows it
	// Drive is the share of full power at which it was read, above 0; 1 is full.
	Drive float64
	// Instrument tells readings apart that may not be compared: instruments of
	// different types and bands differ by a fifth and more.
	Instrument string
	Cleaned    bool // read right after a cleaning
	By         string
	Note       string
}

// Fitting is the time that a lamp spends in a station.
type Fitting struct {
	Lamp    LampSerial
	Station StationID
	From    time.Time
	To      time.Time // zero while fitted
	Reason  string    // why removed; empty while fitted
	By      string
}

// RemovalReasons are the words accepted for Fitting.Reason.
func RemovalReasons() []string {
	return []string{"failed", "preventive", "output", "moved", "breakage", "conversion"}
}

// Done is a person's record that a task was carried out.
type Done struct {
	Rule    RuleID
	Subject string // station, press or lamp position the rule applies to
	At      time.Time
	By      string
	Note    string
	Reading string // what was measured with it, in the person's words
}

// TaskActKind says what a person did about a task.
type TaskActKind string

// The kinds of task act. The words are stored.
const (
	TaskDone     TaskActKind = "done"
	TaskSkip     TaskActKind = "skip"     // left out this time; it counts anew
	TaskPostpone TaskActKind = "postpone" // put off to a day
	TaskUndo     TaskActKind = "undo"     // takes another act back
)

// TaskAct is what a person did about a task. Acts are facts: what counts is what
// no act of kind TaskUndo takes back.
type TaskAct struct {
	ID      int64 // given by the store
	Kind    TaskActKind
	Rule    RuleID
	Subject string
	At      time.Time // when it was done or decided
	Due     time.Time // of skip and postpone: the local day on which it was due; zero for none
	Until   time.Time // of postpone: local day
	Undoes  int64     // of undo: the act that is taken back
	By      string
	Note    string
	Reading string
}

// Batch is a batch of facts with the number that the spool gave it. Numbers of
// one spool rise by one from batch to batch.
type Batch struct {
	Sequence uint64
	Facts    Facts
}

package plant

import (
	"fmt"
	"time"
)

// Quantity says what a register counts and in which whole units its values are.
type Quantity uint8

// The quantities of registers. The numbers are stored.
const (
	QuantityEnergy      Quantity = 1 // milliwatt-hours
	QuantityTime        Quantity = 2 // milliseconds
	QuantityCount       Quantity = 3 // starts
	QuantityArea        Quantity = 4 // square centimetres (1 m² = 10 000)
	QuantityLength      Quantity = 5 // millimetres
	QuantityImpressions Quantity = 6 // impressions (sheets or repeats)
)

var quantityNames = [...]string{"", "energy", "time", "count", "area", "length", "impressions"}

// String gives the quantity's word.
func (q Quantity) String() string {
	if int(q) < len(quantityNames) {
		return quantityNames[q]
	}
	return fmt.Sprintf("quantity(%d)", uint8(q))
}

// PerDisplay is how many of the register's units make one display unit:
// kilowatt-hour, hour, start, square metre, metre, impression.
func (q Quantity) PerDisplay() float64 {
	switch q {
	case QuantityEnergy:
		return 1_000_000
	case QuantityTime:
		return 3_600_000
	case QuantityArea:
		return 10_000
	case QuantityLength:
		return 1000
	default:
		return 1
	}
}

// DisplayUnit is the unit symbol that goes with PerDisplay.
func (q Quantity) DisplayUnit() string {
	switch q {
	case QuantityEnergy:
		return "kWh"
	case QuantityTime:
		return "h"
	case QuantityArea:
		return "m²"
	case QuantityLength:
		return "m"
	default:
		return ""
	}
}

// Register is one cumulative register: of a meter (energy), a station (lit
// time, starts, time in state) or a press (area, length, impressions).
type Register struct {
	ID       RegisterID
	Quantity Quantity
	// Station is the station whose states split the amounts of this register;
	// empty for a register that no single station owns.
	Station StationID
	Press   PressID // empty when it belongs to the whole site
	// Part marks an energy register that is not added to what its meter used: a
	// tariff register beside the total, or export.
	Part bool
	// Check is the register of a check meter, which measures the same load; empty
	// without one.
	Check RegisterID
	Rules Rules
	// Curve says where the values come from.
	Curve CurveSource
	// Wear is how the lit time is weighed that this register counts; nil for all
	// others.
	Wear *Wear
}

// CurveSource says which facts a register's curve is made of.
type CurveSource uint8

// The sources of a curve.
const (
	FromReadings CurveSource = iota // table of readings
	FromEvents                      // counters in station events where offered, else the timeline
	FromTimeline                    // the timeline alone
	// FromPower: a meter without an energy register; the curve is estimated from
	// samples of its power.
	FromPower
)

// Rules are the limits by which two successive values of a register are
// judged. All amounts are in the register's units; behind transformers they are
// primary amounts, but for Modulus.
type Rules struct {
	// Modulus is the value at which the register starts again from zero, as the
	// meter shows it (before Ratios); 0 when it never does. A net register
	// starts again from -Modulus/2 at Modulus/2.
	Modulus int64
	// Net marks a register that counts both ways (import less export) and may
	// fall below zero. Its falls are amounts and not backsteps.
	Net bool
	// FloatBits is the number of significant bits of a register kept as a float
	// (24 or 53), whose steps grow with its value; 0 for whole numbers.
	FloatBits uint8
	// Ratios are the factors of current and voltage transformers by date, oldest
	// first; values are as the meter shows them, amounts are multiplied. The first
	// holds from the beginning. Empty means 1. A ratio is never applied to what
	// was counted before its date.
	Ratios []Ratio
	// MaxPerHour is the most that can truly accrue in an hour: rated power for
	// energy, 3.6e6 ms for time.
	MaxPerHour int64
	// Slack is added to what the limit allows: the register's resolution.
	Slack int64
	// Backstep is the largest fall that is taken for noise and ignored.
	Backstep int64
	// MaxGap is the longest distance of two readings that still counts as
	// measured; beyond it amounts are interpolated.
	MaxGap time.Duration
}

// Ratio is an exact factor Num/Den, both above 0, from an instant on.
type Ratio struct {
	From     time.Time // zero for the first
	Num, Den int64
}

// Span is a half-open stretch of time [From, To) in one state.
type Span struct {
	From, To   time.Time // UTC, whole milliseconds
	State      State
	Technology Technology
	Quality    Quality
}

// Entry is an amount of one register within one interval, state, technology and
// fitted lamp. Entries of one register add up to the difference of its curve.
type Entry struct {
	Register   RegisterID
	Start      time.Time // start of the interval, UTC
	State      State
	Technology Technology
	Lamp       LampSerial // lamp fitted in the station, empty when none or not applicable
	Amount     int64      // units of the register's quantity
	Quality    Quality
}

// StepKind says what happened between two successive values of a register.
type StepKind uint8

// The kinds of step. The numbers are stored.
const (
	StepNormal      StepKind = 0
	StepRollover    StepKind = 1 // passed its modulus and went on from zero
	StepReset       StepKind = 2 // fell to a small value; energy before the fall is not known
	StepBackstep    StepKind = 3 // fell by noise; the value is ignored
	StepImplausible StepKind = 4 // more than can be true; the value is held out of the curve
	StepAmbiguous   StepKind = 5 // gap so long that rollovers cannot be counted
	StepExchange    StepKind = 6 // declared by a person
	StepRuled       StepKind = 7 // a person ruled that the value counts
	StepDiscarded   StepKind = 8 // a person ruled that the value is wrong; it is held out of the curve
)

var stepNames = [...]string{"normal", "rollover", "reset", "backstep", "implausible", "ambiguous", "exchange", "ruled", "discarded"}

// String gives the kind's word.
func (k StepKind) String() string {
	if int(k) < len(stepNames) {
		return stepNames[k]
	}
	return fmt.Sprintf("step(%d)", uint8(k))
}

// RegisterEvent is a step of a register that is not normal. Events are derived
// from facts, like entries.
type RegisterEvent struct {
	Register RegisterID
	At       time.Time // instant of the value that made the event
	Kind     StepKind
	Before   int64 // value before, in units of the register
	After    int64 // value that made the event
}

// Mark says that entries of one register or one station must be settled again
// because facts arrived in [From, To]. Exactly one of Register and Station is
// set.
type Mark struct {
	IDs      []int64 // rows that this mark stands for; removed with the settlement
	Register RegisterID
	Station  StationID
	From, To time.Time
}

// Settlement replaces what was derived for one register within [From, To):
// entries by their start, events by their instant. From and To lie on interval
// borders.
type Settlement struct {
	Register RegisterID
	From, To time.Time
	Entries  []Entry
	Events   []RegisterEvent
}

// DayAmount is the sum of entries of one register over one local day, state and
// technology.
type DayAmount struct {
	Day        time.Time // local midnight, as an instant
	Register   RegisterID
	State      State
	Technology Technology
	Amount     int64
	// Quality is the entries' amounts by their quality.
	Quality ByQuality
}

// StateTotal is the sum of all entries of one register in one state and
// technology.
type StateTotal struct {
	Register   RegisterID
	State      State
	Technology Technology
	Amount     int64
	Doubtful   int64     // part whose quality is worse than QualityInterpolated
	Last       time.Time // end of the last interval that has an entry
}

// LampTotal is what one lamp has done, over all its fittings.
type LampTotal struct {
	Lamp      LampSerial
	LitMillis int64
	// WornMillis is LitMillis weighed by drive and temperature where a station
	// offers them, and as it is elsewhere.
	WornMillis int64
	Starts     int64
}

// Total is what the life of the lamp rests on.
func (c LampCounters) Total() LampTotal {
	return LampTotal{Lamp: c.Lamp, LitMillis: c.Lit, WornMillis: c.Worn, Starts: c.Starts}
}

// LampCounters is what one lamp has done, over all its fittings. Times are whole
// milliseconds.
type LampCounters struct {
	Lamp LampSerial
	// Lit is by the station's counter where it offers one; Seen is the time in
	// which the states say that it burnt.
	Lit, Seen       int64
	Worn            int64 // see LampTotal
	Curing, Standby int64 // by the states
	Unknown         int64 // time while fitted in which the station was silent
	Starts          int64
	Doubtful        int64     // part of Lit that is worse than interpolated
	Area            int64     // cm² that the press printed while the lamp was fitted
	First, Last     time.Time // of its entries; zero without any
}

// PowerQuestion asks how long a meter showed at least Watts in [From, To). A
// sample holds until the next one, at most for MaxGap.
type PowerQuestion struct {
	Watts    float64
	MaxGap   time.Duration
	From, To time.Time
}

// PowerHours answers a PowerQuestion, in milliseconds: from the First sample to
// the Last the power was On, and Unseen where samples lie farther apart. First is
// zero without samples.
type PowerHours struct {
	First, Last time.Time
	On, Unseen  int64
}

// CounterRun is how far a signal that counts has come from its first value in a
// stretch of time to its last. First is zero without values.
type CounterRun struct {
	First, Last           time.Time
	FirstValue, LastValue float64
	Falls                 int       // values below the one before
	Fell                  time.Time // the last of these
}

// HourAmount is an amount within one clock hour.
type HourAmount struct {
	Start  time.Time
	Amount int64
}

// Frozen is a frozen baseline as it is kept: a document that nobody may change.
type Frozen struct {
	Project  ProjectID
	Version  int // 1 for the first
	At       time.Time
	Approver string
	Software string
	Hash     string // of the data, as the document states it
	Document []byte
}

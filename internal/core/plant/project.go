package plant

import (
	"time"

	"curetally/internal/core/unit"
)

// Granularity is the length of the periods that are the rows of a baseline model.
type Granularity string

// The granularities; none given means days.
const (
	Daily   Granularity = "daily"
	Weekly  Granularity = "weekly"  // from Monday
	Monthly Granularity = "monthly" // of the calendar
)

// Granularities lists the words for Granularity.
func Granularities() []Granularity { return []Granularity{Daily, Weekly, Monthly} }

// Noun is what one period of the granularity is called.
func (g Granularity) Noun() string {
	switch g {
	case Weekly:
		return "week"
	case Monthly:
		return "month"
	default:
		return "day"
	}
}

// Period gives the begin and the end (exclusive) of the period that holds a local
// day, in the day's own zone.
func (g Granularity) Period(day time.Time) (from, to time.Time) {
	y, m, d := day.Date()
	at := func(m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, day.Location()) }
	switch g {
	case Weekly:
		d -= (int(day.Weekday()) + 6) % 7
		return at(m, d), at(m, d+7)
	case Monthly:
		return at(m, 1), at(m+1, 1)
	default:
		return at(m, d), at(m, d+1)
	}
}

// ModelLimits are what a baseline model must keep to be accepted, see
// regression.Limits.
type ModelLimits struct {
	CVRMSE float64 // at most, as a fraction
	NMBE   float64 // at most in absolute value, as a fraction
	R2     float64 // above, for a model with drivers
	T      float64 // above in absolute value, for every coefficient but the intercept
	Rows   int     // at least
}

// DriverSpan is what a driver is expected to go through per day, in its unit.
type DriverSpan struct {
	Driver Driver
	Low    float64
	High   float64
}

// NormalDay is a kind of day of the project's normal year: how many days there are
// of it, and the drivers of one, in the order of the project's drivers.
type NormalDay struct {
	Days    float64
	Drivers []float64
}

// StaticFactor is something that is taken not to change and is not in the model.
type StaticFactor struct {
	Name  string    `json:"name"`
	Value string    `json:"value"`
	From  time.Time `json:"from,omitzero"` // local midnight since which it is so; zero from the beginning
}

// Adjustment is a non-routine adjustment: energy that a change of a static factor
// added to or took from the reporting period, which the model cannot know.
type Adjustment struct {
	Project ProjectID
	Number  int       // counts the project's adjustments from 1
	From    time.Time // first local day of the event
	To      time.Time // first local day after it
	// Energy is added to the adjusted baseline: above 0 where the change raised the
	// energy of the reporting period.
	Energy   unit.Energy
	Factor   string // the static factor that changed; may be empty
	Event    string // what happened
	Evidence string // what shows the amount: readings, an invoice, a calculation
	Approver string
	// InsteadOf is the number of an earlier one that this one takes the place of; 0
	// for none.
	InsteadOf int
	Recorded  time.Time
}

// Published is a statement as it was published: words that never change.
type Published struct {
	Project  ProjectID
	Period   string // "2026-03", "2026-03-09" or "to 2026-03-31"
	Version  int    // 1 for the first of the period
	At       time.Time
	By       string
	Software string
	// Reason says why this version takes the place of the one before; empty for the
	// first.
	Reason   string
	Hash     string // SHA-256 of the document in hexadecimal
	Document []byte
}

package retained

import (
	"bytes"
	_ "embed" // for the schema
	"time"

	"curetally/internal/core/unit"
)

//go:embed schema.json
var schema []byte

// Schema is the JSON Schema (draft 2020-12) of the documents; each topic has its
// own under $defs.
func Schema() []byte { return bytes.Clone(schema) }

// Savings is the document under savings/PROJECT. Energies are kilowatt-hours,
// instants UTC.
type Savings struct {
	Site    string `json:"site"`
	Project string `json:"project"`
	// Missing says why there is no statement and what to do; nothing else is there
	// then.
	Missing   string     `json:"missing,omitempty"`
	Statement *Statement `json:"statement,omitempty"`
	// Published is the newest published statement; nil before the first.
	Published *Published `json:"published,omitempty"`
}

// Statement is the statement of the reporting period to date.
type Statement struct {
	BaselineVersion int       `json:"baseline_version"`
	From            time.Time `json:"from"`
	To              time.Time `json:"to"` // exclusive
	Days            int       `json:"days"`
	ExpectedKWh     float64   `json:"expected_kwh"`
	ActualKWh       float64   `json:"actual_kwh"`
	SavedKWh        float64   `json:"saved_kwh"`
	SavedFraction   float64   `json:"saved_fraction"`
	HalfWidthKWh    float64   `json:"half_width_kwh"` // of SavedKWh at Confidence
	Confidence      float64   `json:"confidence"`
	// Shown says that the saving is larger than its half-width.
	Shown    bool       `json:"shown"`
	Cost     unit.Money `json:"cost_saved"`
	CarbonKg float64    `json:"carbon_saved_kg"`
	// Drifting says that more is used, lastingly, than the first days after the
	// conversion let expect.
	Drifting bool `json:"drifting"`
}

// Published is a statement that stays for ever.
type Published struct {
	Period  string    `json:"period"`
	Version int       `json:"version"`
	At      time.Time `json:"at"`
	Hash    string    `json:"sha256"` // of the document, in hexadecimal
}

// Tasks is the document under tasks: all that are upcoming, due or overdue, most
// urgent first.
type Tasks struct {
	Site  string `json:"site"`
	Tasks []Task `json:"tasks"`
}

// Task is one of them. Days are local calendar days.
type Task struct {
	Task    string `json:"task"` // RULE/SUBJECT
	Title   string `json:"title"`
	Subject string `json:"subject"`
	Status  string `json:"status"` // upcoming, due, overdue
	Due     string `json:"due,omitempty"`
	DueP10  string `json:"due_p10,omitempty"`
	DueP50  string `json:"due_p50,omitempty"`
	DueP90  string `json:"due_p90,omitempty"`
	Reason  string `json:"reason"`
}

// Lamp is the document under lamps/STATION: the lamp or LED module that is fitted.
type Lamp struct {
	Site            string    `json:"site"`
	Station         string    `json:"station"`
	Serial          string    `json:"serial"`
	Kind            string    `json:"kind"`
	FittedSince     time.Time `json:"fitted_since"`
	EquivalentHours float64   `json:"equivalent_hours"`
	RatedHours      float64   `json:"rated_hours"` // 0 without a rating
	UsedFraction    float64   `json:"used_fraction"`
}

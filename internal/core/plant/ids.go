package plant

import (
	"fmt"
	"strings"
)

// Names that people give in the configuration. They are distinct types so that
// arguments cannot be swapped. A valid name matches ValidName.
type (
	// PressID names a press, for example "heron".
	PressID string
	// StationID names a curing station, for example "heron-3". Station names
	// are unique in the site.
	StationID string
	// MeterID names a power meter, for example "heron-3-meter".
	MeterID string
	// BusID names a physical Modbus endpoint: one serial port, one gateway or
	// one TCP device.
	BusID string
	// RegisterID names one cumulative register as "owner/value", for example
	// "heron-3-meter/import", "heron-3/lit" or "heron/area".
	RegisterID string
	// LampSerial is the serial number on a lamp or LED module.
	LampSerial string
	// RuleID names a task rule, for example "lamp-change".
	RuleID string
	// ProjectID names a retrofit project whose savings are stated.
	ProjectID string
)

// RegisterOf joins an owner (meter, station or press) and a value name.
func RegisterOf[T ~string](owner T, value string) RegisterID {
	return RegisterID(string(owner) + "/" + value)
}

// Split gives the owner and the value name of a register.
func (r RegisterID) Split() (owner, value string) {
	owner, value, _ = strings.Cut(string(r), "/")
	return owner, value
}

// Value names of the registers that a station has.
const (
	ValueLit    = "lit"    // lit time, milliseconds
	ValueStarts = "starts" // starts (strikes), count
	ValueTime   = "time"   // time in each state, milliseconds; always from the timeline
	ValueWear   = "wear"   // lit time weighed by what wears the lamp, milliseconds
)

// Names of the values of a meter that have a meaning of their own. A name that
// begins with ValueExport counts energy given back.
const (
	ValueImport  = "import"  // all energy used; tariff registers beside it are parts of it
	ValueExport  = "export"  // energy given back
	ValueSampled = "sampled" // energy estimated from samples of power
)

// SignalPower is the name of the signal of a meter's active power.
const SignalPower = "power_watts"

// ValidName says whether a name may be used for a plant object: 1-48 characters
// of a-z, 0-9, '-' and '_', beginning with a letter or digit. The restriction
// keeps names usable in topics, metric labels, paths and file names alike.
func ValidName(s string) error {
	if len(s) == 0 || len(s) > 48 {
		return fmt.Errorf("name %q has %d characters: expected 1 to 48", s, len(s))
	}
	for i, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9':
		case (c == '-' || c == '_') && i > 0:
		default:
			return fmt.Errorf("name %q: expected lower-case letters, digits, '-' and '_', beginning with a letter or digit", s)
		}
	}
	return nil
}

// Package beforeafter reads from the configuration where the figures of a project's
// before-and-after table come from: a signal that measures a quantity, or values that a
// person read, with date and instrument.
//
// A quantity stands there once. A value without its date or its instrument is refused,
// because nobody could tell later what it is worth.
//
// The keys stand beside those of package config, which joins them; paths in problems
// are those of the whole file.
package beforeafter

import (
	"fmt"
	"math"
	"slices"
	"time"

	"curetally/internal/core/beforeafter"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// Spec is one quantity as written.
type Spec struct {
	Quantity string    `yaml:"quantity,required"`
	Signal   string    `yaml:"signal"`
	Before   *handSpec `yaml:"before"`
	After    *handSpec `yaml:"after"`
}

type handSpec struct {
	Value      float64    `yaml:"value,required"`
	Date       civil.Date `yaml:"date,required"`
	Instrument string     `yaml:"instrument,required"`
}

// Site is what the rest of the file says.
type Site struct {
	Zone  *time.Location
	Known func(subject string) bool // a meter, station or press
}

// Read takes the quantities of a project that stands at a path.
func Read(doc *strictyaml.Document, at string, all []Spec, site Site) []beforeafter.Entry {
	var out []beforeafter.Entry
	for i, s := range all {
		path := fmt.Sprintf("%s[%d]", at, i)
		e := beforeafter.Entry{Quantity: s.Quantity, Before: hand(doc, path+".before", s.Before, site), After: hand(doc, path+".after", s.After, site)}
		switch {
		case !slices.Contains(beforeafter.Keys(), s.Quantity):
			doc.Report(path+".quantity", fmt.Sprintf("unknown quantity %q", s.Quantity), strictyaml.Suggest(s.Quantity, beforeafter.Keys(), ""))
		case slices.ContainsFunc(out, func(o beforeafter.Entry) bool { return o.Quantity == s.Quantity }):
			doc.Report(path+".quantity", s.Quantity+" is there twice", "keep one of the two")
		case s.Signal == "" && s.Before == nil && s.After == nil:
			doc.Report(path, "says neither a signal nor a value", "write signal: OWNER/NAME, or before and after with value, date and instrument")
		}
		if s.Signal != "" {
			sig, ok := beforeafter.ParseSignal(s.Signal)
			switch {
			case !ok:
				doc.Report(path+".signal", "expected the name of a signal", "write its owner and its name, for example heron-1/housing_celsius")
			case !site.Known(sig.Subject):
				doc.Report(path+".signal", fmt.Sprintf("no meter, station or press is named %q", sig.Subject), "write the owner of the signal before the stroke")
			}
			e.Signal = &sig
		}
		out = append(out, e)
	}
	return out
}

func hand(doc *strictyaml.Document, path string, s *handSpec, site Site) *beforeafter.ByHand {
	if s == nil {
		return nil
	}
	if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
		doc.Report(path+".value", "not a number", "write what the instrument showed")
	}
	if s.Instrument == "" {
		doc.Report(path+".instrument", "is empty", "write with what it was read")
	}
	return &beforeafter.ByHand{Value: s.Value, Date: civil.Local(s.Date.Time, site.Zone), Instrument: s.Instrument}
}

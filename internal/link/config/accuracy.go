package config

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/commission"
	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

// accuracySpec is how exactly a meter measures: the classes on the plates, and
// the conductors in which its current flows.
type accuracySpec struct {
	Class       class    `yaml:"class,required"`
	CT          *ctSpec  `yaml:"ct"`
	Amperes     *float64 `yaml:"amperes"` // reference current of a meter without ct
	Volts       *float64 `yaml:"volts"`
	Phases      int      `yaml:"phases"`
	PowerFactor *float64 `yaml:"power_factor"`
}

func (s *accuracySpec) SetDefaults() { s.Phases = 3 }

// ctSpec is the current transformers of a meter.
type ctSpec struct {
	Amperes     float64 `yaml:"amperes,required"` // rated primary current
	Class       class   `yaml:"class,required"`
	Independent int     `yaml:"independent"`
}

func (s *ctSpec) SetDefaults() { s.Independent = 1 }

// class is an accuracy class as on a plate, with or without quotes.
type class string

func (c *class) UnmarshalText(text []byte) error {
	*c = class(strings.TrimSpace(string(text)))
	return nil
}

// accuracy checks what is stated of a meter's accuracy; nothing when the file is
// silent.
func (b *builder) accuracy(at string, s *accuracySpec) plant.Accuracy {
	if s == nil {
		return plant.Accuracy{}
	}
	a := plant.Accuracy{Class: string(s.Class), Independent: 1, Phases: s.Phases, Volts: 400}
	b.class(at+".class", a.Class, accuracy.MeterClasses())
	switch {
	case s.CT != nil && s.Amperes != nil:
		b.report(at+".amperes", "a meter behind current transformers is compared with their rating", "keep one of ct and amperes")
	case s.CT != nil:
		a.Amperes, a.Transformers, a.Independent = s.CT.Amperes, string(s.CT.Class), s.CT.Independent
		b.rating(at+".ct.amperes", a.Amperes, "write the rated primary current on the plate, for example 200")
		b.class(at+".ct.class", a.Transformers, accuracy.Classes())
		if a.Independent < 1 || a.Independent > max(s.Phases, 1) {
			b.reportf(at+".ct.independent", "expected 1 (their errors are one and the same, the wider) up to one for each phase",
				"%d independent transformers with phases: %d", a.Independent, s.Phases)
		}
	case s.Amperes != nil:
		a.Amperes = *s.Amperes
		b.rating(at+".amperes", a.Amperes, "write the reference current on the plate of the meter: of 5(65) A it is 5")
	default:
		b.report(at, "neither ct nor amperes", "write ct: {amperes: 200, class: 0.5}, or amperes: 5 for a meter without transformers")
	}
	switch s.Phases {
	case 1:
		a.Volts = 230
	case 3:
	default:
		b.reportf(at+".phases", "expected 1 or 3", "%d phases", s.Phases)
	}
	if s.Volts != nil {
		if a.Volts = *s.Volts; !(a.Volts >= 10 && a.Volts <= 1000) {
			b.report(at+".volts", "not between 10 and 1000", "write the voltage between conductors, for example 400; against neutral with phases: 1, for example 230")
		}
	}
	if s.PowerFactor != nil {
		if a.PowerFactor = *s.PowerFactor; !(a.PowerFactor >= 0.1 && a.PowerFactor <= 1) {
			b.report(at+".power_factor", "not between 0.1 and 1", fmt.Sprintf("write the power factor of the load, or remove it: then %v is assumed", accuracy.AssumedFactor))
		}
	}
	return a
}

func (b *builder) rating(path string, amperes float64, remedy string) {
	if !(amperes > 0 && amperes <= 10_000) {
		b.report(path, "not above 0 and up to 10000", remedy)
	}
}

func (b *builder) class(path, given string, known []string) {
	if !slices.Contains(known, given) {
		b.reportf(path, "expected one of "+strings.Join(known, ", "), "unknown accuracy class %q", given)
	}
}

// foresee warns of current transformers for which even the rated power is too
// little.
func (b *builder) foresee(file string) []Problem {
	var out []Problem
	for _, m := range b.meters {
		a := m.Accuracy
		if a.Transformers == "" {
			continue
		}
		factor, _ := accuracy.Factor(a)
		percent, least := accuracy.Percent(a, m.MaxPower, factor), accuracy.LeastPercent(a.Transformers)
		if percent >= least || math.IsNaN(percent) {
			continue
		}
		at := m.path + ".accuracy.ct.amperes"
		out = append(out, strictyaml.Problem{
			File: file, Line: b.doc.Line(at), Path: at,
			Problem: fmt.Sprintf("even max_power is %.3g A, %.2g %% of the %.4g A of the current transformer; class %s promises nothing below %.0f %%",
				accuracy.Amperes(a, m.MaxPower, factor), percent, a.Amperes, a.Transformers, least),
			Remedy: commission.SmallerTransformer(a.Transformers),
		})
	}
	return out
}

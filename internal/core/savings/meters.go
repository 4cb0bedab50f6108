package savings

import (
	"fmt"
	"strings"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Metering is what is known of a boundary register's accuracy in both periods.
type Metering struct {
	Register plant.RegisterID
	// Stated says that the accuracy of its meter is known; else Relative of the
	// figures below means nothing and their Energy alone counts.
	Stated bool
	// Before and After are over the baseline's days and the days counted.
	Before, After accuracy.Figures
	// Exchanged says that not one meter counted in both periods, so that its error
	// does not cancel.
	Exchanged     bool
	PowerFactor   float64 // reckoned with
	AssumedFactor bool    // nobody stated it
}

// MeterError is what a statement says of one boundary register.
type MeterError struct {
	Register plant.RegisterID `json:"register"`
	// Stated says that the configuration has the accuracy of the meter; without it
	// its error is not in the statement and all below is 0.
	Stated bool `json:"accuracy_stated"`
	// Relative standard uncertainty of the energy before and after the conversion.
	Before float64 `json:"relative_uncertainty_before"`
	After  float64 `json:"relative_uncertainty_after"`
	// Current in percent of the rated one, weighted by energy.
	PercentBefore float64 `json:"percent_of_rating_before"`
	PercentAfter  float64 `json:"percent_of_rating_after"`
	// Fraction of the energy at loads for which the classes promise nothing.
	BeyondBefore  float64 `json:"beyond_class_before"`
	BeyondAfter   float64 `json:"beyond_class_after"`
	Exchanged     bool    `json:"exchanged"`
	PowerFactor   float64 `json:"power_factor"`
	AssumedFactor bool    `json:"power_factor_assumed"`
}

// errorsOf puts what is known of the meters into a statement's form.
func errorsOf(meters []Metering) []MeterError {
	out := make([]MeterError, len(meters))
	for i, m := range meters {
		if out[i] = (MeterError{Register: m.Register, Stated: m.Stated}); m.Stated {
			out[i] = MeterError{
				Register: m.Register, Stated: true,
				Before: m.Before.Relative, After: m.After.Relative,
				PercentBefore: m.Before.Percent, PercentAfter: m.After.Percent,
				BeyondBefore: m.Before.Beyond, BeyondAfter: m.After.Beyond,
				Exchanged: m.Exchanged, PowerFactor: m.PowerFactor, AssumedFactor: m.AssumedFactor,
			}
		}
	}
	return out
}

// meterUncertainty gives the standard uncertainty of a saving that the scale
// errors of the meters make, in kilowatt-hours. Expected and actual energy are
// shared out among the registers as they counted in the two periods.
//
// Independent meters before and after make √((expected·r)² + (actual·r)²). The
// error of one meter that counted both scales the saving alone: saving·r. Where
// its load, and so r, differs between the periods, the smaller r is taken to be
// common and what the larger has beyond it to be new, a correlation of smaller ÷
// larger. Different registers are independent.
// Source of both limiting cases: combination of meter error in measurement and
// verification, by root of the sum of squares; random error of the baseline's
// readings is in its residuals already. The correlation between them: own choice.
func meterUncertainty(meters []Metering, expected, actual float64) float64 {
	before := shares(meters, func(m Metering) unit.Energy { return m.Before.Energy })
	after := shares(meters, func(m Metering) unit.Energy { return m.After.Energy })
	if before == nil {
		before = after
	}
	if before == nil || after == nil {
		return 0
	}
	parts := make([]float64, len(meters))
	for i, m := range meters {
		if !m.Stated {
			continue
		}
		r, a := m.Before.Relative, m.After.Relative
		common := 0.0
		if larger := max(r, a); larger > 0 && !m.Exchanged {
			common = min(r, a) / larger
		}
		parts[i] = accuracy.Propagate([]float64{expected * before[i] * r, -actual * after[i] * a}, func(int, int) float64 { return common })
	}
	return accuracy.Propagate(parts, nil)
}

// shares gives each register's part of the energy of all; nil without any.
func shares(meters []Metering, energy func(Metering) unit.Energy) []float64 {
	out := make([]float64, len(meters))
	var sum float64
	for i, m := range meters {
		out[i] = max(energy(m).KWh(), 0)
		sum += out[i]
	}
	if sum == 0 {
		return nil
	}
	for i := range out {
		out[i] /= sum
	}
	return out
}

// UncertaintyWords says what the half-width is made of and what it leaves out, after
// where a baseline is from that was not measured.
func (s Statement) UncertaintyWords() string {
	if s.Given == nil {
		return s.partWords()
	}
	return s.Given.Words() + " " + s.partWords()
}

func (s Statement) partWords() string {
	var stated, silent, beyond, assumed []string
	for _, m := range s.Meters {
		name := string(m.Register)
		switch {
		case !m.Stated:
			silent = append(silent, name)
			continue
		case m.AssumedFactor:
			assumed = append(assumed, name)
		}
		stated = append(stated, name)
		if worst := max(m.BeyondBefore, m.BeyondAfter); worst >= 0.05 {
			beyond = append(beyond, fmt.Sprintf("%s (%.0f %%)", name, 100*worst))
		}
	}
	if len(stated) == 0 {
		return "The half-width is that of the model alone. The error of the meters is not included: the configuration states no accuracy of them."
	}
	text := fmt.Sprintf("Model ± %s kWh, meters ± %s kWh, combined ± %s kWh.",
		unit.Group(s.ModelHalfWidthKWh, 0), unit.Group(s.MeterHalfWidthKWh, 0), unit.Group(s.HalfWidthKWh, 0))
	if len(silent) > 0 {
		text += " Not included is the error of " + strings.Join(silent, ", ") + ": the configuration states no accuracy of them."
	}
	if len(beyond) > 0 {
		text += " Part of the energy was counted at loads for which the accuracy classes promise nothing: " + strings.Join(beyond, ", ") +
			"; there as many amperes of error are supposed as at the least load with a promise."
	}
	if len(assumed) > 0 {
		text += fmt.Sprintf(" A power factor of %v is assumed where the configuration states none.", accuracy.AssumedFactor)
	}
	return text
}

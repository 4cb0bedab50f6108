package commission

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Movement is how one energy register moved while it was watched, beside what the
// power samples of its direction give. Energies are in kWh.
type Movement struct {
	Register string `json:"register"`
	// Counts says which energy the register counts: import, export, net, or part
	// for one that counts a part of another, such as a tariff.
	Counts  string  `json:"counts"`
	Seconds float64 `json:"seconds"`
	Moved   float64 `json:"moved_kwh"`
	// Power is the integral of the power samples; 0 for a part, whose share of
	// the power is not known.
	Power float64 `json:"power_kwh"`
}

// What a register counts.
const (
	CountsImport = plant.ValueImport
	CountsExport = plant.ValueExport
	CountsNet    = "net"  // import less export
	CountsPart   = "part" // of another register, or one of several that are added up
)

// family is a set of registers that together count one energy.
type family struct {
	registers []tracked
	counts    string // import, export or net
	// parts says that the registers count parts of another one.
	parts bool
}

// lastOfStem is what tells registers of one family apart: the number or letter at
// the end, as in import_t1, import_tariff_2 or import_l3.
var lastOfStem = regexp.MustCompile(`[_-]?(?:[a-z]?[0-9]+|[abc])$`)

// families sorts the registers as the daemon counts them: import and export are
// never added; beside a register named for the whole of its direction the others
// are parts of it; without one the registers of a direction are added up.
func (t *track) families() []family {
	var out []family
	for _, counts := range []string{CountsImport, CountsExport} {
		own := func(r tracked) bool { return strings.HasPrefix(r.name, plant.ValueExport) == (counts == CountsExport) }
		var all, parts []tracked
		whole := slices.ContainsFunc(t.registers, func(r tracked) bool { return r.name == counts })
		for _, r := range t.registers {
			switch {
			case !own(r):
			case whole && r.name != counts:
				parts = append(parts, r)
			default:
				all = append(all, r)
			}
		}
		if len(all) > 0 {
			f := family{registers: all, counts: counts}
			if slices.ContainsFunc(all, func(r tracked) bool { return r.net }) {
				f.counts = CountsNet
			}
			out = append(out, f)
		}
		stem := func(r tracked) string { return lastOfStem.ReplaceAllString(r.name, "") }
		for len(parts) > 0 {
			first := stem(parts[0])
			f := family{counts: counts, parts: true}
			f.registers = slices.DeleteFunc(slices.Clone(parts), func(r tracked) bool { return stem(r) != first })
			parts = slices.DeleteFunc(parts, func(r tracked) bool { return stem(r) == first })
			out = append(out, f)
		}
	}
	return out
}

// energy is the integral of the power samples that the registers of a family
// should have counted, and that of what flowed at all.
func (t *track) energy(f family) (counted, through float64) {
	switch f.counts {
	case CountsExport:
		return t.exported, t.exported
	case CountsNet:
		return t.imported - t.exported, t.imported + t.exported
	default:
		return t.imported, t.imported
	}
}

// movements gives how each register moved, in the order of the profile.
func (t *track) movements() []Movement {
	at := map[string]Movement{}
	for _, f := range t.families() {
		counted, _ := t.energy(f)
		for _, r := range f.registers {
			m := Movement{Register: r.name, Counts: f.counts, Seconds: t.at.Sub(t.began).Seconds(), Moved: r.last - r.first}
			if f.parts || len(f.registers) > 1 {
				m.Counts = CountsPart
			} else if !math.IsNaN(t.power) {
				m.Power = counted
			}
			at[r.name] = m
		}
	}
	var out []Movement
	for _, r := range t.registers {
		out = append(out, at[r.name])
	}
	return out
}

// judge gives a verdict for each family of registers: for import, for export and
// for what counts parts of one, such as tariffs. A register that falls has one of
// its own. A part that stands alone is not judged, because nothing says which
// share of the energy it counts.
func (t *track) judge() []Verdict {
	if math.IsNaN(t.power) {
		return []Verdict{{Check: CheckRegister, Outcome: Open, Says: "the profile has no power to compare the register with"}}
	}
	var out []Verdict
	for _, f := range t.families() {
		falls := false
		for _, r := range f.registers {
			if !r.net && r.fell > r.resolution {
				falls = true
				out = append(out, Verdict{
					Check: CheckRegister, Outcome: Wrong, Says: fmt.Sprintf("%s fell by %s", r.name, kilowattHours(r.fell)),
					Remedy: "an energy register only rises: check its address, type and word order; a register that started again at its end may do this once, and one that counts both ways is net: true in the profile",
				})
			}
		}
		if falls || f.parts && len(f.registers) == 1 {
			continue
		}
		counted, through := t.energy(f)
		v := f.judge(t.at.Sub(t.began), counted, through)
		if f.parts && v.Outcome == Wrong {
			v.Outcome = Doubtful
			v.Remedy = "together they should move like " + f.counts + ": see that the profile has all of them, such as every tariff, each with its own address and scale"
		}
		out = append(out, v)
	}
	return out
}

// judge compares the registers together with the energy that the power samples
// give. The difference may be one step of each register, because both ends are
// rounded, and the tolerance.
func (f family) judge(watched time.Duration, energy, through float64) Verdict {
	v := Verdict{Check: CheckRegister, Outcome: Open}
	var names []string
	moved, step := 0.0, 0.0
	for _, r := range f.registers {
		names = append(names, r.name)
		moved, step = moved+r.last-r.first, step+r.step()
	}
	name := strings.Join(names, " + ")
	margin := registerTolerance*through + step
	v.Says = fmt.Sprintf("%s moved %s in %.0f s, the power samples give %s", name, kilowattHours(moved), watched.Seconds(), kilowattHours(energy))
	switch {
	case watched < leastTracked:
		v.Says = fmt.Sprintf("%s watched for %.0f of %.0f s", name, watched.Seconds(), leastTracked.Seconds())
	case moved == 0 && math.Abs(energy) > 2*step:
		v.Outcome = Wrong
		v.Remedy = "the register stands still while power flows: check its address, and that it counts this direction"
	case moved > energy+margin, moved != 0 && moved < energy-margin:
		v.Outcome, v.Remedy = Wrong, ratioRemedy(moved, energy)
		if len(f.registers) > 1 {
			v.Remedy += "; these registers are added up because none is named " + f.counts + ": where one of them is the total, name it so"
		}
	case math.Abs(energy) >= clearSteps*step:
		v.Outcome = Good
	case through == 0:
		v.Says += "; nothing flows"
		v.Remedy = "light the lamp or run the motor, and look again"
		if f.counts == CountsExport {
			v.Says, v.Remedy = v.Says+" back", ""
		}
	default:
		left := time.Duration(float64(watched) * (clearSteps*step/through - 1))
		v.Says += fmt.Sprintf("; it moves in steps of %s", kilowattHours(step))
		v.Remedy = "watch for about " + strings.TrimSuffix(left.Round(time.Minute).String(), "0s") + " longer, with --for"
		if left < time.Minute {
			v.Remedy = "watch for a minute longer, with --for"
		}
	}
	return v
}

func isFloat(t plant.WordType) bool { return t == plant.Float32 || t == plant.Float64 }

// judgeResolution says how finely each float register of energy moves at its
// present value. A float keeps a number of digits and not of decimals, so its
// step doubles each time the value does. It is doubtful when one step is more than
// the rated power makes in a minute: intervals then show steps and not the load.
//
// Source: IEEE 754-2019, table 3.5: 24 significant bits in 32, 53 in 64.
func judgeResolution(values []layout.Value, maxPower float64) []Verdict {
	var out []Verdict
	for _, r := range values {
		if r.Unit != "kWh" || r.Content != layout.Number || !isFloat(r.Type) {
			continue
		}
		v := Verdict{Check: CheckResolution, Outcome: Good}
		v.Says = fmt.Sprintf("%s, a float, moves in steps of %s at %s kWh", r.Name, stepText(r.Step), unit.Group(r.Number, 0))
		if minute := maxPower / 1000 / 60; r.Step > minute {
			v.Outcome = Doubtful
			v.Says += fmt.Sprintf(", more than the %s that the rated power makes in a minute", stepText(minute))
			v.Remedy = "prefer an integer or 64-bit register if the meter offers one; else state intervals long enough for many steps"
		}
		out = append(out, v)
	}
	return out
}

// stepText writes a step in the unit that shows its digits.
func stepText(kwh float64) string {
	switch {
	case kwh >= 0.01:
		return fmt.Sprintf("%.4g kWh", kwh)
	case kwh >= 1e-6:
		return fmt.Sprintf("%.3g Wh", kwh*1000)
	default:
		return "less than 1 mWh"
	}
}

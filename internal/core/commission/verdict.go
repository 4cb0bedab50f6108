package commission

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
)

// Outcome is how a check came out.
type Outcome string

// The outcomes.
const (
	Good     Outcome = "good"
	Doubtful Outcome = "doubtful" // may be right; a person should look
	Wrong    Outcome = "wrong"
	Open     Outcome = "open" // cannot be judged, or not yet
)

// Verdict is one check in words.
type Verdict struct {
	Check   string  `json:"check"`
	Outcome Outcome `json:"outcome"`
	// Says is what was found, Remedy what to do about it; empty when nothing is
	// to be done.
	Says   string `json:"says"`
	Remedy string `json:"remedy,omitempty"`
}

// The checks.
const (
	CheckSetting     = "setting"     // word order, byte order and address
	CheckValues      = "values"      // each value by itself
	CheckPower       = "power"       // power against volts × amperes × power factor
	CheckDirection   = "direction"   // current transformers turned round
	CheckPhases      = "phases"      // current and voltage of one phase belong together
	CheckTransformer = "transformer" // current transformer against the load
	CheckRegister    = "register"    // energy register against power
	CheckResolution  = "resolution"  // how finely a float register of energy moves
)

// Below these loads, as shares of the rated power, a check says nothing.
// Common practice, no source.
const (
	leastLoad       = 0.02 // power against volts × amperes
	leastBackwards  = 0.01 // a negative power is more than noise
	leastPhaseLoad  = 0.05 // power factor of a phase
	powerTolerance  = 0.10
	leastPowerRatio = 0.5 // power factor of a lit lamp
)

// worst is wrong where one verdict is, and good where one is and none is wrong.
func worst(all []Verdict) Outcome {
	out := Open
	for _, v := range all {
		switch v.Outcome {
		case Wrong:
			return Wrong
		case Good:
			out = Good
		}
	}
	return out
}

// Finding is what was found of one meter.
type Finding struct {
	Values   []layout.Value
	Settings []SettingFinding
	Verdicts []Verdict
	// Movements are of every energy register, none while the setting is wrong or
	// nothing was watched.
	Movements []Movement
}

// SettingFinding is how the values look under one setting.
type SettingFinding struct {
	Setting layout.Setting
	// Plausible and Doubtful count values; those that the meter does not have are
	// in neither.
	Plausible, Doubtful int
	// Anchors is good or wrong where the profile has registers of known content,
	// else empty.
	Anchors Outcome
	// Register is how the energy registers moved; empty when they were not watched.
	Register Outcome
	Values   []layout.Value
}

// Configured says whether this is the setting that the daemon reads with.
func (f SettingFinding) Configured() bool { return f.Setting == layout.Setting{} }

// betterThan says whether the values look more plausible than under another
// setting. Between equals the register decides: where two floats lie side by side,
// the words swapped and the address one off take the same high words, and the low
// ones show only in what moves slowly.
func (f SettingFinding) betterThan(o SettingFinding) bool {
	if (f.Anchors == Good) != (o.Anchors == Good) {
		return f.Anchors == Good
	}
	if f.Plausible == o.Plausible && f.Doubtful == o.Doubtful {
		return f.moves() > o.moves()
	}
	return f.Plausible >= o.Plausible && f.Doubtful <= o.Doubtful
}

// moves ranks how the register moved.
func (f SettingFinding) moves() int {
	switch f.Register {
	case Good:
		return 2
	case Wrong:
		return 0
	default:
		return 1
	}
}

// equals says whether nothing makes one of two settings look better.
func (f SettingFinding) equals(o SettingFinding) bool {
	return f.Plausible == o.Plausible && f.Doubtful == o.Doubtful && f.Anchors == o.Anchors && f.moves() == o.moves()
}

// Examine judges a meter from its registers and from how its energy registers
// have moved so far. A nil watch leaves them out; without a transformer that of
// the meter's own accuracy is taken.
func Examine(m plant.Meter, img layout.Image, ct Transformer, watch *Watch) Finding {
	f := Finding{}
	for i, s := range layout.Settings() {
		sf := SettingFinding{Setting: s, Values: layout.Decode(m, img, s)}
		for _, v := range sf.Values {
			switch {
			case v.Plausible:
				sf.Plausible++
			case v.Content != layout.Nothing:
				sf.Doubtful++
			}
		}
		if hold, ok := layout.AnchorsHold(m.Profile, img, s); ok {
			if sf.Anchors = Wrong; hold {
				sf.Anchors = Good
			}
		}
		if watch != nil {
			sf.Register = worst(watch.judge(i))
		}
		f.Settings = append(f.Settings, sf)
	}
	f.Values = f.Settings[0].Values
	f.Verdicts = append(f.Verdicts, judgeSetting(m, f.Settings))
	if f.Verdicts[0].Outcome == Wrong {
		return f // nothing else means anything until the values are read rightly
	}
	e := sortOut(f.Values)
	fit, power := judgePower(e, m.MaxPower)
	f.Verdicts = append(f.Verdicts, judgeValues(f.Values), power)
	f.Verdicts = append(f.Verdicts, judgePhases(e, m.MaxPower, fit)...)
	if ct.Amperes == 0 && m.Accuracy.Transformers != "" {
		ct = Transformer{Amperes: m.Accuracy.Amperes, Class: m.Accuracy.Transformers}
	}
	if ct.Amperes > 0 {
		f.Verdicts = append(f.Verdicts, judgeTransformer(e, ct, fit))
	}
	f.Verdicts = append(f.Verdicts, judgeResolution(f.Values, m.MaxPower)...)
	if watch != nil {
		f.Verdicts = append(f.Verdicts, watch.judge(0)...)
		f.Movements = watch.movements()
	}
	return f
}

// Better gives the settings under which the values look most plausible, when that
// is more than under the configured one, which is the first; else none.
//
// A register that moves wrongly speaks against the configuration only where it
// moves rightly under another setting: it may have reasons of its own.
func Better(all []SettingFinding) []SettingFinding {
	own := all[0]
	if own.Register == Wrong {
		own.Register = Open
	}
	best := own
	for _, s := range all[1:] {
		if s.betterThan(best) {
			best = s
		}
	}
	if best.Configured() {
		return nil
	}
	return alike(all, best)
}

// alike gives the settings beside the configured one that look as good as one. Of
// settings that read the same it gives the first: in registers of one word, for
// example, the order of words makes no difference.
func alike(all []SettingFinding, as SettingFinding) []SettingFinding {
	var out []SettingFinding
	for i, s := range all[1:] {
		same := func(o SettingFinding) bool { return slices.Equal(o.Values, s.Values) }
		if s.equals(as) && !slices.ContainsFunc(all[:i+1], same) {
			out = append(out, s)
		}
	}
	return out
}

func judgeSetting(m plant.Meter, all []SettingFinding) Verdict {
	v := Verdict{Check: CheckSetting, Outcome: Good}
	own := all[0]
	v.Says = fmt.Sprintf("as configured, %d of %d values look plausible", own.Plausible, own.Plausible+own.Doubtful)
	better := Better(all)
	switch {
	case len(better) > 0:
		v.Outcome = Wrong
		b := better[0]
		v.Says += fmt.Sprintf("; with %s, %d of %d", b.Setting, b.Plausible, b.Plausible+b.Doubtful)
		if b.Anchors == Good && own.Anchors != Good {
			v.Says += ", and the registers of known content are where they should be"
		}
		v.Remedy = remedyOf(m.Profile, b.Setting)
		if len(better) > 1 {
			v.Remedy += fmt.Sprintf(" (%d settings look equally good: watch for a minute on load, the register tells them apart)", len(better))
		}
	case own.Anchors == Wrong:
		v.Outcome = Wrong
		v.Says += "; the registers of known content hold something else"
		v.Remedy = fmt.Sprintf("check the unit id and that profile %s is of this kind of meter", m.Profile.Name)
	case own.Plausible == 0 && own.Doubtful > 0:
		v.Outcome = Wrong
		v.Remedy = "check the unit id, the profile and its function code: no order of words and no neighbouring address gives plausible values"
	case own.Plausible == 0:
		v.Outcome, v.Says = Open, "the meter has none of the values"
	case own.Register != Good:
		// Two mistakes that look like none are rare: this is a remark, no doubt.
		if same := alike(all, own); len(same) > 0 {
			v.Says += fmt.Sprintf(" (with %s as well: a minute on load tells by the register)", same[0].Setting)
		}
	}
	return v
}

// remedyOf says what to write in the configuration for a setting to be used.
func remedyOf(p plant.Profile, s layout.Setting) string {
	var does []string
	if s.Shift != 0 {
		does = append(does, fmt.Sprintf("add %+d to address_offset of the meter (0 where it is not written)", s.Shift))
	}
	order := func(key string, little func(plant.ProfileValue) bool) {
		word := "little"
		if len(p.Values) > 0 && little(p.Values[0]) {
			word = "big"
		}
		does = append(does, fmt.Sprintf("take a profile with %s: %s", key, word))
	}
	if s.SwapWords {
		order("word_order", func(v plant.ProfileValue) bool { return v.LittleWords })
	}
	if s.SwapBytes {
		order("byte_order", func(v plant.ProfileValue) bool { return v.LittleBytes })
	}
	return strings.Join(does, ", and ")
}

// judgeValues names the values that are not plausible though the setting is.
func judgeValues(values []layout.Value) Verdict {
	v := Verdict{Check: CheckValues, Outcome: Good, Says: "each value is in its range"}
	var bad []string
	dead := false
	for _, x := range values {
		if x.Plausible || x.Content == layout.Nothing {
			continue
		}
		text := x.Name
		if x.Content == layout.Number {
			text = strings.TrimRight(fmt.Sprintf("%s %.6g %s", x.Name, x.Number, x.Unit), " ")
			dead = dead || x.Unit == "V" && math.Abs(x.Number) < layout.LeastVolts
		}
		bad = append(bad, text+" ("+x.Doubt+")")
	}
	if len(bad) == 0 {
		return v
	}
	v.Outcome, v.Says = Wrong, strings.Join(bad, "; ")
	v.Remedy = "compare with the meter's display; check type, scale and address of the value in the profile, and max_power of the meter"
	if dead {
		v.Remedy = "check the fuse and the voltage tap of the phase; " + v.Remedy
	}
	return v
}

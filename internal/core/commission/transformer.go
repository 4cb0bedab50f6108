package commission

import (
	"fmt"
	"math"
	"strings"

	"curetally/internal/core/accuracy"
)

// Transformer is the current transformer in front of a meter. With 0 amperes it is
// not judged.
type Transformer struct {
	// Amperes is the rated primary current.
	Amperes float64 `json:"amperes,omitempty"`
	// Class is the accuracy class as on its plate, for example 0.5S; empty when
	// not known.
	Class string `json:"class,omitempty"`
}

// The load, in percent of the rated current, below which a transformer is too
// large, and above which no class promises anything.
const (
	leastPercent = 5
	mostPercent  = accuracy.MostPercent
)

// judgeTransformer compares the current with the rating.
func judgeTransformer(e electrical, ct Transformer, f fit) Verdict {
	v := Verdict{Check: CheckTransformer, Outcome: Open}
	amperes := math.NaN()
	for _, q := range e.phases {
		if a := math.Abs(q.amperes); !math.IsNaN(a) && !(a <= amperes) {
			amperes = a
		}
	}
	if math.IsNaN(amperes) {
		amperes = math.Abs(e.whole.amperes)
		switch {
		case f == fitSum && e.split > 1:
			amperes /= float64(e.split)
		case f == fitLineSum:
			amperes /= 3
		}
	}
	switch {
	case math.IsNaN(amperes):
		v.Says = "the profile has no current to compare with the transformer"
		return v
	case amperes == 0:
		v.Says, v.Remedy = "no current", "light the lamp or run the motor, and look again"
		return v
	}
	percent := 100 * amperes / ct.Amperes
	v.Says = fmt.Sprintf("%.3g A is %.2g %% of the %.4g A of the current transformer", amperes, percent, ct.Amperes)
	if percent >= 100 {
		v.Says = fmt.Sprintf("%.3g A is %.0f %% of the %.4g A of the current transformer", amperes, percent, ct.Amperes)
	}
	v.Says += promise(ct.Class, percent, e)
	switch {
	case percent < leastPercent:
		v.Outcome = Doubtful
		v.Remedy = "current transformer too large for this load, as one sized for arc lamps is after the change to LED: " + SmallerTransformer(ct.Class)
	case percent > mostPercent:
		v.Outcome = Wrong
		v.Remedy = "current transformer too small: fit one whose rating the load does not exceed"
	default:
		v.Outcome = Good
	}
	return v
}

// SmallerTransformer is the remedy for a current transformer of a class that is too
// large for its load.
func SmallerTransformer(class string) string {
	remedy := "fit a smaller one, or pass the conductor through several times and set the ratio"
	if !strings.HasSuffix(class, "S") {
		remedy += "; class 0.2S or 0.5S holds down to 1 %"
	}
	return remedy
}

// promise says what the class holds at a load.
func promise(class string, percent float64, e electrical) string {
	limits := accuracy.LimitsOf(class)
	if len(limits) == 0 {
		return ""
	}
	if percent > mostPercent {
		return fmt.Sprintf("; class %s promises nothing above %d %%", class, mostPercent)
	}
	l, ok := accuracy.At(class, percent)
	if !ok {
		least := limits[0]
		return fmt.Sprintf("; class %s promises nothing below %.0f %%, where it allows %s", class, least.Percent, least)
	}
	text := fmt.Sprintf("; class %s allows %s there", class, l)
	factor := math.Abs(e.whole.factor)
	setFirst(&factor, e.mean(func(q quantities) float64 { return math.Abs(q.factor) }))
	if l.Minutes > 0 && factor >= 0.1 && factor <= 1 {
		text += fmt.Sprintf(", together up to %.1f %% of the power at a power factor of %.2f", accuracy.PowerError(l, factor), factor)
	}
	return text
}

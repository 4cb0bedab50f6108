package commission

import (
	"fmt"
	"math"
	"strings"
	"time"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

const (
	// leastTracked is how long a register is watched before it is judged.
	leastTracked = time.Minute
	// longestStep is the longest distance of two samples over which power is
	// taken for a straight line; a longer one begins the watch anew.
	longestStep = 10 * time.Second
	// registerTolerance is for the power between samples and the classes of both.
	registerTolerance = 0.05
	// clearSteps is how many steps of the register's resolution make a judgement.
	clearSteps = 4
	// floatStep in kWh is the least resolution taken for a float register: meters
	// count internally in coarser steps than the float could show.
	floatStep = 0.1
)

// Watch follows the energy registers of one meter against its power, under every
// setting. The zero Watch is ready; it is not safe for concurrent use.
type Watch struct {
	tracks []track // as layout.Settings
}

// Add takes one reading of the meter.
func (w *Watch) Add(m plant.Meter, img layout.Image) {
	settings := layout.Settings()
	if w.tracks == nil {
		w.tracks = make([]track, len(settings))
	}
	for i, s := range settings {
		w.tracks[i].add(img.At, layout.Decode(m, img, s))
	}
}

// judge gives the verdicts on the registers under one setting.
func (w *Watch) judge(setting int) []Verdict {
	if w.tracks == nil {
		return []Verdict{{Check: CheckRegister, Outcome: Open, Says: "not watched yet"}}
	}
	return w.tracks[setting].judge()
}

// track is a watch under one setting.
type track struct {
	at        time.Time // of the last sample
	power     float64   // W, of the last sample
	began     time.Time
	imported  float64 // kWh, integral of positive power since began
	exported  float64 // kWh, integral of negative power since began
	registers []tracked
}

// tracked is one energy register since the watch began.
type tracked struct {
	name        string
	first, last float64 // kWh
	resolution  float64 // kWh, of one count or last bit
	float       bool
	leastStep   float64 // kWh, the smallest rise seen; 0 when none
	fell        float64 // kWh, the largest fall seen
}

// add takes the values of one reading. Readings without power, and after a pause,
// begin the watch anew.
func (t *track) add(at time.Time, values []layout.Value) {
	power := sortOut(values).whole.power
	var now []tracked
	for _, v := range values {
		if v.Unit == "kWh" && v.Content == layout.Number {
			now = append(now, tracked{name: v.Name, first: v.Number, last: v.Number, resolution: v.Step, float: strings.HasPrefix(string(v.Type), "float")})
		}
	}
	step := at.Sub(t.at)
	if math.IsNaN(power) || t.at.IsZero() || step <= 0 || step > longestStep || len(now) != len(t.registers) {
		*t = track{at: at, power: power, began: at, registers: now}
		return
	}
	hours := step.Hours() / 1000
	t.imported += (max(t.power, 0) + max(power, 0)) / 2 * hours
	t.exported += (max(-t.power, 0) + max(-power, 0)) / 2 * hours
	t.at, t.power = at, power
	for i := range t.registers {
		t.registers[i].move(now[i])
	}
}

func (r *tracked) move(now tracked) {
	switch rise := now.last - r.last; {
	case rise < 0:
		r.fell = max(r.fell, -rise)
	case rise > 0 && (r.leastStep == 0 || rise < r.leastStep):
		r.leastStep = rise
	}
	r.last, r.resolution = now.last, max(r.resolution, now.resolution)
}

// step is how finely the register moves, as far as it is known.
func (r *tracked) step() float64 {
	if r.float && r.leastStep == 0 {
		return max(r.resolution, floatStep)
	}
	return max(r.resolution, r.leastStep)
}

// judge gives a verdict for the register of import and one for export; for others
// only where they fall.
func (t *track) judge() []Verdict {
	if math.IsNaN(t.power) {
		return []Verdict{{Check: CheckRegister, Outcome: Open, Says: "the profile has no power to compare the register with"}}
	}
	var out []Verdict
	importSeen := false
	for _, r := range t.registers {
		export := strings.Contains(r.name, "export")
		energy := t.imported
		if export {
			energy = t.exported
		}
		if judged := export || !importSeen; judged || r.fell > r.resolution {
			out = append(out, r.judge(t.at.Sub(t.began), energy))
		}
		importSeen = importSeen || !export
	}
	return out
}

// judge compares the register with the energy that the power samples give. The
// difference may be one step of the register, because both ends are rounded, and
// the tolerance.
func (r *tracked) judge(watched time.Duration, energy float64) Verdict {
	v := Verdict{Check: CheckRegister, Outcome: Open}
	moved, step := r.last-r.first, r.step()
	v.Says = fmt.Sprintf("%s moved %s in %.0f s, the power samples give %s", r.name, kilowattHours(moved), watched.Seconds(), kilowattHours(energy))
	switch {
	case r.fell > r.resolution:
		v.Outcome = Wrong
		v.Says = fmt.Sprintf("%s fell by %s", r.name, kilowattHours(r.fell))
		v.Remedy = "an energy register only rises: check its address, type and word order; a register that started again at its end may do this once"
	case watched < leastTracked:
		v.Says = fmt.Sprintf("%s watched for %.0f of %.0f s", r.name, watched.Seconds(), leastTracked.Seconds())
	case moved > (1+registerTolerance)*energy+step:
		v.Outcome, v.Remedy = Wrong, ratioRemedy(moved, energy)
	case moved == 0 && energy > 2*step:
		v.Outcome = Wrong
		v.Remedy = "the register stands still while power flows: check its address, and that it counts this direction"
	case moved > 0 && moved < (1-registerTolerance)*energy-step:
		v.Outcome, v.Remedy = Wrong, ratioRemedy(moved, energy)
	case energy >= clearSteps*step:
		v.Outcome = Good
	case energy == 0:
		v.Says += "; nothing flows"
		v.Remedy = "light the lamp or run the motor, and look again"
	default:
		left := time.Duration(float64(watched) * (clearSteps*step/energy - 1))
		v.Says += fmt.Sprintf("; it moves in steps of %s", kilowattHours(step))
		v.Remedy = "watch for about " + strings.TrimSuffix(left.Round(time.Minute).String(), "0s") + " longer, with --for"
		if left < time.Minute {
			v.Remedy = "watch for a minute longer, with --for"
		}
	}
	return v
}

// ratioRemedy says what a register may be off by.
func ratioRemedy(moved, energy float64) string {
	const remedy = "check the scale and unit of the register and of the power in the profile, and that the transformer ratio is in both or in neither"
	if moved <= 0 || energy <= 0 {
		return remedy
	}
	ratio := moved / energy
	return fmt.Sprintf("the register moves %.3g times as fast: %s", ratio, remedy)
}

// kilowattHours writes small amounts with enough digits to see.
func kilowattHours(kwh float64) string {
	decimals := 3
	if a := math.Abs(kwh); a > 0 && a < 0.01 {
		decimals = 6
	}
	return unit.Group(kwh, decimals) + " kWh"
}

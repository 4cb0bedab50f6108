package commission

import (
	"fmt"
	"math"
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

// movements gives how each register moved under the configured setting, in the
// order of the profile; none before the first reading.
func (w *Watch) movements() []Movement {
	if w.tracks == nil {
		return nil
	}
	return w.tracks[0].movements()
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
	net         bool    // counts both ways
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
			now = append(now, tracked{name: v.Name, net: v.Net, first: v.Number, last: v.Number, resolution: v.Step, float: isFloat(v.Type)})
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

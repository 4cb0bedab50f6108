package savings

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"curetally/internal/core/plant"
)

// Adjusted is a non-routine adjustment as a statement counts it.
type Adjusted struct {
	Number   int       `json:"number"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"` // exclusive
	Event    string    `json:"event"`
	Factor   string    `json:"static_factor,omitempty"`
	Evidence string    `json:"evidence"`
	Approver string    `json:"approver"`
	TotalKWh float64   `json:"total_kwh"` // of the whole event
	// CountedDays of the event's days are counted by the statement, with CountedKWh.
	EventDays   int     `json:"event_days"`
	CountedDays int     `json:"counted_days"`
	CountedKWh  float64 `json:"counted_kwh"`
}

// CheckAdjustment refuses a record that could not be stood by, with the remedy.
func CheckAdjustment(a plant.Adjustment) error {
	blank := func(s string) bool { return strings.TrimSpace(s) == "" }
	switch {
	case blank(a.Event):
		return errors.New("the adjustment does not say what happened: describe the event")
	case blank(a.Evidence):
		return errors.New("an adjustment without evidence is not taken: name the readings, the invoice or the calculation that shows its energy")
	case blank(a.Approver):
		return errors.New("the adjustment has no approver: name the person who answers for it")
	case !a.From.Before(a.To):
		return fmt.Errorf("the event ends on %s and begins on %s: its end is the first day after it, and later than its begin",
			a.To.Format(time.DateOnly), a.From.Format(time.DateOnly))
	case a.Energy == 0 && a.InsteadOf == 0:
		return errors.New("an adjustment of 0 kWh changes nothing: give its energy, or say which earlier adjustment it takes back")
	}
	return nil
}

// InForce gives the adjustments that no later one took the place of, without
// those that are taken back to nothing.
func InForce(all []plant.Adjustment) []plant.Adjustment {
	replaced := map[int]bool{}
	for _, a := range all {
		replaced[a.InsteadOf] = true
	}
	var out []plant.Adjustment
	for _, a := range all {
		if !replaced[a.Number] && a.Energy != 0 {
			out = append(out, a)
		}
	}
	return out
}

// adjuster spreads adjustments evenly over the days of their events.
type adjuster []Adjusted

func newAdjuster(all []plant.Adjustment) adjuster {
	out := adjuster{}
	for _, a := range InForce(all) {
		out = append(out, Adjusted{
			Number: a.Number, From: a.From, To: a.To, Event: a.Event, Factor: a.Factor, Evidence: a.Evidence, Approver: a.Approver,
			TotalKWh: a.Energy.KWh(), EventDays: max(calendarDays(a.From, a.To), 1),
		})
	}
	return out
}

// calendarDays counts local days, whatever their length.
func calendarDays(from, to time.Time) int { return int(to.Sub(from).Hours()/24 + 0.5) }

// on gives what the adjustments add to a counted day, kWh.
func (a adjuster) on(day time.Time) float64 {
	var sum float64
	for i := range a {
		x := &a[i]
		if day.Before(x.From) || !day.Before(x.To) {
			continue
		}
		x.CountedDays++
		x.CountedKWh = x.TotalKWh * float64(x.CountedDays) / float64(x.EventDays)
		sum += x.TotalKWh / float64(x.EventDays)
	}
	return sum
}

// used gives those that touch the statement; never nil.
func (a adjuster) used() []Adjusted {
	out := []Adjusted{}
	for _, x := range a {
		if x.CountedDays > 0 {
			out = append(out, x)
		}
	}
	return out
}

// FactorChange is a static factor that is not what it was in the baseline, without
// an adjustment for it.
type FactorChange struct {
	Name string    `json:"static_factor"`
	Was  string    `json:"was"`
	Is   string    `json:"is"`
	From time.Time `json:"from,omitzero"` // zero when the configuration does not say
}

// FactorChanges lists the static factors that changed after the days of the
// baseline and that no adjustment in force names from then on: the model cannot
// know what they did to the energy.
func FactorChanges(b Baseline, pr plant.Project, adjustments []plant.Adjustment) []FactorChange {
	if len(b.Rows) == 0 {
		return nil
	}
	was := map[string]string{}
	for _, f := range b.Factors {
		if f.From.After(b.Rows[len(b.Rows)-1].Day) {
			continue // known at freezing to come later
		}
		was[f.Name] = f.Value
	}
	var out []FactorChange
	for _, f := range pr.Factors {
		before, known := was[f.Name]
		was[f.Name] = f.Value
		if !known || before == f.Value || !pr.Reporting.To.IsZero() && !f.From.Before(pr.Reporting.To) {
			continue
		}
		adjusted := false
		for _, a := range InForce(adjustments) {
			adjusted = adjusted || a.Factor == f.Name && a.To.After(f.From)
		}
		if !adjusted {
			out = append(out, FactorChange{f.Name, before, f.Value, f.From})
		}
	}
	return out
}

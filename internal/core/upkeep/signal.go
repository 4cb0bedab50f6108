package upkeep

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"curetally/internal/core/condition"
	"curetally/internal/core/forecast"
	"curetally/internal/core/plant"
)

// bySignal is the limit that a measured signal reaches.
func (c *calendar) bySignal(cond plant.Condition, v condition.Verdict) limit {
	l := limit{used: v.Used, remaining: number(v.Limit-v.Now) + " in " + cond.Signal}
	says := fmt.Sprintf("%s %s, limit %s", cond.Signal, number(v.Now), number(v.Limit))
	switch cond.Kind {
	case plant.Falls:
		says += fmt.Sprintf(" (%.0f %% less than when last done)", 100*cond.Limit)
	case plant.Rises:
		says += fmt.Sprintf(" (%.0f %% more than when last done)", 100*cond.Limit)
	case plant.RisesBy:
		says += fmt.Sprintf(" (%s more than when last done)", number(cond.Limit))
	}
	switch {
	case !v.Reached.IsZero():
		day := c.plant.Day(v.Reached, 0)
		l.due = forecast.On(day)
		l.reason = says + "; beyond it since " + c.date(day)
	case v.Middle.IsZero():
		l.reason = says + "; no trend to it, no date"
	default:
		l.due = forecast.Dates{P10: c.dayOf(v.Early), P50: c.plant.Day(v.Middle, 0), P90: c.dayOf(v.Late)}
		l.reason = fmt.Sprintf("%s; by %s a day due %s", says, number(v.PerDay), c.date(l.due.P50))
	}
	return l
}

// dayOf gives the local day of an instant, zero for none.
func (c *calendar) dayOf(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return c.plant.Day(t, 0)
}

// number writes a value of a signal with three figures.
func number(v float64) string {
	if math.Abs(v) >= 1000 {
		return strconv.FormatFloat(math.Round(v), 'f', -1, 64)
	}
	return strconv.FormatFloat(v, 'g', 3, 64)
}

// unheard names what a rule looks at and nobody sends, once each.
func unheard(s Subject) []string {
	var out []string
	for _, cond := range s.Rule.Conditions {
		if len(s.Signals[cond.Signal]) == 0 {
			out = append(out, cond.Signal)
		}
	}
	if s.Rule.AreaM2 > 0 && !s.AreaKnown {
		out = append(out, "a counter of the area printed")
	}
	return out
}

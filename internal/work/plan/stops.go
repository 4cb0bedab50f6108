package plan

import (
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
	"curetally/internal/core/stops"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
)

// isolationCard is the caution card of work behind an isolated supply.
const isolationCard = "C1"

// StopPlan is a proposal with the tasks that it speaks of.
type StopPlan struct {
	stops.Proposal
	From, To time.Time              // what time it looks at
	Tasks    map[string]upkeep.Task // by the names that the proposal uses
}

// Stops proposes which tasks to do in which planned stop of the next weeks. What
// is thrown away by doing a task early is the same share of its work as of its
// interval, in minutes; of a lamp with known costs, its price is worth as many
// minutes more as the work of the change costs.
func (o Outlook) Stops(p *plant.Plant, weeks int) (StopPlan, error) {
	plan := StopPlan{From: o.At, To: p.Day(o.At, 7*weeks+1), Tasks: map[string]upkeep.Task{}}
	q := stops.Question{Now: o.At, Zone: p.TimeZone}
	for _, press := range p.Presses {
		q.Stops = append(q.Stops, presscalendar.Of(p, press.ID).Stops(plan.From, plan.To)...)
	}
	for _, t := range o.Tasks {
		if t.Due.IsZero() {
			continue
		}
		asked := o.asked(p, t)
		plan.Tasks[asked.Name] = t
		q.Tasks = append(q.Tasks, asked)
	}
	var err error
	plan.Proposal, err = stops.Propose(q)
	return plan, err
}

// asked is a task as a question about stops takes it.
func (o Outlook) asked(p *plant.Plant, t upkeep.Task) stops.Task {
	q := stops.Task{
		Name: TaskName(t), Press: t.Press, Minutes: t.Minutes,
		P10: t.DueP10, P50: t.DueP50, P90: t.DueP90,
		LossPerDay: o.work(t) / interval(t),
	}
	if !t.PostponedUntil.IsZero() { // a person took that upon himself
		q.P10, q.P50, q.P90 = t.Due, t.Due, t.Due
	}
	if i := slices.IndexFunc(p.Rules, func(r plant.TaskRule) bool { return r.ID == t.Rule }); i >= 0 {
		q.People = p.Rules[i].People
	}
	if slices.ContainsFunc(t.Cautions, func(c upkeep.Card) bool { return c.Code == isolationCard }) {
		q.Isolation, q.IsolationMinutes = string(t.Press), p.Upkeep.IsolationMinutes
		if t.Station != "" {
			q.Isolation = string(t.Station)
		}
	}
	return q
}

// TaskName is how people name a task: rule and subject.
func TaskName(t upkeep.Task) string { return string(t.Rule) + "/" + t.Subject }

// ShareLost is the share of a task's interval that is thrown away by doing it as
// early as proposed.
func (p StopPlan) ShareLost(t stops.Placed) float64 {
	return float64(t.DaysEarly) / interval(p.Tasks[t.Task.Name])
}

// interval is the time in days from when the task was last done to the next.
func interval(t upkeep.Task) float64 {
	if t.Anchor.IsZero() {
		return 1
	}
	return max(1, t.DueP50.Sub(t.Anchor).Hours()/24)
}

// work is what doing the task once is worth, in minutes.
func (o Outlook) work(t upkeep.Task) float64 {
	minutes := float64(max(1, t.Minutes))
	kind := o.Fitted[t.Station].Kind
	if t.Lamp == "" || kind.Price == (unit.Money{}) || !kind.ChangeCost.Amount.IsPos() {
		return minutes
	}
	return minutes * (1 + kind.Price.Float()/kind.ChangeCost.Float())
}

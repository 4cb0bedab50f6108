package stops

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Task is a piece of work that falls due.
type Task struct {
	Name  string // unique in a question
	Press plant.PressID
	// Isolation names what must be isolated for the task, for example a
	// station. Tasks of one press with the same name share it. Empty: nothing.
	Isolation        string
	IsolationMinutes int
	Minutes          int // of the work itself, once isolated and cool
	People           int // needed at the same time; 0 means one
	// P10, P50 and P90 are days: the chance that the task has fallen due by then
	// is 10, 50 and 90 %. A task without P50 has no date and is not planned;
	// P10 and P90 may be zero and are P50 then.
	P10, P50, P90 time.Time
	// LossPerDay is what a day of earliness throws away, in one measure for all
	// tasks, for example shares of the task's interval. It is resolved to
	// millionths.
	LossPerDay float64
}

// Question is what a proposal is asked for.
type Question struct {
	Now  time.Time      // stops that are over are left out
	Zone *time.Location // of the site: days are its local days
	// Stops and Tasks in any order. A stop without a press is one of every press of
	// the site; 0 minutes are all from From to To, 0 people are one.
	Stops []plant.PlannedStop
	Tasks []Task
	// Effort bounds the search, in steps for each part that is solved apart; 0
	// means DefaultEffort.
	Effort int
}

// DefaultEffort is enough to solve a stop or two of a full press exactly, and
// takes well under a second where it is not.
const DefaultEffort = 20_000

// Score is what a proposal is judged by, in the order of its fields; less is
// better.
type Score struct {
	Late             int     `json:"late"`     // tasks not done by their P10, with those without a stop
	Unplaced         int     `json:"unplaced"` // of them, those without a stop
	DaysLate         int     `json:"days_late"`
	LifeLost         float64 `json:"life_lost"` // in the measure of LossPerDay
	IsolationMinutes int     `json:"isolation_minutes"`
}

// Placed is a task in a stop.
type Placed struct {
	Task      Task
	DaysEarly int     // from the stop to P50; 0 when the stop comes after
	LifeLost  float64 // in the measure of LossPerDay
	// DaysLate counts the days from P10 to the stop; 0 when the stop is in time.
	DaysLate int
	Reason   string // why it is not done by its P10; empty when it is
}

// Block is the work behind one isolation in one stop, by the same people.
type Block struct {
	Isolation        string // empty: nothing is isolated
	IsolationMinutes int
	Start            int   // minutes from the beginning of the stop
	Minutes          int   // isolating included
	People           []int // who works on it, counted from 1
	Tasks            []Placed
}

// Filled is a stop with what is proposed for it.
type Filled struct {
	Stop   plant.PlannedStop // Minutes and People made explicit
	Blocks []Block
	// Minutes is when the last block ends, from the beginning of the stop.
	Minutes int
	// SavedMinutes is the isolating that is saved because tasks share it.
	SavedMinutes int
}

// Unplaced is a task for which no stop was found.
type Unplaced struct {
	Task   Task
	Reason string
	// MissingMinutes is by how much the stop that comes nearest is too short;
	// 0 when minutes are not what is missing.
	MissingMinutes int
	Nearest        time.Time // beginning of that stop; zero when there is none
}

// Proposal is the answer to a question.
type Proposal struct {
	Stops    []Filled // in the order of time, also those without work
	Unplaced []Unplaced
	// Later are tasks that are not due by the last stop of their press, by P10.
	Later []Task
	Score Score
	// Exact says that no proposal has a better score. Otherwise Floor is a score
	// that none can fall below; it equals Score when Exact.
	Exact bool
	Floor Score
}

// NextStopBy gives the day by which a further stop is wanted: the first P10 of
// what is left for later. ok is false when nothing is.
func (p Proposal) NextStopBy() (day time.Time, ok bool) {
	if len(p.Later) == 0 {
		return time.Time{}, false
	}
	return p.Later[0].P10, true
}

// Propose answers a question. It returns an error that names the stop or task
// when one makes no sense; the question is not changed.
func Propose(q Question) (Proposal, error) {
	c, err := newProblem(q)
	if err != nil {
		return Proposal{}, err
	}
	out := Proposal{Later: c.later, Exact: true, Unplaced: []Unplaced{}}
	chosen := make([]int, len(c.tasks))
	var total, floor score
	for _, part := range c.parts() {
		s := c.solve(part, cmp.Or(q.Effort, DefaultEffort))
		for i, task := range part {
			chosen[task] = s.best[i]
		}
		total, floor = total.plus(s.bestScore), floor.plus(s.floor)
		out.Exact = out.Exact && s.exact
	}
	out.Score, out.Floor = total.shown(), floor.shown()
	c.fill(&out, chosen)
	return out, nil
}

// problem is a question made regular: stops in the order of time, tasks with
// dates in the order of P10, days as numbers.
type problem struct {
	zone  *time.Location
	stops []plant.PlannedStop
	day   []int // of each stop
	tasks []Task
	p10   []int // day of each task
	p50   []int
	block []int // of each task: the first task behind the same isolation
	later []Task
}

func newProblem(q Question) (*problem, error) {
	c := &problem{zone: q.Zone, later: []Task{}}
	for i, s := range q.Stops {
		if !s.From.Before(s.To) {
			return nil, fmt.Errorf("stop %d begins %s and ends %s: expected an end after the beginning", i+1, s.From.Format(time.RFC3339), s.To.Format(time.RFC3339))
		}
		whole := int(s.To.Sub(s.From) / time.Minute)
		if s.Minutes < 0 || s.Minutes > whole || s.People < 0 {
			return nil, fmt.Errorf("stop of %s has %d minutes and %d people: expected 0 to %d minutes and no negative number of people", s.From.Format(time.RFC3339), s.Minutes, s.People, whole)
		}
		s.Minutes, s.People = cmp.Or(s.Minutes, whole), cmp.Or(s.People, 1)
		if s.To.After(q.Now) {
			c.stops = append(c.stops, s)
		}
	}
	slices.SortStableFunc(c.stops, func(a, b plant.PlannedStop) int {
		return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Press, b.Press), a.To.Compare(b.To))
	})
	for _, s := range c.stops {
		c.day = append(c.day, c.dayOf(s.From))
	}
	if err := c.takeTasks(q.Tasks); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *problem) takeTasks(tasks []Task) error {
	names := map[string]bool{}
	for _, t := range tasks {
		if names[t.Name] {
			return fmt.Errorf("task %s is given twice: expected each once", t.Name)
		}
		names[t.Name] = true
		if t.Minutes < 0 || t.IsolationMinutes < 0 || t.People < 0 || t.LossPerDay < 0 {
			return fmt.Errorf("task %s has %d minutes, %d to isolate, %d people and a loss of %v per day: expected none below 0", t.Name, t.Minutes, t.IsolationMinutes, t.People, t.LossPerDay)
		}
		if t.P50.IsZero() {
			continue
		}
		if t.P10.IsZero() {
			t.P10 = t.P50
		}
		if t.P90.IsZero() {
			t.P90 = t.P50
		}
		if t.P10.After(t.P50) || t.P50.After(t.P90) {
			return fmt.Errorf("task %s may be due %s, %s, %s: expected P10, P50 and P90 in the order of time", t.Name, t.P10.Format(time.DateOnly), t.P50.Format(time.DateOnly), t.P90.Format(time.DateOnly))
		}
		t.People = max(t.People, 1)
		if t.Isolation == "" {
			t.IsolationMinutes = 0
		}
		if c.dayOf(t.P10) > c.horizon(t.Press) {
			c.later = append(c.later, t)
		} else {
			c.tasks = append(c.tasks, t)
		}
	}
	byDate := func(a, b Task) int { return cmp.Or(a.P10.Compare(b.P10), cmp.Compare(a.Name, b.Name)) }
	slices.SortFunc(c.tasks, byDate)
	slices.SortFunc(c.later, byDate)
	for i, t := range c.tasks {
		c.p10, c.p50 = append(c.p10, c.dayOf(t.P10)), append(c.p50, c.dayOf(t.P50))
		first := i
		if t.Isolation != "" {
			first = slices.IndexFunc(c.tasks, func(o Task) bool { return o.Press == t.Press && o.Isolation == t.Isolation })
		}
		c.block = append(c.block, first)
	}
	return nil
}

// horizon is the day of the last stop of a press, or, when it has none, of the
// last stop of the site: what is due by then is looked at.
func (c *problem) horizon(press plant.PressID) int {
	own, all := -1, -1
	for i, s := range c.stops {
		all = c.day[i]
		if s.Press == "" || s.Press == press {
			own = c.day[i]
		}
	}
	if own >= 0 {
		return own
	}
	return all
}

// dayOf numbers the local day of an instant.
func (c *problem) dayOf(t time.Time) int {
	y, m, d := t.In(c.zone).Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// serves says whether a task could be done in a stop if nothing else were.
func (c *problem) serves(stop, task int) bool {
	s, t := c.stops[stop], c.tasks[task]
	return c.offers(stop, task) && t.People <= s.People && t.IsolationMinutes+t.Minutes <= s.Minutes
}

// offers says whether a stop is one of the task's press.
func (c *problem) offers(stop, task int) bool {
	return c.stops[stop].Press == "" || c.stops[stop].Press == c.tasks[task].Press
}

// parts groups tasks that can meet in a stop, directly or through others.
func (c *problem) parts() [][]int {
	group := make([]int, len(c.tasks))
	for i := range group {
		group[i] = i
	}
	for s := range c.stops {
		first := -1
		for t := range c.tasks {
			switch {
			case !c.serves(s, t):
			case first < 0:
				first = group[t]
			case group[t] != first:
				old := group[t]
				for i := range group {
					if group[i] == old {
						group[i] = first
					}
				}
			}
		}
	}
	var out [][]int
	at := map[int]int{}
	for t, g := range group {
		i, ok := at[g]
		if !ok {
			i = len(out)
			at[g] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], t)
	}
	return out
}

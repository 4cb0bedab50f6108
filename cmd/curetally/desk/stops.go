package desk

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/stops"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/store"
	"curetally/internal/work/plan"
)

// Stops proposes which tasks to do in which planned stop.
type Stops struct {
	Site
	Weeks int  `help:"How many weeks ahead; upkeep.stop_weeks of the configuration by default." placeholder:"N"`
	JSON  bool `help:"Print as JSON. Minutes are of work; losses are in minutes of work done too early."`
}

// Validate refuses a number of weeks that is none.
func (c Stops) Validate() error {
	if c.Weeks < 0 || c.Weeks > 104 {
		return fmt.Errorf("--weeks %d: expected 1 to 104", c.Weeks)
	}
	return nil
}

// Run prints the proposal. It is a finding when tasks are late or fit nowhere.
func (c Stops) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		look, err := plan.Look(ctx, db, p, time.Now())
		if err != nil {
			return err
		}
		proposal, err := look.Stops(p, cmp.Or(c.Weeks, p.Upkeep.StopWeeks))
		if err != nil {
			return err
		}
		if c.JSON {
			err = WriteJSON(s.Stdout, stopsDocument(proposal))
		} else {
			err = stopsPage{s.Stdout, p, proposal}.print()
		}
		if err == nil && proposal.Score.Late > 0 {
			return ErrFinding
		}
		return err
	})
}

// stopsPage prints a proposal.
type stopsPage struct {
	w    io.Writer
	p    *plant.Plant
	plan plan.StopPlan
}

func (v stopsPage) print() error {
	if len(v.plan.Stops) == 0 {
		_, err := fmt.Fprintf(v.w, "no stop is planned until %s; plan them in the configuration, under calendar of the site or of a press\n", v.day(v.plan.To))
		return err
	}
	for _, f := range v.plan.Stops {
		if err := v.stop(f); err != nil {
			return err
		}
	}
	if err := v.leftOver(); err != nil {
		return err
	}
	if by, ok := v.plan.NextStopBy(); ok {
		fmt.Fprintf(v.w, "%s left for a later stop, which is wanted by %s\n", Count(len(v.plan.Later), "task"), v.day(by))
	}
	if !v.plan.Exact {
		fmt.Fprintf(v.w, "a good proposal, not surely the best: %.0f minutes of work done too early, no proposal can have less than %.0f\n", v.plan.Score.LifeLost, v.plan.Floor.LifeLost)
	}
	return v.cautions()
}

func (v stopsPage) day(t time.Time) string { return t.In(v.p.TimeZone).Format("Mon 2 Jan 2006") }

func (v stopsPage) stop(f stops.Filled) error {
	to := f.Stop.To.In(v.p.TimeZone).Format("15:04")
	fmt.Fprintf(v.w, "%s, %s to %s, %s: %d of %d minutes used", f.Stop.Press, Moment(f.Stop.From, v.p), to, people(f.Stop.People), f.Minutes, f.Stop.Minutes)
	if f.Stop.Note != "" {
		fmt.Fprintf(v.w, " (%s)", f.Stop.Note)
	}
	fmt.Fprintln(v.w)
	if len(f.Blocks) == 0 {
		_, err := fmt.Fprint(v.w, "nothing to do\n\n")
		return err
	}
	var rows []string
	for _, b := range f.Blocks {
		rows = append(rows, v.block(f, b)...)
	}
	if err := table(v.w, "AT\tMINUTES\tWHO\tTASK\tDUE\tLIKELY\tREMARK", rows); err != nil {
		return err
	}
	if f.SavedMinutes > 0 {
		fmt.Fprintf(v.w, "isolating once for several tasks saves %d minutes\n", f.SavedMinutes)
	}
	if parts := partsOf(v.plan, f); len(parts) > 0 {
		var words []string
		for _, part := range parts {
			words = append(words, fmt.Sprintf("%d × %s", part.Count, part.Part))
		}
		fmt.Fprintf(v.w, "parts: %s\n", strings.Join(words, ", "))
	}
	_, err := fmt.Fprintln(v.w)
	return err
}

func people(n int) string {
	if n == 1 {
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}

// block gives the lines of one block: isolating, then its tasks.
func (v stopsPage) block(f stops.Filled, b stops.Block) []string {
	who := strings.Trim(strings.Join(strings.Fields(fmt.Sprint(b.People)), ","), "[]")
	at := f.Stop.From.Add(time.Duration(b.Start) * time.Minute)
	clock := func() string { return at.In(v.p.TimeZone).Format("15:04") }
	var rows []string
	if b.IsolationMinutes > 0 {
		rows = append(rows, row(clock(), fmt.Sprint(b.IsolationMinutes), who, "isolate "+b.Isolation, "", "", ""))
		at = at.Add(time.Duration(b.IsolationMinutes) * time.Minute)
	}
	for _, t := range b.Tasks {
		rows = append(rows, row(clock(), fmt.Sprint(t.Task.Minutes), who, t.Task.Name, v.day(t.Task.P50), v.likely(t.Task), v.remark(t)))
		at = at.Add(time.Duration(t.Task.Minutes) * time.Minute)
	}
	return rows
}

// likely shows the days between which a task falls due with a chance of 80 %.
func (v stopsPage) likely(t stops.Task) string {
	if t.P10.Equal(t.P90) {
		return ""
	}
	return Date(t.P10, v.p) + " to " + Date(t.P90, v.p)
}

func (v stopsPage) remark(t stops.Placed) string {
	switch {
	case t.Reason != "":
		return fmt.Sprintf("%s late: %s", Count(t.DaysLate, "day"), t.Reason)
	case t.DaysEarly > 0:
		return fmt.Sprintf("%s early, %.0f %% of its interval", Count(t.DaysEarly, "day"), 100*v.plan.ShareLost(t))
	default:
		return ""
	}
}

func (v stopsPage) leftOver() error {
	if len(v.plan.Unplaced) == 0 {
		return nil
	}
	var rows []string
	for _, u := range v.plan.Unplaced {
		rows = append(rows, row(u.Task.Name, v.day(u.Task.P10), u.Reason))
	}
	fmt.Fprintf(v.w, "%s without a stop:\n", Count(len(rows), "task"))
	if err := table(v.w, "TASK\tDO BY\tWHY", rows); err != nil {
		return err
	}
	_, err := fmt.Fprintln(v.w)
	return err
}

// partCount is how many of a part are needed.
type partCount struct {
	Part  string `json:"part"`
	Count int    `json:"count"`
}

// partsOf adds up the parts of a stop's tasks.
func partsOf(p plan.StopPlan, f stops.Filled) []partCount {
	n := map[string]int{}
	for _, b := range f.Blocks {
		for _, t := range b.Tasks {
			for _, part := range p.Tasks[t.Task.Name].Parts {
				n[part]++
			}
		}
	}
	out := []partCount{}
	for _, part := range slices.Sorted(maps.Keys(n)) {
		out = append(out, partCount{part, n[part]})
	}
	return out
}

// cautionsOf gives the cards of tasks, each once, by code, and the closing one.
func cautionsOf(tasks []upkeep.Task) []upkeep.Card {
	var codes []string
	for _, t := range tasks {
		for _, c := range t.Cautions {
			if c.Code != "" && !slices.Contains(codes, c.Code) {
				codes = append(codes, c.Code)
			}
		}
	}
	slices.SortFunc(codes, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) })
	return upkeep.Cards(codes)
}

func (v stopsPage) cautions() error {
	var tasks []upkeep.Task
	for _, f := range v.plan.Stops {
		tasks = append(tasks, tasksOf(v.plan, f)...)
	}
	if len(tasks) == 0 {
		return nil
	}
	fmt.Fprintln(v.w, "cautions:")
	for _, card := range cautionsOf(tasks) {
		if _, err := fmt.Fprintf(v.w, "  %s\n", strings.TrimSpace(card.Code+" "+card.Text)); err != nil {
			return err
		}
	}
	return nil
}

func tasksOf(p plan.StopPlan, f stops.Filled) []upkeep.Task {
	var out []upkeep.Task
	for _, b := range f.Blocks {
		for _, t := range b.Tasks {
			out = append(out, p.Tasks[t.Task.Name])
		}
	}
	return out
}

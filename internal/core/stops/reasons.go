package stops

import (
	"fmt"
	"slices"
	"sort"
)

// fill lays out every stop and gives reasons for what is late or left over.
func (c *problem) fill(out *Proposal, chosen []int) {
	load := make([][]int, len(c.stops))
	for task, stop := range chosen {
		if stop != nowhere {
			load[stop] = append(load[stop], task)
		}
	}
	for i, s := range c.stops {
		blocks := c.blocks(load[i])
		l := lay(blocks, s.People, s.Minutes)
		start, end := schedule(blocks, l, s.People)
		f := Filled{Stop: s, Minutes: end, Blocks: []Block{}}
		for k, b := range blocks {
			shown := Block{IsolationMinutes: b.isolate, Start: start[k], Minutes: b.minutes}
			for p := range b.people {
				shown.People = append(shown.People, l.lane[k]+p+1)
			}
			f.SavedMinutes -= b.isolate
			for _, task := range b.tasks {
				shown.Isolation = c.tasks[task].Isolation
				shown.Tasks = append(shown.Tasks, c.placed(task, i, load))
				f.SavedMinutes += c.tasks[task].IsolationMinutes
			}
			f.Blocks = append(f.Blocks, shown)
		}
		out.Stops = append(out.Stops, f)
	}
	for task, stop := range chosen {
		if stop == nowhere {
			out.Unplaced = append(out.Unplaced, c.unplaced(task, load))
		}
	}
}

func (c *problem) placed(task, stop int, load [][]int) Placed {
	one := c.ofChoice(task, stop).shown()
	p := Placed{
		Task: c.tasks[task], LifeLost: one.LifeLost, DaysLate: one.DaysLate,
		DaysEarly: max(0, c.p50[task]-c.day[stop]),
	}
	if one.Late > 0 {
		p.Reason = c.obstacle(task, load, c.p10[task]).says
	}
	return p
}

func (c *problem) unplaced(task int, load [][]int) Unplaced {
	o := c.obstacle(task, load, c.horizon(c.tasks[task].Press))
	u := Unplaced{Task: c.tasks[task], Reason: o.says, MissingMinutes: o.missing}
	if o.stop >= 0 {
		u.Nearest = c.stops[o.stop].From
	}
	return u
}

// obstacle is what keeps a task out of the stops up to a day.
type obstacle struct {
	says    string
	stop    int // that comes nearest; -1 when there is none
	missing int // minutes
}

// obstacle names what is in the way, at the stop that lacks the fewest minutes.
func (c *problem) obstacle(task int, load [][]int, until int) obstacle {
	t := c.tasks[task]
	none := obstacle{stop: -1, says: fmt.Sprintf("no stop of %s is planned", t.Press)}
	people, at := 0, -1
	best := none
	for i, s := range c.stops {
		if !c.offers(i, task) {
			continue
		}
		if best.stop < 0 && c.day[i] > until {
			best.says = fmt.Sprintf("no stop of %s is planned by %s", t.Press, c.date(t))
		}
		if c.day[i] > until {
			continue
		}
		if t.People > s.People {
			if s.People > people {
				people, at = s.People, i
			}
			continue
		}
		if lacks := c.lacks(task, i, load[i]); best.stop < 0 || lacks < best.missing {
			best = obstacle{stop: i, missing: lacks}
		}
	}
	switch {
	case best.stop >= 0 && t.IsolationMinutes+t.Minutes > c.stops[best.stop].Minutes:
		best.says = fmt.Sprintf("needs %d minutes with isolating, the stop of %s has %d", t.IsolationMinutes+t.Minutes, c.when(best.stop), c.stops[best.stop].Minutes)
	case best.stop >= 0 && best.missing == 0:
		best.says = fmt.Sprintf("would fit in the stop of %s, but the search was not carried to its end", c.when(best.stop))
	case best.stop >= 0:
		best.says = fmt.Sprintf("the stop of %s is full: %d more minutes would do", c.when(best.stop), best.missing)
	case at >= 0:
		best = obstacle{stop: at, says: fmt.Sprintf("needs %d people at once, the stop of %s has %d", t.People, c.when(at), people)}
	}
	return best
}

// lacks is by how many minutes a stop is too short for its load and one task
// more.
func (c *problem) lacks(task, stop int, load []int) int {
	s := c.stops[stop]
	at, _ := slices.BinarySearch(load, task)
	all := slices.Insert(slices.Clone(load), at, task)
	blocks := c.blocks(all)
	work := 0
	for _, b := range blocks {
		work += b.minutes
	}
	return sort.Search(max(0, work-s.Minutes), func(more int) bool {
		return lay(blocks, s.People, s.Minutes+more).fits
	})
}

func (c *problem) when(stop int) string {
	return c.stops[stop].From.In(c.zone).Format("Mon 2 Jan")
}

func (c *problem) date(t Task) string { return t.P10.In(c.zone).Format("Mon 2 Jan 2006") }

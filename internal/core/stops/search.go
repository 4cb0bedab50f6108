package stops

import (
	"math"
	"slices"
)

// nowhere is the choice of a task that has no stop.
const nowhere = -1

// score is Score in integers: late, unplaced, days late, millionths of life
// lost, isolation minutes. Integers add up the same in every order.
type score [5]int64

func (s score) plus(o score) score {
	for i := range s {
		s[i] += o[i]
	}
	return s
}

func (s score) less(o score) bool { return slices.Compare(s[:], o[:]) < 0 }

func (s score) shown() Score {
	return Score{Late: int(s[0]), Unplaced: int(s[1]), DaysLate: int(s[2]), LifeLost: float64(s[3]) / 1e6, IsolationMinutes: int(s[4])}
}

// ofChoice scores one task in one stop, isolating left out.
func (c *problem) ofChoice(task, stop int) score {
	if stop == nowhere {
		return score{1, 1}
	}
	var s score
	if late := c.day[stop] - c.p10[task]; late > 0 {
		s[0], s[2] = 1, int64(late)
	}
	early := max(0, c.p50[task]-c.day[stop])
	s[3] = int64(math.Round(c.tasks[task].LossPerDay * float64(early) * 1e6))
	return s
}

// isolating sums the isolating of a stop's tasks, shared counted once: a task
// adds what it needs beyond those before it behind the same isolation.
func (c *problem) isolating(tasks []int) int {
	sum := 0
	for i, task := range tasks {
		done := 0
		for _, t := range tasks[:i] {
			if c.block[t] == c.block[task] {
				done = max(done, c.tasks[t].IsolationMinutes)
			}
		}
		sum += max(0, c.tasks[task].IsolationMinutes-done)
	}
	return sum
}

// solution is the best found for one part.
type solution struct {
	best      []int // stop of each task of the part
	bestScore score
	floor     score
	exact     bool
}

// search is the state of the branch and bound over the tasks of one part.
type search struct {
	c       *problem
	part    []int   // tasks
	options [][]int // stops of each, the best first; nowhere comes last
	rest    []score // least score of the tasks from n on
	load    [][]int // tasks by stop
	chosen  []int   // stop of each task of the part
	now     score   // of chosen, isolating included
	steps   int
	unsure  bool // a layout was not searched to the end
	solution
}

// solve finds the best stops for the tasks of a part.
func (c *problem) solve(part []int, effort int) solution {
	s := search{c: c, part: part, steps: effort, load: make([][]int, len(c.stops)), rest: make([]score, len(part)+1)}
	for _, task := range part {
		var opts []int
		for stop := range c.stops {
			if c.serves(stop, task) {
				opts = append(opts, stop)
			}
		}
		slices.SortStableFunc(opts, func(a, b int) int {
			sa, sb := c.ofChoice(task, a), c.ofChoice(task, b)
			return slices.Compare(sa[:], sb[:])
		})
		s.options = append(s.options, append(opts, nowhere))
	}
	// Adding up what is least for each task is a floor, because the order of
	// scores is kept by adding.
	for n := len(part) - 1; n >= 0; n-- {
		s.rest[n] = s.rest[n+1].plus(c.ofChoice(part[n], s.options[n][0]))
	}
	s.floor = s.rest[0]
	s.start()
	s.improve()
	s.keep()
	s.clear()
	s.descend(0)
	if s.exact = s.steps > 0 && !s.unsure; s.exact {
		s.floor = s.bestScore
	}
	return s.solution
}

// start takes tasks in their order, each into its best stop that has room.
func (s *search) start() {
	s.chosen = make([]int, len(s.part))
	for n := range s.part {
		s.chosen[n] = nowhere
		s.now = s.now.plus(score{1, 1})
		for _, stop := range s.options[n] {
			if s.move(n, stop) {
				break
			}
		}
	}
}

// fits says whether a stop can take its present load.
func (s *search) fits(stop int) bool {
	l := lay(s.c.blocks(s.load[stop]), s.c.stops[stop].People, s.c.stops[stop].Minutes)
	s.unsure = s.unsure || !l.sure
	return l.fits
}

// put and take change the load of a stop and the score, without asking whether
// it fits. The load is in the order of tasks, so that a load is laid out the same
// whatever way it came about.
func (s *search) put(n, stop int) {
	s.chosen[n] = stop
	s.now = s.now.plus(s.c.ofChoice(s.part[n], stop))
	if stop == nowhere {
		return
	}
	before := s.c.isolating(s.load[stop])
	at, _ := slices.BinarySearch(s.load[stop], s.part[n])
	s.load[stop] = slices.Insert(s.load[stop], at, s.part[n])
	s.now[4] += int64(s.c.isolating(s.load[stop]) - before)
}

func (s *search) take(n int) {
	stop := s.chosen[n]
	minus := s.c.ofChoice(s.part[n], stop)
	for i := range minus {
		s.now[i] -= minus[i]
	}
	if stop == nowhere {
		return
	}
	before := s.c.isolating(s.load[stop])
	at, _ := slices.BinarySearch(s.load[stop], s.part[n])
	s.load[stop] = slices.Delete(s.load[stop], at, at+1)
	s.now[4] += int64(s.c.isolating(s.load[stop]) - before)
}

// move puts a task elsewhere when there is room and the score falls; otherwise
// nothing changes.
func (s *search) move(n, stop int) bool {
	from, before := s.chosen[n], s.now
	s.take(n)
	s.put(n, stop)
	if s.now.less(before) && (stop == nowhere || s.fits(stop)) {
		return true
	}
	s.take(n)
	s.put(n, from)
	return false
}

// rounds bounds the improving; each round makes the score less, and it mostly
// ends after a few.
const rounds = 50

// improve moves tasks and exchanges pairs until neither makes the score less.
func (s *search) improve() {
	for range rounds {
		better := false
		for n := range s.part {
			for _, stop := range s.options[n] {
				better = stop != s.chosen[n] && s.move(n, stop) || better
			}
		}
		for a := range s.part {
			for b := range s.part {
				better = a != b && s.chosen[a] != s.chosen[b] && s.chosen[b] != nowhere && s.displace(a, b) || better
			}
		}
		if !better {
			return
		}
	}
}

// displace puts task a where b is, and b to the best place that it then finds.
func (s *search) displace(a, b int) bool {
	fromA, fromB, before := s.chosen[a], s.chosen[b], s.now
	if !slices.Contains(s.options[a], fromB) || !s.gains(a, b) {
		return false
	}
	s.take(a)
	s.take(b)
	s.put(a, fromB)
	if s.fits(fromB) {
		for _, stop := range s.options[b] {
			if stop == fromB {
				continue
			}
			s.put(b, stop)
			if s.now.less(before) && (stop == nowhere || s.fits(stop)) {
				return true
			}
			s.take(b)
		}
	}
	s.take(a)
	s.put(a, fromA)
	s.put(b, fromB)
	return false
}

// gains says whether a in b's stop, and b in the best of its others, could make
// the score less. It spares the layouts where it could not.
func (s *search) gains(a, b int) bool {
	other := s.options[b][0]
	if other == s.chosen[b] {
		other = s.options[b][1] // nowhere is always there besides
	}
	is := s.c.ofChoice(s.part[a], s.chosen[a]).plus(s.c.ofChoice(s.part[b], s.chosen[b]))
	could := s.c.ofChoice(s.part[a], s.chosen[b]).plus(s.c.ofChoice(s.part[b], other))
	return !is.less(could) // equal ones may still save isolating
}

// keep remembers the present choices as the best.
func (s *search) keep() {
	s.best, s.bestScore = slices.Clone(s.chosen), s.now
}

func (s *search) clear() {
	for n := range s.part {
		s.take(n)
		s.chosen[n] = nowhere
	}
}

// descend tries every choice for task n and after, as long as it can be better
// than the best.
func (s *search) descend(n int) {
	if !s.now.plus(s.rest[n]).less(s.bestScore) {
		return
	}
	if n == len(s.part) {
		s.keep()
		return
	}
	for _, stop := range s.options[n] {
		if s.steps <= 0 {
			return
		}
		s.steps--
		s.put(n, stop)
		if stop == nowhere || s.fits(stop) {
			s.descend(n + 1)
		}
		s.take(n)
	}
}

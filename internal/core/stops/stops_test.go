package stops_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/core/stops"
)

// monday is Monday 1 June 2026.
var monday = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

func day(n int) time.Time { return monday.AddDate(0, 0, n) }

// stop is a stop of Heron at 06:00, n days after monday.
func stop(n, minutes, people int) plant.PlannedStop {
	from := day(n).Add(6 * time.Hour)
	return plant.PlannedStop{Press: "heron", From: from, To: from.Add(time.Duration(minutes) * time.Minute), People: people}
}

func task(name, isolation string, minutes, p10, p50 int, loss float64) stops.Task {
	t := stops.Task{Name: name, Press: "heron", Isolation: isolation, Minutes: minutes, P10: day(p10), P50: day(p50), P90: day(p50 + 2), LossPerDay: loss}
	if isolation != "" {
		t.IsolationMinutes = 12
	}
	return t
}

func propose(t *testing.T, q stops.Question) stops.Proposal {
	t.Helper()
	q.Now, q.Zone = monday, time.UTC
	p, err := stops.Propose(q)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// names lists the tasks of a stop in the order of work.
func names(f stops.Filled) []string {
	var out []string
	for _, b := range f.Blocks {
		for _, p := range b.Tasks {
			out = append(out, p.Task.Name)
		}
	}
	return out
}

func TestEachTaskGoesToTheLastStopBeforeItsP10(t *testing.T) {
	p := propose(t, stops.Question{
		Stops: []plant.PlannedStop{stop(5, 120, 1), stop(12, 120, 1), stop(19, 120, 1)},
		Tasks: []stops.Task{
			task("lamp", "heron-1", 30, 13, 15, 0.01),
			task("reflector", "heron-1", 15, 12, 14, 0.02), // P10 is the day of the stop
			task("filter", "heron-1", 6, 11, 12, 0.14),
			task("ducts", "heron", 60, 40, 50, 0.005),
		},
	})
	if got := names(p.Stops[0]); !slices.Equal(got, []string{"filter"}) {
		t.Errorf("first stop: %v", got)
	}
	if got := names(p.Stops[1]); !slices.Equal(got, []string{"reflector", "lamp"}) {
		t.Errorf("second stop: %v", got)
	}
	b := p.Stops[1].Blocks[0]
	if b.IsolationMinutes != 12 || b.Minutes != 57 || p.Stops[1].SavedMinutes != 12 {
		t.Errorf("block %+v, saved %d", b, p.Stops[1].SavedMinutes)
	}
	want := stops.Score{LifeLost: 3*0.01 + 2*0.02 + 7*0.14, IsolationMinutes: 24}
	if !p.Exact || math.Abs(p.Score.LifeLost-want.LifeLost) > 1e-9 {
		t.Errorf("score %+v, want %+v", p.Score, want)
	}
	if len(p.Later) != 1 || p.Later[0].Name != "ducts" || len(p.Unplaced) != 0 {
		t.Errorf("later %+v, unplaced %+v", p.Later, p.Unplaced)
	}
	if by, ok := p.NextStopBy(); !ok || !by.Equal(day(40)) {
		t.Errorf("next stop by %v, %v", by, ok)
	}
}

// The task with less to lose makes room.
func TestLeastLifeIsThrownAway(t *testing.T) {
	p := propose(t, stops.Question{
		Stops: []plant.PlannedStop{stop(1, 60, 1), stop(8, 60, 1)},
		Tasks: []stops.Task{task("dear", "", 40, 8, 9, 0.05), task("cheap", "", 40, 8, 9, 0.01)},
	})
	if a, b := names(p.Stops[0]), names(p.Stops[1]); !slices.Equal(a, []string{"cheap"}) || !slices.Equal(b, []string{"dear"}) {
		t.Errorf("stops %v and %v", a, b)
	}
	if p.Score.Late != 0 || math.Abs(p.Score.LifeLost-(8*0.01+0.05)) > 1e-9 {
		t.Errorf("score %+v", p.Score)
	}
}

// Common practice, no source: several tasks behind one lock-out save 10 to 15
// minutes of it each, which decides here whether they fit.
func TestSharedIsolationIsCountedOnce(t *testing.T) {
	tasks := []stops.Task{task("lamp", "heron-1", 30, 3, 5, 0.01), task("reflector", "heron-1", 15, 3, 5, 0.01), task("filter", "heron-1", 6, 3, 5, 0.01)}
	if p := propose(t, stops.Question{Stops: []plant.PlannedStop{stop(3, 63, 1)}, Tasks: tasks}); len(p.Unplaced) != 0 || p.Stops[0].Minutes != 63 || p.Stops[0].SavedMinutes != 24 {
		t.Errorf("unplaced %+v, minutes %d, saved %d", p.Unplaced, p.Stops[0].Minutes, p.Stops[0].SavedMinutes)
	}
	tasks[2].Isolation = "heron-2"
	p := propose(t, stops.Question{Stops: []plant.PlannedStop{stop(3, 63, 1)}, Tasks: tasks})
	if len(p.Unplaced) != 1 || p.Score.Late != 1 {
		t.Fatalf("unplaced %+v", p.Unplaced)
	}
	if u := p.Unplaced[0]; u.Task.Name != "filter" || u.MissingMinutes != 12 || !u.Nearest.Equal(day(3).Add(6*time.Hour)) ||
		u.Reason != "the stop of Thu 4 Jun is full: 12 more minutes would do" {
		t.Errorf("unplaced %+v", u)
	}
}

func TestReasons(t *testing.T) {
	two := task("ducts", "", 60, 3, 5, 0.01)
	two.People = 2
	other := task("cot", "", 10, 3, 5, 0.01)
	other.Press = "lapwing"
	over := task("overdue", "", 10, -9, -8, 0.01)
	p := propose(t, stops.Question{
		Stops: []plant.PlannedStop{stop(3, 60, 1)},
		Tasks: []stops.Task{two, other, over, task("long", "heron-1", 60, 3, 5, 0.01)},
	})
	got := map[string]string{}
	for _, u := range p.Unplaced {
		got[u.Task.Name] = u.Reason
	}
	for _, b := range p.Stops[0].Blocks {
		for _, placed := range b.Tasks {
			got[placed.Task.Name] = fmt.Sprintf("%d days late: %s", placed.DaysLate, placed.Reason)
		}
	}
	want := map[string]string{
		"ducts":   "needs 2 people at once, the stop of Thu 4 Jun has 1",
		"cot":     "no stop of lapwing is planned",
		"long":    "needs 72 minutes with isolating, the stop of Thu 4 Jun has 60",
		"overdue": "12 days late: no stop of heron is planned by Sat 23 May 2026",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// A stop is laid out as well as can be, not only longest first.
// Source: R. L. Graham, Bounds on multiprocessing timing anomalies, SIAM Journal
// on Applied Mathematics 17 (1969): longest first needs 7 for 3, 3, 2, 2, 2 on two
// machines, where 6 is possible.
func TestTwoPeopleShareTheWork(t *testing.T) {
	var tasks []stops.Task
	for i, m := range []int{3, 3, 2, 2, 2} {
		tasks = append(tasks, task(fmt.Sprint("task-", i), "", m, 3, 5, 0.01))
	}
	p := propose(t, stops.Question{Stops: []plant.PlannedStop{stop(3, 6, 2)}, Tasks: tasks})
	if len(p.Unplaced) != 0 || p.Stops[0].Minutes != 6 {
		t.Errorf("unplaced %+v, minutes %d", p.Unplaced, p.Stops[0].Minutes)
	}
}

func TestDaysAreLocal(t *testing.T) {
	zone := time.FixedZone("UTC+9", 9*3600)
	s := plant.PlannedStop{Press: "heron", From: time.Date(2026, 6, 5, 21, 0, 0, 0, time.UTC), To: time.Date(2026, 6, 5, 22, 0, 0, 0, time.UTC)} // 6 June, 06:00
	tk := stops.Task{Name: "lamp", Press: "heron", Minutes: 30, P50: time.Date(2026, 6, 6, 0, 0, 0, 0, zone)}
	p, err := stops.Propose(stops.Question{Now: monday, Zone: zone, Stops: []plant.PlannedStop{s}, Tasks: []stops.Task{tk}})
	if err != nil || p.Score.Late != 0 || len(names(p.Stops[0])) != 1 {
		t.Errorf("proposal %+v, %v", p, err)
	}
}

func TestQuestionsThatMakeNoSense(t *testing.T) {
	wrong := task("lamp", "", 10, 9, 5, 0)
	for name, q := range map[string]stops.Question{
		"expected an end after": {Stops: []plant.PlannedStop{{From: day(2), To: day(1)}}},
		"expected 0 to 60":      {Stops: []plant.PlannedStop{{From: day(1), To: day(1).Add(time.Hour), Minutes: 90}}},
		"given twice":           {Tasks: []stops.Task{task("a", "", 1, 1, 1, 0), task("a", "", 1, 1, 1, 0)}},
		"in the order of time":  {Tasks: []stops.Task{wrong}},
		"none below 0":          {Tasks: []stops.Task{task("a", "", -1, 1, 1, 0)}},
	} {
		q.Now, q.Zone = monday, time.UTC
		if _, err := stops.Propose(q); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%q, want %q in it", err, name)
		}
	}
}

// question draws a small or large question in which stops are tight.
func question(rt *rapid.T, maxTasks, maxStops int) stops.Question {
	q := stops.Question{Now: monday, Zone: time.UTC}
	press := rapid.SampledFrom([]plant.PressID{"heron", "lapwing", ""})
	for range rapid.IntRange(0, maxStops).Draw(rt, "stops") {
		s := stop(rapid.IntRange(0, 20).Draw(rt, "day"), rapid.IntRange(10, 80).Draw(rt, "minutes"), rapid.IntRange(1, 3).Draw(rt, "people"))
		s.Press = press.Draw(rt, "press")
		q.Stops = append(q.Stops, s)
	}
	for i := range rapid.IntRange(0, maxTasks).Draw(rt, "tasks") {
		p10 := rapid.IntRange(-3, 22).Draw(rt, "p10")
		tk := task(fmt.Sprintf("task-%02d", i), rapid.SampledFrom([]string{"", "a", "b"}).Draw(rt, "isolation"),
			rapid.IntRange(0, 50).Draw(rt, "work"), p10, p10+rapid.IntRange(0, 6).Draw(rt, "spread"), rapid.SampledFrom([]float64{0, 0.01, 0.02, 0.1}).Draw(rt, "loss"))
		tk.Press = rapid.SampledFrom([]plant.PressID{"heron", "lapwing"}).Draw(rt, "of")
		tk.People = rapid.SampledFrom([]int{1, 1, 1, 2, 3}).Draw(rt, "needs")
		q.Tasks = append(q.Tasks, tk)
	}
	return q
}

// Small questions are answered with the best of all answers, found by trying
// each; a bounded search states a floor that is below it and keeps to the rules.
func TestPropose_IsTheBestOfAll(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		q := question(rt, 5, 3)
		best := bruteForce(q)
		p, err := stops.Propose(q)
		if err != nil {
			rt.Fatal(err)
		}
		sound(rt, q, p)
		if !p.Exact || compare(p.Score, best) != 0 || compare(p.Floor, best) != 0 {
			rt.Fatalf("score %+v, exact %v; the best is %+v", p.Score, p.Exact, best)
		}
		q.Effort = 1
		p, err = stops.Propose(q)
		if err != nil {
			rt.Fatal(err)
		}
		sound(rt, q, p)
		if compare(p.Score, best) < 0 || compare(p.Floor, best) > 0 || p.Exact && compare(p.Score, best) != 0 {
			rt.Fatalf("score %+v, floor %+v, exact %v; the best is %+v", p.Score, p.Floor, p.Exact, best)
		}
	})
}

// Large questions keep to the rules whatever the bound, and the order in which
// stops and tasks are given changes nothing.
func TestPropose_LargeQuestionsAreSound(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		q := question(rt, 25, 6)
		q.Effort = 300
		p, err := stops.Propose(q)
		if err != nil {
			rt.Fatal(err)
		}
		sound(rt, q, p)
		if compare(p.Floor, p.Score) > 0 {
			rt.Fatalf("floor %+v above score %+v", p.Floor, p.Score)
		}
		slices.Reverse(q.Tasks)
		again, err := stops.Propose(q)
		if err != nil {
			rt.Fatal(err)
		}
		if diff := cmp.Diff(p, again); diff != "" {
			rt.Fatal(diff)
		}
	})
}

// A question of the size of a plant, with stops that are full, ends within its
// bound and near its floor.
func TestPropose_WholePlant(t *testing.T) {
	q := stops.Question{}
	for w := range 8 {
		q.Stops = append(q.Stops, stop(5+7*w, 210, 2))
	}
	for i := range 80 {
		q.Tasks = append(q.Tasks, task(fmt.Sprintf("task-%02d", i), fmt.Sprintf("heron-%d", i%8), 6+i*7%30, 6+i*13%50, 8+i*13%50, float64(1+i%5)/100))
	}
	p := propose(t, q)
	if p.Score.Late != 0 || p.Floor.LifeLost > p.Score.LifeLost || p.Score.LifeLost > 1.1*p.Floor.LifeLost {
		t.Errorf("score %+v, floor %+v, exact %v", p.Score, p.Floor, p.Exact)
	}
}

func compare(a, b stops.Score) int {
	if math.Abs(a.LifeLost-b.LifeLost) < 1e-7 {
		a.LifeLost = b.LifeLost
	}
	return slices.Compare(
		[]float64{float64(a.Late), float64(a.Unplaced), float64(a.DaysLate), a.LifeLost, float64(a.IsolationMinutes)},
		[]float64{float64(b.Late), float64(b.Unplaced), float64(b.DaysLate), b.LifeLost, float64(b.IsolationMinutes)})
}

// sound checks that each task is somewhere once, that nobody is in two places,
// and that the score is that of what is proposed.
func sound(rt *rapid.T, q stops.Question, p stops.Proposal) {
	rt.Helper()
	seen := map[string]int{}
	var score stops.Score
	for _, f := range p.Stops {
		busy := map[int][]stops.Block{}
		for _, b := range f.Blocks {
			need, work := 1, b.IsolationMinutes
			for _, pl := range b.Tasks {
				seen[pl.Task.Name]++
				need, work = max(need, pl.Task.People), work+pl.Task.Minutes
				if f.Stop.Press != "" && f.Stop.Press != pl.Task.Press || pl.Task.Isolation != b.Isolation {
					rt.Fatalf("task %+v in block %+v of stop %+v", pl.Task, b, f.Stop)
				}
				if pl.DaysLate > 0 {
					score.Late++
				}
				if (pl.DaysLate > 0) != (pl.Reason != "") {
					rt.Fatalf("late by %d days: %q", pl.DaysLate, pl.Reason)
				}
				score.DaysLate += pl.DaysLate
				score.LifeLost += pl.LifeLost
			}
			score.IsolationMinutes += b.IsolationMinutes
			if len(b.People) != need || work != b.Minutes || b.Start < 0 || b.Start+b.Minutes > min(f.Minutes, f.Stop.Minutes) {
				rt.Fatalf("block %+v in %d minutes of %+v", b, f.Minutes, f.Stop)
			}
			for _, who := range b.People {
				for _, o := range busy[who] {
					if who > f.Stop.People || b.Start < o.Start+o.Minutes && o.Start < b.Start+b.Minutes {
						rt.Fatalf("person %d of %d is on %+v and %+v", who, f.Stop.People, o, b)
					}
				}
				busy[who] = append(busy[who], b)
			}
		}
	}
	for _, u := range p.Unplaced {
		seen[u.Task.Name]++
		score.Late, score.Unplaced = score.Late+1, score.Unplaced+1
		if u.Reason == "" {
			rt.Fatalf("no reason for %+v", u)
		}
	}
	for _, l := range p.Later {
		seen[l.Name]++
	}
	for _, tk := range q.Tasks {
		if seen[tk.Name] != 1 {
			rt.Fatalf("%s stands %d times", tk.Name, seen[tk.Name])
		}
	}
	if compare(score, p.Score) != 0 {
		rt.Fatalf("score %+v, counted %+v", p.Score, score)
	}
}

// bruteForce tries every stop for every task and every person for every block.
func bruteForce(q stops.Question) stops.Score {
	var due []stops.Task
	for _, tk := range q.Tasks {
		last, own := -1000, false
		for _, s := range q.Stops {
			d := int(s.From.Sub(monday).Hours() / 24)
			mine := s.Press == "" || s.Press == tk.Press
			if mine && !own {
				last, own = d, true
			}
			if mine == own {
				last = max(last, d)
			}
		}
		if int(tk.P10.Sub(monday).Hours()/24) <= last {
			due = append(due, tk)
		}
	}
	best := stops.Score{Late: 1 << 30}
	choice := make([]int, len(due))
	var try func(n int)
	try = func(n int) {
		if n == len(due) {
			if s, ok := judge(q.Stops, due, choice); ok && compare(s, best) < 0 {
				best = s
			}
			return
		}
		for c := -1; c < len(q.Stops); c++ {
			choice[n] = c
			try(n + 1)
		}
	}
	try(0)
	return best
}

func judge(all []plant.PlannedStop, due []stops.Task, choice []int) (stops.Score, bool) {
	var s stops.Score
	for i, c := range choice {
		if c < 0 {
			s.Late, s.Unplaced = s.Late+1, s.Unplaced+1
			continue
		}
		if all[c].Press != "" && all[c].Press != due[i].Press {
			return s, false
		}
		d := all[c].From.Truncate(24 * time.Hour)
		if late := int(d.Sub(due[i].P10).Hours() / 24); late > 0 {
			s.Late, s.DaysLate = s.Late+1, s.DaysLate+late
		}
		s.LifeLost += due[i].LossPerDay * max(0, due[i].P50.Sub(d).Hours()/24)
	}
	for n, st := range all {
		length, people := map[string]int{}, map[string]int{}
		for i, c := range choice {
			if c != n {
				continue
			}
			k := string(due[i].Press) + due[i].Isolation
			if due[i].Isolation == "" {
				k = due[i].Name
			} else if length[k] == 0 {
				length[k] = due[i].IsolationMinutes
				s.IsolationMinutes += due[i].IsolationMinutes
			}
			length[k] += due[i].Minutes
			people[k] = max(people[k], due[i].People)
		}
		var single []int
		left := make([]int, st.People)
		for i := range left {
			left[i] = int(st.To.Sub(st.From).Minutes())
		}
		for need := st.People; need > 1; need-- { // those for more people come first
			for k, l := range length {
				if people[k] == need {
					for i := range need {
						left[i] = left[0] - l*btoi(i == 0)
					}
				}
			}
		}
		for k, l := range length {
			if people[k] > st.People {
				return s, false
			}
			if people[k] == 1 {
				single = append(single, l)
			}
		}
		if !share(single, left) {
			return s, false
		}
	}
	return s, true
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func share(single, left []int) bool {
	if slices.Min(left) < 0 {
		return false
	}
	if len(single) == 0 {
		return true
	}
	for i := range left {
		left[i] -= single[0]
		ok := left[i] >= 0 && share(single[1:], left)
		left[i] += single[0]
		if ok {
			return true
		}
	}
	return false
}

package stops

import (
	"cmp"
	"slices"
)

// block is the work behind one isolation in one stop.
type block struct {
	key     int // what its tasks share, as in (*problem).block
	isolate int
	minutes int // isolating included
	people  int
	tasks   []int
}

// blocks gathers tasks by what must be isolated for them. Blocks for several
// people come first, then the longest; the rest of the order is that of tasks.
func (c *problem) blocks(tasks []int) []block {
	var out []block
	for _, i := range tasks {
		t := c.tasks[i]
		at := slices.IndexFunc(out, func(b block) bool { return b.key == c.block[i] })
		if at < 0 {
			at = len(out)
			out = append(out, block{key: c.block[i]})
		}
		b := &out[at]
		more := max(0, t.IsolationMinutes-b.isolate)
		b.isolate += more
		b.minutes += more + t.Minutes
		b.people = max(b.people, t.People)
		b.tasks = append(b.tasks, i)
	}
	slices.SortStableFunc(out, func(a, b block) int {
		return cmp.Or(cmp.Compare(b.people, a.people), cmp.Compare(b.minutes, a.minutes))
	})
	return out
}

// packSteps bounds the search for a layout of one stop. It is far beyond what
// the blocks of one press need.
const packSteps = 5000

// layout is who does which block.
type layout struct {
	lane []int // of each block: the first person on it, from 0
	// fits is false when the blocks cannot be done in the minutes; sure is false
	// when that was not searched to the end.
	fits, sure bool
}

// lay shares blocks, in the order of (*problem).blocks, among people. Blocks for k
// people are worked first, one after another, by the first k; single blocks then
// fill what each person has left.
func lay(blocks []block, people, minutes int) layout {
	left := make([]int, people)
	for i := range left {
		left[i] = minutes
	}
	out := layout{lane: make([]int, len(blocks)), sure: true}
	single, work, room := 0, 0, 0
	for single < len(blocks) && blocks[single].people > 1 {
		b := blocks[single]
		if b.people > people || b.minutes > left[0] {
			return out
		}
		// The first person is on every such block, so blocks never overlap.
		end := left[0] - b.minutes
		for i := range b.people {
			left[i] = end
		}
		single++
	}
	for _, l := range left {
		room += l
	}
	for _, b := range blocks[single:] {
		work += b.minutes
	}
	if work > room {
		return out
	}
	p := packing{blocks: blocks[single:], left: left, lane: out.lane[single:], steps: packSteps}
	out.fits = p.place(0)
	out.sure = out.fits || p.steps > 0
	return out
}

// packing fills single blocks, the longest first, into what people have left.
type packing struct {
	blocks []block
	left   []int
	lane   []int
	steps  int
}

func (p *packing) place(n int) bool {
	if n == len(p.blocks) {
		return true
	}
	if p.steps--; p.steps <= 0 {
		return false
	}
	// Whoever has most left comes first: that evens the work out and mostly fits
	// at once. Two people with the same left are the same.
	order := make([]int, 0, len(p.left))
	for i, l := range p.left {
		if l >= p.blocks[n].minutes && !slices.ContainsFunc(order, func(o int) bool { return p.left[o] == l }) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p.left[b], p.left[a]) })
	for _, i := range order {
		p.left[i] -= p.blocks[n].minutes
		p.lane[n] = i
		if p.place(n + 1) {
			return true
		}
		p.left[i] += p.blocks[n].minutes
	}
	return false
}

// schedule gives the start of each block in minutes and the end of the last.
func schedule(blocks []block, l layout, people int) (start []int, end int) {
	busy := make([]int, people)
	start = make([]int, len(blocks))
	for i, b := range blocks {
		lane := l.lane[i]
		start[i] = busy[lane]
		for k := range b.people {
			busy[lane+k] = start[i] + b.minutes
		}
		end = max(end, start[i]+b.minutes)
	}
	return start, end
}

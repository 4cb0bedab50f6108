package regression

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"curetally/internal/core/stats"
)

// Effort of a search. One change point among few values is searched
// exhaustively; more values, and pairs, are searched on a grid of the driver's
// values first, then ever finer around the best.
const (
	exactOne   = 400 // values searched exhaustively for one change point
	exactPair  = 32  // the same along one change point of a pair
	gridOne    = 100 // values of the first grid
	gridPair   = 32
	keptStarts = 3  // best points of the first grid that are followed
	maxPasses  = 60 // over the change points of a pair
)

// A slope needs three different values of the driver from its change point on,
// one there counting, and a level two rows: with fewer a part runs through its
// points whatever they are. Counting what stands at the change point keeps the
// set of possible change points closed, so that the best one exists.
const (
	slopeValues = 3
	levelRows   = 2
)

// search finds the change points of a form.
type search struct {
	table  Table
	kinks  []kink
	names  []string
	values []float64   // of the first driver, sorted, different
	upTo   []int       // upTo[i] is the number of rows at or below values[i]
	floor  float64     // sums of squares below are rounding and count as equal
	room   [][]float64 // for the columns of a candidate, used again for each
	err    error       // why a candidate could not be fitted, where none could
}

// point is a candidate: change points, and the sum of squared residuals there.
type point struct {
	changes []float64
	sse     float64
}

func newSearch(t Table, form Form) *search {
	s := &search{table: t, kinks: form.kinks(), names: form.names(t.Drivers)}
	all := make([]float64, len(t.Rows))
	s.room = make([][]float64, len(t.Rows))
	for i, row := range t.Rows {
		all[i] = row[0]
		s.room[i] = make([]float64, 0, len(row)+4)
	}
	slices.Sort(all)
	for i, v := range all {
		if n := len(s.values); n > 0 && s.values[n-1] == v {
			s.upTo[n-1] = i + 1
			continue
		}
		s.values, s.upTo = append(s.values, v), append(s.upTo, i+1)
	}
	var digit float64 // about the last one of the largest energy
	for _, e := range t.Energy {
		digit = max(digit, 2e-15*math.Abs(e))
	}
	s.floor = float64(len(t.Energy)) * digit * digit
	return s
}

// best gives the change points with the least sum of squared residuals. Where
// several are equal the first found is taken, from the lowest values up.
func (s *search) best() ([]float64, error) {
	var starts []point
	if len(s.kinks) == 1 {
		starts = s.grid(gridOne)
		if len(s.values) <= exactOne {
			starts = []point{s.along(point{changes: []float64{s.values[0]}, sse: math.Inf(1)}, 0, 0, len(s.values)-1)}
		}
	} else {
		starts = s.grid(gridPair)
	}
	found := point{sse: math.Inf(1)}
	for _, p := range starts {
		if p = s.descend(p); p.sse < found.sse {
			found = p
		}
	}
	if math.IsInf(found.sse, 1) {
		if singular, ok := errors.AsType[*stats.SingularError](s.err); ok {
			return nil, singular
		}
		return nil, errTooFewValues
	}
	return found.changes, nil
}

// grid gives the best few points among change points on a grid of n values.
func (s *search) grid(n int) []point {
	knots := thin(0, len(s.values)-1, n)
	var points []point
	add := func(changes ...float64) {
		if p := s.at(changes); !math.IsInf(p.sse, 1) {
			points = append(points, p)
		}
	}
	for i, a := range knots {
		if len(s.kinks) == 1 {
			add(s.values[a])
			continue
		}
		for _, b := range knots[i:] {
			add(s.values[a], s.values[b])
		}
	}
	slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(a.sse, b.sse) })
	return points[:min(len(points), keptStarts)]
}

// descend improves one change point after the other, and both together where
// each lies between two values, until nothing is gained.
func (s *search) descend(p point) point {
	last, width := len(s.values)-1, len(s.values)/gridPair+1
	if len(s.values) <= exactOne {
		width = last
	}
	for range maxPasses {
		before := p.sse
		for k := range s.kinks {
			i := s.index(p.changes[k])
			p = s.along(p, k, max(0, i-width), min(last, i+1+width))
		}
		if len(s.kinks) > 1 {
			p = s.jointly(p)
		}
		if !(p.sse < before*(1-1e-12)) {
			break
		}
	}
	return p
}

// along gives the best point when change point k moves from values[lo] to
// values[hi], the others staying.
func (s *search) along(p point, k, lo, hi int) point {
	exact := exactOne
	if len(s.kinks) > 1 {
		exact = exactPair
	}
	moved := slices.Clone(p.changes)
	for hi-lo > exact {
		knots, from, to, least := thin(lo, hi, exact/2), lo, hi, math.Inf(1)
		for i, knot := range knots {
			moved[k] = s.values[knot]
			if sse := s.at(moved).sse; sse < least {
				least, from, to = sse, knots[max(0, i-1)], knots[min(len(knots)-1, i+1)]
			}
		}
		if math.IsInf(least, 1) {
			return p
		}
		lo, hi = from, to
	}
	for i := lo; i <= hi; i++ {
		moved[k] = s.values[i]
		if q := s.at(moved); q.sse < p.sse {
			p = q
		}
		if i < hi {
			if q := s.between(moved, k, i); q.sse < p.sse {
				p = q
			}
		}
	}
	return p
}

// at gives the point with these change points.
func (s *search) at(changes []float64) point {
	return s.try(changes, func(k int, row []float64, t float64) []float64 {
		return s.kinks[k].fixed(row, changes[k], t)
	}, nil)
}

// between gives the best point with change point k inside the cell from
// values[i] to the next, if there is one: otherwise the best is at an end.
func (s *search) between(changes []float64, k, i int) point {
	return s.try(changes, func(at int, row []float64, t float64) []float64 {
		if at == k {
			return s.kinks[k].free(row, s.values[i], s.values[i+1], t)
		}
		return s.kinks[at].fixed(row, changes[at], t)
	}, []cell{{k, i}})
}

// jointly lets all change points move inside their cells at once.
func (s *search) jointly(p point) point {
	cells := make([]cell, len(s.kinks))
	for k, c := range p.changes {
		cells[k] = cell{k, min(s.index(c), len(s.values)-2)}
	}
	q := s.try(p.changes, func(k int, row []float64, t float64) []float64 {
		i := cells[k].i
		return s.kinks[k].free(row, s.values[i], s.values[i+1], t)
	}, cells)
	if q.sse < p.sse {
		return q
	}
	return p
}

// cell says that change point k lies between values[i] and values[i+1].
type cell struct{ k, i int }

// try fits with the columns that add gives for each change point, and moves the
// change points of free cells to where their lines meet. A point that cannot be
// has an infinite sum of squares.
func (s *search) try(changes []float64, add func(k int, row []float64, t float64) []float64, free []cell) point {
	none := point{sse: math.Inf(1)}
	out := slices.Clone(changes)
	if free == nil && !s.possible(out) {
		return none
	}
	rows := s.room
	for i, r := range s.table.Rows {
		row := rows[i][:0]
		for k := range s.kinks {
			row = add(k, row, r[0])
		}
		rows[i] = append(row, r[1:]...)
	}
	names := s.names
	if free != nil {
		names = make([]string, len(rows[0]))
	}
	f, err := stats.LeastSquares(rows, s.table.Energy, names)
	if err != nil {
		if free == nil {
			s.err = err
		}
		return none
	}
	first := 1 // the column of the kink at hand, after the intercept
	for k, kind := range s.kinks {
		columns := kind.slopes()
		for _, c := range free {
			if c.k != k {
				continue
			}
			lo, hi := s.values[c.i], s.values[c.i+1]
			out[k] = kind.join(lo, hi, f.Coefficients[first:])
			if !(out[k] > lo && out[k] < hi) {
				return none
			}
			columns++
		}
		first += columns
	}
	if free != nil && !s.possible(out) {
		return none
	}
	return point{changes: out, sse: max(f.SSE, s.floor)}
}

// possible says whether each slope and each level has enough rows.
func (s *search) possible(changes []float64) bool {
	if !slices.IsSorted(changes) {
		return false
	}
	for k, c := range changes {
		i, on := slices.BinarySearch(s.values, c)
		below, above := i, len(s.values)-i // different values on either side
		if on {
			below++
		}
		if s.kinks[k] != rising && below < slopeValues || s.kinks[k] != falling && above < slopeValues {
			return false
		}
	}
	return s.level(changes) >= levelRows
}

// level is the number of rows on the level part.
func (s *search) level(changes []float64) int {
	rowsBelow := func(c float64, orAt bool) int {
		i, on := slices.BinarySearch(s.values, c)
		if on && orAt {
			i++
		}
		if i == 0 {
			return 0
		}
		return s.upTo[i-1]
	}
	n := len(s.table.Rows)
	switch {
	case len(s.kinks) == 2:
		return rowsBelow(changes[1], true) - rowsBelow(changes[0], false)
	case s.kinks[0] == rising:
		return rowsBelow(changes[0], true)
	case s.kinks[0] == falling:
		return n - rowsBelow(changes[0], false)
	default: // bent has no level
		return n
	}
}

// index is the place of the last value at or below c.
func (s *search) index(c float64) int {
	i, on := slices.BinarySearch(s.values, c)
	if !on {
		i--
	}
	return max(i, 0)
}

// thin gives at most n whole numbers evenly spread from lo to hi, both included.
func thin(lo, hi, n int) []int {
	if hi-lo < n {
		n = hi - lo + 1
	}
	if n == 1 {
		return []int{lo}
	}
	out := make([]int, n)
	for i := range out {
		out[i] = lo + i*(hi-lo)/(n-1)
	}
	return out
}

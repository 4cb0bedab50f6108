package figure

import (
	"errors"
	"fmt"
	"math"
	"regexp"
)

// Figure is one plot: panels that stand under one another.
type Figure struct {
	// Name is the figure's own, for identifiers and files: letters, digits and '-',
	// beginning with a letter.
	Name string
	// Title and Says are for people who cannot see the figure, and stand beside it:
	// what it is, and what it shows.
	Title, Says string
	Panels      []Panel
	// Table is what the figure is drawn from, ready to print.
	Table Table
}

// Table is finished texts in rows.
type Table struct {
	Heads []string
	Rows  [][]string
	// Words is how many of the first columns are words; the others are figures.
	Words int
}

// Panel is one pair of axes with what is drawn on it, in order.
type Panel struct {
	X, Y  Axis
	Marks []Mark
}

// Axis is a range with its labels. A tick without a label is a hairline only.
type Axis struct {
	Label     string
	Low, High float64
	Ticks     []Tick
}

// Tick is a labelled place on an axis. Where labels have no room, every second or
// third is left out.
type Tick struct {
	At    float64
	Label string
}

// Kind is how a mark is drawn.
type Kind int

// The kinds. Bars stand on 0 and are Wide units of x wide, as are Dashes at Y. Stems
// go from Y to To. A Band fills from Y to To. A Level is a dashed line across at Y,
// an Edge one from bottom to top at X; a Name is a text at the top, in the middle
// between X and To.
const (
	Line Kind = iota
	Dots
	Bars
	Dashes
	Stems
	Band
	Level
	Edge
	Name
)

// Mark is one thing that is drawn.
type Mark struct {
	Kind   Kind
	Ink    Ink
	Key    string // its words in the key above the panels; empty for none
	Text   string // of a Name
	Wide   float64
	Points []Point
}

// Point is a place in the units of the axes; To is the other end of what has two.
type Point struct{ X, Y, To float64 }

// Ink says what a mark means; pages and paper give it its colour.
type Ink uint8

// The inks.
const (
	Text Ink = iota + 1
	Muted
	Grid
	Metered
	Other
	Expected
	Saved
	Spread // band around Saved
	Limit
)

// ErrFigure says that a figure was asked for that cannot be drawn.
var ErrFigure = errors.New("cannot draw plot")

var validName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9-]*$`)

// Check refuses a figure that cannot be drawn. The error wraps ErrFigure.
func (f Figure) Check() error {
	switch {
	case !validName.MatchString(f.Name):
		return fmt.Errorf("%w: id %q: expected letters, digits and '-', beginning with a letter", ErrFigure, f.Name)
	case f.Title == "":
		return fmt.Errorf("%w: no title: a reader who cannot see the plot needs one", ErrFigure)
	case len(f.Panels) == 0:
		return fmt.Errorf("%w: %s: nothing to draw", ErrFigure, f.Name)
	}
	for i, p := range f.Panels {
		for _, a := range []Axis{p.X, p.Y} {
			if !finite(a.Low) || !finite(a.High) || a.Low >= a.High {
				return fmt.Errorf("%w: %s, panel %d: axis from %v to %v: expected a finite range that rises", ErrFigure, f.Name, i+1, a.Low, a.High)
			}
		}
		for _, m := range p.Marks {
			for _, pt := range m.Points {
				if !finite(pt.X) || !finite(pt.Y) || !finite(pt.To) {
					return fmt.Errorf("%w: %s, panel %d: a point is not a finite number", ErrFigure, f.Name, i+1)
				}
			}
		}
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Roomy widens a range by a share of itself on both sides, so that dots do not stand on
// the edge, and makes a range of a single value.
func Roomy(low, high, share float64) (float64, float64) {
	if low == high {
		room := max(math.Abs(low)*0.1, 1)
		return low - room, high + room
	}
	room := share * (high - low)
	return low - room, high + room
}

// Steps are four to eight round steps between two quantities, written with the
// decimals that they need.
func Steps(low, high float64, write func(v float64, decimals int) string) []Tick {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/3)))
	for _, m := range []float64{5, 2} {
		if (high-low)/(m*step) >= 3 {
			step *= m
			break
		}
	}
	decimals := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	var ticks []Tick
	for k := math.Ceil(low/step - 1e-9); k*step <= high+1e-9*(high-low); k++ {
		ticks = append(ticks, Tick{k * step, write(k*step, decimals)})
	}
	return ticks
}

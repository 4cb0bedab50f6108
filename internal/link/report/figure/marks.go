package figure

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// marks draws hairlines at the labelled quantities and all marks of a panel.
type marks struct {
	drawing
	*Panel
}

// at turns the units of the axes into places.
type at func(float64) vg.Length

// Plot implements plot.Plotter.
func (m marks) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	var lines vg.Path
	for _, t := range m.Y.Ticks {
		segment(&lines, c.Min.X, y(t.At), c.Max.X, y(t.At))
	}
	m.stroke(c, lines, Grid, 0.75, false)
	for _, k := range m.Marks {
		m.mark(c, k, x, y)
	}
}

func (m marks) mark(c draw.Canvas, k Mark, x, y at) {
	unit := float64(x(1) - x(0))
	switch k.Kind {
	case Line:
		m.stroke(c, through(k.Points, x, y), k.Ink, 2, false)
	case Dots:
		for _, p := range k.Points {
			m.dot(c, k.Ink, vg.Point{X: x(p.X), Y: y(p.Y)})
		}
	case Bars, Stems:
		var path vg.Path
		for _, p := range k.Points {
			if k.Kind == Bars {
				p.To = 0
			}
			if p.Y != p.To {
				segment(&path, x(p.X), y(p.To), x(p.X), y(p.Y))
			}
		}
		m.stroke(c, path, k.Ink, k.Wide*unit, false)
	case Dashes:
		var path vg.Path
		half := vg.Length(k.Wide * unit / 2)
		for _, p := range k.Points {
			segment(&path, x(p.X)-half, y(p.Y), x(p.X)+half, y(p.Y))
		}
		m.stroke(c, path, k.Ink, 2, false)
	case Band:
		m.band(c, k, x, y)
	case Level, Edge:
		var path vg.Path
		for _, p := range k.Points {
			if k.Kind == Level {
				segment(&path, c.Min.X, y(p.Y), c.Max.X, y(p.Y))
			} else {
				segment(&path, x(p.X), c.Min.Y, x(p.X), c.Max.Y)
			}
		}
		m.stroke(c, path, k.Ink, 1, true)
	case Name:
		for _, p := range k.Points {
			m.name(c, k, x(p.X), x(p.To))
		}
	}
}

func through(points []Point, x, y at) vg.Path {
	var path vg.Path
	for i, p := range points {
		if pt := (vg.Point{X: x(p.X), Y: y(p.Y)}); i == 0 {
			path.Move(pt)
		} else {
			path.Line(pt)
		}
	}
	return path
}

func (m marks) band(c draw.Canvas, k Mark, x, y at) {
	if len(k.Points) == 0 {
		return
	}
	path := through(k.Points, x, y)
	for i := len(k.Points) - 1; i >= 0; i-- {
		path.Line(vg.Point{X: x(k.Points[i].X), Y: y(k.Points[i].To)})
	}
	path.Close()
	c.SetColor(m.Color(k.Ink))
	c.Fill(path)
}

// name writes a text between two places, moved so that it stays on the panel.
func (m marks) name(c draw.Canvas, k Mark, left, right vg.Length) {
	half := m.wide(k.Text) / 2
	centre := min(max((left+right)/2, c.Min.X+half), c.Max.X-half)
	style := m.style(k.Ink)
	style.YAlign = text.YTop
	c.FillText(style, vg.Point{X: centre, Y: c.Max.Y}, k.Text)
}

// dot is a small square with cut corners: eight short edges, which every canvas has.
func (d drawing) dot(c draw.Canvas, in Ink, at vg.Point) {
	const radius = 2.2
	var path vg.Path
	for i := range 8 {
		sin, cos := math.Sincos((float64(i) + 0.5) * math.Pi / 4)
		pt := vg.Point{X: at.X + vg.Length(radius*cos), Y: at.Y + vg.Length(radius*sin)}
		if i == 0 {
			path.Move(pt)
		} else {
			path.Line(pt)
		}
	}
	path.Close()
	c.SetColor(d.Color(in))
	c.Fill(path)
}

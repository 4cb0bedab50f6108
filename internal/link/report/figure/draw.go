package figure

import (
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Canvas is where and how a figure is drawn.
type Canvas struct {
	vg.Canvas
	Width, Height float64 // in points
	TextSize      float64 // in points
	// Color gives the colour of an ink.
	Color func(Ink) color.Color
	// Wider is how much wider the fonts of the reader may run than the one that
	// measures.
	Wider float64
}

// Draw draws a figure. The error wraps ErrFigure.
func Draw(c Canvas, f Figure) error {
	if err := f.Check(); err != nil {
		return err
	}
	whole := draw.NewCanvas(c.Canvas, vg.Length(c.Width), vg.Length(c.Height))
	d := drawing{c}
	high := d.key(whole, f)
	panels := make([][]*plot.Plot, len(f.Panels))
	for i := range f.Panels {
		panels[i] = []*plot.Plot{d.panel(&f.Panels[i])}
	}
	d.fitLabels(panels, f.Panels)
	// Panels have their axes under one another.
	tiles := draw.Tiles{Rows: len(panels), Cols: 1, PadY: 8, PadRight: 2}
	for i, row := range plot.Align(panels, tiles, draw.Crop(whole, 0, 0, 0, -high)) {
		panels[i][0].Draw(row[0])
	}
	return nil
}

type drawing struct{ Canvas }

// style is that of all text. The font only serves to measure: the reader's sets the
// family, and sans-serif families run about as wide.
func (d drawing) style(in Ink) text.Style {
	return text.Style{
		Color:   d.Color(in),
		Font:    font.From(font.Font{Typeface: "Liberation", Variant: "Sans"}, vg.Length(d.TextSize)),
		XAlign:  text.XCenter,
		YAlign:  text.YTop,
		Handler: plot.DefaultTextHandler,
	}
}

func (d drawing) wide(s string) vg.Length { return vg.Length(d.Wider) * d.style(Text).Width(s) }

func (d drawing) panel(of *Panel) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	for _, x := range []struct {
		to *plot.Axis
		of Axis
	}{{&p.X, of.X}, {&p.Y, of.Y}} {
		a := x.to
		a.Min, a.Max = x.of.Low, x.of.High
		a.Color, a.Width, a.Padding = d.Color(Muted), 0.75, 0
		a.Tick.Color, a.Tick.Width, a.Tick.Length = d.Color(Muted), 0.75, 4
		a.Tick.Label = d.style(Text)
		a.Label.Text, a.Label.TextStyle = x.of.Label, d.style(Text)
		a.Label.TextStyle.YAlign = text.YBottom
		a.Tick.Marker = plot.ConstantTicks(ticks(x.of.Ticks))
	}
	p.Y.Tick.Label.XAlign, p.Y.Tick.Label.YAlign = text.XRight, text.YCenter
	p.Y.Label.Padding = 3
	p.Add(marks{d, of})
	return p
}

func ticks(of []Tick) []plot.Tick {
	out := make([]plot.Tick, len(of))
	for i, t := range of {
		out[i] = plot.Tick{Value: t.At, Label: t.Label}
	}
	return out
}

// fitLabels leaves out labels of the horizontal axes that have no room.
func (d drawing) fitLabels(panels [][]*plot.Plot, of []Panel) {
	var left vg.Length
	for _, p := range of {
		for _, t := range p.Y.Ticks {
			left = max(left, d.wide(t.Label))
		}
	}
	room := vg.Length(d.Width) - left - vg.Length(2*d.TextSize)
	for i, p := range of {
		all := ticks(p.X.Ticks)
		for every := 1; every < len(all) && d.overlap(p, every, room); every++ {
			for j := range all {
				if all[j].Label = p.X.Ticks[j].Label; j%(every+1) != 0 {
					all[j].Label = ""
				}
			}
		}
		panels[i][0].X.Tick.Marker = plot.ConstantTicks(all)
	}
}

// overlap says whether every so many labels of an axis run into each other.
func (d drawing) overlap(p Panel, every int, room vg.Length) bool {
	end := vg.Length(math.Inf(-1))
	for j := 0; j < len(p.X.Ticks); j += every {
		t := p.X.Ticks[j]
		if t.Label == "" {
			continue
		}
		at, half := room*vg.Length((t.At-p.X.Low)/(p.X.High-p.X.Low)), d.wide(t.Label)/2
		if at-half < end {
			return true
		}
		end = at + half + 4
	}
	return false
}

// key explains the marks above the panels and says how high it is.
func (d drawing) key(c draw.Canvas, f Figure) vg.Length {
	type entry struct {
		Mark
		at, row vg.Length
	}
	line := vg.Length(1.6 * d.TextSize)
	var all []entry
	var at, row vg.Length = 2, 0
	for _, p := range f.Panels {
		for _, m := range p.Marks {
			if m.Key == "" {
				continue
			}
			if long := 14 + d.wide(m.Key); at > 2 && at+long > vg.Length(d.Width) {
				at, row = 2, row+1
			}
			all = append(all, entry{m, at, row})
			at += 14 + d.wide(m.Key) + 12
		}
	}
	if len(all) == 0 {
		return vg.Length(d.TextSize) / 2 // half of the topmost label
	}
	style := d.style(Text)
	style.XAlign, style.YAlign = text.XLeft, text.YCenter
	for _, e := range all {
		middle := c.Max.Y - line*(e.row+0.5)
		d.sample(c, e.Mark, vg.Point{X: e.at, Y: middle})
		c.FillText(style, vg.Point{X: e.at + 14, Y: middle}, e.Key)
	}
	return line*(row+1) + 2
}

// sample draws a mark of the key.
func (d drawing) sample(c draw.Canvas, m Mark, at vg.Point) {
	var path vg.Path
	width := 2.0
	switch m.Kind {
	case Dots:
		d.dot(c, m.Ink, vg.Point{X: at.X + 5, Y: at.Y})
		return
	case Bars, Stems, Band:
		segment(&path, at.X+4, at.Y-5, at.X+4, at.Y+5)
		width = 6
	default:
		segment(&path, at.X, at.Y, at.X+10, at.Y)
	}
	dashed := m.Kind == Level || m.Kind == Edge
	d.stroke(c, path, m.Ink, width, dashed)
}

func segment(p *vg.Path, x1, y1, x2, y2 vg.Length) {
	p.Move(vg.Point{X: x1, Y: y1})
	p.Line(vg.Point{X: x2, Y: y2})
}

func (d drawing) stroke(c draw.Canvas, p vg.Path, in Ink, width float64, dashed bool) {
	if len(p) == 0 {
		return
	}
	c.SetColor(d.Color(in))
	c.SetLineWidth(vg.Length(width))
	if dashed {
		c.SetLineDash([]vg.Length{4, 3}, 0)
		defer c.SetLineDash(nil, 0)
	}
	c.Stroke(p)
}

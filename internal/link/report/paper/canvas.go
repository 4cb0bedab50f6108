package paper

import (
	"image"
	"image/color"
	"math"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"curetally/internal/link/report/figure"
)

// The type size of plots, in points.
const plotText = 7.5

// Plot draws a figure across the page at the present place, so many points high, and
// moves below it.
func (p *Sheet) Plot(f figure.Figure, high float64) error {
	const across = (Right - Left) / PerPoint
	y := p.PDF.GetY()
	c := &canvas{sheet: p, color: color.Black, width: 1}
	c.at = place{origin: complex(Left/PerPoint, y/PerPoint+high), turn: 1}
	if err := figure.Draw(figure.Canvas{Canvas: c, Width: across, Height: high, TextSize: plotText, Color: colorOf, Wider: 1.02}, f); err != nil {
		return err
	}
	p.PDF.SetXY(Left, y+high*PerPoint)
	return nil
}

// colorOf gives the colours of a plot on white paper.
func colorOf(k figure.Ink) color.Color {
	switch k {
	case figure.Muted:
		return color.RGBA{104, 110, 116, 255}
	case figure.Grid:
		return color.RGBA{222, 224, 226, 255}
	case figure.Metered:
		return color.RGBA{120, 126, 132, 255}
	case figure.Other:
		return color.RGBA{176, 180, 184, 255}
	case figure.Expected:
		return color.RGBA{165, 72, 31, 255}
	case figure.Saved:
		return color.RGBA{31, 111, 119, 255}
	case figure.Spread:
		return color.RGBA{199, 219, 221, 255}
	case figure.Limit:
		return color.RGBA{155, 44, 44, 255}
	default:
		return color.RGBA{28, 32, 36, 255}
	}
}

// place is where a canvas has its origin and how it is turned, in points on the page
// with the vertical axis down; the canvas has it up.
type place struct {
	origin, turn complex128
}

// canvas draws on a page in points, with the origin at its lower left edge.
type canvas struct {
	sheet *Sheet
	at    place
	was   []place
	color color.Color
	width vg.Length
}

// SetLineWidth implements vg.Canvas.
func (c *canvas) SetLineWidth(w vg.Length) { c.width = w }

// SetLineDash implements vg.Canvas.
func (c *canvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	dashes := []float64{}
	for _, d := range pattern {
		dashes = append(dashes, float64(d)*PerPoint)
	}
	c.sheet.PDF.SetDashPattern(dashes, float64(offset)*PerPoint)
}

// SetColor implements vg.Canvas.
func (c *canvas) SetColor(col color.Color) { c.color = col }

// Rotate implements vg.Canvas.
func (c *canvas) Rotate(radians float64) {
	sin, cos := math.Sincos(radians)
	c.at.turn *= complex(cos, sin)
}

// Translate implements vg.Canvas.
func (c *canvas) Translate(by vg.Point) { c.at.origin = c.at.on(by) }

// Scale implements vg.Canvas. Both factors are the same in all that a figure draws.
func (c *canvas) Scale(x, _ float64) { c.at.turn *= complex(x, 0) }

// Push implements vg.Canvas.
func (c *canvas) Push() { c.was = append(c.was, c.at) }

// Pop implements vg.Canvas.
func (c *canvas) Pop() {
	last := len(c.was) - 1
	c.at, c.was = c.was[last], c.was[:last]
}

// on gives the place of a point on the page.
func (p place) on(pt vg.Point) complex128 {
	turned := p.turn * complex(float64(pt.X), float64(pt.Y))
	return p.origin + complex(real(turned), -imag(turned))
}

// mm gives a point in millimetres on the page.
func (c *canvas) mm(pt vg.Point) (x, y float64) {
	z := c.at.on(pt)
	return real(z) * PerPoint, imag(z) * PerPoint
}

// Stroke implements vg.Canvas.
func (c *canvas) Stroke(path vg.Path) {
	if c.width <= 0 {
		return
	}
	ink := c.ink()
	c.sheet.Draw(ink, float64(c.width)*PerPoint)
	c.trace(path)
	c.sheet.PDF.DrawPath("D")
}

// Fill implements vg.Canvas.
func (c *canvas) Fill(path vg.Path) {
	ink := c.ink()
	c.sheet.PDF.SetFillColor(ink[0], ink[1], ink[2])
	c.trace(path)
	c.sheet.PDF.DrawPath("F")
}

func (c *canvas) ink() Ink {
	r, g, b, _ := c.color.RGBA()
	return Ink{int(r >> 8), int(g >> 8), int(b >> 8)}
}

// trace lays a path. An arc becomes short lines.
func (c *canvas) trace(path vg.Path) {
	pdf := c.sheet.PDF
	for _, step := range path {
		x, y := c.mm(step.Pos)
		switch step.Type {
		case vg.MoveComp:
			pdf.MoveTo(x, y)
		case vg.LineComp:
			pdf.LineTo(x, y)
		case vg.CurveComp:
			c.curve(step)
		case vg.ArcComp:
			const parts = 24
			for i := range parts + 1 {
				sin, cos := math.Sincos(step.Start + step.Angle*float64(i)/parts)
				x, y := c.mm(vg.Point{X: step.Pos.X + step.Radius*vg.Length(cos), Y: step.Pos.Y + step.Radius*vg.Length(sin)})
				pdf.LineTo(x, y)
			}
		case vg.CloseComp:
			pdf.ClosePath()
		}
	}
}

func (c *canvas) curve(step vg.PathComp) {
	x, y := c.mm(step.Pos)
	x1, y1 := c.mm(step.Control[0])
	if len(step.Control) == 1 {
		c.sheet.PDF.CurveTo(x1, y1, x, y)
		return
	}
	x2, y2 := c.mm(step.Control[1])
	c.sheet.PDF.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
}

// FillString implements vg.Canvas.
func (c *canvas) FillString(f font.Face, pt vg.Point, text string) {
	pdf := c.sheet.PDF
	c.sheet.Font(f.Font.Size.Points(), "", c.ink())
	x, y := c.mm(pt)
	if degrees := math.Atan2(imag(c.at.turn), real(c.at.turn)) * 180 / math.Pi; degrees != 0 {
		pdf.TransformBegin()
		pdf.TransformRotate(degrees, x, y)
		defer pdf.TransformEnd()
	}
	pdf.Text(x, y, Printable(text))
}

// DrawImage implements vg.Canvas; no figure has a picture of dots.
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {}

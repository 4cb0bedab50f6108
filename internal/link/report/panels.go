package report

import (
	"fmt"
	"math"
	"time"

	"curetally/internal/core/unit"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// textStyle is the style of all text of a plot. The font only serves to
// measure: the page sets the family, and sans-serif families run about as wide.
func textStyle(size float64, in color) text.Style {
	return text.Style{
		Color:   in.rgba(),
		Font:    font.From(font.Font{Typeface: "Liberation", Variant: "Sans"}, vg.Length(size)),
		XAlign:  text.XCenter,
		YAlign:  text.YTop,
		Handler: plot.DefaultTextHandler,
	}
}

const labelSize = 11

// wide allows for page fonts that run wider than the font that measured.
const wide = 1.15

// bare is a plot with our text and ink and the range of the series' days.
func (s *series) bare(yLabel string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Color = inkMuted.rgba()
		a.Width = 0.75
		a.Padding = 0
		a.Tick.Color = inkMuted.rgba()
		a.Tick.Width = 0.75
		a.Tick.Length = 4
	}
	p.X.Tick.Label = textStyle(labelSize, inkText)
	p.Y.Tick.Label = textStyle(labelSize, inkText)
	p.Y.Tick.Label.XAlign, p.Y.Tick.Label.YAlign = text.XRight, text.YCenter
	p.Y.Label.Text = yLabel
	p.Y.Label.TextStyle = textStyle(labelSize, inkText)
	p.Y.Label.TextStyle.YAlign = text.YBottom
	p.Y.Label.Padding = 3
	p.X.Label.TextStyle = textStyle(labelSize, inkText)
	p.X.Label.TextStyle.YAlign = text.YBottom
	p.Y.Tick.Marker = plot.TickerFunc(quantityTicks)
	p.X.Min = s.at[0] - 0.75
	p.X.Max = s.at[len(s.at)-1] + 0.75
	return p
}

// dailyPanel shows metered and expected energy of each day.
func (s *series) dailyPanel(opt PlotOptions) *plot.Plot {
	p := s.bare("kWh per day")
	low, high := 0.0, 1.0
	for _, d := range s.days {
		low = min(low, d.Actual)
		high = max(high, d.Actual)
		if !math.IsNaN(d.Expected) {
			low, high = min(low, d.Expected), max(high, d.Expected)
		}
	}
	p.Y.Min, p.Y.Max = low, high+0.16*(high-low) // head room for the periods' names
	p.Add(grid{}, dayMarks{s}, periodNames{s, opt.Width})
	return p
}

// savedPanel shows the energy saved since the first reporting day.
func (s *series) savedPanel(PlotOptions) *plot.Plot {
	p := s.bare("kWh saved")
	low, high := 0.0, 1.0
	for _, d := range s.days {
		if d.Period != PeriodReporting {
			continue
		}
		h := known(d.HalfWidth)
		low, high = min(low, d.Saved-h), max(high, d.Saved+h)
	}
	p.Y.Min, p.Y.Max = low, high+0.04*(high-low)
	p.Add(grid{}, savedCurve{s})
	return p
}

func known(halfWidth float64) float64 {
	if math.IsNaN(halfWidth) {
		return 0
	}
	return halfWidth
}

// labelDates puts the dates under the lowest panel only; the panels share them.
func (s *series) labelDates(panels []*plot.Plot, opt PlotOptions) {
	for i, p := range panels {
		lowest := i == len(panels)-1
		p.X.Tick.Marker = dateTicks{first: s.civil[0], narrow: opt.Width < 480, bare: !lowest}
		if lowest {
			p.X.Label.Text = "day, " + opt.Zone.String()
		}
	}
}

// drawPanels stacks the panels so that their days stand under one another.
func drawPanels(panels []*plot.Plot, c draw.Canvas) {
	rows := make([][]*plot.Plot, len(panels))
	for i, p := range panels {
		rows[i] = []*plot.Plot{p}
	}
	tiles := draw.Tiles{Rows: len(panels), Cols: 1, PadY: 8, PadRight: 2}
	for i, row := range plot.Align(rows, tiles, c) {
		panels[i].Draw(row[0])
	}
}

// quantityTicks are four to six round steps between two quantities.
func quantityTicks(low, high float64) []plot.Tick {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/3)))
	for _, m := range []float64{5, 2} {
		if (high-low)/(m*step) >= 3 {
			step *= m
			break
		}
	}
	decimals := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	var ticks []plot.Tick
	for k := math.Ceil(low/step - 1e-9); k*step <= high*(1+1e-9); k++ {
		ticks = append(ticks, plot.Tick{Value: k * step, Label: unit.Group(k*step, decimals)})
	}
	return ticks
}

// dateTicks marks days on an axis counted in days since first: month begins,
// or Mondays when the axis is shorter than six weeks.
type dateTicks struct {
	first  time.Time // UTC midnight
	narrow bool      // room for few labels
	bare   bool      // ticks without labels
}

// Ticks implements plot.Ticker.
func (t dateTicks) Ticks(low, high float64) []plot.Tick {
	span := high - low
	every := max(1, int(math.Ceil(span/(30.5*9)))) // months from label to label
	if t.narrow {
		every = max(1, int(math.Ceil(span/(30.5*5))))
	}
	weekly := span < 42
	var ticks []plot.Tick
	months := 0
	for k := math.Ceil(low); k <= high; k++ {
		day := t.first.AddDate(0, 0, int(k))
		tick := plot.Tick{Value: k}
		switch {
		case weekly && day.Weekday() == time.Monday:
			tick.Label = day.Format("2 Jan")
		case weekly || day.Day() != 1:
			continue
		default:
			if months%every == 0 {
				tick.Label = day.Format("Jan")
				if day.Month() == time.January || months == 0 {
					tick.Label = day.Format("Jan 2006")
				}
			}
			months++
		}
		if t.bare {
			tick.Label = ""
		}
		ticks = append(ticks, tick)
	}
	if len(ticks) == 0 { // a few days in the middle of a week
		ticks = append(ticks, plot.Tick{Value: 0, Label: t.first.Format("2 Jan")})
	}
	return ticks
}

// grid draws hairlines at the labelled quantities.
type grid struct{}

// Plot implements plot.Plotter.
func (grid) Plot(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	var path vg.Path
	for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		path.Move(vg.Point{X: c.Min.X, Y: y(t.Value)})
		path.Line(vg.Point{X: c.Max.X, Y: y(t.Value)})
	}
	stroke(c, path, inkGrid, 0.75)
}

// dayMarks draws a bar to the metered energy of each day, a dash at the
// expected energy, and on reporting days a thin stem between the two: what was
// saved that day.
type dayMarks struct{ s *series }

// Plot implements plot.Plotter.
func (m dayMarks) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	width := float64(x(1) - x(0))
	var bars, others, stems, dashes vg.Path
	for i, d := range m.s.days {
		at := x(m.s.at[i])
		bar := &bars
		if d.Period == PeriodNone {
			bar = &others
		}
		if d.Actual != 0 {
			line(bar, at, y(0), at, y(d.Actual))
		}
		if math.IsNaN(d.Expected) {
			continue
		}
		if d.Period == PeriodReporting && d.Expected > d.Actual {
			line(&stems, at, y(d.Actual), at, y(d.Expected))
		}
		half := vg.Length(0.46 * width)
		line(&dashes, at-half, y(d.Expected), at+half, y(d.Expected))
	}
	stroke(c, others, inkOther, 0.34*width)
	stroke(c, bars, inkMeasured, 0.68*width)
	stroke(c, stems, inkSaved, 0.34*width)
	stroke(c, dashes, inkExpected, 2)
}

// periodNames names the periods above the days and draws a dashed line where
// the reporting period begins.
type periodNames struct {
	s     *series
	width float64
}

// Plot implements plot.Plotter.
func (n periodNames) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	style := textStyle(labelSize, inkText)
	for _, period := range []Period{PeriodBaseline, PeriodReporting} {
		from, to, ok := n.s.extent(period)
		if !ok {
			continue
		}
		left, right := x(from-0.5), x(to+0.5)
		name := string(period) + " period"
		if wide*style.Width(name) > right-left {
			name = string(period)
		}
		half := wide * style.Width(name) / 2
		centre := min(max((left+right)/2, c.Min.X+half), c.Max.X-half)
		c.FillText(style, vg.Point{X: centre, Y: c.Max.Y}, name)
		if period == PeriodReporting && from > n.s.at[0] {
			var edge vg.Path
			line(&edge, left, c.Min.Y, left, c.Max.Y)
			c.SetLineDash([]vg.Length{4, 3}, 0)
			stroke(c, edge, inkMuted, 0.75)
			c.SetLineDash(nil, 0)
		}
	}
}

// savedCurve draws the energy saved since the first reporting day and the band
// of its half-width.
type savedCurve struct{ s *series }

// Plot implements plot.Plotter.
func (v savedCurve) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	var upper, lower, curve []vg.Point
	for i, d := range v.s.days {
		if d.Period != PeriodReporting {
			continue
		}
		at, h := x(v.s.at[i]), known(d.HalfWidth)
		if len(curve) == 0 { // nothing is saved yet when the period begins
			zero := vg.Point{X: x(v.s.at[i] - 1), Y: y(0)}
			zero.X = max(zero.X, c.Min.X)
			upper, lower, curve = append(upper, zero), append(lower, zero), append(curve, zero)
		}
		upper = append(upper, vg.Point{X: at, Y: y(d.Saved + h)})
		lower = append(lower, vg.Point{X: at, Y: y(d.Saved - h)})
		curve = append(curve, vg.Point{X: at, Y: y(d.Saved)})
	}
	var band, path vg.Path
	for i, pt := range upper {
		if i == 0 {
			band.Move(pt)
			continue
		}
		band.Line(pt)
	}
	for i := len(lower) - 1; i >= 0; i-- {
		band.Line(lower[i])
	}
	band.Close()
	c.SetColor(inkBand.rgba())
	c.Fill(band)
	for i, pt := range curve {
		if i == 0 {
			path.Move(pt)
			continue
		}
		path.Line(pt)
	}
	stroke(c, path, inkSaved, 2)
}

// drawKey explains the marks in one line above the panels.
func (s *series) drawKey(c draw.Canvas, opt PlotOptions) {
	style := textStyle(labelSize, inkText)
	style.XAlign, style.YAlign = text.XLeft, text.YCenter
	middle := c.Min.Y + keyHeight/2
	at := c.Min.X + 2
	entry := func(ink color, width float64, upright bool, name string) {
		var mark vg.Path
		if upright {
			line(&mark, at+4, middle-5, at+4, middle+5)
		} else {
			line(&mark, at, middle, at+10, middle)
		}
		stroke(c, mark, ink, width)
		c.FillText(style, vg.Point{X: at + 14, Y: middle}, name)
		at += 14 + wide*style.Width(name) + 12
	}
	entry(inkMeasured, 6, true, "metered")
	entry(inkExpected, 2, false, "expected")
	if s.hasSaved {
		name := "saved"
		if d, _ := s.last(); opt.Confidence > 0 && known(d.HalfWidth) > 0 {
			name = fmt.Sprintf("saved, band at %.0f %%", 100*opt.Confidence)
		}
		entry(inkSaved, 3, true, name)
	}
}

func line(p *vg.Path, x1, y1, x2, y2 vg.Length) {
	p.Move(vg.Point{X: x1, Y: y1})
	p.Line(vg.Point{X: x2, Y: y2})
}

func stroke(c draw.Canvas, p vg.Path, ink color, width float64) {
	if len(p) == 0 {
		return
	}
	c.SetColor(ink.rgba())
	c.SetLineWidth(vg.Length(width))
	c.Stroke(p)
}

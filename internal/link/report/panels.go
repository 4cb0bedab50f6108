package report

import (
	"fmt"
	"math"
	"time"

	"curetally/internal/core/unit"
	"curetally/internal/link/report/figure"
)

// english writes dates on the plot's axis.
type english struct{}

// DayMonth implements figure.Dates.
func (english) DayMonth(t time.Time) string { return t.Format("2 Jan") }

// Month implements figure.Dates.
func (english) Month(t time.Time, year bool) string {
	if year {
		return t.Format("Jan 2006")
	}
	return t.Format("Jan")
}

// dailyPanel shows metered and expected energy of each day: a bar to what was metered,
// a dash at what was expected, and on reporting days a thin stem between the two, which is
// what was saved that day.
func (s *series) dailyPanel() figure.Panel {
	bars := figure.Mark{Kind: figure.Bars, Ink: figure.Metered, Key: "metered", Wide: 0.68}
	others := figure.Mark{Kind: figure.Bars, Ink: figure.Other, Wide: 0.34}
	stems := figure.Mark{Kind: figure.Stems, Ink: figure.Saved, Wide: 0.34}
	dashes := figure.Mark{Kind: figure.Dashes, Ink: figure.Expected, Key: "expected", Wide: 0.92}
	low, high := 0.0, 1.0
	for i, d := range s.days {
		at := s.at[i]
		low, high = min(low, d.Actual), max(high, d.Actual)
		if d.Period == PeriodNone {
			others.Points = append(others.Points, figure.Point{X: at, Y: d.Actual})
		} else {
			bars.Points = append(bars.Points, figure.Point{X: at, Y: d.Actual})
		}
		if math.IsNaN(d.Expected) {
			continue
		}
		low, high = min(low, d.Expected), max(high, d.Expected)
		if d.Period == PeriodReporting && d.Expected > d.Actual {
			stems.Points = append(stems.Points, figure.Point{X: at, Y: d.Actual, To: d.Expected})
		}
		dashes.Points = append(dashes.Points, figure.Point{X: at, Y: d.Expected})
	}
	high += 0.16 * (high - low) // head room for the periods' names
	return figure.Panel{
		Y:     figure.Axis{Label: "kWh per day", Low: low, High: high, Ticks: figure.Steps(low, high, unit.Group)},
		Marks: append([]figure.Mark{others, bars, stems, dashes}, s.periodNames()...),
	}
}

// periodNames names the periods above the days and draws a dashed line where
// the reporting period begins.
func (s *series) periodNames() []figure.Mark {
	var out []figure.Mark
	for _, period := range []Period{PeriodBaseline, PeriodReporting} {
		from, to, ok := s.extent(period)
		if !ok {
			continue
		}
		out = append(out, figure.Mark{Kind: figure.Name, Ink: figure.Text, Text: string(period), Points: []figure.Point{{X: from - 0.5, To: to + 0.5}}})
		if period == PeriodReporting && from > s.at[0] {
			out = append(out, figure.Mark{Kind: figure.Edge, Ink: figure.Muted, Points: []figure.Point{{X: from - 0.5}}})
		}
	}
	return out
}

// savedPanel shows the energy saved since the first reporting day, and the band of its
// half-width.
func (s *series) savedPanel(opt PlotOptions) figure.Panel {
	curve := figure.Mark{Kind: figure.Line, Ink: figure.Saved, Key: "saved"}
	band := figure.Mark{Kind: figure.Band, Ink: figure.Spread}
	low, high := 0.0, 1.0
	for i, d := range s.days {
		if d.Period != PeriodReporting {
			continue
		}
		if len(curve.Points) == 0 { // nothing is saved yet when the period begins
			zero := figure.Point{X: max(s.at[i]-1, s.at[0]-0.75)}
			curve.Points, band.Points = append(curve.Points, zero), append(band.Points, zero)
		}
		h := known(d.HalfWidth)
		low, high = min(low, d.Saved-h), max(high, d.Saved+h)
		curve.Points = append(curve.Points, figure.Point{X: s.at[i], Y: d.Saved})
		band.Points = append(band.Points, figure.Point{X: s.at[i], Y: d.Saved + h, To: d.Saved - h})
	}
	if d, _ := s.last(); opt.Confidence > 0 && known(d.HalfWidth) > 0 {
		curve.Key = fmt.Sprintf("saved, band at %.0f %%", 100*opt.Confidence)
	}
	high += 0.04 * (high - low)
	return figure.Panel{
		Y:     figure.Axis{Label: "kWh saved", Low: low, High: high, Ticks: figure.Steps(low, high, unit.Group)},
		Marks: []figure.Mark{band, curve},
	}
}

func known(halfWidth float64) float64 {
	if math.IsNaN(halfWidth) {
		return 0
	}
	return halfWidth
}

package report

import (
	"errors"
	"fmt"
	"math"
	"time"

	"curetally/internal/core/unit"
	"curetally/internal/link/report/figure"
)

// Period says to which period of a savings statement a day belongs.
type Period string

// The periods. A day of neither period (change-over, excluded) has PeriodNone.
const (
	PeriodNone      Period = ""
	PeriodBaseline  Period = "baseline"
	PeriodReporting Period = "reporting"
)

// Day is one local day of a savings plot. Energies are kilowatt-hours.
type Day struct {
	// Day is the local midnight that begins the day; its calendar date is read
	// in the zone of PlotOptions.
	Day    time.Time
	Period Period
	// Actual is what was metered.
	Actual float64
	// Expected is what the baseline model gives for the day's production; NaN
	// when it gives nothing.
	Expected float64
	// Saved is the energy avoided from the first reporting day to the end of
	// this day. It is read on reporting days only.
	Saved float64
	// HalfWidth is the half-width of Saved; NaN or 0 when not known.
	HalfWidth float64
}

// PlotOptions say how a savings plot is drawn. Zero sizes take the defaults.
type PlotOptions struct {
	// ID prefixes the identifiers inside the SVG, so that several plots may
	// stand in one page: letters, digits and '-', beginning with a letter.
	ID string
	// Title is the accessible title, plain text.
	Title string
	// Zone is the zone whose calendar the days are of. Required.
	Zone *time.Location
	// Confidence is the confidence of HalfWidth, for example 0.90.
	Confidence float64
	// Width and Height are the drawing's size in CSS pixels at its natural
	// size; the default is 640 × 360. The drawing scales with its container.
	Width, Height float64
}

// ErrPlot says that a plot was asked for that cannot be drawn.
var ErrPlot = errors.New("cannot draw plot")

const (
	defaultWidth  = 640
	defaultHeight = 360
)

// SavingsPlot draws measured and expected energy per day and, where there are
// reporting days, the energy saved since their first with its band. It returns
// an SVG element to be set inline in a page. Days must rise strictly by date;
// days may be missing. Errors wrap ErrPlot.
func SavingsPlot(days []Day, opt PlotOptions) ([]byte, error) {
	if opt.Width == 0 {
		opt.Width = defaultWidth
	}
	if opt.Height == 0 {
		opt.Height = defaultHeight
	}
	if err := opt.validate(); err != nil {
		return nil, err
	}
	s, err := newSeries(days, opt.Zone)
	if err != nil {
		return nil, err
	}

	panels := []figure.Panel{s.dailyPanel()}
	if s.hasSaved {
		panels = append(panels, s.savedPanel(opt))
	}
	for i := range panels {
		x := &panels[i].X
		x.Low, x.High = s.at[0]-0.75, s.at[len(s.at)-1]+0.75
		x.Ticks = s.calendar.Ticks(x.Low, x.High, english{})
		if lowest := i == len(panels)-1; lowest {
			x.Label = "day, " + opt.Zone.String()
			continue
		}
		for j := range x.Ticks {
			x.Ticks[j].Label = "" // panels share their days
		}
	}
	svg, err := figure.SVG(figure.Figure{Name: opt.ID, Title: opt.Title, Says: s.describe(opt), Panels: panels}, figure.Options{Width: opt.Width, Height: opt.Height})
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrPlot, err)
	}
	return svg, nil
}

func (o PlotOptions) validate() error {
	if o.Zone == nil {
		return fmt.Errorf("%w: no time zone: days need the zone whose calendar they are of", ErrPlot)
	}
	return nil
}

// series is a checked sequence of days with the positions they are drawn at.
type series struct {
	days []Day
	// at is the whole number of calendar days since the first day. Calendar
	// distance and not elapsed time: a day of 23 or 25 hours is one day wide.
	at       []float64
	calendar figure.Calendar
	hasSaved bool
}

func newSeries(days []Day, zone *time.Location) (*series, error) {
	if len(days) == 0 {
		return nil, fmt.Errorf("%w: no days: expected at least one whole day of entries", ErrPlot)
	}
	s := &series{days: days, calendar: figure.NewCalendar(days[0].Day, zone)}
	for i, d := range days {
		at := s.calendar.At(d.Day)
		name := s.calendar.Date(at).Format(time.DateOnly)
		if i > 0 && at <= s.at[i-1] {
			return nil, fmt.Errorf("%w: day %s does not come after %s: days must rise by date",
				ErrPlot, name, s.calendar.Date(s.at[i-1]).Format(time.DateOnly))
		}
		if !finite(d.Actual) || math.IsInf(d.Expected, 0) {
			return nil, fmt.Errorf("%w: day %s: energy is not a finite number", ErrPlot, name)
		}
		if d.Period == PeriodReporting {
			if !finite(d.Saved) || math.IsInf(d.HalfWidth, 0) || d.HalfWidth < 0 {
				return nil, fmt.Errorf("%w: day %s: saved energy and its half-width must be finite, the half-width not negative", ErrPlot, name)
			}
			s.hasSaved = true
		}
		s.at = append(s.at, at)
	}
	return s, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// extent is the first and last position of a period.
func (s *series) extent(p Period) (from, to float64, ok bool) {
	for i, d := range s.days {
		if d.Period != p {
			continue
		}
		if !ok {
			from, ok = s.at[i], true
		}
		to = s.at[i]
	}
	return from, to, ok
}

// last is the last reporting day.
func (s *series) last() (Day, time.Time) {
	for i := len(s.days) - 1; i >= 0; i-- {
		if s.days[i].Period == PeriodReporting {
			return s.days[i], s.calendar.Date(s.at[i])
		}
	}
	return Day{}, time.Time{}
}

const dateLong = "2 Jan 2006"

// describe puts the plot into words.
func (s *series) describe(opt PlotOptions) string {
	text := fmt.Sprintf("Electricity per day in kilowatt-hours from %s to %s (%s): bars are what was metered, dashes what the baseline model expects for the same production.",
		s.calendar.Date(0).Format(dateLong), s.calendar.Date(s.at[len(s.at)-1]).Format(dateLong), opt.Zone)
	for _, p := range []Period{PeriodBaseline, PeriodReporting} {
		if from, to, ok := s.extent(p); ok {
			text += fmt.Sprintf(" The %s period runs from %s to %s.", p,
				s.calendar.Date(from).Format(dateLong), s.calendar.Date(to).Format(dateLong))
		}
	}
	if d, day := s.last(); s.hasSaved {
		text += fmt.Sprintf(" By the end of %s %s kWh are saved", day.Format(dateLong), unit.Group(d.Saved, 0))
		if d.HalfWidth > 0 {
			text += fmt.Sprintf(", give or take %s kWh at %.0f %% confidence", unit.Group(d.HalfWidth, 0), 100*opt.Confidence)
		}
		text += "."
	}
	return text
}

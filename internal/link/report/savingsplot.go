package report

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"time"

	"curetally/internal/core/unit"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
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

var validID = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9-]*$`)

const (
	defaultWidth  = 640
	defaultHeight = 360
	minWidth      = 240
	minHeight     = 160
	// keyHeight is the strip above the panels that explains the marks.
	keyHeight = 18
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

	canvas := vgsvg.New(vg.Length(opt.Width), vg.Length(opt.Height))
	whole := draw.New(canvas)
	panels := []*plot.Plot{s.dailyPanel(opt)}
	if s.hasSaved {
		panels = append(panels, s.savedPanel(opt))
	}
	s.labelDates(panels, opt)
	s.drawKey(draw.Crop(whole, 0, 0, vg.Length(opt.Height)-keyHeight, 0), opt)
	drawPanels(panels, draw.Crop(whole, 0, 0, 0, -keyHeight))

	return inline(canvas, opt, s.describe(opt))
}

func (o PlotOptions) validate() error {
	switch {
	case o.Zone == nil:
		return fmt.Errorf("%w: no time zone: days need the zone whose calendar they are of", ErrPlot)
	case !validID.MatchString(o.ID):
		return fmt.Errorf("%w: id %q: expected letters, digits and '-', beginning with a letter", ErrPlot, o.ID)
	case o.Title == "":
		return fmt.Errorf("%w: no title: a reader who cannot see the plot needs one", ErrPlot)
	case !(o.Width >= minWidth && o.Width <= 4000 && o.Height >= minHeight && o.Height <= 4000):
		return fmt.Errorf("%w: size %v × %v: expected %d to 4000 wide and %d to 4000 high",
			ErrPlot, o.Width, o.Height, minWidth, minHeight)
	}
	return nil
}

// series is a checked sequence of days with the positions they are drawn at.
type series struct {
	days []Day
	// at is the whole number of calendar days since the first day. Calendar
	// distance and not elapsed time: a day of 23 or 25 hours is one day wide.
	at       []float64
	civil    []time.Time // the dates as UTC midnights, for calendar arithmetic
	hasSaved bool
}

func newSeries(days []Day, zone *time.Location) (*series, error) {
	if len(days) == 0 {
		return nil, fmt.Errorf("%w: no days: expected at least one whole day of entries", ErrPlot)
	}
	s := &series{days: days}
	for i, d := range days {
		y, m, dd := d.Day.In(zone).Date()
		civil := time.Date(y, m, dd, 0, 0, 0, 0, time.UTC)
		name := civil.Format(time.DateOnly)
		if i > 0 && !civil.After(s.civil[i-1]) {
			return nil, fmt.Errorf("%w: day %s does not come after %s: days must rise by date",
				ErrPlot, name, s.civil[i-1].Format(time.DateOnly))
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
		s.civil = append(s.civil, civil)
		first := civil
		if i > 0 {
			first = s.civil[0]
		}
		s.at = append(s.at, math.Round(civil.Sub(first).Hours()/24))
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
			return s.days[i], s.civil[i]
		}
	}
	return Day{}, time.Time{}
}

const dateLong = "2 Jan 2006"

// describe puts the plot into words.
func (s *series) describe(opt PlotOptions) string {
	text := fmt.Sprintf("Electricity per day in kilowatt-hours from %s to %s (%s): bars are what was metered, dashes what the baseline model expects for the same production.",
		s.civil[0].Format(dateLong), s.civil[len(s.civil)-1].Format(dateLong), opt.Zone)
	for _, p := range []Period{PeriodBaseline, PeriodReporting} {
		if from, to, ok := s.extent(p); ok {
			text += fmt.Sprintf(" The %s period runs from %s to %s.", p,
				s.civil[0].AddDate(0, 0, int(from)).Format(dateLong), s.civil[0].AddDate(0, 0, int(to)).Format(dateLong))
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

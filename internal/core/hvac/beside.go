package hvac

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Beside are the effects of one savings project outside its meters. What is nil, or
// not listed, has no line.
type Beside struct {
	Room   *InRoom
	MakeUp *Exhaust
	Fans   []NamedFan
}

// InRoom says how much of the energy within the boundary becomes heat of the room,
// and what the room does about it.
type InRoom struct {
	// Before and After are the shares of the energy that stay in the room, 0 to 1: what
	// exhaust and water carry away is not in them.
	Before, After Value
	Cooled        Value // see Room
	Heated        Value
	COP           Value
	Heating       Value
	Source        string // of the heating, for example "gas"
}

// Exhaust is the outdoor air that an exhaust made necessary, and when it ran.
type Exhaust struct {
	MakeUp
	Source   string // of the heating
	Schedule Schedule
}

// Schedule is when a fan runs, by the clock of the site. Its zero value is always.
type Schedule struct {
	Days [7]bool // Sunday first; none means all
	// Begin and End are minutes of the local day in whole quarters of an hour; with
	// Begin not before End it is the end and the beginning of the day.
	Begin, End int
}

func (s Schedule) runs(local time.Time) bool {
	if s.Days != [7]bool{} && !s.Days[local.Weekday()] {
		return false
	}
	minute := local.Hour()*60 + local.Minute()
	if s.Begin < s.End {
		return minute >= s.Begin && minute < s.End
	}
	return s.Begin == s.End || minute >= s.Begin || minute < s.End
}

// NamedFan is a fan that is in no meter of the boundary.
type NamedFan struct {
	Name string
	// Fan without Hours runs in the scheduled hours of the days that count.
	Fan
	HoursPerDay Value
}

// Days are the days that count, with what was measured on them.
type Days struct {
	Each                   []Stretch
	Zone                   *time.Location
	ExpectedKWh, ActualKWh float64
	SavedStandard          float64 // of expected less actual, kWh
	ScheduledHours         float64
}

// Stretch is a half-open stretch of time.
type Stretch struct{ From, To time.Time }

// Observation is the outdoor air of the hour that begins at At.
type Observation struct {
	At  time.Time
	Air Air
}

// Line is one effect. A penalty is below 0.
type Line struct {
	Name    string
	Carrier string // what is saved: electricity, or the source of the heating
	Estimate
	Note string // what a reader must know of it; may be empty
}

// HalfWidth is half the width of the interval at a confidence, of an error that is
// normally distributed.
func (e Estimate) HalfWidth(confidence float64) float64 {
	return math.Sqrt2 * math.Erfinv(confidence) * e.StandardKWh
}

// MissingLimit is the share of hours that may lack their weather.
const MissingLimit = 0.05

// ErrWeather says that too many hours lack their weather.
var ErrWeather = errors.New("weather is missing")

const electricity = "electricity"

// Lines gives every effect on a line of its own. Observations are in order of time;
// only make-up air needs them. The error is ErrWeather where more than MissingLimit of
// its hours have none.
func (b Beside) Lines(d Days, weather []Observation) ([]Line, error) {
	var out []Line
	if b.Room != nil {
		out = append(out, b.Room.lines(d)...)
	}
	if b.MakeUp != nil {
		lines, err := b.MakeUp.lines(d, weather)
		if err != nil {
			return nil, err
		}
		out = append(out, lines...)
	}
	for _, f := range b.Fans {
		switch {
		case f.HoursPerDay.Value > 0:
			n := float64(len(d.Each))
			f.Hours = Value{n * f.HoursPerDay.Value, n * f.HoursPerDay.Standard}
		default:
			f.Hours = Value{Value: d.ScheduledHours}
		}
		out = append(out, Line{Name: "fan " + f.Name, Carrier: electricity, Estimate: f.Saved()})
	}
	return out, nil
}

// heat is what no longer reaches the room: the difference of both sides, because their
// shares are not the same.
func (r InRoom) heat(d Days) Value {
	return Value{
		Value:    d.ExpectedKWh*r.Before.Value - d.ActualKWh*r.After.Value,
		Standard: math.Hypot(math.Hypot(d.ExpectedKWh*r.Before.Standard, d.ActualKWh*r.After.Standard), d.SavedStandard*r.Before.Value),
	}
}

func (r InRoom) lines(d Days) []Line {
	room := Room{Heat: r.heat(d), Cooled: r.Cooled, Heated: r.Heated, COP: r.COP, Heating: r.Heating}
	var out []Line
	if r.COP.Value > 0 {
		out = append(out, Line{Name: "cooling avoided", Carrier: electricity, Estimate: room.CoolingAvoided()})
	}
	if r.Heating.Value > 0 {
		e := room.HeatingPenalty()
		e.KWh = -e.KWh
		out = append(out, Line{Name: "heating penalty", Carrier: r.Source, Estimate: e, Note: "the lamps' heat that heating replaces"})
	}
	return out
}

func (x Exhaust) lines(d Days, weather []Observation) ([]Line, error) {
	bins, gap := x.Schedule.Bins(d, weather)
	note := "removing an exhaust removes its free cooling too, and ozone, odour and ventilation duties may forbid it"
	m := x.MakeUp
	if gap.Hours > 0 {
		share := gap.Hours / gap.Asked
		if share > MissingLimit {
			return nil, fmt.Errorf("%w: %.6g of %.6g hours, the first from %s on — add them to the file; up to %.0f %% may be missing",
				ErrWeather, gap.Hours, gap.Asked, gap.First.In(d.Zone).Format("2006-01-02 15:04"), 100*MissingLimit)
		}
		for i := range bins {
			bins[i].Hours /= 1 - share
		}
		m.Weather = math.Hypot(m.Weather, share)
		note = fmt.Sprintf("%.6g of %.6g hours lack their weather, the first from %s on: they are taken as the others are; %s",
			gap.Hours, gap.Asked, gap.First.In(d.Zone).Format("2006-01-02 15:04"), note)
	}
	var out []Line
	if m.Heating.Value > 0 {
		out = append(out, Line{Name: "make-up air, heating avoided", Carrier: x.Source, Estimate: m.HeatingAvoided(bins), Note: note})
	}
	if m.COP.Value > 0 {
		out = append(out, Line{Name: "make-up air, cooling avoided", Carrier: electricity, Estimate: m.CoolingAvoided(bins), Note: note})
	}
	return out, nil
}

// Gap is how many of the hours that were asked for lack their weather.
type Gap struct {
	Hours, Asked float64
	First        time.Time
}

// Bins gives the outdoor air of the hours in which the schedule runs on the days, an
// hour of weather a bin.
func (s Schedule) Bins(d Days, weather []Observation) ([]Hour, Gap) {
	const step = 15 * time.Minute
	var bins []Hour
	var gap Gap
	last := -1
	for _, day := range d.Each {
		for at := day.From; at.Before(day.To); at = at.Add(step) {
			if !s.runs(at.In(d.Zone)) {
				continue
			}
			gap.Asked += step.Hours()
			i := covering(weather, at)
			switch {
			case i < 0:
				if gap.Hours += step.Hours(); gap.First.IsZero() {
					gap.First = at
				}
			case i == last:
				bins[len(bins)-1].Hours += step.Hours()
			default:
				bins, last = append(bins, Hour{weather[i].Air, step.Hours()}), i
			}
		}
	}
	return bins, gap
}

// covering finds the hour of weather that holds at an instant; −1 for none.
func covering(weather []Observation, at time.Time) int {
	i, exact := slices.BinarySearchFunc(weather, at, func(o Observation, at time.Time) int { return o.At.Compare(at) })
	if exact {
		return i
	}
	if i > 0 && at.Before(weather[i-1].At.Add(time.Hour)) {
		return i - 1
	}
	return -1
}

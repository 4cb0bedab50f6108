package terms

import (
	"fmt"
	"math"
	"strings"

	"curetally/internal/core/hvac"
	"curetally/internal/core/plant"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/surveys"
)

// effectsSpec are the effects outside the meters of a project.
type effectsSpec struct {
	Room   *roomSpec   `yaml:"room"`
	MakeUp *makeUpSpec `yaml:"make_up"`
	Fans   []fanSpec   `yaml:"fans"`
}

type roomSpec struct {
	KeptBefore    surveys.Figure  `yaml:"kept_before,required"`
	KeptAfter     surveys.Figure  `yaml:"kept_after,required"`
	WhileCooling  *surveys.Figure `yaml:"while_cooling"`
	CoolingCOP    *surveys.Figure `yaml:"cooling_cop"`
	WhileHeating  *surveys.Figure `yaml:"while_heating"`
	Heating       *surveys.Figure `yaml:"heating_efficiency"`
	HeatingSource string          `yaml:"heating_source"`
}

type makeUpSpec struct {
	Flow          surveys.Figure  `yaml:"m3_per_hour,required"`
	Weather       string          `yaml:"weather,required"`
	WeatherMargin float64         `yaml:"weather_standard"`
	Days          civil.Week      `yaml:"days"`
	Hours         hours           `yaml:"hours"`
	Height        float64         `yaml:"height_m"`
	Balance       float64         `yaml:"balance_celsius"`
	Indoor        float64         `yaml:"indoor_celsius"`
	Humidity      float64         `yaml:"indoor_humidity_percent"`
	CoolingCOP    *surveys.Figure `yaml:"cooling_cop"`
	Heating       *surveys.Figure `yaml:"heating_efficiency"`
	HeatingSource string          `yaml:"heating_source"`
}

// SetDefaults sets a hall heated below 18 °C and cooled to 24 °C at 50 %, at sea level.
func (m *makeUpSpec) SetDefaults() { m.Balance, m.Indoor, m.Humidity = 18, 24, 50 }

type fanSpec struct {
	Name        string          `yaml:"name,required"`
	Kilowatts   *surveys.Figure `yaml:"kilowatts"`
	Flow        *surveys.Figure `yaml:"m3_per_hour"`
	Pascal      *surveys.Figure `yaml:"pascal"`
	Fan         *surveys.Figure `yaml:"fan_efficiency"`
	Motor       *surveys.Figure `yaml:"motor_efficiency"`
	ShareAfter  *surveys.Figure `yaml:"flow_after"`
	Exponent    float64         `yaml:"exponent"`
	HoursPerDay *surveys.Figure `yaml:"hours_per_day"`
}

// SetDefaults sets the cube of an unchanged system.
func (f *fanSpec) SetDefaults() { f.Exponent = 3 }

// Resolve makes the paths of files that a project names absolute.
func (s *ProjectSpec) Resolve(absolute func(string) string) {
	if s.Effects != nil && s.Effects.MakeUp != nil {
		s.Effects.MakeUp.Weather = absolute(s.Effects.MakeUp.Weather)
	}
}

// effects takes the effects of a project; nil for none.
func (r *reader) effects(at string, s *effectsSpec, p plant.Project) *hvac.Beside {
	if s == nil {
		return nil
	}
	b := &hvac.Beside{}
	if s.Room == nil && s.MakeUp == nil && len(s.Fans) == 0 {
		r.reportf(at, "describe room, make_up or fans, or remove the key", "there is no effect")
	}
	if s.Room != nil {
		b.Room = r.room(at+".room", *s.Room)
	}
	if s.MakeUp != nil {
		b.MakeUp = r.makeUp(at+".make_up", *s.MakeUp)
	}
	for i, f := range s.Fans {
		b.Fans = append(b.Fans, r.fan(fmt.Sprintf("%s.fans[%d]", at, i), f, p))
	}
	return b
}

// bounds are what a figure may be.
type bounds struct{ low, high float64 }

// figure takes a figure within bounds; that of nil is 0.
func (r *reader) figure(path string, f *surveys.Figure, b bounds) hvac.Value {
	if f == nil {
		return hvac.Value{}
	}
	if !(f.Value >= b.low && f.Value <= b.high) {
		r.reportf(path, "correct the figure", "not between %.10g and %.10g", b.low, b.high)
	}
	q := f.Quantity()
	// Any error within a limit is as likely as another: its standard deviation is the
	// limit over √3.
	return hvac.Value{Value: q.Value, Standard: math.Hypot(q.Within/math.Sqrt(3), q.Standard)}
}

// What figures may be: a share, an efficiency or coefficient of performance, air in
// m³/h. An efficiency above 1 is the coefficient of a heat pump.
var (
	aShare       = bounds{0, 1}
	aPerformance = bounds{0.1, 20}
	aFlow        = bounds{1, 1e6}
)

func source(written string) string {
	if written == "" {
		return "fuel or electricity for heating"
	}
	return written
}

func (r *reader) room(at string, s roomSpec) *hvac.InRoom {
	room := &hvac.InRoom{
		Before: r.figure(at+".kept_before", &s.KeptBefore, aShare), After: r.figure(at+".kept_after", &s.KeptAfter, aShare),
		Cooled: r.figure(at+".while_cooling", s.WhileCooling, aShare), COP: r.figure(at+".cooling_cop", s.CoolingCOP, aPerformance),
		Heated: r.figure(at+".while_heating", s.WhileHeating, aShare), Heating: r.figure(at+".heating_efficiency", s.Heating, aPerformance),
		Source: source(s.HeatingSource),
	}
	for _, pair := range []struct {
		share, by   string
		given, with bool
	}{
		{"while_cooling", "cooling_cop", s.WhileCooling != nil, s.CoolingCOP != nil},
		{"while_heating", "heating_efficiency", s.WhileHeating != nil, s.Heating != nil},
	} {
		if pair.given != pair.with {
			r.reportf(at, "write both, or neither for a room without", "%s and %s belong together", pair.share, pair.by)
		}
	}
	if s.CoolingCOP == nil && s.Heating == nil {
		r.reportf(at, "write while_cooling with cooling_cop, or while_heating with heating_efficiency", "the room is neither cooled nor heated, so its heat has no effect")
	}
	if room.Cooled.Value+room.Heated.Value > 1 {
		r.reportf(at, "correct the shares of the energy that fall in times of cooling and of heating", "while_cooling and while_heating are more than the whole")
	}
	return room
}

func (r *reader) makeUp(at string, s makeUpSpec) *hvac.Exhaust {
	flow := r.figure(at+".m3_per_hour", &s.Flow, aFlow)
	x := &hvac.Exhaust{Source: source(s.HeatingSource), Schedule: hvac.Schedule{Days: s.Days, Begin: s.Hours.begin, End: s.Hours.end}}
	x.MakeUp = hvac.MakeUp{
		Flow: hvac.Value{Value: flow.Value / 3600, Standard: flow.Standard / 3600}, Height: s.Height, Balance: s.Balance,
		Indoors: hvac.Air{Celsius: s.Indoor, Humidity: s.Humidity / 100}, Weather: s.WeatherMargin,
		COP: r.figure(at+".cooling_cop", s.CoolingCOP, aPerformance), Heating: r.figure(at+".heating_efficiency", s.Heating, aPerformance),
	}
	for _, c := range []struct {
		key   string
		value float64
		may   bounds
	}{
		{"height_m", s.Height, bounds{-450, 5000}}, {"balance_celsius", s.Balance, bounds{-20, 40}}, {"indoor_celsius", s.Indoor, bounds{0, 45}},
		{"indoor_humidity_percent", s.Humidity, bounds{0, 100}}, {"weather_standard", s.WeatherMargin, bounds{0, 1}},
	} {
		if !(c.value >= c.may.low && c.value <= c.may.high) {
			r.reportf(at+"."+c.key, "correct the figure", "not between %.10g and %.10g", c.may.low, c.may.high)
		}
	}
	if s.Hours.begin%15 != 0 || s.Hours.end%15 != 0 {
		r.reportf(at+".hours", "write quarters of an hour", "the hours do not begin and end on a quarter of an hour")
	}
	if s.CoolingCOP == nil && s.Heating == nil {
		r.reportf(at, "write cooling_cop or heating_efficiency", "the air is neither cooled nor heated, so it has no effect")
	}
	return x
}

func (r *reader) fan(at string, s fanSpec, p plant.Project) hvac.NamedFan {
	f := hvac.NamedFan{Name: s.Name, HoursPerDay: r.figure(at+".hours_per_day", s.HoursPerDay, bounds{0.01, 24})}
	f.Exponent, f.Share = s.Exponent, r.figure(at+".flow_after", s.ShareAfter, aShare)
	if !(s.Exponent >= 1 && s.Exponent <= 3) {
		r.reportf(at+".exponent", "write 3 for an unchanged system, about 2.0 to 2.7 where a static pressure is held", "not between 1 and 3")
	}
	byFlow := s.Flow != nil && s.Pascal != nil && s.Fan != nil && s.Motor != nil
	anyFlow := s.Flow != nil || s.Pascal != nil || s.Fan != nil || s.Motor != nil
	switch {
	case s.Kilowatts != nil && !anyFlow:
		f.KW = r.figure(at+".kilowatts", s.Kilowatts, bounds{0.001, 1000})
	case s.Kilowatts == nil && byFlow:
		flow := r.figure(at+".m3_per_hour", s.Flow, aFlow)
		f.KW = hvac.FanPower(hvac.Value{Value: flow.Value / 3600, Standard: flow.Standard / 3600},
			r.figure(at+".pascal", s.Pascal, bounds{1, 20_000}), r.figure(at+".fan_efficiency", s.Fan, bounds{0.05, 1}), r.figure(at+".motor_efficiency", s.Motor, bounds{0.05, 1}))
	default:
		r.reportf(at, "keep what was measured best", "expected either kilowatts or m3_per_hour, pascal, fan_efficiency and motor_efficiency")
	}
	for _, id := range p.Boundary {
		if owner, _ := id.Split(); strings.EqualFold(owner, s.Name) {
			r.reportf(at+".name", "remove the fan here: its energy is in the measured savings", "the meter %s is in the boundary", owner)
		}
	}
	return f
}

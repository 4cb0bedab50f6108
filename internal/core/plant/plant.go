package plant

import (
	"slices"
	"time"

	"curetally/internal/core/unit"
)

// Plant is a whole site as configured and checked: the only description of the
// plant that the program works with. It is immutable after loading.
type Plant struct {
	Name     string
	TimeZone *time.Location
	// Interval is the length of an entry: 5, 10, 15, 30 or 60 minutes, aligned
	// to UTC.
	Interval time.Duration
	// ClockLimit is how far a device clock may be off before arrival time wins.
	ClockLimit time.Duration
	// WorkDays says on which weekdays the plant works, Sunday first.
	WorkDays  [7]bool
	Holidays  []time.Time // local midnights
	Presses   []Press
	Buses     []Bus
	Topics    []Topic
	LampKinds []LampKind
	Rules     []TaskRule
	Upkeep    UpkeepSettings
	Projects  []Project
	// Registers are all registers that the plant has, in a fixed order. They
	// follow from meters, stations and presses.
	Registers []Register
}

// Press is one printing press.
type Press struct {
	ID       PressID
	Title    string
	Stations []Station // in the order of the web
	Calendar PressCalendar
	Loops    []Loop
}

// Loop is a cooling loop or an exhaust that stations of a press share.
type Loop struct {
	ID       string // shares the names of presses, stations and meters
	Title    string
	Exhaust  bool // moves air; else coolant
	Stations []StationID
	// SignalsOf names the press, station or meter whose signals are those of the
	// loop.
	SignalsOf string
}

// Station is one curing station.
type Station struct {
	ID    StationID
	Press PressID
	Title string
	// Technology by date, oldest first: what is mounted when messages do not
	// say. The first has a zero From.
	Technology []TechnologyFrom
	// Silence is how long the station may say nothing before its state is
	// unknown.
	Silence time.Duration
	// Uncounted marks a station that offers no cumulative counters.
	Uncounted bool
	// LampKind is the kind that is taken for a lamp fitted without one.
	LampKind string
	// HourMeter names the signal of the station's own hour meter, in hours, with
	// which lit time is compared; empty when it offers none.
	HourMeter string
	// LitPower is the power in watts of the station's own meter from which on the
	// lamp burns; 0 means a share of the meter's rated power.
	LitPower float64
	// IrradianceSensor names the signal of a fixed sensor of the lamp's output, in
	// any unit; empty when there is none.
	IrradianceSensor string
	// DriveSignal names the signal of the drive in percent of full power, and
	// TemperatureSignal that of the temperature in °C, by which lit time is weighed
	// with the law of LampKind; empty when there is none.
	DriveSignal, TemperatureSignal string
}

// TechnologyFrom is the technology mounted from an instant on.
type TechnologyFrom struct {
	From       time.Time
	Technology Technology
}

// TechnologyAt gives the configured technology at an instant.
func (s Station) TechnologyAt(t time.Time) Technology {
	tech := TechnologyNone
	for _, f := range s.Technology {
		if !f.From.After(t) {
			tech = f.Technology
		}
	}
	return tech
}

// LampKind is a kind of lamp or LED module.
type LampKind struct {
	Name       string
	Title      string
	Technology Technology
	// RatedHours is the rated useful life in equivalent hours.
	RatedHours float64
	// HoursPerStart is the wear of one start in equivalent hours.
	HoursPerStart float64
	Wear          WearLaw
	// Doped marks an arc with metal halides for other wavelengths.
	Doped bool
	// Price of one lamp, ChangeCost of the work of one change, and StopCost of an
	// unplanned stop beside these two; in one currency, zero when not stated.
	Price, ChangeCost, StopCost unit.Money
	// ArcCentimeters is the length of the arc, from which the mercury in the lamp is
	// estimated; 0 when not stated.
	ArcCentimeters float64
	// MercuryMilligrams is the mercury in one lamp as its maker states it; 0 when not
	// stated.
	MercuryMilligrams float64
	// LeadDays is how long an order takes to arrive, in calendar days; 0 when not
	// stated.
	LeadDays int
	// LifeShape and LifeShapeSpread are what is held of the Weibull shape of the
	// kind's life before lamps have failed, and the standard deviation of its
	// logarithm; zero means the program's own assumption.
	LifeShape, LifeShapeSpread float64
	// DirtLimit is the share of the clean output that dirt may take before the lens
	// is cleaned, OutputThreshold the share of the initial one at which the lamp is
	// at its end. CleanedBy are the rules whose tasks clean the lens.
	DirtLimit, OutputThreshold float64
	CleanedBy                  []RuleID
}

// RuleScope says what a task rule is applied to.
type RuleScope string

// The scopes of task rules.
const (
	PerStation RuleScope = "station"
	PerLamp    RuleScope = "lamp" // the lamp fitted in each station
	PerPress   RuleScope = "press"
	PerLoop    RuleScope = "loop"    // each cooling loop; the press where none is named
	PerExhaust RuleScope = "exhaust" // each exhaust; the press where none is named
)

// ConditionKind says how a signal reaches the limit of a task.
type ConditionKind string

// The kinds of condition.
const (
	Below   ConditionKind = "below"
	Above   ConditionKind = "above"
	Falls   ConditionKind = "falls"    // by a share of what it was when last done
	Rises   ConditionKind = "rises"    // likewise
	RisesBy ConditionKind = "rises_by" // by so much, in the unit of the signal
)

// Condition is a limit on a process signal.
type Condition struct {
	Signal string // name with its unit, as in Signal
	Kind   ConditionKind
	// Limit is in the unit of the signal, or a share for Falls and Rises.
	Limit float64
	// OffBelow leaves out values below it, which are of a machine that stands; 0
	// leaves out none.
	OffBelow float64
}

// TaskRule says when a task falls due. Of several limits the first that is
// reached counts; a zero limit is not set.
type TaskRule struct {
	ID    RuleID
	Title string
	Scope RuleScope
	// Technology restricts the rule to stations of that technology;
	// TechnologyNone applies to all.
	Technology Technology
	LitHours   float64 // since the anchor
	// LifeFraction is for PerLamp: the fraction of the rated equivalent hours.
	LifeFraction float64
	Starts       int64
	AreaM2       float64 // printed by the press since the anchor
	Days         int     // calendar days
	Conditions   []Condition
	// Ready marks a ready-made rule, whose signals a plant need not have.
	Ready bool
	// Lead is how many days before the due date the task shows as upcoming.
	Lead int
	// Grace is how many days after the due date it becomes overdue.
	Grace    int
	Minutes  int // work time at one subject, once isolated and cool
	People   int // needed at the same time; 0 means one
	Parts    []string
	Cautions []string // codes of caution cards, C1 to C20
}

// Project is a retrofit whose savings are stated.
type Project struct {
	ID    ProjectID
	Title string
	Press PressID
	// Boundary is the set of energy registers inside the measurement boundary.
	Boundary []RegisterID
	// Drivers are the independent variables of the baseline model, in order.
	Drivers    []Driver
	Baseline   Selection
	Reporting  Selection
	Confidence float64 // for example 0.90
	// EstimatedLimit is the share of a day's energy, 0 to 1, that may be neither
	// measured nor interpolated before the day is left out.
	EstimatedLimit float64
	Price          unit.Money // per kWh
	// Carbon is kilograms CO2-equivalent per kWh, with the source it is from.
	Carbon       float64
	CarbonSource string
	// Model is the form of the baseline model, a word of regression.Form; empty
	// means linear. Its rows are periods of Granularity.
	Model       string
	Granularity Granularity
	// Limits decide whether the model is accepted; nil means the usual ones.
	Limits *ModelLimits
	// Conversion is the local day on which the old system goes; zero when it is not
	// known.
	Conversion time.Time
	// Expected is what the drivers will go through in the year to come.
	Expected []DriverSpan
	// Normal are the kinds of days of a year to which savings are normalised; none
	// where the project states no such year.
	Normal  []NormalDay
	Factors []StaticFactor
	Plan    MVPlan
}

// Driver is an independent variable of a baseline model, summed per day over
// the stations of the project's press.
type Driver string

// The drivers.
const (
	DriverCuringHours  Driver = "curing_hours"  // lit time while curing, station-hours
	DriverStandbyHours Driver = "standby_hours" // time in standby, station-hours
	DriverStarts       Driver = "starts"
	DriverArea         Driver = "area_m2"
	DriverImpressions  Driver = "impressions" // thousands
)

// Drivers lists the words for Driver.
func Drivers() []Driver {
	return []Driver{DriverCuringHours, DriverStandbyHours, DriverStarts, DriverArea, DriverImpressions}
}

// Selection chooses the days of a period by local date and by technology in
// use.
type Selection struct {
	From       time.Time // local midnight; zero means from the first day
	To         time.Time // local midnight, exclusive; zero means to the last whole day
	Technology Technology
}

// FindPress looks a press up by name.
func (p *Plant) FindPress(id PressID) (Press, bool) {
	for _, pr := range p.Presses {
		if pr.ID == id {
			return pr, true
		}
	}
	return Press{}, false
}

// FindStation looks a station up by name.
func (p *Plant) FindStation(id StationID) (Station, bool) {
	for _, pr := range p.Presses {
		for _, s := range pr.Stations {
			if s.ID == id {
				return s, true
			}
		}
	}
	return Station{}, false
}

// Stations lists all stations, press by press in the order of the web.
func (p *Plant) Stations() []Station {
	var all []Station
	for _, pr := range p.Presses {
		all = append(all, pr.Stations...)
	}
	return all
}

// FindRegister looks a register up by name.
func (p *Plant) FindRegister(id RegisterID) (Register, bool) {
	for _, r := range p.Registers {
		if r.ID == id {
			return r, true
		}
	}
	return Register{}, false
}

// WearOf gives the register by which the lamp of a station wears: its weighed lit
// time where there is such a register, else its lit time.
func (p *Plant) WearOf(st StationID) RegisterID {
	if wear := RegisterOf(st, ValueWear); slices.ContainsFunc(p.Registers, func(r Register) bool { return r.ID == wear }) {
		return wear
	}
	return RegisterOf(st, ValueLit)
}

// FindLampKind looks a lamp kind up by name.
func (p *Plant) FindLampKind(name string) (LampKind, bool) {
	for _, k := range p.LampKinds {
		if k.Name == name {
			return k, true
		}
	}
	return LampKind{}, false
}

// WorkDay says whether the plant works on the local day of t.
func (p *Plant) WorkDay(t time.Time) bool {
	return !p.Holiday(t, p.Holidays) && p.WorkDays[t.In(p.TimeZone).Weekday()]
}

// Holiday says whether the local day of t is among local days.
func (p *Plant) Holiday(t time.Time, days []time.Time) bool {
	y, m, d := t.In(p.TimeZone).Date()
	return slices.ContainsFunc(days, func(h time.Time) bool {
		hy, hm, hd := h.Date()
		return hy == y && hm == m && hd == d
	})
}

// FindMeter looks a meter up by name.
func (p *Plant) FindMeter(id MeterID) (Meter, bool) {
	for _, b := range p.Buses {
		for _, m := range b.Meters {
			if m.ID == id {
				return m, true
			}
		}
	}
	return Meter{}, false
}

// FindProject looks a retrofit project up by name.
func (p *Plant) FindProject(id ProjectID) (Project, bool) {
	for _, pr := range p.Projects {
		if pr.ID == id {
			return pr, true
		}
	}
	return Project{}, false
}

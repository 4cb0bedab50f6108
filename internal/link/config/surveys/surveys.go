// Package surveys reads the survey of a curing system and of the one that is to take
// its place, from a YAML file that a retrofit engineer writes. It gives the survey
// that package survey in core works the case out of.
//
// Every figure may be a plain number, or a mapping that says how well it is known:
// {value: 400, within: 1 %} or {value: 4100, standard: 150}. Margins are percentages
// of the value or amounts in its unit.
//
// All mistakes of a file come at once, each with line, path, what was expected and the
// remedy; a file with a mistake gives no survey.
package surveys

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"curetally/internal/core/survey"
	"curetally/internal/link/config/strictyaml"
)

// margin is how far a figure may be off: a fraction of it, or an amount.
type margin struct{ fraction, amount float64 }

// UnmarshalText reads "1 %" or "0.5".
func (m *margin) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	number, isPercent := strings.CutSuffix(s, "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v >= 0) || v > 1e12 || isPercent && v > 100 {
		return &strictyaml.Mistake{Problem: "expected a margin of 0 or more", Remedy: "write a percentage of the value such as 1 %, or an amount in its unit"}
	}
	if isPercent {
		*m = margin{fraction: v / 100}
		return nil
	}
	*m = margin{amount: v}
	return nil
}

func (m margin) of(value float64) float64 { return m.fraction*math.Abs(value) + m.amount }

// rate is a fraction per year, written as a percentage.
type rate float64

// UnmarshalText reads "7 %".
func (r *rate) UnmarshalText(text []byte) error {
	number, isPercent := strings.CutSuffix(strings.TrimSpace(string(text)), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !isPercent || err != nil || !(v > -50 && v < 100) {
		return &strictyaml.Mistake{Problem: "expected a rate per year", Remedy: "write it as a percentage, for example 7 %"}
	}
	*r = rate(v / 100)
	return nil
}

// Figure is a number with how well it is known.
type Figure struct {
	Value    float64 `yaml:"value,required,scalar"`
	Within   margin  `yaml:"within"`
	Standard margin  `yaml:"standard"`
}

// Quantity is the figure as the core takes it; that of nil is 0.
func (f *Figure) Quantity() survey.Quantity {
	if f == nil {
		return survey.Quantity{}
	}
	return survey.Quantity{Value: f.Value, Within: f.Within.of(f.Value), Standard: f.Standard.of(f.Value)}
}

// load is a group of like consumers as written.
type load struct {
	Name        string  `yaml:"name"`
	Count       float64 `yaml:"count"`
	KWh         *Figure `yaml:"kwh"`
	Kilowatts   *Figure `yaml:"kilowatts"`
	Volts       *Figure `yaml:"volts"`
	Amps        *Figure `yaml:"amps"`
	Phases      int     `yaml:"phases"`
	PowerFactor *Figure `yaml:"power_factor"`
	Hours       *Figure `yaml:"hours"`
}

// SetDefaults sets one consumer on three phases.
func (l *load) SetDefaults() { l.Count, l.Phases = 1, 3 }

// system is one curing system as written: a list of loads, or a single load with
// its keys beside those of the system.
type system struct {
	load
	Loads       []load  `yaml:"loads"`
	Lamps       *Figure `yaml:"lamps"`
	LampPrice   *Figure `yaml:"lamp_price"`
	UpkeepHours *Figure `yaml:"upkeep_hours"`
	OtherCost   *Figure `yaml:"other_cost"`
}

type later struct {
	Year   int    `yaml:"year,required"`
	Amount Figure `yaml:"amount,required"`
}

// file is the whole survey as written.
type file struct {
	Title        string  `yaml:"title"`
	Currency     string  `yaml:"currency,required"`
	Hours        *Figure `yaml:"hours"`
	Before       *system `yaml:"before,required"`
	After        *system `yaml:"after,required"`
	EnergyPrice  *Figure `yaml:"energy_price,required"`
	LabourPrice  *Figure `yaml:"labour_price"`
	LampPrice    *Figure `yaml:"lamp_price"`
	Carbon       *Figure `yaml:"carbon"`
	CarbonSource string  `yaml:"carbon_source"`
	Investment   *Figure `yaml:"investment,required"`
	Years        int     `yaml:"years"`
	DiscountRate rate    `yaml:"discount_rate"`
	EnergyRise   rate    `yaml:"energy_price_rise"`
	CostRise     rate    `yaml:"cost_rise"`
	Later        []later `yaml:"later"`
	Confidence   float64 `yaml:"confidence"`
}

// SetDefaults sets ten years at 5 %, and intervals of 90 %.
func (f *file) SetDefaults() { f.Years, f.DiscountRate, f.Confidence = 10, 0.05, 0.90 }

// Read takes a survey from the text of a file; the name shows in problems.
func Read(name string, data []byte) (survey.Survey, strictyaml.Problems) {
	var f file
	r := reader{doc: strictyaml.Decode(name, data, &f), common: f.Hours}
	if len(r.doc.Problems()) > 0 {
		return survey.Survey{}, r.doc.Problems()
	}
	s := survey.Survey{
		Title: f.Title, Currency: f.Currency, Hours: r.amount("hours", f.Hours),
		Before: r.system("before", f.Before, f.LampPrice), After: r.system("after", f.After, f.LampPrice),
		EnergyPrice: r.amount("energy_price", f.EnergyPrice), LabourPrice: r.amount("labour_price", f.LabourPrice),
		Carbon: r.amount("carbon", f.Carbon), CarbonSource: f.CarbonSource, Investment: r.amount("investment", f.Investment),
		Years: f.Years, Rate: float64(f.DiscountRate), EnergyRise: float64(f.EnergyRise), CostRise: float64(f.CostRise), Confidence: f.Confidence,
	}
	if len(f.Currency) != 3 || strings.Trim(f.Currency, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		r.doc.Report("currency", "not a currency", "write its code of three letters, for example EUR")
	}
	if f.Years < 1 || f.Years > 50 {
		r.doc.Report("years", "not between 1 and 50", "write the years that the case looks ahead, for example 10")
	}
	if !(f.Confidence > 0.5 && f.Confidence < 1) {
		r.doc.Report("confidence", "not between 0.5 and 1", "write for example 0.90")
	}
	if f.Carbon != nil && f.CarbonSource == "" {
		r.doc.Report("carbon", "a carbon factor without its source", "write carbon_source: where the factor is from and for which year")
	}
	s.Later = r.later(f)
	problems := r.doc.Problems()
	problems.Sort()
	return s, problems
}

// reader checks what was read.
type reader struct {
	doc    *strictyaml.Document
	common *Figure
}

// amount checks a figure that cannot be negative; a missing one is 0.
func (r reader) amount(path string, f *Figure) survey.Quantity {
	q := f.Quantity()
	switch {
	case math.IsNaN(q.Value) || math.IsInf(q.Value, 0) || q.Value < 0:
		r.doc.Report(path, "not an amount of 0 or more", "correct the figure; what is given back or sold is entered under other_cost of the system after")
	case q.Within > q.Value:
		r.doc.Report(path, "a margin that is greater than the figure", "write the margin in per cent, or leave it out")
	}
	return q
}

func (r reader) system(path string, s *system, lampPrice *Figure) survey.System {
	direct := s.KWh != nil || s.Kilowatts != nil || s.Volts != nil || s.Amps != nil || s.PowerFactor != nil || s.Hours != nil
	loads := s.Loads
	switch {
	case direct && len(loads) > 0:
		r.doc.Report(path, "has loads and the figures of a load beside them", "put the figures into the list of loads")
	case direct:
		loads = []load{s.load}
	case len(loads) == 0:
		r.doc.Report(path, "uses no energy", "write volts, amps, phases, power_factor and hours, or kilowatts and hours, or kwh, or a list of loads")
	}
	price := s.LampPrice
	if price == nil {
		price = lampPrice
	}
	out := survey.System{
		Lamps: r.amount(path+".lamps", s.Lamps), LampPrice: r.amount(path+".lamp_price", price),
		UpkeepHours: r.amount(path+".upkeep_hours", s.UpkeepHours), OtherCost: s.OtherCost.Quantity(),
	}
	for i, l := range loads {
		at := path
		if !direct {
			at = fmt.Sprintf("%s.loads[%d]", path, i)
		}
		out.Loads = append(out.Loads, r.load(at, l))
	}
	return out
}

// hoursOfAYear is the most that a load can run.
const hoursOfAYear = 8784

func (r reader) load(at string, l load) survey.Load {
	out := survey.Load{Name: l.Name, Count: l.Count, Phases: l.Phases}
	if !(l.Count > 0 && l.Count < 1e6) {
		r.doc.Report(at+".count", "not greater than 0", "write how many there are")
	}
	byAmps := l.Volts != nil || l.Amps != nil || l.PowerFactor != nil
	ways := 0
	for _, used := range []bool{l.KWh != nil, l.Kilowatts != nil, byAmps} {
		if used {
			ways++
		}
	}
	if ways != 1 {
		r.doc.Report(at, "expected one of three: kwh, or kilowatts, or volts with amps and power_factor", "keep what was measured best")
		return out
	}
	if l.KWh != nil {
		q := r.amount(at+".kwh", l.KWh)
		out.KWh = &q
		return out
	}
	if l.Kilowatts != nil {
		q := r.amount(at+".kilowatts", l.Kilowatts)
		out.Kilowatts = &q
	} else {
		r.byAmps(at, l, &out)
	}
	switch {
	case l.Hours != nil:
		q := r.amount(at+".hours", l.Hours)
		if q.Value > hoursOfAYear {
			r.doc.Report(at+".hours", "more hours than a year has", "write the hours of one year that the load runs")
		}
		out.Hours = &q
	case r.common == nil:
		r.doc.Report(at, "no hours", "write hours on the load, or once for all at the top of the file")
	}
	return out
}

// byAmps reads a load that was measured or rated in volts and amperes.
func (r reader) byAmps(at string, l load, out *survey.Load) {
	if l.Volts == nil || l.Amps == nil {
		r.doc.Report(at, "volts without amps, or amps without volts", "write both")
	}
	if l.Phases != 1 && l.Phases != 3 {
		r.doc.Report(at+".phases", "not 1 or 3", "write 3 for a balanced three-phase load with the volts between conductors; list unbalanced phases as three loads of 1")
	}
	out.Volts, out.Amperes, out.Factor = r.amount(at+".volts", l.Volts), r.amount(at+".amps", l.Amps), r.amount(at+".power_factor", l.PowerFactor)
	if l.PowerFactor == nil || !(out.Factor.Value > 0 && out.Factor.Value <= 1) {
		r.doc.Report(at+".power_factor", "not greater than 0 and at most 1", "write the true power factor, kW over kVA; with ballasts it is not 1, and volts and amps alone give no kilowatts")
	}
}

func (r reader) later(f file) map[int]survey.Quantity {
	all := map[int]survey.Quantity{}
	for i, l := range f.Later {
		at := fmt.Sprintf("later[%d].year", i)
		if l.Year < 1 || l.Year > f.Years {
			r.doc.Report(at, "not a year of the case", fmt.Sprintf("expected 1 to %d", f.Years))
		}
		if _, double := all[l.Year]; double {
			r.doc.Report(at, "the year is there twice", "add the amounts up")
		}
		all[l.Year] = l.Amount.Quantity()
	}
	return all
}

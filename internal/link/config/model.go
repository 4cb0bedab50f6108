package config

import (
	"fmt"
	"maps"
	"slices"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// model reads what a project's baseline model is made of and judged by.
func (b *builder) model(at string, s projectSpec, p *plant.Project) {
	forms := wordsOf(regression.Forms())
	if !slices.Contains(forms, s.Model) {
		b.reportf(at+".model", strictyaml.Suggest(s.Model, forms, ""), "unknown model %q", s.Model)
	}
	if lengths := wordsOf(plant.Granularities()); !slices.Contains(lengths, s.Granularity) {
		b.reportf(at+".granularity", strictyaml.Suggest(s.Granularity, lengths, ""), "unknown granularity %q", s.Granularity)
	}
	// Without drivers a line is the mean.
	level := []string{string(regression.Mean), string(regression.Linear), string(regression.Auto)}
	if len(p.Drivers) == 0 && !slices.Contains(level, s.Model) {
		b.reportf(at+".drivers", "list the driver with the change point first, or write model: mean", "model %s needs a driver", s.Model)
	}
	p.Model, p.Granularity = s.Model, plant.Granularity(s.Granularity)
	l := plant.ModelLimits(s.Limits)
	p.Limits = &l
	for _, c := range []struct {
		key string
		ok  bool
	}{
		{"cv_rmse", l.CVRMSE > 0 && l.CVRMSE <= 1}, {"nmbe", l.NMBE > 0 && l.NMBE <= 1},
		{"r2", l.R2 >= 0 && l.R2 < 1}, {"t", l.T >= 0 && l.T <= 100}, {"rows", l.Rows >= 3 && l.Rows <= 10000},
	} {
		if !c.ok {
			b.report(at+".limits."+c.key, "out of bounds", "write cv_rmse and nmbe as fractions such as 0.25, r2 below 1, t up to 100, rows from 3")
		}
	}
	p.Conversion = civil.Local(s.Conversion.Time, b.plant.TimeZone)
	b.expected(at, s, p)
	b.factors(at, s, p)
	b.mvPlan(at+".plan", s.Plan, p)
}

// expected reads the range of the drivers in the year to come.
func (b *builder) expected(at string, s projectSpec, p *plant.Project) {
	for i, e := range s.ExpectedYear {
		path := fmt.Sprintf("%s.expected_year[%d]", at, i)
		switch {
		case !slices.Contains(p.Drivers, e.Driver):
			b.reportf(path+".driver", strictyaml.Suggest(string(e.Driver), wordsOf(p.Drivers), "list it under drivers"), "%q is no driver of the project", e.Driver)
		case slices.ContainsFunc(p.Expected, func(o plant.DriverSpan) bool { return o.Driver == e.Driver }):
			b.reportf(path+".driver", "keep one of the two", "driver %s is there twice", e.Driver)
		case !(e.Low >= 0 && e.High > e.Low):
			b.report(path+".high", "not above low", "write what the driver goes through per day, for example {driver: curing_hours, low: 0, high: 32}")
		default:
			p.Expected = append(p.Expected, plant.DriverSpan{Driver: e.Driver, Low: e.Low, High: e.High})
		}
	}
	b.means(at, s, p)
	b.expectedDays(at, s, p)
}

// means makes a normal year of the mean of each driver.
func (b *builder) means(at string, s projectSpec, p *plant.Project) {
	mean := map[plant.Driver]float64{}
	for i, e := range s.ExpectedYear {
		if e.Mean == nil {
			continue
		}
		if !(*e.Mean >= e.Low && *e.Mean <= e.High) {
			b.report(fmt.Sprintf("%s.expected_year[%d].mean", at, i), "not between low and high", "write the mean per day over all days of the year, the days of rest included")
		}
		mean[e.Driver] = *e.Mean
	}
	if len(mean) == 0 {
		return
	}
	day := plant.NormalDay{Days: daysOfYear}
	for _, d := range p.Drivers {
		v, known := mean[d]
		if !known {
			b.reportf(at+".expected_year", "give every driver of the project its mean, or none", "there are means, but none of driver %s", d)
			return
		}
		day.Drivers = append(day.Drivers, v)
	}
	p.Normal = []plant.NormalDay{day}
}

// daysOfYear is a normal year; a leap year is one of its kinds of days longer.
const daysOfYear = 365

// expectedDays reads a normal year as kinds of days.
func (b *builder) expectedDays(at string, s projectSpec, p *plant.Project) {
	if len(s.ExpectedDays) == 0 {
		return
	}
	if p.Normal != nil {
		b.report(at+".expected_days", "the normal year is there twice, also as means", "remove mean: from expected_year, or expected_days")
	}
	p.Normal = nil
	var sum float64
	for i, n := range s.ExpectedDays {
		path := fmt.Sprintf("%s.expected_days[%d]", at, i)
		if !(n.Days > 0 && n.Days <= daysOfYear+1) {
			b.report(path+".days", "not between 1 and 366", "write how many such days a year has")
		}
		sum += n.Days
		day := plant.NormalDay{Days: n.Days}
		for _, d := range p.Drivers {
			v, known := n.Drivers[string(d)]
			if !known || !(v >= 0) {
				b.reportf(path+".drivers", "give each driver of the project its value on such a day, 0 or more", "nothing usable for driver %s", d)
			}
			day.Drivers = append(day.Drivers, v)
		}
		for _, name := range slices.Sorted(maps.Keys(n.Drivers)) {
			if !slices.Contains(p.Drivers, plant.Driver(name)) {
				b.reportf(path+".drivers."+name, strictyaml.Suggest(name, wordsOf(p.Drivers), "list it under drivers"), "%q is no driver of the project", name)
			}
		}
		p.Normal = append(p.Normal, day)
	}
	if sum < daysOfYear-0.5 || sum > daysOfYear+1.5 {
		b.reportf(at+".expected_days", "write kinds of days that make up a year of 365 or 366", "the days add up to %g", sum)
	}
}

// factors reads the static factors; a name may come again with a later from.
func (b *builder) factors(at string, s projectSpec, p *plant.Project) {
	for i, f := range s.Factors {
		path := fmt.Sprintf("%s.static_factors[%d]", at, i)
		from := civil.Local(f.From.Time, b.plant.TimeZone)
		for _, o := range p.Factors {
			if o.Name == f.Name && !from.After(o.From) {
				b.reportf(path+".from", "give each later value of a static factor the day since which it is so", "static factor %q has two values for one time", f.Name)
				break
			}
		}
		p.Factors = append(p.Factors, plant.StaticFactor{Name: f.Name, Value: f.Value, From: from})
	}
}

func wordsOf[T ~string](all []T) []string {
	out := make([]string, len(all))
	for i, v := range all {
		out[i] = string(v)
	}
	return out
}

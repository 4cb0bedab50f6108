package tariff

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/govalues/decimal"

	"curetally/internal/core/unit"
)

// Holiday is the kind of day after the seven of the week (Sunday is 0).
const Holiday = 7

// MinutesOfDay is the end of a day on the clock.
const MinutesOfDay = 24 * 60

// Date is a day of every year.
type Date struct {
	Month time.Month
	Day   int
}

// before orders days of a year.
func (d Date) before(o Date) bool {
	return cmp.Or(cmp.Compare(d.Month, o.Month), cmp.Compare(d.Day, o.Day)) < 0
}

// Day is a day of the calendar.
type Day struct {
	Year  int
	Month time.Month
	Day   int
}

// When are the moments that a price holds for.
type When struct {
	// First and Last are the season, both days included; it may run over the new
	// year. Two zero dates are the whole year.
	First, Last Date
	// Days of the week, Sunday first, and holidays last.
	Days [8]bool
	// Begin and End are minutes of the local day, [Begin, End); with Begin not
	// before End the end and the beginning of the day, as in 22:00-06:00.
	Begin, End int
}

// holds says whether a moment of the year is one of them.
func (w When) holds(d Date, kind, minute int) bool {
	if !w.Days[kind] {
		return false
	}
	if w.First != (Date{}) || w.Last != (Date{}) {
		after, until := !d.before(w.First), !w.Last.before(d)
		if w.Last.before(w.First) {
			if !after && !until {
				return false
			}
		} else if !after || !until {
			return false
		}
	}
	if w.Begin < w.End {
		return minute >= w.Begin && minute < w.End
	}
	return minute >= w.Begin || minute < w.End
}

// Period is a price per kilowatt-hour with when it holds.
type Period struct {
	Name string
	When
	Price unit.Money
}

// Demand is a price per kilowatt and month of the highest mean power over a window.
type Demand struct {
	Name   string
	When   // a window counts when it lies wholly in it
	Price  unit.Money
	Window time.Duration // divides an hour
	// Step is from window to window: Window for blocks beside each other, less for
	// windows that slide. Windows begin at whole steps from local midnight.
	Step time.Duration
	// Ratchet is the share of the highest demand of the Months before that is
	// charged at least; 0 for none.
	Ratchet decimal.Decimal
	Months  int
}

// Version is a tariff from a date on.
type Version struct {
	From    time.Time // local midnight; zero for the first: from the beginning
	Periods []Period
	Demands []Demand
}

// Tariff is a contract of supply with its versions, oldest first, in one currency.
type Tariff struct {
	Name     string
	Zone     *time.Location
	Holidays []Day
	Versions []Version
}

// namesHolidays says whether the version has prices of their own for holidays;
// else a holiday is priced as its day of the week.
func (v Version) namesHolidays() bool {
	return slices.ContainsFunc(v.Periods, func(p Period) bool { return p.Days[Holiday] })
}

// Fault is a stretch of clock time on some days of a version for which there is no
// price or more than one.
type Fault struct {
	Begin, End int // minutes of the local day
	Days       [8]bool
	First      Date  // first day of the year that has it
	InYear     int   // days of the year that have it, of 366
	Periods    []int // indices of the prices that hold at once; none in a gap
}

// String says when, without which prices: "22:00 to 24:00 on Sat, Sun from 1 January
// (366 days of the year)".
func (f Fault) String() string {
	var days []string
	for i, on := range f.Days {
		switch {
		case on && i == Holiday:
			days = append(days, "holidays")
		case on:
			days = append(days, time.Weekday(i).String()[:3])
		}
	}
	on := strings.Join(days, ", ")
	if len(days) == len(f.Days) {
		on = "all days"
	}
	return fmt.Sprintf("%s to %s on %s from %d %s on (%d days of the year)",
		clock(f.Begin), clock(f.End), on, f.First.Day, f.First.Month, f.InYear)
}

func clock(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }

// Faults lists where the version has no price or several, in the order of the day.
func (v Version) Faults() []Fault {
	kinds := Holiday
	if v.namesHolidays() {
		kinds++
	}
	edges := map[int]bool{0: true, MinutesOfDay: true}
	for _, p := range v.Periods {
		edges[p.Begin], edges[p.End] = true, true
	}
	sorted := slices.Sorted(maps.Keys(edges))
	var all []Fault
	for i := range len(sorted) - 1 {
		for _, f := range v.faultsAt(sorted[i], sorted[i+1], kinds) {
			joins := func(o Fault) bool {
				return o.End == f.Begin && o.Days == f.Days && o.First == f.First && o.InYear == f.InYear && slices.Equal(o.Periods, f.Periods)
			}
			if j := slices.IndexFunc(all, joins); j >= 0 {
				all[j].End = f.End
				continue
			}
			all = append(all, f)
		}
	}
	return all
}

// faultsAt looks at one stretch of the day, within which no price changes, on every
// day of a year that has 29 February.
func (v Version) faultsAt(begin, end, kinds int) []Fault {
	var all []Fault
	for day := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() == 2000; day = day.AddDate(0, 0, 1) {
		d := Date{day.Month(), day.Day()}
		counted := map[int]bool{}
		for kind := range kinds {
			var hold []int
			for i, p := range v.Periods {
				if p.holds(d, kind, begin) {
					hold = append(hold, i)
				}
			}
			if len(hold) == 1 {
				continue
			}
			j := slices.IndexFunc(all, func(f Fault) bool { return slices.Equal(f.Periods, hold) })
			if j < 0 {
				j = len(all)
				all = append(all, Fault{Begin: begin, End: end, First: d, Periods: hold})
			}
			all[j].Days[kind] = true
			if !counted[j] {
				counted[j] = true
				all[j].InYear++
			}
		}
	}
	return all
}

// Edges are the minutes of the day at which a price of the version begins or ends.
func (v Version) Edges() []int {
	edges := map[int]bool{}
	for _, p := range v.Periods {
		edges[p.Begin], edges[p.End] = true, true
	}
	for _, d := range v.Demands {
		edges[d.Begin], edges[d.End] = true, true
	}
	return slices.Sorted(maps.Keys(edges))
}

// version is the one in force at an instant; -1 before the first.
func (t *Tariff) version(at time.Time) int {
	in := -1
	for i, v := range t.Versions {
		if !v.From.After(at) {
			in = i
		}
	}
	return in
}

// moment tells an instant as prices see it.
func (t *Tariff) moment(at time.Time, v Version) (d Date, kind, minute int) {
	local := at.In(t.Zone)
	y, m, day := local.Date()
	kind = int(local.Weekday())
	if v.namesHolidays() && slices.Contains(t.Holidays, Day{y, m, day}) {
		kind = Holiday
	}
	return Date{m, day}, kind, local.Hour()*60 + local.Minute()
}

// At gives version and price in force at an instant by their indices; ok is false
// when there is none.
func (t *Tariff) At(at time.Time) (version, period int, ok bool) {
	version = t.version(at)
	if version < 0 {
		return 0, 0, false
	}
	v := t.Versions[version]
	d, kind, minute := t.moment(at, v)
	for i, p := range v.Periods {
		if p.holds(d, kind, minute) {
			return version, i, true
		}
	}
	return 0, 0, false
}

// Used is the energy of one interval. No price may change within the interval.
type Used struct {
	Start  time.Time
	Energy unit.Energy
}

// Line is the energy at one price of one version.
type Line struct {
	From   time.Time // of the version; zero for the first
	Name   string
	Price  unit.Money // per kWh
	Energy unit.Energy
	Cost   unit.Money
}

// Cost is what energy costs.
type Cost struct {
	Lines []Line // by version and price, those without energy left out
	Total unit.Money
	// Unpriced is the energy of intervals for which no version is in force.
	Unpriced unit.Energy
}

// Cost prices energy by interval.
func (t *Tariff) Cost(used []Used) (Cost, error) {
	type at struct{ version, period int }
	sums := map[at]unit.Energy{}
	var c Cost
	for _, u := range used {
		v, p, ok := t.At(u.Start)
		if !ok {
			c.Unpriced += u.Energy
			continue
		}
		sums[at{v, p}] += u.Energy
	}
	for i, v := range t.Versions {
		for j, p := range v.Periods {
			e, ok := sums[at{i, j}]
			if !ok {
				continue
			}
			cost, err := p.Price.ForEnergy(e)
			if err != nil {
				return Cost{}, fmt.Errorf("tariff %s, %s: %w", t.Name, p.Name, err)
			}
			c.Lines = append(c.Lines, Line{From: v.From, Name: p.Name, Price: p.Price, Energy: e, Cost: cost})
			if c.Total, err = c.Total.Plus(cost); err != nil {
				return Cost{}, fmt.Errorf("tariff %s: %w", t.Name, err)
			}
		}
	}
	if c.Total.Currency == "" && len(t.Versions) > 0 && len(t.Versions[0].Periods) > 0 {
		c.Total.Currency = t.Versions[0].Periods[0].Price.Currency
	}
	return c, nil
}

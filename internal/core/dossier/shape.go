package dossier

import (
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// HoursOfDay is how many hours a Shape tells apart.
const HoursOfDay = 24

// Shape is the mean power of the boundary by hour of the local day, in kilowatts,
// over the days of the baseline and over those that the statement counts. Days are
// how many days there are in each mean; where 0, there is no mean.
type Shape struct {
	Before, After         [HoursOfDay]float64
	BeforeDays, AfterDays int
}

// Profile adds up energy by hour of the local day. The zero value is not of use:
// NewProfile builds one.
type Profile struct {
	zone          *time.Location
	before, after map[int64]bool // local midnights
	energy        [2][HoursOfDay]unit.Energy
	length        [2][HoursOfDay]time.Duration
}

// NewProfile builds the profile of a dossier's days. A baseline whose rows are
// weeks or months has all days in them.
func NewProfile(d Dossier) *Profile {
	p := &Profile{zone: d.Zone, before: map[int64]bool{}, after: map[int64]bool{}}
	for _, day := range d.Days {
		if day.Excluded == "" && d.Baseline.Covers(day.Day) {
			p.add(0, p.before, day.Day)
		}
	}
	for _, day := range d.Counted() {
		p.add(1, p.after, day.Day)
	}
	return p
}

// add takes a day into a period. Its hours are counted one by one, because the
// days on which clocks change lack one or have one twice.
func (p *Profile) add(period int, days map[int64]bool, day time.Time) {
	days[day.Unix()] = true
	local := day.In(p.zone)
	end := time.Date(local.Year(), local.Month(), local.Day()+1, 0, 0, 0, 0, p.zone)
	for at := day; at.Before(end); at = at.Add(quarter) {
		p.length[period][at.In(p.zone).Hour()] += quarter
	}
}

// quarter divides every offset from UTC that is in use.
const quarter = 15 * time.Minute

// Add takes an entry of a register of the boundary. Entries of days in neither
// period are passed over.
func (p *Profile) Add(e plant.Entry) {
	local := e.Start.In(p.zone)
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, p.zone).Unix()
	for period, days := range []map[int64]bool{p.before, p.after} {
		if days[midnight] {
			p.energy[period][local.Hour()] += unit.Energy(e.Amount)
		}
	}
}

// Shape gives the means of what was added. An entry counts in the hour in which
// its interval begins.
func (p *Profile) Shape() Shape {
	s := Shape{BeforeDays: len(p.before), AfterDays: len(p.after)}
	for hour := range HoursOfDay {
		s.Before[hour] = meanKW(p.energy[0][hour], p.length[0][hour])
		s.After[hour] = meanKW(p.energy[1][hour], p.length[1][hour])
	}
	return s
}

func meanKW(e unit.Energy, over time.Duration) float64 {
	if over == 0 {
		return 0
	}
	return e.KWh() / over.Hours()
}

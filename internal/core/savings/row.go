package savings

import (
	"fmt"
	"math"
	"slices"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/unit"
)

// Row is a period that a baseline was fitted to: a day, or the usable days of a
// week or month. Energy and drivers are sums over its days.
type Row struct {
	Day time.Time `json:"day"` // local midnight that begins the period
	// End is the local midnight that ends it; zero for a day. Days is how many of
	// its days are in the sums; 0 for a day.
	End     time.Time   `json:"end,omitzero"`
	Days    int         `json:"days,omitempty"`
	Energy  unit.Energy `json:"energy_mwh"`
	Drivers []float64   `json:"drivers"`
}

// length is the number of days in the sums.
func (r Row) length() float64 { return float64(max(r.Days, 1)) }

// perDay gives the drivers as means per day, in which the model is fitted, so that
// periods of different length are comparable.
func (r Row) perDay() []float64 {
	out := slices.Clone(r.Drivers)
	for i := range out {
		out[i] /= r.length()
	}
	return out
}

// stretch is a row with the days that it was made of.
type stretch struct {
	Row
	days []Day
}

// wholeShare is the part of the days of a week or month that must be usable, so
// that its mean per day stands for it.
// From memory: programmes for interval data ask for 90 % in every month.
const wholeShare = 0.9

// needed is how many usable days a period of so many days must have: six of a
// week, nine in ten of a month.
func needed(g plant.Granularity, length int) int {
	if g == plant.Weekly {
		return length - 1
	}
	return int(math.Ceil(wholeShare * float64(length)))
}

// gatherRows joins used days to the periods of a granularity. Days of a period that
// has too few of them come back with the reason.
func gatherRows(used []Day, g plant.Granularity) (rows []stretch, short []ExcludedDay, err error) {
	if g == plant.Daily || g == "" {
		for _, d := range used {
			rows = append(rows, stretch{Row{Day: d.Day, Energy: d.Energy, Drivers: slices.Clone(d.Drivers)}, []Day{d}})
		}
		return rows, nil, nil
	}
	for i := 0; i < len(used); {
		from, to := g.Period(used[i].Day)
		s := stretch{Row: Row{Day: from, End: to, Drivers: make([]float64, len(used[i].Drivers))}}
		for ; i < len(used) && used[i].Day.Before(to); i++ {
			d := used[i]
			if len(d.Drivers) != len(s.Drivers) {
				return nil, nil, fmt.Errorf("day %s has %d drivers, the day before %d", d.Day.Format(time.DateOnly), len(d.Drivers), len(s.Drivers))
			}
			s.days = append(s.days, d)
			s.Days++
			s.Energy += d.Energy
			for j, v := range d.Drivers {
				s.Drivers[j] += v
			}
		}
		length := int(math.Round(to.Sub(from).Hours() / 24))
		if need := needed(g, length); s.Days < need {
			why := fmt.Sprintf("its %s has %d usable days of %d, at least %d are needed", g.Noun(), s.Days, length, need)
			for _, d := range s.days {
				short = append(short, ExcludedDay{d.Day, why})
			}
			continue
		}
		rows = append(rows, s)
	}
	return rows, short, nil
}

// table gives rows as means per day for fitting.
func table(drivers []plant.Driver, rows []Row) regression.Table {
	t := regression.Table{Drivers: make([]string, len(drivers))}
	for i, d := range drivers {
		t.Drivers[i] = string(d)
	}
	for _, r := range rows {
		t.Rows = append(t.Rows, r.perDay())
		t.Energy = append(t.Energy, r.Energy.KWh()/r.length())
	}
	return t
}

// leftOut joins lists of days that were left out, in order of time.
func leftOut(others []Day, short []ExcludedDay) []ExcludedDay {
	out := append(excludedDays(others), short...)
	slices.SortStableFunc(out, func(a, b ExcludedDay) int { return a.Day.Compare(b.Day) })
	return out
}

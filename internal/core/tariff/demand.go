package tariff

import (
	"fmt"
	"slices"
	"time"

	"github.com/govalues/decimal"

	"curetally/internal/core/unit"
)

// Peak is the highest mean power of a month under one demand price.
type Peak struct {
	Month time.Time // first instant of the local month
	Name  string
	// Power is the energy that the highest mean power uses in an hour.
	Power unit.Energy
	At    time.Time // begin of the window that has it; zero without any energy
	// Billed is Power, or what the ratchet makes of the months before.
	Billed unit.Energy
	Price  unit.Money // per kW and month
	Cost   unit.Money
	// Before is how many of the months that the ratchet looks at were known.
	Before int
}

// Peaks gives the demand of every local month that has an interval, oldest first,
// for each demand price of the version in force at the beginning of that month (the
// first version for a month that begins before it). An interval that is not there
// counts as no energy, so a peak is never overstated. Intervals are of one length,
// which divides the windows, and come in order of time.
func (t *Tariff) Peaks(used []Used, interval time.Duration) ([]Peak, error) {
	var all []Peak
	for begin := 0; begin < len(used); {
		month := t.month(used[begin].Start)
		end := begin
		for end < len(used) && t.month(used[end].Start).Equal(month) {
			end++
		}
		v := t.version(month)
		if v < 0 {
			v = t.version(used[end-1].Start)
		}
		if v >= 0 {
			for _, d := range t.Versions[v].Demands {
				p, err := t.peak(d, t.Versions[v], used[begin:end], interval)
				if err != nil {
					return nil, err
				}
				p.Month = month
				if err := p.bill(d, all); err != nil {
					return nil, fmt.Errorf("tariff %s, %s: %w", t.Name, d.Name, err)
				}
				all = append(all, p)
			}
		}
		begin = end
	}
	return all, nil
}

// month is the first instant of the local month of an instant.
func (t *Tariff) month(at time.Time) time.Time {
	y, m, _ := at.In(t.Zone).Date()
	return time.Date(y, m, 1, 0, 0, 0, 0, t.Zone)
}

// peak looks for the highest window of one month.
func (t *Tariff) peak(d Demand, v Version, used []Used, interval time.Duration) (Peak, error) {
	if d.Window <= 0 || time.Hour%d.Window != 0 || d.Window%interval != 0 || d.Step <= 0 || d.Step%interval != 0 {
		return Peak{}, fmt.Errorf("tariff %s, %s: a window of %v with steps of %v does not fit intervals of %v: windows divide an hour and are whole intervals long",
			t.Name, d.Name, d.Window, d.Step, interval)
	}
	p := Peak{Name: d.Name, Price: d.Price}
	by := make(map[int64]unit.Energy, len(used))
	for _, u := range used {
		by[u.Start.Unix()] += u.Energy
	}
	last := used[len(used)-1].Start
	n := int(d.Window / interval)
	perHour := unit.Energy(time.Hour / d.Window)
	for at := used[0].Start.Add(interval - d.Window); !at.After(last); at = at.Add(interval) {
		if !t.begins(at, d.Step) {
			continue
		}
		var sum unit.Energy
		inside := true
		for i := range n {
			part := at.Add(time.Duration(i) * interval)
			date, kind, minute := t.moment(part, v)
			inside = inside && d.holds(date, kind, minute)
			sum += by[part.Unix()]
		}
		if inside && sum*perHour > p.Power {
			p.Power, p.At = sum*perHour, at
		}
	}
	return p, nil
}

// begins says whether a window may begin at an instant.
func (t *Tariff) begins(at time.Time, step time.Duration) bool {
	local := at.In(t.Zone)
	return (time.Duration(local.Hour())*time.Hour+time.Duration(local.Minute())*time.Minute)%step == 0
}

// bill applies the ratchet over the months before and prices the result.
func (p *Peak) bill(d Demand, before []Peak) error {
	p.Billed = p.Power
	if !d.Ratchet.IsZero() {
		highest := unit.Energy(0)
		for _, o := range before {
			if o.Name == d.Name && !o.Month.Before(p.Month.AddDate(0, -d.Months, 0)) {
				highest = max(highest, o.Power)
				p.Before++
			}
		}
		least, err := share(highest, d.Ratchet)
		if err != nil {
			return err
		}
		p.Billed = max(p.Billed, least)
	}
	var err error
	p.Cost, err = d.Price.ForEnergy(p.Billed)
	return err
}

// share is a fraction of a power, rounded to whole milliwatts half to even.
func share(e unit.Energy, fraction decimal.Decimal) (unit.Energy, error) {
	whole, err := decimal.New(int64(e), 0)
	if err != nil {
		return 0, fmt.Errorf("%d mW: %w", int64(e), unit.ErrRange)
	}
	part, err := whole.Mul(fraction)
	if err != nil {
		return 0, fmt.Errorf("%d mW × %s: %w", int64(e), fraction, unit.ErrRange)
	}
	n, _, ok := part.Round(0).Int64(0)
	if !ok {
		return 0, fmt.Errorf("%d mW × %s: %w", int64(e), fraction, unit.ErrRange)
	}
	return unit.Energy(n), nil
}

// Merge adds the energy of several series by interval, in order of time.
func Merge(series ...[]Used) []Used {
	all := slices.Concat(series...)
	slices.SortStableFunc(all, func(a, b Used) int { return a.Start.Compare(b.Start) })
	var out []Used
	for _, u := range all {
		if n := len(out); n > 0 && out[n-1].Start.Equal(u.Start) {
			out[n-1].Energy += u.Energy
			continue
		}
		out = append(out, u)
	}
	return out
}

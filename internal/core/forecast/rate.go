package forecast

import (
	"math"
	"time"
)

const (
	// halfLife is after how many workdays a day weighs half.
	// Common practice, no source.
	halfLife = 15.0
	// sureDays is the least number of workdays for a date that is no guess.
	// Common practice, no source.
	sureDays = 10
	// blockDays is how many workdays stay together when use is drawn: a week.
	blockDays = 5
	// driftMost and driftDays say how far the level of use wanders: its relative
	// standard deviation tends to driftMost, and has come to 63 % of its square
	// after driftDays workdays. An assumption without a source, chosen so that the
	// spread holds over seasons and the state of orders.
	driftMost, driftDays = 0.22, 60.0
	// newcomer is the relative standard deviation of a level that rests on one
	// week; it falls with the number of weeks. An assumption without a source.
	newcomer = 0.30
)

// Use is what was counted on one local day.
type Use struct {
	Day    time.Time // first instant of the local day
	Amount float64   // at least 0
}

// Rate is how fast something is used.
type Rate struct {
	// PerWorkDay is the mean of a usual workday of the calendar ahead; PerSaturday
	// that of a Saturday, worked or not.
	PerWorkDay, PerSaturday float64
	// WorkDays is how many workdays it rests on.
	WorkDays int
	// Guess marks a rate of fewer than 10 workdays of the present pattern.
	Guess bool

	mean  [kinds]float64 // of an hour of work, or of a free day
	level float64        // relative standard deviation of the mean
	// shape has the worked days in order of time, each as a multiple of its mean;
	// free has what free days had, in units of use.
	shape []float64
	free  [kinds][]float64
}

// seen is a day of the history.
type seen struct {
	calendarDay
	amount, weight float64
}

// Rate gives the rate of the use on record. Days since the first on record that
// are missing count as without use. Today is not over and does not count.
func (h *Horizon) Rate(use []Use) Rate {
	days, sure := h.history(use)
	r := Rate{Guess: !sure}
	var amount, size [kinds]float64
	for _, d := range days {
		amount[d.kind] += d.weight * d.amount
		size[d.kind] += d.weight * d.size
		if d.kind.worked() {
			r.WorkDays++
		}
	}
	var workedAmount, workedSize float64
	for k := range kinds {
		if k.worked() {
			workedAmount += amount[k]
			workedSize += size[k]
		}
	}
	for k := range kinds {
		switch {
		case size[k] > 0:
			r.mean[k] = amount[k] / size[k]
		case k.worked() && workedSize > 0:
			r.mean[k] = workedAmount / workedSize // the first Saturday shift is as any other
		}
	}
	r.spread(days)
	r.PerWorkDay = r.mean[workedWeekday] * h.workDay()
	r.PerSaturday = r.saturday(h)
	return r
}

// saturday gives the mean of the next Saturday.
func (r *Rate) saturday(h *Horizon) float64 {
	for n := 1; n <= 7; n++ {
		if d := h.dayAfter(n); d.kind == workedSaturday || d.kind == freeSaturday {
			return r.mean[d.kind] * d.size
		}
	}
	return 0
}

// history gives the days that count, oldest first, and whether they are enough.
func (h *Horizon) history(use []Use) (days []seen, sure bool) {
	if len(use) == 0 {
		return nil, false
	}
	first := use[0].Day
	amounts := map[int64]float64{}
	for _, u := range use {
		if u.Day.Before(first) {
			first = u.Day
		}
		amounts[u.Day.Unix()] += u.Amount
	}
	worked, present := 0, 0
	for _, d := range h.past {
		if d.day.Before(first) || worked == mostWorkDays {
			break
		}
		if d.pattern != h.today.pattern && present >= sureDays {
			break
		}
		days = append(days, seen{d, amounts[d.day.Unix()], math.Exp2(-float64(worked) / halfLife)})
		if d.kind.worked() {
			worked++
			if d.pattern == h.today.pattern {
				present++
			}
		}
	}
	for i, j := 0, len(days)-1; i < j; i, j = i+1, j-1 {
		days[i], days[j] = days[j], days[i]
	}
	return days, present >= sureDays
}

// spread fills in how the use of single days and of the mean scatter. Weeks are
// taken as a whole for the mean, because days of one week are alike.
func (r *Rate) spread(days []seen) {
	var sum, squares, block float64
	weeks, inBlock := 0, 0
	end := func() {
		if inBlock > 0 {
			squares += block * block
			weeks++
		}
		block, inBlock = 0, 0
	}
	for _, d := range days {
		mean := r.mean[d.kind] * d.size
		if !d.kind.worked() {
			r.free[d.kind] = append(r.free[d.kind], d.amount)
			continue
		}
		ratio := 0.0
		if mean > 0 {
			ratio = d.amount / mean
		}
		r.shape = append(r.shape, ratio)
		sum += d.weight
		block += d.weight * (ratio - 1)
		if inBlock++; inBlock == blockDays {
			end()
		}
	}
	end()
	if weeks == 0 || sum == 0 {
		return
	}
	r.level = math.Hypot(math.Sqrt(squares)/sum, newcomer/float64(weeks))
	// Draws are not weighted: what the newest days say of the level is in the mean.
	total := 0.0
	for _, s := range r.shape {
		total += s
	}
	for i := range r.shape {
		if total > 0 {
			r.shape[i] *= float64(len(r.shape)) / total
		}
	}
}

// Any says whether there is any use to go on with.
func (r *Rate) Any() bool {
	for _, m := range r.mean {
		if m > 0 {
			return true
		}
	}
	return false
}

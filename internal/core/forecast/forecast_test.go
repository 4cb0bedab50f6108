package forecast_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/forecast"
	"curetally/internal/core/plant"
)

func fiveDays() *plant.Plant {
	return &plant.Plant{TimeZone: time.UTC, WorkDays: [7]bool{false, true, true, true, true, true, false}}
}

var monday = time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)

// use gives what amount says for each of the days before now.
func use(p *plant.Plant, now time.Time, days int, amount func(day time.Time) float64) []forecast.Use {
	var out []forecast.Use
	for n := days; n > 0; n-- {
		day := p.Day(now, -n)
		out = append(out, forecast.Use{Day: day, Amount: amount(day)})
	}
	return out
}

// 120 h left at 8 ± 3 h a workday are used up on the 15th; a spread of the days
// alone is 1.5 days, P10 to P90 13 to 17, and the level widens it.
// Common practice, no source.
func TestSpreadOfScatteredDays(t *testing.T) {
	p := fiveDays()
	h := forecast.Around(p, "", monday)
	r := h.Rate(use(p, monday, 84, func(day time.Time) float64 {
		if !p.WorkDay(day) {
			return 0
		}
		return 8 + 3*math.Sqrt2*math.Sin(2.4*float64(day.Unix()/86400))
	}))
	if math.Abs(r.PerWorkDay-8) > 0.4 || r.Guess {
		t.Fatalf("rate %+v", r)
	}
	d := h.Due(120, r, 1)
	workdays := func(to time.Time) (n int) {
		for day := monday; !day.After(to); day = p.Day(day, 1) {
			if p.WorkDay(day) {
				n++
			}
		}
		return n
	}
	low, mid, high := workdays(d.P10), workdays(d.P50), workdays(d.P90)
	if low < 11 || low > 14 || mid < 14 || mid > 16 || high < 16 || high > 19 {
		t.Errorf("P10, P50, P90 on workdays %d, %d, %d; want about 13, 15, 17", low, mid, high)
	}
}

func TestNoUseNoDate(t *testing.T) {
	p := fiveDays()
	h := forecast.Around(p, "", monday)
	for name, u := range map[string][]forecast.Use{
		"none": nil, "dark": use(p, monday, 60, func(time.Time) float64 { return 0 }), "only today": {{Day: monday, Amount: 5}},
	} {
		r := h.Rate(u)
		if d := h.Due(10, r, 1); d.Known() || r.Any() {
			t.Errorf("%s: %+v, %+v", name, r, d)
		}
	}
	slow := h.Rate(use(p, monday, 60, func(time.Time) float64 { return 0.01 }))
	if d := h.Due(1000, slow, 1); d.Known() {
		t.Errorf("%+v is more than ten years ahead", d)
	}
}

// A plant that is used on free days only, and one that never works, still have
// rates.
func TestUseOnFreeDays(t *testing.T) {
	p := fiveDays()
	p.WorkDays = [7]bool{}
	h := forecast.Around(p, "", monday)
	r := h.Rate(use(p, monday, 60, func(day time.Time) float64 {
		if day.Weekday() == time.Sunday {
			return 7
		}
		return 0
	}))
	if d := h.Due(20, r, 1); !d.Known() || d.P90.Before(d.P10) || r.PerWorkDay != 0 || !r.Guess {
		t.Errorf("%+v: %+v", r, d)
	}
}

// Whatever the use, the calendar and what is left: the days are in order, not
// before today, the same at each asking, and later when more is left.
func TestDueProperties(t *testing.T) {
	p := fiveDays()
	p.Holidays = []time.Time{monday.AddDate(0, 0, 9)}
	rapid.Check(t, func(rt *rapid.T) {
		now := monday.Add(time.Duration(rapid.IntRange(0, 7*24*60).Draw(rt, "minute")) * time.Minute)
		level := rapid.Float64Range(0.5, 20).Draw(rt, "level")
		scatter := rapid.Float64Range(0, 1).Draw(rt, "scatter")
		weekend := rapid.Float64Range(0, 1).Draw(rt, "weekend")
		u := use(p, now, rapid.IntRange(5, 130).Draw(rt, "days"), func(day time.Time) float64 {
			a := level * (1 + scatter*math.Sin(float64(day.Unix()/86400)))
			if !p.WorkDay(day) {
				return a * weekend
			}
			return a
		})
		h := forecast.Around(p, "", now)
		r := h.Rate(u)
		left := rapid.Float64Range(0, 300).Draw(rt, "left")
		seed := forecast.Seed("rule", fmt.Sprint(rapid.Int().Draw(rt, "seed")))
		d := h.Due(left, r, seed)
		if !r.Any() {
			if d.Known() {
				rt.Fatal("a date without use")
			}
			return
		}
		if !d.Known() || d.P10.Before(p.Day(now, 0)) || d.P50.Before(d.P10) || (!d.P90.IsZero() && d.P90.Before(d.P50)) {
			rt.Fatalf("%+v", d)
		}
		if again := forecast.Around(p, "", now).Due(left, r, seed); again != d {
			rt.Fatalf("%+v, then %+v", d, again)
		}
		if more := h.Due(left+10, r, seed); more.P50.Before(d.P50) || more.P10.Before(d.P10) {
			rt.Fatalf("more left, but %+v instead of %+v", more, d)
		}
	})
}

// BenchmarkOutlook is what an outlook asks for a press of eight stations: 80 dates
// some weeks ahead and 8 that are years ahead.
func BenchmarkOutlook(b *testing.B) {
	p := fiveDays()
	u := use(p, monday, 130, func(time.Time) float64 { return 8 })
	for b.Loop() {
		h := forecast.Around(p, "", monday)
		r := h.Rate(u)
		for i := range uint64(80) {
			h.Due(200, r, i)
		}
		for i := range uint64(8) {
			h.Due(15000, r, i)
		}
	}
}

package config

import (
	"math"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/unit"
	"curetally/internal/link/config/strictyaml"
)

// amount splits "12 kW" into its number and its unit.
func amount(text []byte) (float64, string, bool) {
	s := strings.TrimSpace(string(text))
	i := strings.IndexFunc(s, func(r rune) bool { return r != '.' && (r < '0' || r > '9') })
	if i <= 0 {
		return 0, "", false
	}
	n, err := strconv.ParseFloat(s[:i], 64)
	return n, strings.TrimSpace(s[i:]), err == nil && !math.IsInf(n, 0)
}

// power is in watts, written with its unit.
type power float64

func (p *power) UnmarshalText(text []byte) error {
	n, u, ok := amount(text)
	factor := map[string]float64{"W": 1, "kW": 1000, "MW": 1e6}[u]
	if watts := n * factor; ok && watts > 0 && watts <= 1e9 {
		*p = power(watts)
		return nil
	}
	return &strictyaml.Mistake{Problem: "expected a power greater than 0", Remedy: "write a number and W, kW or MW, for example 12 kW"}
}

// energy is in milliwatt-hours, written with its unit.
type energy int64

func (e *energy) UnmarshalText(text []byte) error {
	n, u, ok := amount(text)
	factor := map[string]float64{"mWh": 1, "Wh": 1000, "kWh": 1e6}[u]
	if mwh := math.Round(n * factor); ok && factor > 0 && mwh <= 1e15 {
		*e = energy(mwh)
		return nil
	}
	return &strictyaml.Mistake{Problem: "expected an amount of energy", Remedy: "write a number and mWh, Wh or kWh, for example 10 Wh"}
}

// date is a calendar day; in UTC until the time zone is known. Zero means none.
type date struct{ time.Time }

func (d *date) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.DateOnly, string(text))
	if err != nil || t.Year() < 1970 || t.Year() > 2200 {
		return &strictyaml.Mistake{Problem: "expected a date", Remedy: "write it as 2026-01-31"}
	}
	d.Time = t
	return nil
}

// moment is a date, or a date with the time of day, in the site's zone.
type moment struct{ time.Time }

func (m *moment) UnmarshalText(text []byte) error {
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.Parse(layout, string(text)); err == nil && t.Year() >= 1970 && t.Year() <= 2200 {
			m.Time = t
			return nil
		}
	}
	return &strictyaml.Mistake{Problem: "expected a date, or a date with local time", Remedy: "write it as 2026-03-14 or 2026-03-14 06:00"}
}

// local takes a clock time read without zone as that time in the site's zone.
func local(t time.Time, zone *time.Location) time.Time {
	if t.IsZero() {
		return t
	}
	y, m, d := t.Date()
	return time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, zone)
}

// workDays is a week, Sunday first, written as "Mon-Fri" or "Mon,Wed,Sat".
type workDays [7]bool

func (w *workDays) UnmarshalText(text []byte) error {
	day := func(s string) int {
		for i := range 7 {
			if strings.EqualFold(strings.TrimSpace(s), time.Weekday(i).String()[:3]) {
				return i
			}
		}
		return -1
	}
	var week workDays
	for part := range strings.SplitSeq(string(text), ",") {
		from, to, isRange := strings.Cut(part, "-")
		if !isRange {
			to = from
		}
		first, last := day(from), day(to)
		if first < 0 || last < 0 {
			return &strictyaml.Mistake{Problem: "expected days of the week", Remedy: "write Mon-Fri, or Mon,Tue,Sat; the days are Sun Mon Tue Wed Thu Fri Sat"}
		}
		for i := first; ; i = (i + 1) % 7 {
			week[i] = true
			if i == last {
				break
			}
		}
	}
	*w = week
	return nil
}

// price is money per kilowatt-hour, written as "0.168 EUR".
type price struct{ unit.Money }

func (p *price) UnmarshalText(text []byte) error {
	parts := strings.Fields(string(text))
	if len(parts) == 2 && len(parts[1]) == 3 && strings.Trim(parts[1], "ABCDEFGHIJKLMNOPQRSTUVWXYZ") == "" {
		if m, err := unit.ParseMoney(parts[0], parts[1]); err == nil {
			if m.Amount.IsNeg() {
				return &strictyaml.Mistake{Problem: "the price is negative", Remedy: "write what a kilowatt-hour costs, for example 0.168 EUR"}
			}
			p.Money = m
			return nil
		}
	}
	return &strictyaml.Mistake{Problem: "expected a price per kilowatt-hour with its currency", Remedy: "write for example 0.168 EUR"}
}

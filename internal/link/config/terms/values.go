package terms

import (
	"fmt"
	"strings"
	"time"

	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// Price is money per kilowatt-hour or kilowatt, written as "0.168 EUR".
type Price struct{ unit.Money }

// UnmarshalText reads "0.168 EUR".
func (p *Price) UnmarshalText(text []byte) error {
	m, ok := strictyaml.ParseMoney(text)
	switch {
	case !ok:
		return &strictyaml.Mistake{Problem: "expected a price with its currency", Remedy: "write for example 0.168 EUR"}
	case m.Amount.IsNeg():
		return &strictyaml.Mistake{Problem: "the price is negative", Remedy: "write what is paid, for example 0.168 EUR; what is paid back is no price of energy used"}
	}
	p.Money = m
	return nil
}

// days of the week and holidays.
type days [8]bool

// UnmarshalText reads "Mon-Fri", "Sat,Sun,holidays" or "all".
func (d *days) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	if s == "all" {
		*d = everyDay()
		return nil
	}
	var out days
	var rest []string
	for part := range strings.SplitSeq(s, ",") {
		if strings.TrimSpace(part) == "holidays" {
			out[tariff.Holiday] = true
			continue
		}
		rest = append(rest, part)
	}
	if len(rest) > 0 {
		var week civil.Week
		if week.UnmarshalText([]byte(strings.Join(rest, ","))) != nil {
			return &strictyaml.Mistake{Problem: "expected days", Remedy: "write Mon-Fri, or Sat,Sun,holidays, or all; the days are Sun Mon Tue Wed Thu Fri Sat"}
		}
		copy(out[:], week[:])
	}
	*d = out
	return nil
}

func everyDay() days { return days{true, true, true, true, true, true, true, true} }

// hours are a stretch of the local day in minutes.
type hours struct{ begin, end int }

// UnmarshalText reads "06:00-22:00"; "22:00-06:00" is the night.
func (h *hours) UnmarshalText(text []byte) error {
	var a, b, c, d int
	s := strings.ReplaceAll(string(text), " ", "")
	n, err := fmt.Sscanf(s, "%d:%02d-%d:%02d", &a, &b, &c, &d)
	begin, end := a*60+b, c*60+d
	if err != nil || n != 4 || len(s) != len("06:00-22:00") || b > 59 || d > 59 || begin < 0 || end < 0 ||
		begin >= tariff.MinutesOfDay || end > tariff.MinutesOfDay || begin == end {
		return &strictyaml.Mistake{Problem: "expected hours of the day", Remedy: "write begin and end in local time, for example 06:00-22:00, or 22:00-06:00 over midnight; the whole day is 00:00-24:00"}
	}
	*h = hours{begin, end}
	return nil
}

// season is a part of every year.
type season struct{ first, last tariff.Date }

// UnmarshalText reads "11-01 to 02-28", both days included.
func (s *season) UnmarshalText(text []byte) error {
	from, to, ok := strings.Cut(string(text), " to ")
	day := func(text string) (tariff.Date, bool) {
		// 2000 has a 29 February.
		t, err := time.Parse(time.DateOnly, "2000-"+strings.TrimSpace(text))
		return tariff.Date{Month: t.Month(), Day: t.Day()}, err == nil
	}
	first, ok1 := day(from)
	last, ok2 := day(to)
	if !ok || !ok1 || !ok2 {
		return &strictyaml.Mistake{Problem: "expected a part of the year", Remedy: "write its first and last day as month-day, for example 11-01 to 02-29"}
	}
	*s = season{first, last}
	return nil
}

package config

import (
	"math"
	"strconv"
	"strings"

	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/config/terms"
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

// Values that other files of YAML have too.
type (
	date     = civil.Date
	moment   = civil.Moment
	workDays = civil.Week
	price    = terms.Price
)

package strictyaml

import (
	"strings"

	"curetally/internal/core/unit"
)

// Money is an amount of 0 or more with its currency, written as "240 EUR".
type Money struct{ unit.Money }

// UnmarshalText accepts a decimal number and three capital letters.
func (m *Money) UnmarshalText(text []byte) error {
	amount, ok := ParseMoney(text)
	if !ok {
		return &Mistake{Problem: "expected an amount of money with its currency", Remedy: "write for example 240 EUR"}
	}
	if amount.Amount.IsNeg() {
		return &Mistake{Problem: "the amount is negative", Remedy: "write what it costs, for example 240 EUR"}
	}
	m.Money = amount
	return nil
}

// ParseMoney reads an amount with its currency, for example "0.168 EUR".
func ParseMoney(text []byte) (unit.Money, bool) {
	parts := strings.Fields(string(text))
	if len(parts) != 2 || len(parts[1]) != 3 || strings.Trim(parts[1], "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		return unit.Money{}, false
	}
	m, err := unit.ParseMoney(parts[0], parts[1])
	return m, err == nil
}

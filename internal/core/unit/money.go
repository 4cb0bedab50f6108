package unit

import (
	"fmt"

	"github.com/govalues/decimal"
)

// Money is an amount in one currency, held as a decimal so that cents add up.
// The zero value is an amount of 0 with no currency.
type Money struct {
	Amount   decimal.Decimal `json:"amount"`
	Currency string          `json:"currency"` // ISO 4217 code, for example "EUR"
}

// ParseMoney reads a decimal amount such as "0.168" in the given currency.
func ParseMoney(amount, currency string) (Money, error) {
	d, err := decimal.Parse(amount)
	if err != nil {
		return Money{}, fmt.Errorf("amount %q: expected a decimal number such as 0.168", amount)
	}
	return Money{Amount: d, Currency: currency}, nil
}

// Times multiplies the amount by a quantity and rounds half to even to four
// decimals: a price per kilowatt-hour times kilowatt-hours.
func (m Money) Times(quantity float64) (Money, error) {
	q, err := decimal.NewFromFloat64(quantity)
	if err != nil {
		return Money{}, fmt.Errorf("quantity %v: %w", quantity, ErrRange)
	}
	p, err := m.Amount.Mul(q.Round(6))
	if err != nil {
		return Money{}, fmt.Errorf("%s × %v: %w", m.Amount, quantity, ErrRange)
	}
	return Money{Amount: p.Round(4), Currency: m.Currency}, nil
}

// Float gives the amount as a float64 for metrics and JSON.
func (m Money) Float() float64 { f, _ := m.Amount.Float64(); return f }

// String shows two decimals and the currency, for example "1 234.50 EUR".
func (m Money) String() string { return Group(m.Float(), 2) + " " + m.Currency }

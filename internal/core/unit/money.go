package unit

import (
	"errors"
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

// ErrCurrency says that amounts of two currencies were brought together.
var ErrCurrency = errors.New("amounts of different currencies")

// Plus adds an amount of the same currency exactly; an amount of 0 without a
// currency may be added to any. The error is ErrCurrency or ErrRange.
func (m Money) Plus(o Money) (Money, error) {
	switch {
	case o.Currency == "" && o.Amount.IsZero():
		return m, nil
	case m.Currency == "" && m.Amount.IsZero():
		return o, nil
	case m.Currency != o.Currency:
		return Money{}, fmt.Errorf("%s and %s: %w", m.Currency, o.Currency, ErrCurrency)
	}
	sum, err := m.Amount.Add(o.Amount)
	if err != nil {
		return Money{}, fmt.Errorf("%s + %s: %w", m.Amount, o.Amount, ErrRange)
	}
	return Money{Amount: sum, Currency: m.Currency}, nil
}

// Minus takes an amount of the same currency off, like Plus.
func (m Money) Minus(o Money) (Money, error) {
	return m.Plus(Money{Amount: o.Amount.Neg(), Currency: o.Currency})
}

// ForEnergy is what energy costs at a price per kilowatt-hour. It is exact as
// long as it has no more than 19 digits, and rounded to 19 digits half to even
// beyond.
func (m Money) ForEnergy(e Energy) (Money, error) {
	kwh, err := decimal.New(int64(e), 6)
	if err != nil {
		return Money{}, fmt.Errorf("%d mWh: %w", int64(e), ErrRange)
	}
	p, err := m.Amount.Mul(kwh)
	if err != nil {
		return Money{}, fmt.Errorf("%s × %s kWh: %w", m.Amount, kwh, ErrRange)
	}
	return Money{Amount: p.Trim(2), Currency: m.Currency}, nil
}

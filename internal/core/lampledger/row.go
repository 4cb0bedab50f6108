package lampledger

import (
	"time"

	"curetally/internal/core/unit"
)

// StockRow is Stock as it is written outside. Price is null where none is stated.
type StockRow struct {
	Kind        string     `json:"kind"`
	Title       string     `json:"title"`
	Technology  string     `json:"technology"`
	Doped       bool       `json:"doped"`
	Spares      int        `json:"spares"`
	Used        int        `json:"spares_used_before"`
	Fitted      int        `json:"fitted"`
	Spent       int        `json:"spent"`
	OldestSpent *time.Time `json:"oldest_spent"` // null when there is none
	Mercury     bool       `json:"mercury"`
	Disposed    int        `json:"disposed"`
	Price       *float64   `json:"price"` // null when not stated
	Currency    string     `json:"currency,omitempty"`
	LeadDays    int        `json:"lead_days"`
}

// Row gives the stock as a row.
func (s Stock) Row() StockRow {
	r := StockRow{
		Kind: s.Kind.Name, Title: s.Kind.Title, Technology: s.Kind.Technology.String(), Doped: s.Kind.Doped, Spares: s.Spares, Used: s.Used,
		Fitted: s.Fitted, Spent: s.Spent, Mercury: s.Mercury(), Disposed: s.Disposed, LeadDays: s.Kind.LeadDays,
	}
	if s.Spent > 0 {
		oldest := s.OldestSpent
		r.OldestSpent = &oldest
	}
	if s.Kind.Price != (unit.Money{}) {
		price := s.Kind.Price.Float()
		r.Price, r.Currency = &price, s.Kind.Price.Currency
	}
	return r
}

package spares

import (
	"fmt"

	"curetally/internal/core/stats"
)

// Supply is what there is against the need.
type Supply struct {
	Stock int // fit for use, in the store now
	// LeadDays is how long an order takes to arrive.
	LeadDays int
	// Service is the chance with which the store is to last, for example 0.95.
	Service float64
	// CoverWeeks is how long an order is to last from its arrival; 0 means four.
	CoverWeeks int
	// Pack is how many are sold together; 0 means one.
	Pack int
}

// Order says when to order how many. The zero value is no order.
type Order struct {
	Quantity int
	// ByDay counts days from now; 0 is today.
	ByDay int
	// ArrivesDay counts days from now, if it is ordered on that day.
	ArrivesDay int
	// ShortWeek is the week in which the store would fall below the service
	// level without the order.
	ShortWeek int
	// Late says that the order should have been placed before today.
	Late bool
	// RunsOut is the chance that the store does not last until the order arrives.
	RunsOut float64
}

// Plan finds the order that keeps the store at the service level, for the need to
// the end of each week. It orders nothing when the store lasts to the end of the
// weeks given. It returns stats.ErrInput for a supply that makes no sense.
func Plan(need []Counts, s Supply) (Order, error) {
	if s.Stock < 0 || s.LeadDays < 0 || s.CoverWeeks < 0 || s.Pack < 0 {
		return Order{}, fmt.Errorf("stock of %d, lead of %d days, cover of %d weeks, packs of %d: expected none below 0: %w", s.Stock, s.LeadDays, s.CoverWeeks, s.Pack, stats.ErrInput)
	}
	if s.Service <= 0 || s.Service >= 1 {
		return Order{}, fmt.Errorf("service level %v: expected a share between 0 and 1, for example 0.95: %w", s.Service, stats.ErrInput)
	}
	if s.CoverWeeks == 0 {
		s.CoverWeeks = 4
	}
	for week, c := range need {
		if c.Enough(s.Service) <= s.Stock {
			continue
		}
		o := Order{ShortWeek: week, ByDay: 7*week - s.LeadDays}
		if o.ByDay < 0 {
			o.ByDay, o.Late = 0, true
		}
		o.ArrivesDay = o.ByDay + s.LeadDays
		last := len(need) - 1
		// What is needed in the week of arrival may be needed before the day.
		if until := min((o.ArrivesDay+6)/7, len(need)); until > 0 {
			o.RunsOut = 1 - need[until-1].AtMost(s.Stock)
		}
		covered := min(o.ArrivesDay/7+s.CoverWeeks-1, last)
		o.Quantity = need[max(covered, week)].Enough(s.Service) - s.Stock
		if s.Pack > 1 {
			o.Quantity = (o.Quantity + s.Pack - 1) / s.Pack * s.Pack
		}
		return o, nil
	}
	return Order{}, nil
}

package api

import (
	"context"
	"time"

	"curetally/internal/core/lampledger"
)

// Lamps gives what is on record of lamps.
type Lamps interface {
	// Lamps gives all lamps by serial.
	Lamps(ctx context.Context) ([]Lamp, error)
	// Stock gives what the plant holds, by kind.
	Stock(ctx context.Context) ([]lampledger.StockRow, error)
}

// Lamp is one lamp with its life.
type Lamp struct {
	Serial     string    `json:"serial"`
	Kind       string    `json:"kind"`
	Technology string    `json:"technology"`
	Place      string    `json:"place" enum:"fitted,spare,spent,gone,renamed"`
	Station    string    `json:"station,omitempty" doc:"Where it is fitted."`
	Since      time.Time `json:"since,omitzero" doc:"Since when it is in its place."`
	Reason     string    `json:"reason,omitempty" doc:"Why it was last taken out."`
	LitHours   float64   `json:"lit_hours"`
	Starts     int64     `json:"starts"`
	// Equivalent hours are lit hours with the wear of starts.
	EquivalentHours float64  `json:"equivalent_hours" doc:"Lit hours with the wear of starts."`
	RatedHours      float64  `json:"rated_hours" doc:"0 where the kind has no rating."`
	UsedFraction    *float64 `json:"used_fraction" doc:"Of the rated life; null without a rating."`
	RemainingHours  *float64 `json:"remaining_median_hours" doc:"Equivalent hours that half of such lamps still last; null where the plant's lamps tell nothing."`
}

type lampQuery struct {
	Paging
	Place string `query:"place" enum:"fitted,spare,spent,gone,renamed" doc:"Only lamps in this place."`
	Kind  string `query:"kind" maxLength:"100" doc:"Only lamps of this kind."`
}

// lamps registers lamps and stock.
func (a *API) lamps() {
	table(a, about{"list-lamps", "/lamps", "upkeep", "Lamps", "All lamps on record, also those that have left the plant."},
		func(ctx context.Context, in lampQuery) ([]Lamp, string, error) {
			all, err := a.o.Lamps.Lamps(ctx)
			if err != nil {
				return nil, "", err
			}
			var out []Lamp
			for _, l := range all {
				if (in.Place == "" || in.Place == l.Place) && (in.Kind == "" || in.Kind == l.Kind) {
					out = append(out, l)
				}
			}
			return paged(out, in.Paging)
		})
	table(a, about{"list-stock", "/stock", "upkeep", "Stock", "Spares, fitted and spent lamps by kind; counted from what is on record of each lamp."},
		func(ctx context.Context, in Paging) ([]lampledger.StockRow, string, error) {
			all, err := a.o.Lamps.Stock(ctx)
			if err != nil {
				return nil, "", err
			}
			return paged(all, in)
		})
}

package desk

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
)

// LampStock lists spares and spent lamps.
type LampStock struct {
	Site
	JSON bool `help:"Print as JSON."`
}

// Run lists the stock by kind. Kinds without a lamp are left out of the table.
func (c LampStock) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		now := time.Now()
		records, err := lampbook.Records(ctx, db, p, now)
		if err != nil {
			return err
		}
		stock := lampledger.StockOf(p, records)
		if c.JSON {
			rows := []lampledger.StockRow{}
			for _, k := range stock {
				rows = append(rows, k.Row())
			}
			return WriteJSON(s.Stdout, map[string]any{"at": now.UTC(), "kinds": rows})
		}
		var rows []string
		for _, k := range stock {
			if k.Spares+k.Fitted+k.Spent+k.Disposed > 0 {
				rows = append(rows, stockLine(k, p, now))
			}
		}
		if len(rows) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "no lamp is on record; record spares with curetally lamp receive KIND --count N --by NAME")
			return err
		}
		return table(s.Stdout, "KIND\tFITTED\tSPARES\tUSED BEFORE\tLEAD days\tPRICE\tSPENT IN STORE\tOLDEST SINCE\tDISPOSED", rows)
	})
}

func stockLine(k lampledger.Stock, p *plant.Plant, now time.Time) string {
	var lead, price, spent, oldest string
	if k.Kind.LeadDays > 0 {
		lead = strconv.Itoa(k.Kind.LeadDays)
	}
	if k.Kind.Price != (unit.Money{}) {
		price = k.Kind.Price.String()
	}
	spent = strconv.Itoa(k.Spent)
	if k.Spent > 0 {
		if k.Mercury() {
			spent += " (mercury)"
		}
		oldest = fmt.Sprintf("%s, %s", Date(k.OldestSpent, p), Count(int(now.Sub(k.OldestSpent).Hours()/24), "day"))
	}
	return row(k.Kind.Name, strconv.Itoa(k.Fitted), strconv.Itoa(k.Spares), strconv.Itoa(k.Used), lead, price, spent, oldest, strconv.Itoa(k.Disposed))
}

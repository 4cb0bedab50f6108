package answers

import (
	"fmt"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
	"curetally/internal/core/upkeep"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/plan"
)

// KindNeed is what is to be expected of one kind.
type KindNeed struct {
	Stock    lampledger.Stock
	Need     []spares.Counts // to the end of each week
	Order    spares.Order
	Lead     int  // days from order to arrival
	Assumed  bool // the lead time
	Unknown  int  // fitted lamps of whose end nothing is known
	Failures bool // failures are reckoned with
}

// Needs works out need and order of each kind that the plant has lamps of.
func Needs(p *plant.Plant, look plan.Outlook, book lampbook.Book, weeks int) ([]KindNeed, error) {
	var records []lampledger.Record
	for _, l := range book.Lamps {
		records = append(records, l.Record)
	}
	var out []KindNeed
	for _, stock := range lampledger.StockOf(p, records) {
		if stock.Fitted+stock.Spares+stock.Spent == 0 {
			continue
		}
		k := KindNeed{Stock: stock}
		k.Lead, k.Assumed = spares.LeadDays(stock.Kind)
		positions := k.positions(p, look, book, weeks)
		var err error
		if k.Need, err = spares.Need(positions, weeks); err != nil {
			return nil, fmt.Errorf("lamps of kind %s: %w", stock.Kind.Name, err)
		}
		k.Order, err = spares.Plan(k.Need, spares.Supply{
			Stock: stock.Spares, LeadDays: k.Lead, Service: p.Upkeep.ServiceLevel, CoverWeeks: p.Upkeep.CoverWeeks,
		})
		if err != nil {
			return nil, fmt.Errorf("lamps of kind %s: %w", stock.Kind.Name, err)
		}
		out = append(out, k)
	}
	return out, nil
}

// positions gives the chances of change of each fitted lamp of the kind. Failures
// are reckoned with once a lamp of the kind has failed: the lower bound on life
// that there is before would order lamps that nobody needs.
func (k *KindNeed) positions(p *plant.Plant, look plan.Outlook, book lampbook.Book, weeks int) []spares.Position {
	fails := failsOf(k.Stock.Kind, book)
	k.Failures = fails != nil
	var out []spares.Position
	for _, l := range book.Lamps {
		if l.Place != lampledger.Fitted || l.Lamp.Kind != k.Stock.Kind.Name {
			continue
		}
		f := spares.Fitted{Age: l.Life.Equivalent, Fails: fails}
		if l.Outlook.PerDay > 0 { // NaN where it cannot be told
			f.PerDay = l.Outlook.PerDay
		}
		addPlanned(&f, p, look, l)
		position, ok := f.Position(look.At, weeks)
		if !ok {
			k.Unknown++
			continue
		}
		out = append(out, position)
	}
	return out
}

// failsOf gives the chance of failures of a kind; nil where none has failed yet.
func failsOf(kind plant.LampKind, book lampbook.Book) func(age, further float64) float64 {
	for _, k := range book.Kinds {
		if k.Kind.Name == kind.Name && k.Known && k.Statistics.Failures > 0 {
			return k.Statistics.FailsWithin
		}
	}
	return nil
}

// addPlanned adds the planned change of a lamp, by the rules on its rated life.
func addPlanned(f *spares.Fitted, p *plant.Plant, look plan.Outlook, l lampbook.Lamp) {
	for _, r := range p.Rules {
		if r.LifeFraction <= 0 || !upkeep.Applies(r, l.Kind.Technology) {
			continue
		}
		if age := r.LifeFraction * l.Kind.RatedHours; f.ChangeAge == 0 || age < f.ChangeAge {
			f.ChangeAge = age
		}
		for _, t := range look.Tasks {
			if t.Rule == r.ID && t.Lamp == l.Lamp.Serial && !t.DueP50.IsZero() && (f.P50.IsZero() || t.DueP50.Before(f.P50)) {
				f.P10, f.P50, f.P90 = t.DueP10, t.DueP50, t.DueP90
			}
		}
	}
}

// SpentLamps lists the spent mercury lamps.
func SpentLamps(book lampbook.Book) []spares.Spent {
	var out []spares.Spent
	for _, l := range book.Lamps {
		if l.Place == lampledger.Spent && (lampledger.Stock{Kind: l.Kind}).Mercury() {
			out = append(out, spares.Spent{Serial: l.Lamp.Serial, Since: l.Since, Kind: l.Kind})
		}
	}
	return out
}

package desk

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/app/factors"
	"curetally/internal/core/carbon"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/tariff"
	"curetally/internal/core/unit"
	"curetally/internal/core/valuation"
	"curetally/internal/link/config"
	"curetally/internal/link/config/terms"
	"curetally/internal/link/store"
)

// valuationOf says what a statement is worth by the terms of its project; nil when
// it has none beside its price and its factor.
func valuationOf(ctx context.Context, db *store.DB, conf *config.Config, pr plant.Project, b savings.Baseline, st savings.Statement) (*valuation.Valuation, error) {
	t := conf.Terms.Projects[pr.ID]
	if !t.Valued() || len(b.Rows) == 0 || len(st.Series) == 0 {
		return nil, nil
	}
	if st.Granularity != plant.Daily {
		return nil, fmt.Errorf("project %s: tariff and tables of carbon factors need a baseline of days, this one is of %ss — freeze a daily one", pr.ID, st.Granularity.Noun())
	}
	p := &conf.Plant
	in := valuation.Input{Plant: p, Tariff: t.Tariff}
	var err error
	if in.Location, err = tableOf(p, t.Location); err != nil {
		return nil, err
	}
	if in.Market, err = tableOf(p, t.Market); err != nil {
		return nil, err
	}
	for _, s := range st.Series {
		e, err := unit.EnergyFromKWh(s.ExpectedKWh + s.AdjustmentKWh)
		if err != nil {
			return nil, fmt.Errorf("project %s, %s: %w", pr.ID, s.Day.Format(time.DateOnly), err)
		}
		in.Days = append(in.Days, valuation.Day{Day: p.Day(s.Day, 0), Expected: e})
	}
	in.Begin, in.End = p.Day(b.Rows[0].Day, 0), p.Day(b.Rows[len(b.Rows)-1].Day, 1)
	// Where both kinds of lamps ran in turns, the periods lie within each other.
	from, to := in.Begin, in.End
	if first := in.Days[0].Day; first.Before(from) {
		from = first
	}
	if last := p.Day(in.Days[len(in.Days)-1].Day, 1); last.After(to) {
		to = last
	}
	if in.Measured, err = boundaryEnergy(ctx, db, pr, from, to); err != nil {
		return nil, err
	}
	v, err := valuation.Of(in)
	if err != nil {
		return nil, fmt.Errorf("project %s: %w", pr.ID, err)
	}
	return &v, nil
}

// tableOf reads a table of carbon factors; nil for none.
func tableOf(p *plant.Plant, t *terms.Table) (*carbon.Table, error) {
	if t == nil {
		return nil, nil
	}
	read, err := factors.Read(t.Name, t.File, p.TimeZone)
	return &read, err
}

// boundaryEnergy adds up the registers of a boundary by interval.
func boundaryEnergy(ctx context.Context, db *store.DB, pr plant.Project, from, to time.Time) ([]tariff.Used, error) {
	names := make([]string, len(pr.Boundary))
	for i, id := range pr.Boundary {
		names[i] = string(id)
	}
	var out []tariff.Used
	for e, err := range db.AllEntries(ctx, store.Window{Names: names, From: from, To: to}) {
		if err != nil {
			return nil, err
		}
		if n := len(out); n > 0 && out[n-1].Start.Equal(e.Start) {
			out[n-1].Energy += unit.Energy(e.Amount)
			continue
		}
		out = append(out, tariff.Used{Start: e.Start, Energy: unit.Energy(e.Amount)})
	}
	return out, nil
}

// printValuation prints nothing for nil.
func printValuation(w io.Writer, conf *config.Config, pr plant.Project, v *valuation.Valuation) error {
	if v == nil {
		return nil
	}
	t := conf.Terms.Projects[pr.ID]
	if v.Cost != nil {
		fmt.Fprintf(w, "  cost by tariff   %s: would have cost %s, did cost %s, avoided %s\n", t.Tariff.Name, v.Cost.Expected, v.Cost.Actual, v.Cost.Saved)
	}
	if v.Unpriced > 0 {
		fmt.Fprintf(w, "    not priced     %s from before the first version of the tariff\n", v.Unpriced)
	}
	for _, m := range v.Demand {
		fmt.Fprintf(w, "  demand %-9s %s, %s counted: billed %s kW, would have been %s kW; avoided %s (a low estimate, from the mean shape of a day)\n",
			m.Month.Format("Jan 2006"), m.Name, Count(m.Days, "day"), unit.Group(m.Actual.Billed.KWh(), 1), unit.Group(m.Expected.Billed.KWh(), 1), m.Saved)
	}
	for _, c := range []struct {
		name  string
		value *valuation.Carbon
	}{{"by location", v.Location}, {"by market", v.Market}} {
		if c.value == nil {
			continue
		}
		fmt.Fprintf(w, "  carbon %-11s %s: would have been %s kg, was %s kg, avoided %s kg (%s)\n", c.name, c.value.Table,
			unit.Group(c.value.ExpectedKg, 0), unit.Group(c.value.ActualKg, 0), unit.Group(c.value.SavedKg, 0), strings.Join(c.value.Sources, "; "))
		if c.value.UnknownActual+c.value.UnknownExpected > 0 {
			fmt.Fprintf(w, "    no factor      for %s of what was used: add its years or hours to the table; it is left out on both sides\n", c.value.UnknownActual)
		}
	}
	return nil
}

// valuationJSON is a valuation as data.
type valuationJSON struct {
	Project  plant.ProjectID `json:"project"`
	Currency string          `json:"currency,omitempty"`
	Expected *float64        `json:"expected_energy_cost,omitempty"`
	Actual   *float64        `json:"actual_energy_cost,omitempty"`
	Saved    *float64        `json:"energy_cost_saved,omitempty"`
	Unpriced float64         `json:"unpriced_kwh"`
	Demand   []demandJSON    `json:"demand"`
	Location *carbonJSON     `json:"carbon_location,omitempty"`
	Market   *carbonJSON     `json:"carbon_market,omitempty"`
}

type demandJSON struct {
	Month    string  `json:"month"`
	Name     string  `json:"name"`
	Days     int     `json:"days"`
	Expected float64 `json:"expected_billed_kw"`
	Actual   float64 `json:"actual_billed_kw"`
	Saved    float64 `json:"cost_saved"`
}

type carbonJSON struct {
	Table    string   `json:"table"`
	Expected float64  `json:"expected_kg"`
	Actual   float64  `json:"actual_kg"`
	Saved    float64  `json:"saved_kg"`
	Unknown  float64  `json:"actual_without_factor_kwh"`
	Sources  []string `json:"sources"`
}

func jsonOf(id plant.ProjectID, v valuation.Valuation) valuationJSON {
	out := valuationJSON{Project: id, Unpriced: v.Unpriced.KWh(), Demand: []demandJSON{}, Location: carbonAsJSON(v.Location), Market: carbonAsJSON(v.Market)}
	if c := v.Cost; c != nil {
		out.Currency, out.Expected, out.Actual, out.Saved = c.Saved.Currency, amount(c.Expected), amount(c.Actual), amount(c.Saved)
	}
	for _, m := range v.Demand {
		out.Demand = append(out.Demand, demandJSON{m.Month.Format("2006-01"), m.Name, m.Days, m.Expected.Billed.KWh(), m.Actual.Billed.KWh(), m.Saved.Float()})
	}
	return out
}

func carbonAsJSON(c *valuation.Carbon) *carbonJSON {
	if c == nil {
		return nil
	}
	return &carbonJSON{c.Table, c.ExpectedKg, c.ActualKg, c.SavedKg, c.UnknownActual.KWh(), c.Sources}
}

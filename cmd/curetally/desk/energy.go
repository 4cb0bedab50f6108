package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"curetally/internal/app/answers"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/core/usage"
	"curetally/internal/link/config"
	"curetally/internal/link/config/terms"
	"curetally/internal/link/store"
)

// Energy shows where energy went, and which part of it could have been avoided.
type Energy struct {
	Site
	From string `help:"First local day, as YYYY-MM-DD; the first on record by default." placeholder:"DAY"`
	To   string `help:"Local day before which it ends, as YYYY-MM-DD; includes the newest by default." placeholder:"DAY"`
	By   string `help:"Rows: state, press, station, shift or day." enum:"state,press,station,shift,day" default:"press"`
	JSON bool   `help:"Print as JSON; energy in kWh, area in m², impressions in thousands."`
}

// Run adds up and prints.
func (c Energy) Run(ctx context.Context, s Surroundings) error {
	return c.WithConfig(ctx, s, func(conf *config.Config, db *store.DB) error {
		p := &conf.Plant
		from, to, err := c.period(p)
		if err != nil {
			return err
		}
		o, reports, err := answers.Energy(ctx, db, conf, answers.EnergyQuestion{By: []usage.By{usage.By(c.By)}, From: from, To: to, Now: time.Now()})
		if err != nil {
			return err
		}
		r := reports[0]
		if c.JSON {
			return WriteJSON(s.Stdout, energyJSON(c.By, o, r))
		}
		return c.print(s.Stdout, conf, o, r)
	})
}

// period reads the days that are asked for.
func (c Energy) period(p *plant.Plant) (from, to time.Time, err error) {
	for _, f := range []struct {
		flag, text string
		at         *time.Time
	}{{"--from", c.From, &from}, {"--to", c.To, &to}} {
		if f.text == "" {
			continue
		}
		day, err := time.ParseInLocation(time.DateOnly, f.text, p.TimeZone)
		if err != nil {
			return from, to, fmt.Errorf("%s %q: expected a day such as 2026-03-01", f.flag, f.text)
		}
		*f.at = p.Day(day.Add(12*time.Hour), 0)
	}
	if !from.IsZero() && !to.IsZero() && !from.Before(to) {
		return from, to, errors.New("--to is not after --from: it is the first day that is left out")
	}
	return from, to, nil
}

// priceWords says how energy was priced.
func priceWords(o usage.Options) string {
	switch {
	case o.Tariff != nil:
		return "tariff " + o.Tariff.Name
	case o.Price.Currency != "":
		return fmt.Sprintf("%s %s per kWh", o.Price.Amount, o.Price.Currency)
	default:
		return ""
	}
}

func (c Energy) print(w io.Writer, conf *config.Config, o usage.Options, r usage.Report) error {
	p := &conf.Plant
	if r.From.IsZero() {
		_, err := fmt.Fprintln(w, "no energy on record in this time")
		return err
	}
	fmt.Fprintf(w, "energy by %s, %s to %s, kWh of %s\n", c.By, Moment(r.From, p), Moment(r.To, p), Count(len(o.Registers), "register"))
	kwh := func(e unit.Energy) string {
		if e == 0 {
			return ""
		}
		return unit.Group(e.KWh(), 1)
	}
	number := func(v float64, decimals int) string {
		if v == 0 {
			return ""
		}
		return unit.Group(v, decimals)
	}
	line := func(x usage.Row) string {
		return row(x.Key, kwh(x.Curing), kwh(x.Standby), kwh(x.Starting), kwh(x.Stopped), kwh(x.Unknown), kwh(x.Shared), kwh(x.Total),
			costCell(x.Cost), number(x.PerArea(), 1), number(x.PerThousand(), 2))
	}
	var rows []string
	for _, x := range r.Rows {
		rows = append(rows, line(x))
	}
	if len(r.Rows) > 1 {
		rows = append(rows, line(r.Total))
	}
	header := "ROW\tCURING\tSTANDBY\tSTARTING\tSTOPPED\tSILENT\tSHARED\tTOTAL\tCOST\tWh/m²\tkWh/1000 IMPR."
	if err := table(w, header, rows); err != nil {
		return err
	}
	return printAvoidable(w, conf.Terms, o, r)
}

// costCell shows an amount, nothing where nothing is priced.
func costCell(m unit.Money) string {
	if m.Currency == "" {
		return ""
	}
	return m.String()
}

func printAvoidable(w io.Writer, t terms.Terms, o usage.Options, r usage.Report) error {
	if words := priceWords(o); words != "" {
		fmt.Fprintf(w, "priced by %s\n", words)
	} else {
		fmt.Fprintln(w, "not priced: add tariffs to the configuration, or a price to a savings project")
	}
	if r.Total.Unpriced > 0 && o.Tariff != nil {
		fmt.Fprintf(w, "%s is from before the first version of the tariff and not priced\n", r.Total.Unpriced)
	}
	if r.Total.Doubtful != 0 {
		fmt.Fprintf(w, "%.1f %% of it is neither measured nor interpolated\n", 100*r.Total.Doubtful.KWh()/r.Total.Total.KWh())
	}
	fmt.Fprintf(w, "\navoidable: a finding to look at, no measured saving (standby limit %v; night %s)\n", t.Limits.Standby, nightWords(t.Limits))
	if len(t.Limits.Exhaust) == 0 {
		fmt.Fprintln(w, "  exhaust without lamps is not looked for: name the meters of exhaust fans under energy: exhaust")
	}
	if len(r.Avoidable) == 0 {
		_, err := fmt.Fprintln(w, "  none found")
		return err
	}
	var rows []string
	for _, a := range r.Avoidable {
		rows = append(rows, row(string(a.Kind), string(a.Register), unit.Group(a.Hours, 1), unit.Group(a.Energy.KWh(), 1), costCell(a.Cost)))
	}
	return table(w, "AVOIDABLE\tREGISTER\tHOURS\tkWh\tCOST", rows)
}

// nightWords says what counts as night.
func nightWords(l usage.Limits) string {
	if l.NightBegin == l.NightEnd {
		return "days without work"
	}
	return fmt.Sprintf("%02d:%02d to %02d:%02d", l.NightBegin/60, l.NightBegin%60, l.NightEnd/60, l.NightEnd%60)
}

// energyRow is a row as JSON; what the press does not count is left out.
type energyRow struct {
	Key         string   `json:"key"`
	Curing      float64  `json:"curing_kwh"`
	Standby     float64  `json:"standby_kwh"`
	Starting    float64  `json:"starting_kwh"`
	Stopped     float64  `json:"stopped_kwh"`
	Unknown     float64  `json:"unknown_kwh"`
	Shared      float64  `json:"shared_kwh"`
	Total       float64  `json:"total_kwh"`
	Doubtful    float64  `json:"doubtful_kwh"`
	Cost        *float64 `json:"cost,omitempty"`
	Currency    string   `json:"currency,omitempty"`
	Unpriced    float64  `json:"unpriced_kwh"`
	Area        float64  `json:"area_m2,omitempty"`
	PerArea     float64  `json:"wh_per_m2,omitempty"`
	Impressions float64  `json:"impressions_thousand,omitempty"`
	PerThousand float64  `json:"kwh_per_thousand_impressions,omitempty"`
}

type avoidableRow struct {
	Kind     string   `json:"kind"`
	Register string   `json:"register"`
	Hours    float64  `json:"hours"`
	Energy   float64  `json:"kwh"`
	Cost     *float64 `json:"cost,omitempty"`
	Currency string   `json:"currency,omitempty"`
}

// amount gives an amount for JSON; nil where nothing is priced.
func amount(m unit.Money) *float64 {
	if m.Currency == "" {
		return nil
	}
	v := m.Float()
	return &v
}

func rowJSON(x usage.Row) energyRow {
	return energyRow{
		Key: x.Key, Curing: x.Curing.KWh(), Standby: x.Standby.KWh(), Starting: x.Starting.KWh(), Stopped: x.Stopped.KWh(),
		Unknown: x.Unknown.KWh(), Shared: x.Shared.KWh(), Total: x.Total.KWh(), Doubtful: x.Doubtful.KWh(),
		Cost: amount(x.Cost), Currency: x.Cost.Currency, Unpriced: x.Unpriced.KWh(),
		Area: x.AreaM2, PerArea: x.PerArea(), Impressions: x.Impressions, PerThousand: x.PerThousand(),
	}
}

func energyJSON(by string, o usage.Options, r usage.Report) map[string]any {
	rows, avoidable := []energyRow{}, []avoidableRow{}
	for _, x := range r.Rows {
		rows = append(rows, rowJSON(x))
	}
	for _, a := range r.Avoidable {
		avoidable = append(avoidable, avoidableRow{string(a.Kind), string(a.Register), a.Hours, a.Energy.KWh(), amount(a.Cost), a.Cost.Currency})
	}
	return map[string]any{
		"by": by, "from": r.From, "to": r.To, "registers": o.Registers, "priced_by": priceWords(o),
		"rows": rows, "total": rowJSON(r.Total), "avoidable": avoidable,
	}
}

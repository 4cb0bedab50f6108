package desk

import (
	"context"
	"fmt"
	"math"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
)

// LampOutput says how the output of fitted lamps falls.
type LampOutput struct {
	Site
	JSON bool `help:"Print as JSON."`
}

// outputRow is one lamp as listed. Hours are lit hours of the lamp; what cannot
// be told is null.
type outputRow struct {
	Station     plant.StationID  `json:"station"`
	Lamp        plant.LampSerial `json:"lamp"`
	Source      string           `json:"source"`
	Readings    int              `json:"readings"`
	LeftOut     int              `json:"left_out"`
	Cleanings   int              `json:"cleanings"`
	Age         float64          `json:"lit_hours"`
	Decay       *float64         `json:"decay_per_hour"`
	Separated   bool             `json:"ageing_apart_from_dirt"`
	Recoverable *float64         `json:"recoverable_loss"`
	CleaningAt  *float64         `json:"cleaning_at_hours"`
	CleaningDue bool             `json:"cleaning_due"`
	End         *float64         `json:"hours_to_threshold"`
	Capped      bool             `json:"capped"`
	Limit       *float64         `json:"limit_hours"`
	Said        string           `json:"said"`
}

// Run prints what the readings of each fitted lamp tell.
func (c LampOutput) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		book, err := lampbook.Read(ctx, db, p, time.Now())
		if err != nil {
			return err
		}
		outputs, err := lampbook.Outputs(ctx, db, p, book)
		if err != nil {
			return err
		}
		rows := []outputRow{}
		for _, o := range outputs {
			rows = append(rows, outputRowOf(o))
		}
		if c.JSON {
			return WriteJSON(s.Stdout, map[string]any{"at": book.At.UTC(), "lamps": rows})
		}
		if len(rows) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "no fitted lamp has a reading of its output; record one with curetally lamp reading STATION --irradiance W --by NAME")
			return err
		}
		var lines []string
		for _, r := range rows {
			decay, end := "", ""
			if r.Decay != nil {
				decay = fmt.Sprintf("%.1f %%", -100*math.Expm1(-1000**r.Decay))
			}
			if end = figure(r.End, 0); r.Capped {
				end = "beyond " + end
			}
			lines = append(lines, row(string(r.Station), string(r.Lamp), r.Source, fmt.Sprint(r.Readings), fmt.Sprint(r.Cleanings), decay, end, r.Said))
		}
		return table(s.Stdout, "STATION\tLAMP\tSOURCE\tREADINGS\tCLEANINGS\tLOSS per 1000 h\tAT ITS END h\tSAID", lines)
	})
}

func outputRowOf(o lampbook.Output) outputRow {
	w := o.Watch
	r := outputRow{Station: o.Lamp.Station, Lamp: o.Lamp.Lamp.Serial, Source: o.Source, Readings: o.Readings, LeftOut: o.LeftOut, Age: w.Age, Said: o.Said()}
	if o.Missing != "" {
		return r
	}
	r.Cleanings, r.Decay, r.Separated = w.Decline.Cleanings, known(w.Decline.Decay), w.Decline.Separated
	r.Recoverable, r.CleaningAt, r.CleaningDue = known(w.Recoverable), known(w.CleaningAt), w.CleaningDue
	r.End, r.Capped, r.Limit = known(w.End.Hours), w.End.Capped, known(w.Decline.Limit())
	return r
}

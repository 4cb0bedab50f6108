package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"time"

	"curetally/internal/core/calibration"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
)

// siteFile is the configuration that is looked for when none is named; the tag of
// Site says the same.
const siteFile = "curetally.yaml"

// leadDays is how long before the true day a date is asked for.
const leadDays = 30

// calibrated is how well due dates hold.
type calibrated struct {
	calibration.Result
	// Own is the same on the plant's history; nil without a configuration.
	Own *calibration.Own `json:"own,omitempty"`
}

// calibration runs the test of due dates, on virtual plants and on the plant's own
// history. It is a finding when the intervals on the virtual plants do not hold as
// often as they say: of its own history a plant has too little for such a verdict.
func (c Status) calibration(ctx context.Context, s Surroundings) error {
	var r calibrated
	switch _, err := c.Load(); {
	case errors.Is(err, fs.ErrNotExist) && c.Config == siteFile:
	case err != nil:
		return err
	default:
		if err := c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
			own, err := ownCalibration(ctx, p, db)
			r.Own = &own
			return err
		}); err != nil {
			return err
		}
	}
	r.Result = calibration.Run(calibration.Options{Seed: 1, Plants: 50, Years: 3, Lead: leadDays})
	show := r.print
	if c.JSON {
		show = func(w io.Writer) error { return WriteJSON(w, r) }
	}
	err := show(s.Stdout)
	if err == nil && (r.Coverage < 0.75 || r.Coverage > 0.85) {
		return ErrFinding
	}
	return err
}

// ownCalibration reads the lit hours of every station by day and replays them.
func ownCalibration(ctx context.Context, p *plant.Plant, db *store.DB) (calibration.Own, error) {
	var regs []plant.RegisterID
	for _, st := range p.Stations() {
		regs = append(regs, plant.RegisterOf(st.ID, plant.ValueLit))
	}
	now := time.Now().In(p.TimeZone)
	today := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, p.TimeZone)
	amounts, err := db.DayAmounts(ctx, regs, time.Time{}, today)
	if err != nil {
		return calibration.Own{}, fmt.Errorf("lit hours by day: %w", err)
	}
	byDay := map[plant.RegisterID]map[int64]int64{}
	first := map[plant.RegisterID]time.Time{}
	for _, a := range amounts {
		if byDay[a.Register] == nil {
			byDay[a.Register], first[a.Register] = map[int64]int64{}, a.Day.In(p.TimeZone)
		}
		byDay[a.Register][a.Day.Unix()] += a.Amount
	}
	limits := litLimits(p)
	var histories []calibration.History
	for _, st := range p.Stations() {
		reg := plant.RegisterOf(st.ID, plant.ValueLit)
		h := calibration.History{Station: st.ID, Press: st.Press, First: first[reg], Limits: limits}
		for day := h.First; byDay[reg] != nil && day.Before(today); day = day.AddDate(0, 0, 1) {
			h.LitHours = append(h.LitHours, unit.HoursFromMillis(byDay[reg][day.Unix()]))
		}
		histories = append(histories, h)
	}
	return calibration.Replay(p, histories, leadDays), nil
}

// litLimits are the lit hours after which anything of a station falls due: the limits
// of rules, and the rated hours of lamp kinds by the share at which they are changed.
func litLimits(p *plant.Plant) []float64 {
	var out []float64
	for _, r := range p.Rules {
		if r.LitHours > 0 {
			out = append(out, r.LitHours)
		}
		for _, k := range p.LampKinds {
			if r.LifeFraction > 0 && k.RatedHours > 0 {
				out = append(out, r.LifeFraction*k.RatedHours)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (r calibrated) print(w io.Writer) error {
	fmt.Fprintf(w, "%d virtual plants over %d years, %s due dates asked %d days before the true day\n", r.Plants, r.Years, unit.Group(float64(r.Forecasts), 0), r.LeadDays)
	fmt.Fprintf(w, "P10 to P90 held the true day in %.1f %% of cases (75 to 85 wanted); it came before in %.1f %%, after in %.1f %%\n\n", 100*r.Coverage, 100*r.Early, 100*r.Late)
	var rows []string
	for _, way := range r.Rules {
		rows = append(rows, row(way.Name, fmt.Sprintf("%.0f", way.MedianErrorWorkDays), fmt.Sprint(way.Lamps), fmt.Sprint(way.UnplannedStops),
			unit.Group(way.HoursThrownAway, 0), unit.Group(way.HoursOverdue, 0)))
	}
	if err := table(w, "DATE BY\tMEDIAN ERROR, WORKDAYS\tLAMPS\tUNPLANNED STOPS\tLIFE THROWN AWAY, h\tBEYOND RATED LIFE, h", rows); err != nil || r.Own == nil {
		return err
	}
	o := r.Own
	fmt.Fprintf(w, "\nThis plant's own history, %s, asked %d days before the true day\n", Count(o.Stations, "station"), o.LeadDays)
	if !o.Enough {
		if _, err := fmt.Fprintf(w, "too little to judge by: %s\n", o.TooLittle); err != nil {
			return err
		}
	}
	if o.Forecasts == 0 {
		return nil
	}
	fmt.Fprintf(w, "%s due dates from %s to %s: P10 to P90 held the true day in %.1f %% of cases; it came before in %.1f %%, after in %.1f %%\n",
		unit.Group(float64(o.Forecasts), 0), o.From.Format(time.DateOnly), o.To.Format(time.DateOnly), 100*o.Coverage, 100*o.Early, 100*o.Late)
	rows = nil
	for _, e := range o.Errors {
		rows = append(rows, row(e.Name, fmt.Sprintf("%.0f", e.WorkDays)))
	}
	return table(w, "DATE BY\tMEDIAN ERROR, WORKDAYS", rows)
}

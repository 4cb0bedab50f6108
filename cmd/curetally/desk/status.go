package desk

import (
	"context"
	"fmt"
	"io"
	"time"

	"curetally/internal/core/calibration"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/store"
	"curetally/internal/work/plan"
)

// Status says how the plant's records stand, or how well due dates hold.
type Status struct {
	Site
	Calibration bool `help:"Print how often due dates held the true day on 50 seeded virtual plants over three years, against the rules of thumb; needs no configuration."`
	JSON        bool `help:"Print as JSON."`
}

// standing is the state of a plant's records.
type standing struct {
	At time.Time `json:"at"`
	// Stations has when each station was last heard.
	Stations []heard `json:"stations"`
	// Tasks counts tasks by status.
	Tasks     map[upkeep.Status]int `json:"tasks"`
	Lamps     int                   `json:"lamps_fitted"`
	Unsettled int64                 `json:"unsettled"`
}

type heard struct {
	Station plant.StationID `json:"station"`
	State   string          `json:"state"`
	At      time.Time       `json:"at,omitzero"`
}

// Run prints either.
func (c Status) Run(ctx context.Context, s Surroundings) error {
	if c.Calibration {
		return printCalibration(s.Stdout, c.JSON)
	}
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		st, err := c.look(ctx, p, db)
		if err != nil {
			return err
		}
		if c.JSON {
			return WriteJSON(s.Stdout, st)
		}
		return st.print(s.Stdout, p)
	})
}

func (c Status) look(ctx context.Context, p *plant.Plant, db *store.DB) (standing, error) {
	st := standing{At: time.Now().UTC(), Tasks: map[upkeep.Status]int{}, Stations: []heard{}}
	look, err := plan.Look(ctx, db, p, st.At)
	if err != nil {
		return st, err
	}
	for _, t := range look.Tasks {
		st.Tasks[t.Status]++
	}
	st.Lamps = len(look.Fitted)
	events, err := db.LatestEvents(ctx)
	if err != nil {
		return st, err
	}
	for _, station := range p.Stations() {
		h := heard{Station: station.ID, State: plant.StateUnknown.String()}
		if e, ok := events[station.ID]; ok {
			h.State, h.At = e.State.String(), e.At
		}
		st.Stations = append(st.Stations, h)
	}
	st.Unsettled, err = db.UnsettledCount(ctx)
	return st, err
}

func (st standing) print(w io.Writer, p *plant.Plant) error {
	var rows []string
	for _, h := range st.Stations {
		at := "never"
		if !h.At.IsZero() {
			at = Moment(h.At, p)
		}
		rows = append(rows, row(string(h.Station), h.State, at))
	}
	if err := table(w, "STATION\tLAST STATE\tHEARD", rows); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%s fitted; tasks: %d overdue, %d due, %d upcoming, %d later; %d marks wait to be settled\n",
		Count(st.Lamps, "lamp"), st.Tasks[upkeep.Overdue], st.Tasks[upkeep.Due], st.Tasks[upkeep.Upcoming], st.Tasks[upkeep.OK], st.Unsettled)
	return err
}

// printCalibration runs the test of due dates. It is a finding when the intervals
// do not hold as often as they say.
func printCalibration(w io.Writer, asJSON bool) error {
	r := calibration.Run(calibration.Options{Seed: 1, Plants: 50, Years: 3, Lead: 30})
	finding := error(nil)
	if r.Coverage < 0.75 || r.Coverage > 0.85 {
		finding = ErrFinding
	}
	if asJSON {
		if err := WriteJSON(w, r); err != nil {
			return err
		}
		return finding
	}
	fmt.Fprintf(w, "%d virtual plants over %d years, %s due dates asked %d days before the true day\n", r.Plants, r.Years, unit.Group(float64(r.Forecasts), 0), r.LeadDays)
	fmt.Fprintf(w, "P10 to P90 held the true day in %.1f %% of cases (75 to 85 wanted); it came before in %.1f %%, after in %.1f %%\n\n", 100*r.Coverage, 100*r.Early, 100*r.Late)
	var rows []string
	for _, way := range r.Rules {
		rows = append(rows, row(way.Name, fmt.Sprintf("%.0f", way.MedianErrorWorkDays), fmt.Sprint(way.Lamps), fmt.Sprint(way.UnplannedStops),
			unit.Group(way.HoursThrownAway, 0), unit.Group(way.HoursOverdue, 0)))
	}
	if err := table(w, "DATE BY\tMEDIAN ERROR, WORKDAYS\tLAMPS\tUNPLANNED STOPS\tLIFE THROWN AWAY, h\tBEYOND RATED LIFE, h", rows); err != nil {
		return err
	}
	return finding
}

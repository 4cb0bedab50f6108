package desk

import (
	"context"
	"fmt"
	"io"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/store"
	"curetally/internal/work/plan"
)

// Status says how the plant's records stand, or how well due dates hold.
type Status struct {
	Site
	Calibration bool `help:"Print how often due dates held the true day: on 50 seeded virtual plants over three years, against the rules of thumb, and on the plant's own history where there is a configuration."`
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
	// Inferred says that the state was concluded from power, at the instant At.
	Inferred bool      `json:"inferred"`
	At       time.Time `json:"at,omitzero"`
}

// Run prints either.
func (c Status) Run(ctx context.Context, s Surroundings) error {
	if c.Calibration {
		return c.calibration(ctx, s)
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
			h.State, h.At, h.Inferred = e.State.String(), e.At, e.Inferred()
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
		state := h.State
		if h.Inferred {
			state += " (from its power)"
		}
		rows = append(rows, row(string(h.Station), state, at))
	}
	if err := table(w, "STATION\tLAST STATE\tHEARD", rows); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%s fitted; tasks: %d overdue, %d due, %d upcoming, %d later; %d marks wait to be settled\n",
		Count(st.Lamps, "lamp"), st.Tasks[upkeep.Overdue], st.Tasks[upkeep.Due], st.Tasks[upkeep.Upcoming], st.Tasks[upkeep.OK], st.Unsettled)
	return err
}

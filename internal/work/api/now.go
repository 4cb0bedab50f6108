package api

import (
	"context"
	"slices"
	"time"

	"curetally/internal/core/upkeep"
)

// Live gives what is the case now. The results belong to the caller.
type Live interface {
	Stations(ctx context.Context) ([]Station, error)
	Meters(ctx context.Context) ([]Meter, error)
	Findings(ctx context.Context) ([]Finding, error)
	// Tasks gives all tasks, the most urgent first.
	Tasks(ctx context.Context) ([]upkeep.Task, error)
}

// Station is one curing station. Hours, starts and energy are all that is on
// record of it.
type Station struct {
	Name       string    `json:"station"`
	Title      string    `json:"title"`
	Press      string    `json:"press"`
	Technology string    `json:"technology" doc:"Light source in use."`
	State      string    `json:"state" doc:"off, lamp-start, standby, curing, fault or unknown."`
	Since      time.Time `json:"since,omitzero" doc:"Begin of the state, where it is known."`
	PowerWatts *float64  `json:"power_watts" doc:"null where no fresh value is at hand."`
	LitHours   float64   `json:"lit_hours"`
	Starts     int64     `json:"starts"`
	EnergyKWh  float64   `json:"energy_kwh"`
	Lamp       string    `json:"lamp,omitempty" doc:"Serial of the lamp that is fitted."`
}

// Meter is one power meter.
type Meter struct {
	Name       string    `json:"meter"`
	Title      string    `json:"title"`
	PowerWatts *float64  `json:"power_watts" doc:"null where no fresh value is at hand."`
	EnergyKWh  float64   `json:"energy_kwh" doc:"All that is on record."`
	Estimated  bool      `json:"estimated" doc:"The energy is estimated from samples of power."`
	Heard      time.Time `json:"heard,omitzero" doc:"When it last answered."`
	Silent     bool      `json:"silent"`
	Trouble    string    `json:"trouble,omitempty" doc:"What is wrong, in two words."`
}

// Finding is something that is wrong, with its remedy.
type Finding struct {
	Kind    string    `json:"kind"`
	Subject string    `json:"subject"`
	Text    string    `json:"text"`
	Remedy  string    `json:"remedy"`
	Since   time.Time `json:"since,omitzero"`
}

// Task is a task under the name by which it is marked done.
type Task struct {
	Name string `json:"task" doc:"RULE/SUBJECT."`
	upkeep.Task
}

type pressQuery struct {
	Paging
	Press string `query:"press" maxLength:"100" doc:"Only of this press."`
}

type taskQuery struct {
	Paging
	Status  []string `query:"status,explode" enum:"overdue,due,upcoming,ok" doc:"Only tasks of this status; may be given several times."`
	Subject string   `query:"subject" maxLength:"100" doc:"Only of this station or press."`
}

// now registers what is the case now.
func (a *API) now() {
	table(a, about{"list-stations", "/stations", "now", "Stations", "All curing stations in the order of the configuration."},
		func(ctx context.Context, in pressQuery) ([]Station, string, error) {
			all, err := a.o.Live.Stations(ctx)
			if err != nil {
				return nil, "", err
			}
			return paged(slices.DeleteFunc(all, func(s Station) bool { return in.Press != "" && s.Press != in.Press }), in.Paging)
		})
	table(a, about{"list-meters", "/meters", "now", "Meters", "All power meters with what they show and how they answer."},
		func(ctx context.Context, in Paging) ([]Meter, string, error) {
			all, err := a.o.Live.Meters(ctx)
			if err != nil {
				return nil, "", err
			}
			return paged(all, in)
		})
	table(a, about{"list-findings", "/findings", "now", "Findings", "What is wrong now, each with what to do about it."},
		func(ctx context.Context, in Paging) ([]Finding, string, error) {
			all, err := a.o.Live.Findings(ctx)
			if err != nil {
				return nil, "", err
			}
			return paged(all, in)
		})
	table(a, about{"list-tasks", "/tasks", "upkeep", "Tasks", "All upkeep tasks, the most urgent first, with the spread of their due dates."},
		func(ctx context.Context, in taskQuery) ([]Task, string, error) {
			all, err := a.o.Live.Tasks(ctx)
			if err != nil {
				return nil, "", err
			}
			var out []Task
			for _, t := range all {
				if (len(in.Status) == 0 || slices.Contains(in.Status, string(t.Status))) && (in.Subject == "" || in.Subject == t.Subject) {
					out = append(out, Task{Name: string(t.Rule) + "/" + t.Subject, Task: t})
				}
			}
			return paged(out, in.Paging)
		})
}

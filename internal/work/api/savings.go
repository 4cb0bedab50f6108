package api

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
)

// Savings gives what can be said of savings projects. A project that is not in
// the configuration is an error whose Fault is Unknown.
type Savings interface {
	// Statement states the savings of a period: "2026-03", "2026-03-09", or empty for
	// all of the reporting period.
	Statement(ctx context.Context, project, period string) (savings.Statement, error)
	// Normalised states the savings of the project's normal year by a model of the
	// reporting days of a period.
	Normalised(ctx context.Context, project, period string) (savings.Normalised, error)
	// Baseline gives the newest frozen baseline.
	Baseline(ctx context.Context, project string) (savings.Baseline, error)
	// Published gives all published statements by period and version.
	Published(ctx context.Context, project string) ([]plant.Published, error)
	// Adjustments gives all adjustments by number.
	Adjustments(ctx context.Context, project string) ([]plant.Adjustment, error)
}

// Publication is a published statement without its words.
type Publication struct {
	Project     string    `json:"project"`
	Period      string    `json:"period"`
	Version     int       `json:"version"`
	PublishedAt time.Time `json:"published_at"`
	By          string    `json:"by"`
	Software    string    `json:"software"`
	Reason      string    `json:"reason,omitempty" doc:"Why it takes the place of the version before."`
	Hash        string    `json:"sha256" doc:"Of the document, byte for byte."`
}

// Adjustment is a non-routine adjustment.
type Adjustment struct {
	Project   string    `json:"project"`
	Number    int       `json:"number"`
	From      string    `json:"from" format:"date" doc:"First local day of the event."`
	To        string    `json:"to" format:"date" doc:"First local day after it."`
	EnergyKWh float64   `json:"energy_kwh" doc:"Added to the adjusted baseline."`
	Factor    string    `json:"factor,omitempty"`
	Event     string    `json:"event"`
	Evidence  string    `json:"evidence"`
	Approver  string    `json:"approver"`
	InsteadOf int       `json:"instead_of,omitempty" doc:"Number of the one whose place it takes."`
	Recorded  time.Time `json:"recorded"`
}

// InProject is the part of a path that names a savings project.
type InProject struct {
	Project string `path:"project" maxLength:"100" doc:"Savings project of the configuration."`
}

type projectQuery struct {
	Paging
	InProject
}

type statementQuery struct {
	InProject
	Period string `query:"period" maxLength:"10" pattern:"^[0-9]{4}-[0-9]{2}(-[0-9]{2})?$" doc:"A month such as 2026-03 or a day such as 2026-03-09; without it all of the reporting period."`
}

type publishedPath struct {
	InProject
	Period  string `path:"period" maxLength:"20" doc:"Period as the list names it."`
	Version int    `path:"version" minimum:"1" doc:"Version of the statement."`
}

type body[T any] struct{ Body T }

// savings registers what is read of savings.
func (a *API) savings() {
	one(a, about{"get-savings", "/savings/{project}", "savings", "Savings", "The savings statement against the newest frozen baseline."},
		func(ctx context.Context, in statementQuery) (savings.Statement, error) {
			return a.o.Savings.Statement(ctx, in.Project, in.Period)
		})
	one(a, about{"get-normalised", "/savings/{project}/normalised", "savings", "Savings of a normal year", "What the baseline gives for a year of normal conditions less what a model of the reporting days gives."},
		func(ctx context.Context, in statementQuery) (savings.Normalised, error) {
			return a.o.Savings.Normalised(ctx, in.Project, in.Period)
		})
	one(a, about{"get-baseline", "/savings/{project}/baseline", "savings", "Baseline", "The newest frozen baseline, as it was frozen."},
		func(ctx context.Context, in InProject) (json.RawMessage, error) {
			b, err := a.o.Savings.Baseline(ctx, in.Project)
			if err != nil {
				return nil, err
			}
			return json.Marshal(b)
		})
	table(a, about{"list-published", "/savings/{project}/published", "savings", "Published statements", "All statements that were published, by period and version."},
		func(ctx context.Context, in projectQuery) ([]Publication, string, error) {
			all, err := a.o.Savings.Published(ctx, in.Project)
			if err != nil {
				return nil, "", err
			}
			out := make([]Publication, len(all))
			for i, p := range all {
				out[i] = publicationOf(p)
			}
			return paged(out, in.Paging)
		})
	one(a, about{"get-published", "/savings/{project}/published/{period}/{version}", "savings", "A published statement", "The document as it was published."},
		func(ctx context.Context, in publishedPath) (json.RawMessage, error) {
			all, err := a.o.Savings.Published(ctx, in.Project)
			if err != nil {
				return nil, err
			}
			for _, p := range all {
				if p.Period == in.Period && p.Version == in.Version {
					return p.Document, nil
				}
			}
			return nil, huma.NewError(http.StatusNotFound, "no such statement was published; the list of published statements names periods and versions")
		})
	table(a, about{"list-adjustments", "/savings/{project}/adjustments", "savings", "Adjustments", "All non-routine adjustments by number, those included whose place another took."},
		func(ctx context.Context, in projectQuery) ([]Adjustment, string, error) {
			all, err := a.o.Savings.Adjustments(ctx, in.Project)
			if err != nil {
				return nil, "", err
			}
			out := make([]Adjustment, len(all))
			for i, x := range all {
				out[i] = Adjustment{
					Project: string(x.Project), Number: x.Number, From: x.From.Format(time.DateOnly), To: x.To.Format(time.DateOnly), EnergyKWh: x.Energy.KWh(),
					Factor: x.Factor, Event: x.Event, Evidence: x.Evidence, Approver: x.Approver, InsteadOf: x.InsteadOf, Recorded: x.Recorded,
				}
			}
			return paged(out, in.Paging)
		})
}

func publicationOf(p plant.Published) Publication {
	return Publication{
		Project: string(p.Project), Period: p.Period, Version: p.Version, PublishedAt: p.At, By: p.By, Software: p.Software, Reason: p.Reason, Hash: p.Hash,
	}
}

// one registers a document that is no list.
func one[I, T any](a *API, b about, read func(ctx context.Context, in I) (T, error)) {
	huma.Register(a.huma, b.operation(http.MethodGet, http.StatusBadRequest, http.StatusNotFound), func(ctx context.Context, in *I) (*body[T], error) {
		v, err := read(ctx, *in)
		if err := a.answer(ctx, b.id, err); err != nil {
			return nil, err
		}
		return &body[T]{v}, nil
	})
}

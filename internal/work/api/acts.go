package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"curetally/internal/core/access"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Each act gives the sentence that says what is on record now. A zero instant is
// now. The errors' Fault tells what a person can put right.

// TaskActs records what people do about tasks. seen is the instant from which the
// person saw the task count: where it no longer holds, the error's Fault is
// Conflict and its text says who was faster, and when.
type TaskActs interface {
	Done(ctx context.Context, d plant.Done, seen time.Time) (string, error)
	Skip(ctx context.Context, a plant.TaskAct, seen time.Time) (string, error)
	Postpone(ctx context.Context, a plant.TaskAct, seen time.Time) (string, error)
	Undo(ctx context.Context, a plant.TaskAct) (string, error)
}

// LampActs records what people do with lamps.
type LampActs interface {
	FitLamp(ctx context.Context, f plant.Fitting, kind string) (string, error)
	RemoveLamp(ctx context.Context, f plant.Fitting) (string, error)
	ReceiveLamps(ctx context.Context, r plant.Receipt) (string, error)
	DisposeLamps(ctx context.Context, serials []plant.LampSerial, kind string, m plant.LampMovement) (string, error)
	ReadOutput(ctx context.Context, r plant.OutputReading) (string, error)
}

// FigureActs records what changes figures: registers and savings.
type FigureActs interface {
	// Exchange takes the readings in display units.
	Exchange(ctx context.Context, x plant.Exchange, final, first float64) (string, error)
	Rule(ctx context.Context, r plant.Ruling) (string, error)
	FreezeBaseline(ctx context.Context, f plant.Frozen, reason string) (string, error)
	Adjust(ctx context.Context, a plant.Adjustment) (string, error)
	// PublishStatement publishes the statement of p.Period.
	PublishStatement(ctx context.Context, p plant.Published) (string, error)
}

// Recorded says what is on record now.
type Recorded struct {
	Text string `json:"recorded" doc:"The record in words."`
}

// By names the person: whoever is signed in, else whom the request names.
type By struct {
	By string `json:"by,omitempty" maxLength:"200" doc:"Who did it. Whoever is signed in, and no other name is taken; where pages are open without sign-in it is required."`

	refused bool // said already; a body asks its embedded parts twice
}

// Resolve puts the person's name in, so that no record can bear another.
func (b *By) Resolve(ctx huma.Context, at *huma.PathBuffer) []error {
	name, err := access.By(ctx.Context(), b.By)
	if err == nil {
		b.By = name
		return nil
	}
	if b.refused {
		return nil
	}
	b.refused = true
	return []error{&huma.ErrorDetail{Message: err.Error(), Location: at.With("by"), Value: b.By}}
}

// At is the instant of an act.
type At struct {
	At time.Time `json:"at,omitzero" doc:"When; now by default. An instant to come is refused."`
}

// Note is what a person adds.
type Note struct {
	Note string `json:"note,omitempty" maxLength:"2000"`
}

// Reason is why.
type Reason struct {
	Reason string `json:"reason" minLength:"1" maxLength:"2000" doc:"Why."`
}

// Seen is what a person looked at.
type Seen struct {
	Seen time.Time `json:"seen_anchor,omitzero" doc:"The anchor of the task as it was shown. Where it has changed, nothing is recorded and the answer is 409 with who was faster."`
}

// OfTask is the part of a path that names a task.
type OfTask struct {
	Rule    string `path:"rule" maxLength:"100" doc:"Rule of the task."`
	Subject string `path:"subject" maxLength:"100" doc:"Station or press of the task."`
}

// OfLamp is the part of a path that names a lamp.
type OfLamp struct {
	Serial string `path:"serial" maxLength:"100" doc:"Serial on the lamp."`
}

// OfRegister is the part of a path that names a register.
type OfRegister struct {
	Owner string `path:"owner" maxLength:"100" doc:"Meter or press."`
	Value string `path:"value" maxLength:"100" doc:"Value, for example import."`
}

func (r OfRegister) id() plant.RegisterID { return plant.RegisterID(r.Owner + "/" + r.Value) }

type recorded struct{ Body Recorded }

// act registers an act.
func act[I any](a *API, b about, do func(ctx context.Context, in I) (string, error)) {
	a.need(access.Action(b.id))
	op := b.operation(http.MethodPost, http.StatusBadRequest, http.StatusNotFound, http.StatusConflict, http.StatusRequestEntityTooLarge)
	huma.Register(a.huma, op, func(ctx context.Context, in *I) (*recorded, error) {
		text, err := do(ctx, *in)
		if err := a.answer(ctx, b.id, err); err != nil {
			return nil, err
		}
		a.o.Acted(ctx)
		return &recorded{Recorded{text}}, nil
	})
}

// tasks registers what people do about tasks.
func (a *API) tasks() {
	type done struct {
		OfTask
		Body struct {
			By
			At
			Note
			Seen
			Reading string `json:"reading,omitempty" maxLength:"200" doc:"What was measured, with its unit."`
		}
	}
	act(a, about{"mark-done", "/tasks/{rule}/{subject}/done", "upkeep", "Mark a task done", "It counts anew from that instant."},
		func(ctx context.Context, in done) (string, error) {
			b := in.Body
			return a.o.TaskActs.Done(ctx, plant.Done{
				Rule: plant.RuleID(in.Rule), Subject: in.Subject, At: b.At.At, By: b.By.By, Note: b.Note.Note, Reading: b.Reading,
			}, b.Seen.Seen)
		})
	type skip struct {
		OfTask
		Body struct {
			By
			At
			Reason
			Seen
		}
	}
	act(a, about{"skip-task", "/tasks/{rule}/{subject}/skip", "upkeep", "Leave a task out", "It counts anew, and does not say that it was done."},
		func(ctx context.Context, in skip) (string, error) {
			b := in.Body
			return a.o.TaskActs.Skip(ctx, plant.TaskAct{
				Rule: plant.RuleID(in.Rule), Subject: in.Subject, At: b.At.At, By: b.By.By, Note: b.Reason.Reason,
			}, b.Seen.Seen)
		})
	type postpone struct {
		OfTask
		Body struct {
			By
			Reason
			Seen
			Until string `json:"until" format:"date" doc:"Day to which it is put off, in the site's time."`
		}
	}
	act(a, about{"postpone-task", "/tasks/{rule}/{subject}/postpone", "upkeep", "Put a task off", "The day on which it was due stays visible."},
		func(ctx context.Context, in postpone) (string, error) {
			b := in.Body
			until, err := day(b.Until)
			if err != nil {
				return "", err
			}
			return a.o.TaskActs.Postpone(ctx, plant.TaskAct{
				Rule: plant.RuleID(in.Rule), Subject: in.Subject, Until: until, By: b.By.By, Note: b.Reason.Reason,
			}, b.Seen.Seen)
		})
	type undo struct {
		OfTask
		Body struct {
			By
			Reason
		}
	}
	act(a, about{"undo-task", "/tasks/{rule}/{subject}/undo", "upkeep", "Take back what was last recorded about a task", "By a counter-entry: both records are kept."},
		func(ctx context.Context, in undo) (string, error) {
			return a.o.TaskActs.Undo(ctx, plant.TaskAct{Rule: plant.RuleID(in.Rule), Subject: in.Subject, By: in.Body.By.By, Note: in.Body.Reason.Reason})
		})
}

// day reads a local day; its zone is given where it is used.
func day(text string) (time.Time, error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return t, huma.NewError(http.StatusUnprocessableEntity, "expected a day such as 2026-03-09")
	}
	return t, nil
}

func serials(names []string) []plant.LampSerial {
	out := make([]plant.LampSerial, len(names))
	for i, n := range names {
		out[i] = plant.LampSerial(n)
	}
	return out
}

// lampActs registers what people do with lamps.
func (a *API) lampActs() {
	type fit struct {
		OfLamp
		Body struct {
			By
			At
			Station string `json:"station" maxLength:"100" doc:"Station it is fitted in."`
			Kind    string `json:"kind,omitempty" maxLength:"100" doc:"Of a lamp that is new; by default the one of the light in the station."`
		}
	}
	act(a, about{"fit-lamp", "/lamps/{serial}/fit", "upkeep", "Fit a lamp", ""}, func(ctx context.Context, in fit) (string, error) {
		b := in.Body
		return a.o.LampActs.FitLamp(ctx, plant.Fitting{Lamp: plant.LampSerial(in.Serial), Station: plant.StationID(b.Station), From: b.At.At, By: b.By.By}, b.Kind)
	})
	type remove struct {
		OfLamp
		Body struct {
			By
			At
			Reason string `json:"reason" enum:"failed,preventive,output,moved,breakage,conversion"`
		}
	}
	act(a, about{"remove-lamp", "/lamps/{serial}/remove", "upkeep", "Take a lamp out", ""}, func(ctx context.Context, in remove) (string, error) {
		b := in.Body
		return a.o.LampActs.RemoveLamp(ctx, plant.Fitting{Lamp: plant.LampSerial(in.Serial), To: b.At.At, Reason: b.Reason, By: b.By.By})
	})
	type receive struct {
		Body struct {
			By
			At
			Note
			Kind    string   `json:"kind" maxLength:"100" doc:"Lamp kind of the configuration."`
			Count   int      `json:"count,omitempty" minimum:"0" maximum:"1000" doc:"Lamps without a serial."`
			Serials []string `json:"serials,omitempty" maxItems:"1000"`
		}
	}
	act(a, about{"receive-lamps", "/lamps/receive", "upkeep", "Receive spare lamps", ""}, func(ctx context.Context, in receive) (string, error) {
		b := in.Body
		return a.o.LampActs.ReceiveLamps(ctx, plant.Receipt{Kind: b.Kind, Serials: serials(b.Serials), Count: b.Count, At: b.At.At, By: b.By.By, Note: b.Note.Note})
	})
	type dispose struct {
		Body struct {
			By
			At
			Note
			Serials []string `json:"serials,omitempty" maxItems:"1000"`
			Kind    string   `json:"kind,omitempty" maxLength:"100" doc:"All spent lamps of this kind, where no serial is given."`
		}
	}
	act(a, about{"dispose-lamps", "/lamps/dispose", "upkeep", "Dispose of spent lamps", ""}, func(ctx context.Context, in dispose) (string, error) {
		b := in.Body
		return a.o.LampActs.DisposeLamps(ctx, serials(b.Serials), b.Kind, plant.LampMovement{At: b.At.At, By: b.By.By, Note: b.Note.Note})
	})
	type output struct {
		Station string `path:"station" maxLength:"100" doc:"Station where it was read."`
		Body    struct {
			By
			At
			Note
			Irradiance float64 `json:"irradiance_w_cm2" exclusiveMinimum:"0" maximum:"1000" doc:"Peak, as the instrument shows it."`
			Drive      float64 `json:"drive_fraction" exclusiveMinimum:"0" maximum:"2" default:"1" required:"false" doc:"Power setting as a share of full power."`
			Instrument string  `json:"instrument,omitempty" maxLength:"200"`
			Cleaned    bool    `json:"cleaned,omitempty" doc:"Read right after the lens was cleaned."`
		}
	}
	act(a, about{"read-output", "/stations/{station}/output", "upkeep", "Record the output of a lamp, read by hand", ""}, func(ctx context.Context, in output) (string, error) {
		b := in.Body
		return a.o.LampActs.ReadOutput(ctx, plant.OutputReading{
			Station: plant.StationID(in.Station), At: b.At.At, Irradiance: b.Irradiance, Drive: b.Drive, Instrument: b.Instrument,
			Cleaned: b.Cleaned, By: b.By.By, Note: b.Note.Note,
		})
	})
}

// figureActs registers what changes figures.
func (a *API) figureActs() {
	type exchange struct {
		OfRegister
		Body struct {
			By
			At
			Note
			Final float64 `json:"final" minimum:"0" doc:"Last reading of the old register as the meter shows it: kWh, m² or m."`
			First float64 `json:"first" minimum:"0" doc:"First reading of the new one, in the same unit."`
		}
	}
	act(a, about{"declare-exchange", "/registers/{owner}/{value}/exchange", "records", "Declare that a register was exchanged", ""},
		func(ctx context.Context, in exchange) (string, error) {
			b := in.Body
			return a.o.FigureActs.Exchange(ctx, plant.Exchange{Register: in.id(), At: b.At.At, By: b.By.By, Note: b.Note.Note}, b.Final, b.First)
		})
	type ruling struct {
		OfRegister
		Body struct {
			By
			Reason
			At      time.Time `json:"reading_at,omitzero" doc:"Instant of the reading; by default the oldest that waits, with discard all of them."`
			Verdict string    `json:"verdict" enum:"accept,discard,restart"`
		}
	}
	act(a, about{"rule-on-reading", "/registers/{owner}/{value}/ruling", "records", "Rule on a reading that no rule can judge", ""},
		func(ctx context.Context, in ruling) (string, error) {
			b := in.Body
			return a.o.FigureActs.Rule(ctx, plant.Ruling{Register: in.id(), At: b.At, Verdict: plant.Verdict(b.Verdict), By: b.By.By, Note: b.Reason.Reason})
		})
	type freeze struct {
		InProject
		Body struct {
			By
			Reason string `json:"reason,omitempty" maxLength:"2000" doc:"Why it takes the place of the frozen one; required where there is one."`
		}
	}
	act(a, about{"freeze-baseline", "/savings/{project}/baseline", "savings", "Freeze a baseline", ""}, func(ctx context.Context, in freeze) (string, error) {
		return a.o.FigureActs.FreezeBaseline(ctx, plant.Frozen{Project: plant.ProjectID(in.Project), Approver: in.Body.By.By}, in.Body.Reason)
	})
	type adjust struct {
		InProject
		Body struct {
			By
			From      string  `json:"from" format:"date" doc:"First local day of the event."`
			To        string  `json:"to" format:"date" doc:"First local day after it."`
			EnergyKWh float64 `json:"energy_kwh" minimum:"-1000000000" maximum:"1000000000" doc:"Added to what was expected: above 0 where the change raised the energy of the reporting period."`
			Event     string  `json:"event" minLength:"1" maxLength:"2000" doc:"What happened."`
			Evidence  string  `json:"evidence" minLength:"1" maxLength:"2000" doc:"What shows the energy."`
			Factor    string  `json:"factor,omitempty" maxLength:"200" doc:"Static factor of the configuration that changed."`
			InsteadOf int     `json:"instead_of,omitempty" minimum:"0" doc:"Number of the one whose place it takes."`
		}
	}
	act(a, about{"add-adjustment", "/savings/{project}/adjustments", "savings", "Record a non-routine adjustment", ""}, func(ctx context.Context, in adjust) (string, error) {
		b := in.Body
		x := plant.Adjustment{
			Project: plant.ProjectID(in.Project), Factor: b.Factor, Event: b.Event, Evidence: b.Evidence, Approver: b.By.By, InsteadOf: b.InsteadOf,
		}
		var err error
		if x.From, err = day(b.From); err != nil {
			return "", err
		}
		if x.To, err = day(b.To); err != nil {
			return "", err
		}
		if x.Energy, err = unit.EnergyFromKWh(b.EnergyKWh); err != nil {
			return "", huma.NewError(http.StatusUnprocessableEntity, "energy_kwh: "+err.Error())
		}
		return a.o.FigureActs.Adjust(ctx, x)
	})
	type publish struct {
		InProject
		Body struct {
			By
			Period string `json:"period" pattern:"^[0-9]{4}-[0-9]{2}(-[0-9]{2})?$" maxLength:"10" doc:"A month such as 2026-03 or a day such as 2026-03-09, which is over."`
			Reason string `json:"reason,omitempty" maxLength:"2000" doc:"Why a corrected statement takes the place of the one published; required where there is one."`
		}
	}
	act(a, about{"publish-statement", "/savings/{project}/published", "savings", "Publish a statement for ever", ""}, func(ctx context.Context, in publish) (string, error) {
		b := in.Body
		return a.o.FigureActs.PublishStatement(ctx, plant.Published{Project: plant.ProjectID(in.Project), Period: b.Period, By: b.By.By, Reason: b.Reason})
	})
}

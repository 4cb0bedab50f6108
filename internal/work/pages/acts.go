package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Each act gives the sentence that says what is on record now. The status that
// Options.Fault gives an error tells what a person can put right.

// TaskActs records what people do about tasks. seen is the instant from which the
// person saw the task count; where it no longer holds, the error says who was faster.
type TaskActs interface {
	Done(ctx context.Context, d plant.Done, seen time.Time) (string, error)
	Skip(ctx context.Context, a plant.TaskAct, seen time.Time) (string, error)
	Postpone(ctx context.Context, a plant.TaskAct, seen time.Time) (string, error)
	Undo(ctx context.Context, a plant.TaskAct) (string, error)
}

// LampActs records changes of lamps.
type LampActs interface {
	FitLamp(ctx context.Context, f plant.Fitting, kind string) (string, error)
	RemoveLamp(ctx context.Context, f plant.Fitting) (string, error)
}

// FigureActs records what changes figures.
type FigureActs interface {
	Rule(ctx context.Context, r plant.Ruling) (string, error)
	FreezeBaseline(ctx context.Context, f plant.Frozen, reason string) (string, error)
	Adjust(ctx context.Context, a plant.Adjustment) (string, error)
	PublishStatement(ctx context.Context, p plant.Published) (string, error)
}

// seenField carries what a person looked at.
const seenField = "seen"

// act is a form that is taken. back is the page that holds it, show composes that page.
type act struct {
	path, back string
	needs      access.Action
	do         func(ctx context.Context, in entry) (string, error)
	show       func(*request) error
}

func (p *Pages) acts() []act {
	return []act{
		{"/work/done", "/work", access.MarkDone, p.done, p.work},
		{"/work/skip", "/work", access.SkipTask, p.skip, p.work},
		{"/work/postpone", "/work", access.PostponeTask, p.postpone, p.work},
		{"/work/undo", "/work", access.UndoTask, p.undo, p.work},
		{"/work/change", "/work", access.FitLamp, p.change, p.work},
		{"/savings/freeze", "/savings", access.FreezeBaseline, p.freeze, p.savings},
		{"/savings/adjust", "/savings", access.AddAdjustment, p.adjust, p.savings},
		{"/savings/publish", "/savings", access.PublishStatement, p.publish, p.savings},
		{"/meters/rule", "/meters", access.RuleOnReading, p.rule, p.meters},
	}
}

// errEntry says that what was entered cannot be understood. Its text is for people.
type errEntry struct{ text string }

func (e errEntry) Error() string { return e.text }

// entry is what was entered into a form, with the person who did.
type entry struct {
	url.Values
	by string
}

// text gives what was entered, without blanks around it.
func (e entry) text(name string) string { return strings.TrimSpace(e.Get(name)) }

// day reads a local day; its zone is given where it is used.
func (e entry) day(name string) (time.Time, error) {
	t, err := time.Parse(time.DateOnly, e.text(name))
	if err != nil {
		return t, errEntry{fmt.Sprintf("%s %q: expected a day such as 2026-03-09", name, e.text(name))}
	}
	return t, nil
}

// instant reads an instant that the page itself wrote; none for nothing.
func (e entry) instant(name string) (time.Time, error) {
	if e.text(name) == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, e.text(name))
	if err != nil {
		return t, errEntry{fmt.Sprintf("%s %q: expected the instant that the page gave — load the page again", name, e.text(name))}
	}
	return t, nil
}

// why reads a reason, which must be there.
func (e entry) why() (string, error) {
	if e.text("reason") == "" {
		return "", errEntry{"expected a reason: whoever reads the log asks for it"}
	}
	return e.text("reason"), nil
}

// take answers a form: with a redirect where it is on record, with the page and what
// is wrong where it is not.
func (p *Pages) take(a act) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, hr *http.Request) {
		r := p.begin(w, hr)
		hr.Body = http.MaxBytesReader(w, hr.Body, maxForm)
		said, err := p.put(hr, a)
		if err == nil {
			p.o.Acted(hr.Context())
			say(w, r.words.Phrase(said))
			http.Redirect(w, hr, a.back, http.StatusSeeOther)
			return
		}
		status, text := p.refusal(err)
		if status == http.StatusInternalServerError {
			p.note(a.path, err, status)
			text = r.text("page-failed-says")
		}
		r.failed = &failure{action: a.path, entered: hr.PostForm, text: r.words.Phrase(text), status: status}
		for i, n := range r.view.Nav {
			if n.Href == a.back {
				r.view.Nav[i].Current, r.view.Title = true, n.Text
			}
		}
		for i, l := range r.view.Languages {
			r.view.Languages[i].Href = a.back + l.Href
		}
		p.write(w, r, a.show)
	})
}

// put reads a form and puts it on record.
func (p *Pages) put(r *http.Request, a act) (string, error) {
	if err := r.ParseForm(); err != nil {
		return "", err
	}
	if err := access.Allow(r.Context(), a.needs); err != nil {
		return "", err
	}
	by, err := access.By(r.Context(), r.PostForm.Get("by"))
	if err != nil {
		return "", err
	}
	return a.do(r.Context(), entry{r.PostForm, by})
}

// refusal is the status and the text of an error.
func (p *Pages) refusal(err error) (int, string) {
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return http.StatusRequestEntityTooLarge, fmt.Sprintf("the form is too long: expected at most %d kilobytes", maxForm>>10)
	}
	if _, ok := errors.AsType[errEntry](err); ok {
		return http.StatusUnprocessableEntity, err.Error()
	}
	if _, ok := errors.AsType[*access.Denied](err); ok {
		return http.StatusForbidden, err.Error()
	}
	switch {
	case errors.Is(err, access.ErrNobody):
		return http.StatusForbidden, err.Error()
	case errors.Is(err, access.ErrBy):
		return http.StatusUnprocessableEntity, err.Error()
	}
	return p.o.Fault(err), err.Error()
}

// task reads which task a form is about.
func (e entry) task() (plant.TaskAct, time.Time, error) {
	seen, err := e.instant(seenField)
	return plant.TaskAct{Rule: plant.RuleID(e.text("rule")), Subject: e.text("subject"), By: e.by, Note: e.text("note")}, seen, err
}

func (p *Pages) done(ctx context.Context, in entry) (string, error) {
	a, seen, err := in.task()
	if err != nil {
		return "", err
	}
	return p.o.TaskActs.Done(ctx, plant.Done{Rule: a.Rule, Subject: a.Subject, By: a.By, Note: a.Note, Reading: in.text("reading")}, seen)
}

func (p *Pages) skip(ctx context.Context, in entry) (string, error) {
	a, seen, err := in.task()
	if err != nil {
		return "", err
	}
	if a.Note, err = in.why(); err != nil {
		return "", err
	}
	return p.o.TaskActs.Skip(ctx, a, seen)
}

func (p *Pages) postpone(ctx context.Context, in entry) (string, error) {
	a, seen, err := in.task()
	if err != nil {
		return "", err
	}
	if a.Until, err = in.day("until"); err != nil {
		return "", err
	}
	if a.Note, err = in.why(); err != nil {
		return "", err
	}
	return p.o.TaskActs.Postpone(ctx, a, seen)
}

func (p *Pages) undo(ctx context.Context, in entry) (string, error) {
	a, _, err := in.task()
	if err != nil {
		return "", err
	}
	if a.Note, err = in.why(); err != nil {
		return "", err
	}
	return p.o.TaskActs.Undo(ctx, a)
}

// change takes the old lamp out and fits the new one.
func (p *Pages) change(ctx context.Context, in entry) (string, error) {
	old, serial := plant.LampSerial(in.text("lamp")), plant.LampSerial(in.text("serial"))
	if serial == "" {
		return "", errEntry{"expected the serial of the new lamp"}
	}
	out, err := p.o.LampActs.RemoveLamp(ctx, plant.Fitting{Lamp: old, Reason: in.text("reason"), By: in.by})
	if err != nil {
		return "", err
	}
	into, err := p.o.LampActs.FitLamp(ctx, plant.Fitting{Lamp: serial, Station: plant.StationID(in.text("station")), By: in.by}, "")
	if err != nil {
		p.o.Acted(ctx)
		return "", fmt.Errorf("the old lamp is on record as taken out (%s), the new one is not fitted: %w", out, err)
	}
	return out + "; " + into, nil
}

func (p *Pages) freeze(ctx context.Context, in entry) (string, error) {
	return p.o.FigureActs.FreezeBaseline(ctx, plant.Frozen{Project: plant.ProjectID(in.text("project")), Approver: in.by}, in.text("reason"))
}

func (p *Pages) adjust(ctx context.Context, in entry) (string, error) {
	x := plant.Adjustment{Project: plant.ProjectID(in.text("project")), Event: in.text("event"), Evidence: in.text("evidence"), Approver: in.by}
	var err error
	if x.From, err = in.day("from"); err != nil {
		return "", err
	}
	if x.To, err = in.day("to"); err != nil {
		return "", err
	}
	kwh, err := strconv.ParseFloat(strings.Replace(in.text("energy"), ",", ".", 1), 64)
	if err != nil {
		return "", errEntry{fmt.Sprintf("energy %q: expected kWh such as -120.5", in.text("energy"))}
	}
	if x.Energy, err = unit.EnergyFromKWh(kwh); err != nil {
		return "", errEntry{"energy: " + err.Error()}
	}
	return p.o.FigureActs.Adjust(ctx, x)
}

func (p *Pages) publish(ctx context.Context, in entry) (string, error) {
	return p.o.FigureActs.PublishStatement(ctx, plant.Published{
		Project: plant.ProjectID(in.text("project")), Period: in.text("period"), By: in.by, Reason: in.text("reason"),
	})
}

func (p *Pages) rule(ctx context.Context, in entry) (string, error) {
	at, err := in.instant("at")
	if err != nil {
		return "", err
	}
	why, err := in.why()
	if err != nil {
		return "", err
	}
	switch v := plant.Verdict(in.text("verdict")); v {
	case plant.VerdictAccept, plant.VerdictDiscard, plant.VerdictRestart:
		return p.o.FigureActs.Rule(ctx, plant.Ruling{Register: plant.RegisterID(in.text("register")), At: at, Verdict: v, By: in.by, Note: why})
	default:
		return "", errEntry{fmt.Sprintf("verdict %q: expected accept, discard or restart", v)}
	}
}

package pages

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/spares"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/core/usage"
	"curetally/internal/link/report/words"
)

// noon is a moment at Alder Lane Labels.
var noon = time.Date(2026, 7, 14, 12, 5, 0, 0, time.UTC)

var (
	errUnknown = errors.New("task is not among the tasks of this plant")
	errStale   = errors.New("task was done by Ben, 14 Jul 2026 11:58, meanwhile")
	errSecret  = errors.New("dial unix /srv/secret: password=hunter2")
)

// alder is a plant with one of everything that a page can show. It records what is put
// on record, and fails with err where that is not nil.
type alder struct {
	err  error
	acts []string
}

func p[T any](v T) *T { return &v }

func (a *alder) Now(context.Context) (Now, error) {
	ago := func(d time.Duration) time.Time { return noon.Add(-d) }
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		return Now{}, err
	}
	n := Now{
		Site: "Alder Lane Labels", At: noon, Until: ago(4 * time.Minute), Zone: berlin,
		Findings: []Finding{{"silent station", "8 laminate", "No status message has come for 3 h.", "Check the gateway.", ago(3 * time.Hour)}, {Kind: "refused payloads", Subject: "x", Text: "4 messages."}},
		Meters: []Meter{
			{Name: "heron-1-meter", Watts: p(2180.0), EnergyKWh: 21873.4, Heard: ago(20 * time.Second)},
			{Name: "heron-exhaust", EnergyKWh: 6120.9, Estimated: true, Heard: ago(time.Minute), Trouble: "bad value"},
			{Name: "heron-chiller", Silent: true, Trouble: "no answer"},
		},
	}
	press := Press{Title: "Heron"}
	for i, s := range append(plant.States(), plant.StateNone) {
		st := Station{Name: fmt.Sprintf("heron-%d", i+1), Title: fmt.Sprintf("%d cyan", i+1), State: s, Technology: plant.Technology(i % 4), Since: ago(time.Duration(i*i) * 47 * time.Minute), LitHours: 3117, EnergyKWh: 21873}
		if i%3 == 0 {
			st.Watts, st.Lamp, st.Inferred = p(2180.0), &Fitted{"AL-051", "arc lamp 45 cm", 1624, 1500, 1.08}, true
		}
		press.Stations = append(press.Stations, st)
	}
	press.Stations[0].Since, press.Stations[0].Lamp.Rated = time.Time{}, 0
	n.Presses = []Press{press, {Title: "Otter"}}
	return n, a.err
}

func (a *alder) Measured(context.Context, int) (map[string]float64, error) {
	return map[string]float64{"heron-1-meter": 0.995}, nil
}

func (a *alder) Waiting(context.Context) ([]Held, error) {
	return []Held{{"heron-1-meter/import", noon.Add(-30 * time.Hour), 21800, 99999.5, "kWh"}}, nil
}

func (a *alder) Acts(_ context.Context, before int64, limit int) ([]Act, error) {
	var out []Act
	for i := range limit {
		out = append(out, Act{int64(1000 - i), noon.Add(-time.Duration(i) * time.Hour), "Ann", "done", "window-clean/heron-2", fmt.Sprint("before ", before)})
	}
	return out, nil
}

func (a *alder) Tasks(context.Context) (Tasks, error) {
	day := func(d int) time.Time { return time.Date(2026, 7, d, 0, 0, 0, 0, time.UTC) }
	task := func(rule, subject, title string, s upkeep.Status, due int) Task {
		return Task{Task: upkeep.Task{
			Rule: plant.RuleID(rule), Subject: subject, Title: title, Status: s, Due: day(due), DueP10: day(due - 2), DueP50: day(due), DueP90: day(due + 3), Anchor: noon.AddDate(0, -1, 0),
			Reason: "58 of 60 lit hours", UsedFraction: 0.97, Minutes: 5, Parts: []string{"wipes"}, Cautions: upkeep.Cards([]string{"C1", "C6"}),
		}}
	}
	change := task("lamp-change", "heron-7", "Change the lamp", upkeep.Overdue, 9)
	change.Change, change.Lamp, change.Station, change.Guess, change.DueP90 = true, "HG-2231", "heron-7", true, time.Time{}
	window := task("window-clean", "heron-2", "Clean the window", upkeep.Due, 15)
	window.PostponedUntil, window.OriginalDue = day(15), day(12)
	undated := task("coolant", "heron", "Change the coolant", upkeep.Upcoming, 20)
	undated.Due, undated.DueP10, undated.DueP50, undated.DueP90 = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	later := task("filter", "heron", "Change the filter", upkeep.OK, 30)
	later.DueP10, later.DueP90 = later.DueP50, later.DueP50
	act := func(id int64, kind plant.TaskActKind) plant.TaskAct {
		return plant.TaskAct{ID: id, Kind: kind, Rule: "window-clean", Subject: fmt.Sprint("heron-", id), At: noon.AddDate(0, 0, -2), By: "Ann", Note: "streaks", Reading: "2.1 W/cm²"}
	}
	return Tasks{
		Tasks:  []Task{change, window, undated, later},
		Stops:  []Stop{{From: day(16), To: day(16).Add(2 * time.Hour), Press: "Heron", Minutes: 35, Tasks: []string{"lamp-change/heron-7"}}, {From: day(23), To: day(23).Add(time.Hour)}},
		Recent: []plant.TaskAct{act(3, plant.TaskDone), act(2, plant.TaskSkip), act(1, plant.TaskPostpone)},
	}, nil
}

func (a *alder) Lamps(context.Context, string) (Lamps, error) {
	return Lamps{
		Lamps: []Lamp{
			{Serial: "HG-2231", Kind: "arc lamp 45 cm", Place: "fitted", Station: "7 varnish", Since: noon.AddDate(0, -4, 0), Hours: 1624, Rated: 1500, Used: p(1.08), Remaining: p(412.0), P10: noon, P50: noon.AddDate(0, 0, 3), P90: noon.AddDate(0, 0, 9)},
			{Serial: "AL-051", Kind: "LED head", Place: "fitted", Station: "1 white", Since: noon, Hours: 12, Remaining: p(9120.0), AtLeast: true},
			{Serial: "AL-052", Kind: "LED head", Place: "fitted", Station: "2 cyan"},
			{Serial: "HG-1", Kind: "arc lamp 45 cm", Place: "spent", Since: noon, Hours: 1500, Deadline: noon.AddDate(1, 0, 0)}, {Serial: "AL-9", Place: "spent"}, {Serial: "AL-8", Place: "gone"},
		},
		Stock: []Stock{{Kind: "arc lamp 45 cm", Spares: 1, Fitted: 1, Spent: 1, Need: 3, Weeks: 26, Order: 2, By: noon, LeadDays: 21, Assumed: true}, {Kind: "LED head", Order: 1, By: noon, Late: true}, {Kind: "other"}},
		Held:  spares.Held{Count: 1, MercuryLow: 90, MercuryHigh: 200}, Output: []Picture{drawn("output-1")},
	}, nil
}

func drawn(name string) Picture {
	svg := `<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" viewBox="0 0 640 300" width="100%%" aria-labelledby="%[1]s-t"><title id="%[1]s-t">Output</title><text class="plot-text" x="9" y="20">W/cm²</text></svg>`
	return Picture{
		Title: "Output", Says: "Dirt takes 3 %.", Wide: html(svg, name), Narrow: html(svg, name+"-narrow"), Heads: []string{"h", "W/cm²"}, Rows: [][]string{{"10", "2.10"}},
	}
}

func (a *alder) Energy(context.Context, int) (Energy, error) {
	row := usage.Row{Key: "heron-1", Curing: 5e9, Standby: 1e9, Total: 6e9, AreaM2: 7000, Cost: unit.Money{Currency: "EUR"}}
	r := usage.Report{From: noon, To: noon, Rows: []usage.Row{row, row}, Total: row, Avoidable: []usage.Avoidable{{Kind: usage.LongStandby, Register: "heron-1-meter/import", Energy: 4e8, Hours: 31}}}
	return Energy{r, r, r}, nil
}

func (a *alder) Savings(context.Context, string) ([]Project, error) {
	st := savings.Statement{
		ExpectedKWh: 34310, ActualKWh: 9778, SavedKWh: 24532, SavedFraction: 0.715, HalfWidthKWh: 889, Confidence: 0.9, Shown: true, Days: 69, From: noon.AddDate(0, -2, 0), To: noon,
		Intervals: []savings.Interval{{Confidence: 0.8, HalfWidthKWh: 700, Shown: true}, {Confidence: 0.99, HalfWidthKWh: 30000}},
		Excluded:  []savings.ExcludedDay{{Day: noon, Reason: "more than one technology was lit"}}, OutsideRange: []savings.Outside{{Day: noon, Driver: plant.DriverArea}},
		Cost: unit.Money{Currency: "EUR"},
	}
	for _, q := range []string{"measured", "interpolated", "inferred", "estimated", "unknown"} {
		st.Quality = append(st.Quality, savings.QualityShare{Quality: q, KWh: 10, Fraction: 0.2})
	}
	stated := Project{ID: "heron-led", Title: "Heron: arc to LED", Frozen: true, Statement: st, Plots: []Picture{drawn("fit")}, Adjusted: []plant.Adjustment{{Number: 1, Event: "A chiller was added", Evidence: "its meter", Approver: "Ann", From: noon, To: noon}}}
	weak := stated
	weak.ID, weak.Title, weak.Statement.Shown, weak.Plots, weak.Adjusted = "heron-weak", "Heron: fans", false, nil, nil
	return []Project{
		stated, weak,
		{ID: "otter-led", Title: "Otter", Missing: "no baseline is frozen"}, {ID: "swan-led", Title: "Swan", Missing: "no day yet", Frozen: true},
	}, nil
}

func (a *alder) Download(_ context.Context, out io.Writer, d Document) error {
	if d.Project != "heron-led" {
		return errUnknown
	}
	_, err := fmt.Fprint(out, d.Form, " in ", d.Language)
	return err
}

// record notes an act, or fails as a real one does.
func (a *alder) record(what string, about ...any) (string, error) {
	if strings.Contains(fmt.Sprint(about...), "nowhere") {
		return "", errUnknown
	}
	a.acts = append(a.acts, what+" "+fmt.Sprint(about...))
	return "recorded: " + what, nil
}

func (a *alder) Done(_ context.Context, d plant.Done, seen time.Time) (string, error) {
	if !seen.IsZero() && !seen.Equal(noon.AddDate(0, -1, 0)) {
		return "", errStale
	}
	return a.record("done", d.Rule, d.Subject, d.By, d.Reading)
}

func (a *alder) Skip(_ context.Context, x plant.TaskAct, _ time.Time) (string, error) {
	return a.record("skip", x.Rule, x.Subject, x.By, x.Note)
}

func (a *alder) Postpone(_ context.Context, x plant.TaskAct, _ time.Time) (string, error) {
	return a.record("postpone", x.Rule, x.Subject, x.By, x.Note, x.Until.Format(time.DateOnly))
}

func (a *alder) Undo(_ context.Context, x plant.TaskAct) (string, error) {
	return a.record("undo", x.Rule, x.Subject, x.By, x.Note)
}

func (a *alder) FitLamp(_ context.Context, f plant.Fitting, _ string) (string, error) {
	return a.record("fit", f.Lamp, f.Station, f.By)
}

func (a *alder) RemoveLamp(_ context.Context, f plant.Fitting) (string, error) {
	return a.record("remove", f.Lamp, f.Reason, f.By)
}

func (a *alder) Rule(_ context.Context, r plant.Ruling) (string, error) {
	return a.record("rule", r.Register, r.Verdict, r.By, r.Note, r.At.Format(time.DateTime))
}

func (a *alder) FreezeBaseline(_ context.Context, f plant.Frozen, reason string) (string, error) {
	return a.record("freeze", f.Project, f.Approver, reason)
}

func (a *alder) Adjust(_ context.Context, x plant.Adjustment) (string, error) {
	return a.record("adjust", x.Project, x.Energy.KWh(), x.Approver)
}

func (a *alder) PublishStatement(_ context.Context, x plant.Published) (string, error) {
	return a.record("publish", x.Project, x.Period, x.By)
}

// site builds pages over a plant; whoever asks is the person.
func site(t *testing.T, a *alder, who access.Person) http.Handler {
	t.Helper()
	pages, err := New(options(a, slog.New(slog.DiscardHandler)))
	if err != nil {
		t.Fatal(err)
	}
	return as(who, pages)
}

func as(who access.Person, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(access.With(r.Context(), who)))
	})
}

func options(a *alder, log *slog.Logger) Options {
	return Options{
		Live: a, Upkeep: a, Figures: a, TaskActs: a, LampActs: a, FigureActs: a, Acted: func(context.Context) {},
		Languages: []string{"en", "de"}, Speak: func(l string) (Words, error) { return words.New(l) },
		Fault: func(err error) int {
			switch {
			case errors.Is(err, errUnknown):
				return http.StatusNotFound
			case errors.Is(err, errStale):
				return http.StatusConflict
			default:
				return http.StatusInternalServerError
			}
		},
		Log: log,
	}
}

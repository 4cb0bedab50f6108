package api

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"curetally/internal/core/access"
	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/upkeep"
)

var (
	errNone  = errors.New("there is none")
	errTaken = errors.New("taken already")
	errOdd   = errors.New("not so")
)

// invented answers like a plant of two stations.
type invented struct{}

func (invented) Stations(context.Context) ([]Station, error) {
	watts := 1234.5
	return []Station{
		{Name: "heron-1", Title: "Heron 1", Press: "heron", Technology: "arc", State: "curing", PowerWatts: &watts, LitHours: 12.5, Starts: 3, Lamp: "=A1"},
		{Name: "kite-1", Title: "Kite 1", Press: "kite", Technology: "led", State: "unknown"},
	}, nil
}

func (invented) Meters(context.Context) ([]Meter, error) { return []Meter{{Name: "heron-meter"}}, nil }

func (invented) Findings(context.Context) ([]Finding, error) { return nil, nil }

func (invented) Tasks(context.Context) ([]upkeep.Task, error) {
	return []upkeep.Task{
		{Rule: "shutter-check", Subject: "heron-1", Status: upkeep.Due, Parts: []string{"seal"}, Cautions: []upkeep.Card{{Code: "C1", Text: "hot"}}},
		{Rule: "filter-change", Subject: "heron", Status: upkeep.OK},
	}, nil
}

func (invented) Lamps(context.Context) ([]Lamp, error) {
	return []Lamp{{Serial: "A1", Place: "fitted"}, {Serial: "A2", Place: "spare"}}, nil
}

func (invented) Stock(context.Context) ([]lampledger.StockRow, error) {
	return []lampledger.StockRow{{Kind: "arc-120", Spares: 2}}, nil
}

func (invented) Statement(_ context.Context, project, _ string) (savings.Statement, error) {
	if project != "retrofit" {
		return savings.Statement{}, errNone
	}
	return savings.Statement{Project: "retrofit", SavedKWh: 12}, nil
}

func (invented) Normalised(_ context.Context, project, _ string) (savings.Normalised, error) {
	if project != "retrofit" {
		return savings.Normalised{}, errNone
	}
	return savings.Normalised{Project: "retrofit", SavedKWh: 13}, nil
}

func (invented) Baseline(context.Context, string) (savings.Baseline, error) {
	return savings.Baseline{Version: 1}, nil
}

func (invented) Published(context.Context, string) ([]plant.Published, error) {
	return []plant.Published{{Project: "retrofit", Period: "2026-03", Version: 1, Document: []byte(`{"saved_kwh":12}`)}}, nil
}

func (invented) Adjustments(context.Context, string) ([]plant.Adjustment, error) {
	return []plant.Adjustment{{Project: "retrofit", Number: 1, Energy: 5_000_000}}, nil
}

func (invented) Registers() []plant.Register {
	return []plant.Register{{ID: "heron-meter/import", Quantity: plant.QuantityEnergy}, {ID: "heron-1/lit", Quantity: plant.QuantityTime}}
}

func (invented) Day(t time.Time) time.Time { return t.Truncate(24 * time.Hour) }

// Entries gives two per quarter of an hour over a day and a half, from the first of
// March.
func (invented) Entries(_ context.Context, _ []string, from, to time.Time) iter.Seq2[plant.Entry, error] {
	return func(yield func(plant.Entry, error) bool) {
		first := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		for i := range 144 {
			start := first.Add(time.Duration(i) * 15 * time.Minute)
			if start.Before(from) || !to.IsZero() && !start.Before(to) {
				continue
			}
			for _, st := range []plant.State{plant.StateCuring, plant.StateStandby} {
				if !yield(plant.Entry{Register: "heron-meter/import", Start: start, State: st, Amount: int64(i) + 1}, nil) {
					return
				}
			}
		}
	}
}

func (invented) Audit(_ context.Context, before int64, limit int) ([]Act, error) {
	var out []Act
	for id := int64(5); id >= 1 && len(out) < limit; id-- {
		if before == 0 || id < before {
			out = append(out, Act{ID: id, By: "Ann", Action: "done"})
		}
	}
	return out, nil
}

// acted keeps what acts were given, in words.
type acted struct{ invented }

func (acted) Done(_ context.Context, d plant.Done, seen time.Time) (string, error) {
	if !seen.IsZero() {
		return "", fmt.Errorf("done by Ben, 9 Mar 2026 14:30, meanwhile: %w", errTaken)
	}
	return fmt.Sprint(d.Rule, d.Subject, d.By, d.Reading), nil
}

func (acted) Skip(_ context.Context, a plant.TaskAct, _ time.Time) (string, error) {
	return fmt.Sprint(a.Rule, a.Subject, a.By, a.Note), nil
}

func (acted) Postpone(_ context.Context, a plant.TaskAct, _ time.Time) (string, error) {
	return fmt.Sprint(a.Rule, a.Subject, a.By, a.Note, a.Until.Format(time.DateOnly)), nil
}

func (acted) Undo(_ context.Context, a plant.TaskAct) (string, error) {
	return fmt.Sprint(a.Rule, a.Subject, a.By, a.Note), nil
}

func (acted) FitLamp(_ context.Context, f plant.Fitting, kind string) (string, error) {
	if f.Station == "kite-9" {
		return "", errOdd
	}
	return fmt.Sprint(f.Lamp, f.Station, f.By, kind), nil
}

func (acted) RemoveLamp(_ context.Context, f plant.Fitting) (string, error) {
	return fmt.Sprint(f.Lamp, f.Reason, f.By), nil
}

func (acted) ReceiveLamps(_ context.Context, r plant.Receipt) (string, error) {
	return fmt.Sprint(r.Kind, r.Count, r.Serials, r.By), nil
}

func (acted) DisposeLamps(_ context.Context, serials []plant.LampSerial, kind string, m plant.LampMovement) (string, error) {
	return fmt.Sprint(serials, kind, m.By), nil
}

func (acted) ReadOutput(_ context.Context, r plant.OutputReading) (string, error) {
	return fmt.Sprint(r.Station, r.Irradiance, r.Drive, r.By), nil
}

func (acted) Exchange(_ context.Context, x plant.Exchange, final, first float64) (string, error) {
	return fmt.Sprint(x.Register, final, first, x.By), nil
}

func (acted) Rule(_ context.Context, r plant.Ruling) (string, error) {
	return fmt.Sprint(r.Register, r.Verdict, r.By), nil
}

func (acted) FreezeBaseline(_ context.Context, f plant.Frozen, _ string) (string, error) {
	return fmt.Sprint(f.Project, f.Approver), nil
}

func (acted) Adjust(_ context.Context, x plant.Adjustment) (string, error) {
	return fmt.Sprint(x.Project, x.Energy, x.Approver), nil
}

func (acted) PublishStatement(_ context.Context, p plant.Published) (string, error) {
	return fmt.Sprint(p.Project, p.Period, p.By), nil
}

func fault(err error) Fault {
	switch {
	case errors.Is(err, errNone):
		return Unknown
	case errors.Is(err, errTaken):
		return Conflict
	case errors.Is(err, errOdd):
		return Refused
	default:
		return Internal
	}
}

func options(log *slog.Logger) Options {
	return Options{
		Live: invented{}, Lamps: invented{}, Savings: invented{}, Records: invented{}, Fault: fault, Log: log,
		TaskActs: acted{}, LampActs: acted{}, FigureActs: acted{}, Acted: func(context.Context) {},
	}
}

func build(t *testing.T) *API {
	t.Helper()
	a, err := New(options(slog.New(slog.DiscardHandler)))
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func ask(t *testing.T, h http.Handler, method, path, body string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	return askAs(access.With(t.Context(), access.Anyone()), t, h, request{method, path, body}, header...)
}

// request is what is asked.
type request struct{ method, path, body string }

// askAs asks in a context, which may hold a person.
func askAs(ctx context.Context, t *testing.T, h http.Handler, q request, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	method, path, body := q.method, q.path, q.body
	r := httptest.NewRequestWithContext(ctx, method, path, strings.NewReader(body))
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// places fill the paths of the document.
func places() *strings.Replacer {
	return strings.NewReplacer("{project}", "retrofit", "{period}", "2026-03", "{version}", "1", "{rule}", "shutter-check", "{subject}", "heron-1",
		"{serial}", "A1", "{station}", "heron-1", "{owner}", "heron-meter", "{value}", "import")
}

// Every operation of the document answers as the document says.
func TestDocument_EveryOperationAnswersAsItSays(t *testing.T) {
	a := build(t)
	w := ask(t, a, http.MethodGet, "/api/v1/openapi.json", "")
	var doc struct {
		OpenAPI string         `json:"openapi"`
		Paths   map[string]any `json:"paths"`
	}
	if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(doc.OpenAPI, "3.1") || len(doc.Paths) < 10 {
		t.Fatalf("OpenAPI %q with %d paths", doc.OpenAPI, len(doc.Paths))
	}
	for path, item := range a.huma.OpenAPI().Paths {
		for method, op := range map[string]*huma.Operation{http.MethodGet: item.Get, http.MethodPost: item.Post} {
			if op == nil || op.OperationID == "get-overview" { // package web serves the overview
				continue
			}
			t.Run(op.OperationID, func(t *testing.T) { walk(t, a, method, path, op) })
		}
	}
}

func walk(t *testing.T, a *API, method, path string, op *huma.Operation) {
	body := ""
	if op.RequestBody != nil {
		example, ok := bodies()[op.OperationID]
		if !ok {
			t.Fatalf("the test has no body for operation %s", op.OperationID)
		}
		body = example
	}
	w := ask(t, a, method, Prefix+places().Replace(path), body)
	if w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	said := op.Responses["200"].Content["application/json"]
	var v any
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
		t.Fatal(err)
	}
	var res huma.ValidateResult
	huma.Validate(a.huma.OpenAPI().Components.Schemas, said.Schema, huma.NewPathBuffer(nil, 0), huma.ModeReadFromServer, v, &res)
	if len(res.Errors) > 0 {
		t.Errorf("the answer is not what the document says: %v\n%s", res.Errors, w.Body)
	}
	if _, ok := op.Responses["200"].Content["text/csv"]; !ok {
		return
	}
	w = ask(t, a, method, Prefix+places().Replace(path)+"?format=csv", body)
	if got := w.Header().Get("Content-Type"); !strings.HasPrefix(got, "text/csv") {
		t.Errorf("type %q, want CSV", got)
	}
	if rows, err := csv.NewReader(w.Body).ReadAll(); err != nil || len(rows) == 0 {
		t.Errorf("CSV: %v, %d rows", err, len(rows))
	}
}

// bodies are requests for the operations that take one.
func bodies() map[string]string {
	return map[string]string{
		"mark-done":         `{"by":"Ann","at":"2026-03-09T14:30:00Z","note":"closes well","reading":"0.4 s"}`,
		"skip-task":         `{"by":"Ann","reason":"press stood"}`,
		"postpone-task":     `{"by":"Ann","reason":"seals on order","until":"2026-03-20"}`,
		"undo-task":         `{"by":"Ann","reason":"wrong station"}`,
		"fit-lamp":          `{"by":"Ann","station":"heron-1"}`,
		"remove-lamp":       `{"by":"Ann","reason":"failed"}`,
		"receive-lamps":     `{"by":"Ann","kind":"arc-120","count":2,"serials":["A7"]}`,
		"dispose-lamps":     `{"by":"Ann","serials":["A1"]}`,
		"read-output":       `{"by":"Ann","irradiance_w_cm2":1.2}`,
		"declare-exchange":  `{"by":"Ann","final":1200.5,"first":0}`,
		"rule-on-reading":   `{"by":"Ann","verdict":"accept","reason":"seen on the meter"}`,
		"freeze-baseline":   `{"by":"Ann"}`,
		"add-adjustment":    `{"by":"Ann","from":"2026-03-01","to":"2026-04-01","energy_kwh":-12.5,"event":"second shift","evidence":"shift plan"}`,
		"publish-statement": `{"by":"Ann","period":"2026-03"}`,
	}
}

func TestActs_WhatIsWrongIsRefused(t *testing.T) {
	a := build(t)
	for _, c := range []struct {
		name, path, body string
		status           int
		says             string
	}{
		{"somebody was faster", "/api/v1/tasks/shutter-check/heron-1/done", `{"by":"Ann","seen_anchor":"2026-03-01T00:00:00Z"}`, 409, "done by Ben, 9 Mar 2026 14:30"},
		{"nobody did it", "/api/v1/tasks/shutter-check/heron-1/done", `{}`, 422, "by"},
		{"misspelt key", "/api/v1/tasks/shutter-check/heron-1/done", `{"by":"Ann","nite":"x"}`, 422, "nite"},
		{"no JSON", "/api/v1/tasks/shutter-check/heron-1/done", `by=Ann`, 400, ""},
		{"reason that is none", "/api/v1/lamps/A1/remove", `{"by":"Ann","reason":"bored"}`, 422, "reason"},
		{"contradicts the plant", "/api/v1/lamps/A1/fit", `{"by":"Ann","station":"kite-9"}`, 422, "not so"},
		{"no day", "/api/v1/tasks/shutter-check/heron-1/postpone", `{"by":"Ann","reason":"x","until":"soon"}`, 422, "until"},
		{"oversized", "/api/v1/tasks/shutter-check/heron-1/done", `{"by":"Ann","note":"` + strings.Repeat("x", maxBody) + `"}`, 413, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := ask(t, a, http.MethodPost, c.path, c.body)
			if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) || w.Header().Get("Content-Type") != "application/problem+json" {
				t.Errorf("status %d, type %q: %s; want %d with %q", w.Code, w.Header().Get("Content-Type"), w.Body, c.status, c.says)
			}
		})
	}
	if w := ask(t, a, http.MethodPost, "/api/v1/stations/heron-1/output", bodies()["read-output"]); !strings.Contains(w.Body.String(), "heron-1 1.2 1 Ann") &&
		!strings.Contains(w.Body.String(), "heron-11.2 1Ann") {
		t.Errorf("a reading without a drive is not one at full power: %s", w.Body)
	}
}

func TestTable_PagesHoldEverythingOnce(t *testing.T) {
	a := build(t)
	for _, interval := range []string{"stored", "hour", "day"} {
		want := entriesOf(t, a, "/api/v1/entries?interval="+interval)
		for _, limit := range []string{"1", "3", "50", "288"} {
			if got := entriesOf(t, a, "/api/v1/entries?interval="+interval+"&limit="+limit); !slices.Equal(got, want) {
				t.Errorf("%s in pages of %s: %d entries, want %d", interval, limit, len(got), len(want))
			}
		}
		sum := int64(0)
		for _, e := range want {
			sum += e.Amount
		}
		if sum != 2*144*145/2 {
			t.Errorf("%s: sum %d, want %d", interval, sum, 144*145)
		}
	}
	if got := entriesOf(t, a, "/api/v1/entries?interval=day&limit=1&from=2026-03-01T12:00:00Z&to=2026-03-02T00:00:00Z"); len(got) != 2 || got[0].Amount != (144*0+49+96)*48/2 {
		t.Errorf("half a day: %+v", got)
	}
}

// entriesOf follows next to the end.
func entriesOf(t *testing.T, a *API, path string) []Entry {
	t.Helper()
	var all []Entry
	after := ""
	for range 1000 {
		w := ask(t, a, http.MethodGet, path+after, "")
		var page Table[Entry]
		if err := json.Unmarshal(w.Body.Bytes(), &page); err != nil || w.Code != http.StatusOK {
			t.Fatalf("status %d, %v: %s", w.Code, err, w.Body)
		}
		all = append(all, page.Items...)
		if page.Next == "" {
			return all
		}
		if !strings.Contains(w.Header().Get("Link"), page.Next) {
			t.Errorf("Link %q does not name %q", w.Header().Get("Link"), page.Next)
		}
		after = "&after=" + page.Next
	}
	t.Fatal("the pages do not end")
	return nil
}

func TestTag_AnswersAreSentOnce(t *testing.T) {
	a := build(t)
	first := ask(t, a, http.MethodGet, "/api/v1/stations", "")
	tag := first.Header().Get("ETag")
	again := ask(t, a, http.MethodGet, "/api/v1/stations", "", "If-None-Match", `"other", W/`+tag)
	if tag == "" || again.Code != http.StatusNotModified || again.Body.Len() != 0 {
		t.Errorf("tag %q: status %d with %d bytes, want 304 with none", tag, again.Code, again.Body.Len())
	}
	asCSV := ask(t, a, http.MethodGet, "/api/v1/stations", "", "Accept", "text/csv", "If-None-Match", tag)
	if asCSV.Code != http.StatusOK || asCSV.Header().Get("ETag") == tag {
		t.Errorf("the CSV of a table has the tag of its JSON: status %d", asCSV.Code)
	}
	if !strings.Contains(asCSV.Body.String(), "'=A1") {
		t.Errorf("a serial that begins like a formula is not made harmless:\n%s", asCSV.Body)
	}
}

func TestProblems(t *testing.T) {
	a := build(t)
	for _, c := range []struct {
		name, path, body string
		status           int
		says             string
	}{
		{"nothing there", "/api/v1/nothing", "", 404, "openapi.json"},
		{"unknown project", "/api/v1/savings/other", "", 404, "there is none"},
		{"unknown register", "/api/v1/entries?register=x/y", "", 404, "/api/v1/registers"},
		{"no period", "/api/v1/savings/retrofit?period=march", "", 422, "pattern"},
		{"not the next of an answer", "/api/v1/entries?after=x", "", 400, "after"},
		{"negative page", "/api/v1/stations?after=-1", "", 400, "after"},
		{"too large a page", "/api/v1/stations?limit=100000", "", 422, "limit"},
		{"misspelt parameter", "/api/v1/stations?pres=heron", "", 422, "pres"},
		{"not published", "/api/v1/savings/retrofit/published/2026-03/9", "", 404, "published"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := ask(t, a, http.MethodGet, c.path, c.body)
			var p huma.ErrorModel
			if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil {
				t.Fatal(err)
			}
			if w.Code != c.status || p.Status != c.status || !strings.Contains(w.Body.String(), c.says) {
				t.Errorf("status %d: %s; want %d with %q", w.Code, w.Body, c.status, c.says)
			}
			if got := w.Header().Get("Content-Type"); got != "application/problem+json" {
				t.Errorf("type %q", got)
			}
		})
	}
}

// broken fails with words that nobody outside should read.
type broken struct{ invented }

func (broken) Meters(context.Context) ([]Meter, error) {
	return nil, errors.New("password of the database is swordfish")
}

func TestInternalErrorsStayInside(t *testing.T) {
	var log bytes.Buffer
	o := options(slog.New(slog.NewTextHandler(&log, nil)))
	o.Live = broken{}
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		w := ask(t, a, http.MethodGet, "/api/v1/meters", "")
		if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "swordfish") {
			t.Errorf("status %d: %s", w.Code, w.Body)
		}
	}
	if n := strings.Count(log.String(), "swordfish"); n != 1 {
		t.Errorf("%d lines of log, want 1:\n%s", n, &log)
	}
}

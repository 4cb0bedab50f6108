package faces_test

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"curetally/internal/app/deeds"
	"curetally/internal/app/faces"
	"curetally/internal/core/access"
	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/store"
	"curetally/internal/work/api"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/plan"
	"curetally/internal/work/web"
)

type noPages struct{}

func (noPages) Overview(context.Context) (web.Overview, error) { return web.Overview{}, nil }

// heron is a press of two arc stations with a project that has no days yet.
func heron() *plant.Plant {
	arc := []plant.TechnologyFrom{{Technology: plant.TechnologyArc}}
	return &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: time.UTC, Interval: 15 * time.Minute,
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{
			{ID: "heron-1", Press: "heron", Technology: arc}, {ID: "heron-2", Press: "heron", Technology: arc},
		}}},
		Buses:     []plant.Bus{{ID: "hall", Meters: []plant.Meter{{ID: "m", Bus: "hall"}}}},
		LampKinds: []plant.LampKind{{Name: "arc", Technology: plant.TechnologyArc, RatedHours: 1500}},
		Rules:     []plant.TaskRule{{ID: "shutter-check", Title: "Check the shutter", Scope: plant.PerStation, Days: 30, Lead: 7}},
		Registers: []plant.Register{
			{ID: "m/import", Quantity: plant.QuantityEnergy, Rules: plant.Rules{Modulus: 1 << 40}},
			{ID: "heron-1/lit", Quantity: plant.QuantityTime, Station: "heron-1", Curve: plant.FromTimeline},
			{ID: "heron-1/time", Quantity: plant.QuantityTime, Station: "heron-1", Curve: plant.FromTimeline},
			{ID: "heron-1/starts", Quantity: plant.QuantityCount, Station: "heron-1", Curve: plant.FromTimeline},
			{ID: "heron-2/lit", Quantity: plant.QuantityTime, Station: "heron-2", Curve: plant.FromTimeline},
			{ID: "heron-2/time", Quantity: plant.QuantityTime, Station: "heron-2", Curve: plant.FromTimeline},
			{ID: "heron-2/starts", Quantity: plant.QuantityCount, Station: "heron-2", Curve: plant.FromTimeline},
		},
		Projects: []plant.Project{{
			ID: "heron-led", Press: "heron", Boundary: []plant.RegisterID{"m/import"}, Confidence: 0.9,
			Baseline:  plant.Selection{From: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), To: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)},
			Reporting: plant.Selection{From: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)},
		}},
	}
}

// Acts by HTTP reach the records of a real store, and what cannot be recorded is
// answered as the person's to put right, with what to do; none of it is a fault of
// the program.
func TestActsReachTheRecords(t *testing.T) {
	p := heron()
	db, err := store.Open(t.Context(), pgtest.New(t), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := db.Sync(t.Context(), p); err != nil {
		t.Fatal(err)
	}
	face := faces.Face{Plant: p, Store: db, Pages: noPages{}, Outlook: func() *plan.Outlook { return nil }, Book: func() *lampbook.Kept { return nil }}
	acts := faces.Acts{Book: deeds.Book{Plant: p, Store: db, Settle: func(context.Context) error { return nil }, Software: "test"}}
	shown := 0
	h, err := api.New(api.Options{
		Live: face, Lamps: face, Savings: face, Records: face, TaskActs: acts, LampActs: acts, FigureActs: acts,
		Acted: func(context.Context) { shown++ }, Fault: faces.Fault, Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	asked := access.With(t.Context(), access.Anyone())
	soon := time.Now().Add(48 * time.Hour).UTC().Format(time.RFC3339)
	recorded := 0
	for _, c := range []struct {
		path, body string
		status     int
		says       string
	}{
		{"/tasks/shutter-check/heron-1/done", `{"by":"Ann"}`, 200, "shutter-check/heron-1 done"},
		{"/tasks/shutter-check/heron-1/done", `{"by":"Ben","seen_anchor":"2026-01-01T00:00:00Z"}`, 409, "by Ann"},
		{"/tasks/shutter-check/heron-9/done", `{"by":"Ben"}`, 404, "did you mean shutter-check/heron-"},
		{"/tasks/shutter-check/heron-1/done", `{"by":" "}`, 422, "name of the person"},
		{"/tasks/shutter-check/heron-1/done", `{"by":"Ben","at":"` + soon + `"}`, 422, "lies in the future"},
		{"/tasks/shutter-check/heron-1/undo", `{"by":"Ann","reason":"wrong station"}`, 200, "taken back"},
		{"/tasks/shutter-check/heron-1/undo", `{"by":"Ann","reason":"again"}`, 422, "nothing is on record"},
		{"/lamps/L-1/fit", `{"by":"Ann","station":"heron-1"}`, 200, "in heron-1"},
		{"/lamps/L-1/fit", `{"by":"Ann","station":"heron-2"}`, 409, "heron-1"},
		{"/registers/m/import/exchange", `{"by":"Ann","final":-1,"first":0}`, 422, "final"},
		{"/savings/heron-led/baseline", `{"by":"Ann"}`, 422, "expected at least"},
		{"/savings/heron-led/published", `{"by":"Ann","period":"2026-03"}`, 422, "no frozen baseline"},
		{"/savings/heron-led/published", `{"by":"Ann","period":"2099-01"}`, 422, "is not over"},
	} {
		r := httptest.NewRequestWithContext(asked, http.MethodPost, api.Prefix+c.path, strings.NewReader(c.body))
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s %s: %d %s, want %d with %q", c.path, c.body, w.Code, w.Body, c.status, c.says)
		}
		if c.status == http.StatusOK {
			recorded++
		}
	}
	if shown != recorded {
		t.Errorf("%d acts are on record, what is shown followed %d times", recorded, shown)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(asked, http.MethodGet, api.Prefix+"/audit", nil))
	var log struct{ Items []struct{ By, Action string } }
	body, err := io.ReadAll(w.Body)
	if err == nil {
		err = json.Unmarshal(body, &log)
	}
	if err != nil || len(log.Items) != recorded {
		t.Fatalf("log of acts: %v, %s; want %d rows", err, body, recorded)
	}
	for _, row := range log.Items {
		if row.By != "Ann" || row.Action == "" {
			t.Errorf("row %+v, want one of Ann", row)
		}
	}
}

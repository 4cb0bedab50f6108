package app

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/store"
	"curetally/internal/sim"
	"curetally/internal/sim/plantfile"
)

// demoStore opens an empty database for the plant of the demo.
func demoStore(t *testing.T) (*demo, *store.DB) {
	t.Helper()
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		t.Fatal(err)
	}
	w, err := sim.New(sim.Defaults(time.Date(2026, 11, 25, 1, 0, 0, 0, time.UTC), zone))
	if err != nil {
		t.Fatal(err)
	}
	text, err := plantfile.Text(w, plantfile.Addresses{
		MeterTCP: "tcp://127.0.0.1:1502", MeterRTU: "rtuovertcp://127.0.0.1:1503", Broker: "mqtt://127.0.0.1:1883", DatabaseURL: pgtest.New(t),
	})
	if err != nil {
		t.Fatal(err)
	}
	c, err := config.Parse("demo.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	db, end, err := OpenStore(t.Context(), c, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := end(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return &demo{world: w, o: DemoOptions{Progress: func(string) {}}}, db
}

// A demo that was ended while it took its history in goes on at the next start.
func TestDemo_ActsAreRecordedOnce(t *testing.T) {
	d, db := demoStore(t)
	recorded := func() []plant.Fitting {
		t.Helper()
		if err := d.acts(t.Context(), db); err != nil {
			t.Fatal(err)
		}
		all, err := db.AllFittings(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	first, log := recorded(), acts(t, db)
	if len(first) < 2*sim.Stations || log <= len(first) {
		t.Fatalf("%d fittings and %d acts, expected some for each of %d stations", len(first), log, sim.Stations)
	}
	if again := recorded(); !slices.Equal(first, again) || acts(t, db) != log {
		t.Errorf("a second run changed fittings or acts (%d, then %d)", log, acts(t, db))
	}
}

// What a visitor recorded on the demo wins over what its people would have done.
func TestDemo_ActsYieldToTheVisitor(t *testing.T) {
	d, db := demoStore(t)
	var said []string
	d.o.Progress = func(s string) { said = append(said, s) }
	first := d.world.Lamps()[0]
	visitor := plant.Fitting{Lamp: "V-1", Station: first.Station, From: first.At.Add(-time.Hour), By: "visitor"}
	if err := db.FitLamp(t.Context(), visitor, first.Lamp.Kind); err != nil {
		t.Fatal(err)
	}
	if err := d.acts(t.Context(), db); err != nil {
		t.Fatal(err)
	}
	if len(said) == 0 || !strings.Contains(said[0], "left out") || !strings.Contains(said[0], string(first.Lamp.Serial)) {
		t.Errorf("said %q, expected that lamp %s was left out", said, first.Lamp.Serial)
	}
	there, err := db.Fittings(t.Context(), first.Station)
	if err != nil {
		t.Fatal(err)
	}
	if len(there) != 1 || there[0].Lamp != "V-1" {
		t.Errorf("station %s holds %v, expected the visitor's lamp alone", first.Station, there)
	}
}

// acts counts the rows of the audit table.
func acts(t *testing.T, db *store.DB) int {
	t.Helper()
	rows, err := db.AuditLog(t.Context(), 10_000)
	if err != nil {
		t.Fatal(err)
	}
	return len(rows)
}

package app

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/invariant"
	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/store"
)

// What the self-check reads of a real store: sound records agree with themselves,
// and an entry that no facts give is found.
func TestSelfcheck_FindsAnEntryThatNoFactsGive(t *testing.T) {
	p := &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: time.UTC, Interval: 15 * time.Minute,
		Buses:     []plant.Bus{{ID: "hall", Meters: []plant.Meter{{ID: "m", Bus: "hall"}}}},
		Registers: []plant.Register{{ID: "m/import", Quantity: plant.QuantityEnergy, Rules: plant.Rules{Modulus: 1 << 40, MaxPerHour: 12_000_000, MaxGap: time.Hour}}},
	}
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
	start := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	var f plant.Facts
	for n := range 100 {
		f.Readings = append(f.Readings, plant.Reading{Register: "m/import", At: start.Add(time.Duration(n) * 5 * time.Minute), Value: int64(n) * 300_000})
	}
	if err := db.Apply(t.Context(), "5b1f1c70-0000-4000-8000-000000000001", []plant.Batch{{Sequence: 1, Facts: f}}); err != nil {
		t.Fatal(err)
	}
	if err := Settle(t.Context(), p, db, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	records := kept{db, p}
	check := func() []invariant.Violation {
		built, stored, err := records.Rebuilt(t.Context(), p.Registers[0], start, start.Add(4*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		if len(built) == 0 {
			t.Fatal("nothing was rebuilt")
		}
		return append(invariant.Entries("m/import", built, stored), invariant.Intervals(p.Registers[0], stored, p.Interval, start, start.Add(8*time.Hour), true)...)
	}
	if v := check(); len(v) != 0 {
		t.Errorf("sound records: %v", v)
	}
	at := start.Add(time.Hour)
	wrong := plant.Entry{Register: "m/import", Start: at, Amount: 4_000_000, Quality: plant.QualityMeasured}
	if err := db.Replace(t.Context(), nil, []plant.Settlement{{Register: "m/import", From: at, To: at.Add(p.Interval), Entries: []plant.Entry{wrong}}}); err != nil {
		t.Fatal(err)
	}
	v := check()
	if len(v) != 3 || v[0].Invariant != invariant.Conservation || v[1].Invariant != invariant.Rebuild || v[2].Invariant != invariant.Plausibility {
		t.Fatalf("violations %v", v)
	}
	for _, one := range v[1:] {
		if !strings.Contains(one.Key+one.Text, at.Format(time.RFC3339)) {
			t.Errorf("%+v does not say when", one)
		}
	}
	if altered, err := records.Altered(t.Context()); err != nil || len(altered) != 0 {
		t.Errorf("altered: %v, %v", altered, err)
	}
}

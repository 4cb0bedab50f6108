package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
)

const (
	spoolA = "8f2b0c2e-52a5-4f0e-9a53-0d8f6a2f6a01"
	spoolB = "8f2b0c2e-52a5-4f0e-9a53-0d8f6a2f6a02"

	meter  plant.RegisterID = "heron-1-meter/import"
	chill  plant.RegisterID = "chiller/import"
	lit    plant.RegisterID = "heron-1/lit"
	starts plant.RegisterID = "heron-1/starts"
)

var morning = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func at(minutes float64) time.Time {
	return morning.Add(time.Duration(minutes * float64(time.Minute)))
}

func alderLane(t testing.TB, zone string) *plant.Plant {
	t.Helper()
	z, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	return &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: z, Interval: 15 * time.Minute,
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1", Press: "heron"}, {ID: "heron-2", Press: "heron"}}}},
		Registers: []plant.Register{
			{ID: meter, Quantity: plant.QuantityEnergy, Station: "heron-1"},
			{ID: chill, Quantity: plant.QuantityEnergy},
			{ID: lit, Quantity: plant.QuantityTime, Station: "heron-1", Curve: plant.FromEvents},
			{ID: starts, Quantity: plant.QuantityCount, Station: "heron-1", Curve: plant.FromEvents},
		},
	}
}

// open gives a migrated store of the site on a database of its own.
func open(t testing.TB) *DB {
	t.Helper()
	return openAt(t, pgtest.New(t), alderLane(t, "Europe/London"), slog.New(slog.DiscardHandler))
}

func openAt(t testing.TB, url string, p *plant.Plant, log *slog.Logger) *DB {
	t.Helper()
	db, err := Open(t.Context(), url, Options{Log: log})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	must(t, db.Migrate(t.Context()))
	must(t, db.Sync(t.Context(), p))
	return db
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// get unwraps what a query gives: get(db.Lamps(ctx))(t).
func get[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		must(t, err)
		return v
	}
}

func same[T any](t testing.TB, what string, got, want T) {
	t.Helper()
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("%s (- expected, + got):\n%s", what, d)
	}
}

func count(t testing.TB, db *DB, sql string) (n int64) {
	t.Helper()
	must(t, db.pool.QueryRow(t.Context(), sql).Scan(&n))
	return n
}

func batch(seq uint64, f plant.Facts) plant.Batch { return plant.Batch{Sequence: seq, Facts: f} }

func reading(reg plant.RegisterID, minutes float64, value int64) plant.Reading {
	return plant.Reading{Register: reg, At: at(minutes), Value: value}
}

func event(minutes float64, seq int64, s plant.State) plant.StationEvent {
	return plant.StationEvent{Station: "heron-1", At: at(minutes), Arrived: at(minutes).Add(600 * time.Millisecond), State: s, Technology: plant.TechnologyArc,
		Boot: "b1", Sequence: seq, LitMillis: seq * 1000, Starts: -1}
}

func TestMigrate_TwoAtOnce(t *testing.T) {
	url := pgtest.New(t)
	var wg sync.WaitGroup
	errs := make([]error, 2)
	var dbs []*DB
	for i := range errs {
		db := get(Open(t.Context(), url, Options{}))(t)
		t.Cleanup(db.Close)
		dbs = append(dbs, db)
		wg.Go(func() { errs[i] = db.Migrate(context.Background()) })
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	same(t, "pending", get(dbs[0].Pending(t.Context()))(t), 0)
	if v := get(dbs[0].Version(t.Context()))(t); v < 1 {
		t.Errorf("version is %d after migration", v)
	}
}

func TestMigrate_RefusesNewerDatabase(t *testing.T) {
	db := open(t)
	if _, err := db.pool.Exec(t.Context(), "INSERT INTO schema_version (version_id, is_applied) VALUES (9999, true)"); err != nil {
		t.Fatal(err)
	}
	if err := db.Migrate(t.Context()); !errors.Is(err, ErrNewer) {
		t.Errorf("Migrate: %v, expected ErrNewer", err)
	}
	if _, err := db.Pending(t.Context()); !errors.Is(err, ErrNewer) {
		t.Errorf("Pending: %v, expected ErrNewer", err)
	}
}

func TestOpen_SaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct{ name, url, want string }{
		{"no URL", "postgres://%zz", "postgres://user@host/name"},
		{"nobody there", "postgres:///x?host=" + t.TempDir(), "does not answer"},
	} {
		if _, err := Open(t.Context(), c.url, Options{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, expected %q", c.name, err, c.want)
		}
	}
}

func TestSync_KeepsIdsAndRefusesOtherQuantity(t *testing.T) {
	url := pgtest.New(t)
	p := alderLane(t, "Europe/London")
	db := openAt(t, url, p, nil)
	if _, err := get(Open(t.Context(), url, Options{}))(t).Watermark(t.Context(), spoolA); !errors.Is(err, ErrNoSite) {
		t.Errorf("before Sync: %v, expected ErrNoSite", err)
	}
	before := *db.site.Load()
	p.Registers = append([]plant.Register{{ID: "heron-2-meter/import", Quantity: plant.QuantityEnergy, Station: "heron-2"}}, p.Registers[1:]...)
	must(t, db.Sync(t.Context(), p))
	after := *db.site.Load()
	for name, id := range before.registers {
		if after.registers[name] != id {
			t.Errorf("register %s had id %d, now %d", name, id, after.registers[name])
		}
	}
	same(t, "registers", len(after.registers), len(before.registers)+1)

	p.Registers[0].Quantity = plant.QuantityArea
	if err := db.Sync(t.Context(), p); err == nil || !strings.Contains(err.Error(), "another name") {
		t.Errorf("Sync with another quantity: %v", err)
	}
	p.Registers[0].Quantity = plant.QuantityEnergy
	p.TimeZone = time.Local
	if err := db.Sync(t.Context(), p); err == nil || !strings.Contains(err.Error(), "time zone") {
		t.Errorf("Sync in an unnamed zone: %v", err)
	}
}

func TestSync_SitesAtOnceAreApart(t *testing.T) {
	url := pgtest.New(t)
	openAt(t, url, alderLane(t, "Europe/London"), nil)
	var wg sync.WaitGroup
	dbs, errs := make([]*DB, 5), make([]error, 5)
	for i := range dbs {
		dbs[i] = get(Open(t.Context(), url, Options{MaxConns: 2}))(t)
		t.Cleanup(dbs[i].Close)
		p := alderLane(t, "Asia/Kathmandu")
		p.Name = fmt.Sprintf("site %d", i)
		wg.Go(func() { errs[i] = dbs[i].Sync(context.Background(), p) })
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	seen := map[int16]bool{}
	for _, db := range dbs {
		seen[db.site.Load().id] = true
	}
	same(t, "site ids", len(seen), 5)
	for i, db := range dbs {
		must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, plant.Facts{Readings: []plant.Reading{reading(meter, 0, int64(i))}})}))
		same(t, "watermark", get(db.Watermark(t.Context(), spoolA))(t), 1)
	}
	for i, db := range dbs {
		same(t, "readings", get(db.LatestReadings(t.Context()))(t), []plant.Reading{reading(meter, 0, int64(i))})
	}
}

func TestSync_MarksWhatIsSettledOtherwise(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	must(t, db.Apply(ctx, spoolA, []plant.Batch{batch(1, plant.Facts{
		Readings: []plant.Reading{reading(meter, 20, 1), reading(meter, 90, 2), reading(chill, 20, 1)}, Events: []plant.StationEvent{event(130, 1, plant.StateOff)},
	})}))
	sync := func(change func(p *plant.Plant)) []plant.Mark {
		t.Helper()
		must(t, db.Replace(ctx, get(db.Unsettled(ctx, 1000))(t), nil))
		p := alderLane(t, "Europe/London")
		change(p)
		must(t, db.Sync(ctx, p))
		marks := get(db.Unsettled(ctx, 1000))(t)
		for i := range marks {
			marks[i].IDs = nil
		}
		return marks
	}
	ofStation := []plant.Mark{
		{Register: meter, From: at(0), To: at(130)}, {Register: lit, From: at(120), To: at(130)}, {Register: starts, From: at(120), To: at(130)},
	}
	same(t, "nothing changed", sync(func(*plant.Plant) {}), nil)
	same(t, "another interval", sync(func(p *plant.Plant) { p.Interval = 5 * time.Minute }),
		append([]plant.Mark{{Register: chill, From: at(0), To: at(20)}}, ofStation...))
	same(t, "back again", len(sync(func(*plant.Plant) {})), 4)
	same(t, "another silence", sync(func(p *plant.Plant) { p.Presses[0].Stations[0].Silence = time.Minute }), ofStation)
	same(t, "a register gone", len(sync(func(p *plant.Plant) { p.Registers = p.Registers[:1] })), 1)
	same(t, "and back", len(sync(func(*plant.Plant) {})), 3)
	same(t, "same again", sync(func(*plant.Plant) {}), nil)
}

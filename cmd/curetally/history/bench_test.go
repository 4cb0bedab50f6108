package history

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
	"curetally/internal/link/sheet"
	"curetally/internal/link/store"
	"curetally/internal/work/intake"
	"curetally/internal/work/settle"
)

// list gives the files beside a path with what they hold.
func list(t *testing.T, path string) map[string]string {
	t.Helper()
	all, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		t.Fatal(err)
	}
	held := map[string]string{}
	for _, f := range all {
		text, err := os.ReadFile(filepath.Join(filepath.Dir(path), f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		held[f.Name()] = string(text)
	}
	return held
}

// BenchmarkImport measures the import of a file, both readings of it and all that
// is checked, against the plain COPY of the same rows from memory into a table of
// the same shape, with every commit on disk. It reports rows per second of both,
// their ratio, and rows per second of the import with the settling of what it
// brought in.
func BenchmarkImport(b *testing.B) {
	const registers, instants = 100, 3000
	ctx := context.Background()
	p := aPlant(b)
	for i := range registers {
		p.Registers = append(p.Registers, plant.Register{ID: plant.RegisterID(fmt.Sprintf("m%d/import", i)), Quantity: plant.QuantityEnergy, Rules: plant.Rules{MaxPerHour: 1e12, MaxGap: time.Hour}})
	}
	url := pgtest.NewDurable(b)
	db, err := store.Open(ctx, url, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close(ctx)
	exec := func(sql string) {
		b.Helper()
		if _, err := conn.Exec(ctx, sql); err != nil {
			b.Fatal(err)
		}
	}
	if err := db.Migrate(ctx); err != nil {
		b.Fatal(err)
	}
	if err := db.Sync(ctx, p); err != nil {
		b.Fatal(err)
	}
	exec("CREATE TABLE plain (LIKE reading INCLUDING ALL) PARTITION BY RANGE (at)")
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for m := range 3 {
		exec(fmt.Sprintf("CREATE TABLE plain_%d PARTITION OF plain FOR VALUES FROM ('%s+00') TO ('%s+00')", m,
			begin.AddDate(0, m, 0).Format(time.DateTime), begin.AddDate(0, m+1, 0).Format(time.DateTime)))
	}

	path := filepath.Join(b.TempDir(), "readings.csv")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "time,register,value")
	var rows [][]any
	for i := range instants {
		at := begin.Add(time.Duration(i) * 15 * time.Minute)
		for r := range registers {
			value := int64(i)*1_234_567 + int64(r)
			fmt.Fprintf(w, "%s,m%d/import,%s\n", at.In(p.TimeZone).Format("2006-01-02 15:04:05"), r, sheet.Decimal(value, 1_000_000))
			rows = append(rows, []any{int16(1), int32(r), at, value, (*int64)(nil)})
		}
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
	form, err := readingForm(p, "", "kWh")
	if err != nil {
		b.Fatal(err)
	}
	settler := settle.New(settle.Options{Plant: p, Store: db, Log: slog.New(slog.DiscardHandler), Rand: rand.New(rand.NewPCG(1, 1))})
	var imported, settled, copied time.Duration
	for b.Loop() {
		exec("TRUNCATE reading, unsettled, entry, spool_cursor, plain")
		began := time.Now()
		if _, err := conn.CopyFrom(ctx, pgx.Identifier{"plain"}, []string{"site", "register", "at", "value", "modulus"}, pgx.CopyFromRows(rows)); err != nil {
			b.Fatal(err)
		}
		copied += time.Since(began)
		began = time.Now()
		report, err := intake.Take(ctx, intake.Options{
			Source: &file{path: path, form: form, now: now.AddDate(1, 0, 0), format: sheet.Format{Zone: p.TimeZone}},
			Store:  db, Name: path, Show: shown(p), Settle: func(context.Context) error { return nil }, Now: now,
		})
		if err != nil || report.Taken != int64(len(rows)) {
			b.Fatalf("%+v, %v", report, err)
		}
		imported += time.Since(began)
		began = time.Now()
		for {
			marks, err := settler.Round(ctx)
			if err != nil {
				b.Fatal(err)
			}
			if marks == 0 {
				break
			}
		}
		settled += time.Since(began)
	}
	n := float64(len(rows)) * float64(b.N)
	b.ReportMetric(n/imported.Seconds(), "rows/s")
	b.ReportMetric(n/copied.Seconds(), "copy-rows/s")
	b.ReportMetric(copied.Seconds()/imported.Seconds(), "ratio")
	b.ReportMetric(n/(imported+settled).Seconds(), "settled-rows/s")
}

package store

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
)

// BenchmarkApply measures Apply against the plain COPY of the same rows into a
// table of the same shape, in turns, with every commit on disk. It reports rows
// per second of both and their ratio.
func BenchmarkApply(b *testing.B) {
	const registers, instants, perBatch = 100, 1000, 50
	p := alderLane(b, "Europe/London")
	for i := range registers {
		p.Registers = append(p.Registers, plant.Register{ID: plant.RegisterID(fmt.Sprintf("m%d/import", i)), Quantity: plant.QuantityEnergy})
	}
	db := openAt(b, pgtest.NewDurable(b), p, nil)
	ctx := context.Background()
	exec := func(sql string) {
		b.Helper()
		if _, err := db.pool.Exec(ctx, sql); err != nil {
			b.Fatal(err)
		}
	}
	exec("CREATE TABLE plain (LIKE reading INCLUDING ALL) PARTITION BY RANGE (at)")
	exec("CREATE TABLE plain_2026_03 PARTITION OF plain FOR VALUES FROM ('2026-03-01 00:00:00+00') TO ('2026-04-01 00:00:00+00')")

	var batches []plant.Batch
	var rows [][]any
	s := db.site.Load()
	for i := range instants {
		if i%perBatch == 0 {
			batches = append(batches, plant.Batch{Sequence: uint64(len(batches) + 1)})
		}
		last := &batches[len(batches)-1].Facts
		for r := range registers {
			reg := plant.RegisterID(fmt.Sprintf("m%d/import", r))
			last.Readings = append(last.Readings, plant.Reading{Register: reg, At: at(float64(i)), Value: int64(i)})
			rows = append(rows, []any{s.id, s.registers[reg], at(float64(i)), int64(i), (*int64)(nil)})
		}
	}
	var applied, copied time.Duration
	for round := 0; b.Loop(); round++ {
		exec("TRUNCATE reading, unsettled, plain")
		began := time.Now()
		if _, err := db.pool.CopyFrom(ctx, pgx.Identifier{"plain"}, []string{"site", "register", "at", "value", "modulus"}, pgx.CopyFromRows(rows)); err != nil {
			b.Fatal(err)
		}
		copied += time.Since(began)
		began = time.Now()
		spool := fmt.Sprintf("00000000-0000-0000-0000-%012d", round)
		for i := range batches {
			if err := db.Apply(ctx, spool, batches[i:i+1]); err != nil {
				b.Fatal(err)
			}
		}
		applied += time.Since(began)
	}
	n := float64(len(rows)) * float64(b.N)
	b.ReportMetric(n/applied.Seconds(), "rows/s")
	b.ReportMetric(n/copied.Seconds(), "copy-rows/s")
	b.ReportMetric(copied.Seconds()/applied.Seconds(), "ratio")
}

// BenchmarkReplace measures the replacement of 50 000 entries at once.
func BenchmarkReplace(b *testing.B) {
	db := openAt(b, pgtest.NewDurable(b), alderLane(b, "Europe/London"), nil)
	amounts := make([]int64, 25_000)
	s := []plant.Settlement{settlement(meter, morning, amounts...), settlement(chill, morning, amounts...)}
	for b.Loop() {
		if err := db.Replace(context.Background(), nil, s); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(50_000*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

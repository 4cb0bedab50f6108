package store

import (
	"context"
	"fmt"
	"time"
)

// Instants outside these are refused: they come from clocks that were never
// set, and each would make a partition of its own.
var (
	firstInstant = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	lastInstant  = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

func plausible(t time.Time) bool { return !t.Before(firstInstant) && t.Before(lastInstant) }

// partition is one month of a partitioned table.
type partition struct {
	table string
	month time.Time // its first instant, UTC
}

func partitionOf(table string, at time.Time) partition {
	y, m, _ := at.UTC().Date()
	return partition{table, time.Date(y, m, 1, 0, 0, 0, 0, time.UTC)}
}

func (p partition) name() string { return p.table + p.month.Format("_2006_01") }

// ensurePartitions makes the partitions that do not exist yet, each in a
// transaction of its own, before the facts are written: making one locks the
// table, and a transaction that already writes into it would have to raise its
// lock. Two programs may do this at once.
func (db *DB) ensurePartitions(ctx context.Context, want map[partition]bool) error {
	for p := range want {
		db.mu.Lock()
		known := db.months[p.name()]
		db.mu.Unlock()
		if known {
			continue
		}
		const layout = "2006-01-02 15:04:05+00"
		create := fmt.Sprintf("CREATE TABLE IF NOT EXISTS %s PARTITION OF %s FOR VALUES FROM ('%s') TO ('%s')",
			p.name(), p.table, p.month.Format(layout), p.month.AddDate(0, 1, 0).Format(layout))
		_, err := db.pool.Exec(ctx, create)
		// IF NOT EXISTS looks before it locks: of two at once the second fails
		// on the catalogue's key, and then the partition is there.
		if state := sqlState(err); state == uniqueViolation || state == duplicateTable {
			_, err = db.pool.Exec(ctx, create)
		}
		if err != nil {
			return fmt.Errorf("make partition %s: %w", p.name(), err)
		}
		db.mu.Lock()
		db.months[p.name()] = true
		db.mu.Unlock()
	}
	return nil
}

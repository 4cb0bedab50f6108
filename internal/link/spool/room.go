package spool

import (
	"encoding/binary"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"curetally/internal/core/plant"
	"curetally/internal/core/thinning"
)

// Bounds says how much may wait. The zero value sets no bound.
type Bounds struct {
	// Bytes is how much of the file may be in use; 0 means any amount.
	Bytes int64
	// Age is how long a batch may wait whole; 0 means for ever.
	Age time.Duration
	// Interval is the length that entries have: what is thinned out keeps its
	// resolution. It must be set with a bound.
	Interval time.Duration
}

// Room says how the spool stands against its bounds.
type Room struct {
	Used    int64            // bytes of the file in use
	Limit   int64            // bytes that may be; 0 means any amount
	Thinned thinning.Dropped // facts given up since the spool was opened
	Since   time.Time        // when thinning began that has not been followed by an empty spool; zero while nothing is missing
}

const (
	// chunkFacts is how many facts one step looks at; so long an append waits at
	// the bound, some tens of milliseconds.
	chunkFacts = 50_000
	// enough is the share of the bound at which thinning rests again.
	enough = 0.9
)

// sweep goes through the waiting batches, oldest first, chunk by chunk and grade
// by grade. The mutex of the spool guards it.
type sweep struct {
	grade thinning.Grade // Whole while there is room
	done  uint64         // batches up to this number have been looked at with this grade
	aged  uint64         // batches up to this number have been thinned for their age
	rest  uint64         // nothing is tried again before this number is written
}

// makeRoom does one step of thinning when a bound is passed; many appends make
// many steps. The caller holds mu.
func (s *Spool) makeRoom(now time.Time) error {
	if s.bounds.Age > 0 && s.first <= s.last && now.Sub(s.oldest) > s.bounds.Age {
		if err := s.thinAged(now.Add(-s.bounds.Age)); err != nil {
			return err
		}
	}
	used := s.used()
	w := &s.sweep
	switch {
	case s.bounds.Bytes == 0:
		return nil
	case w.grade == thinning.Whole && used > s.bounds.Bytes:
		w.grade, w.done, w.rest = thinning.Samples, 0, 0
	case w.grade != thinning.Whole && float64(used) < enough*float64(s.bounds.Bytes):
		w.grade = thinning.Whole
	}
	if w.grade == thinning.Whole || s.last < w.rest {
		return nil
	}
	to, full, err := s.thin(w.done, s.last, w.grade, time.Time{})
	if err != nil {
		return err
	}
	switch {
	case full:
		w.done = to
	case w.grade < thinning.Days:
		w.grade, w.done = w.grade+1, 0
	default:
		// All that may go has gone. What is written from here on is looked at when
		// there is some of it again.
		w.done, w.rest = 0, s.last+uint64(max(1, int(s.last+1-s.first)/10))
	}
	return nil
}

// thinAged thins one chunk of the batches that were written before an instant.
func (s *Spool) thinAged(before time.Time) error {
	to, _, err := s.thin(s.sweep.aged, s.last, thinning.Intervals, before)
	if err == nil && to > s.sweep.aged {
		s.sweep.aged = to
	}
	return err
}

// thin gives up facts of one chunk of batches with numbers above after and up to
// last, and with before set only of those that were written before. It gives the
// number of the last batch that it looked at, and whether the chunk was full, so
// that more may follow. Damaged batches stay as they are, for Read to set aside.
func (s *Spool) thin(after, last uint64, g thinning.Grade, before time.Time) (to uint64, full bool, err error) {
	var dropped thinning.Dropped
	err = s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketBatches))
		var keys, stamps [][]byte
		var batches []plant.Facts
		facts := 0
		c := b.Cursor()
		to = after
		for key, value := c.Seek(binary.BigEndian.AppendUint64(nil, after+1)); key != nil && !full; key, value = c.Next() {
			n := binary.BigEndian.Uint64(key)
			if n > last || !before.IsZero() && !writtenAt(value).Before(before) {
				break
			}
			to = n
			f, err := decodeStored(value)
			if err != nil {
				continue
			}
			keys = append(keys, append([]byte(nil), key...))
			stamps = append(stamps, append([]byte(nil), value[:8]...))
			batches = append(batches, f)
			// An empty batch takes time, too.
			facts += 1 + f.Len()
			full = facts >= chunkFacts
		}
		out, changed, d := thinning.Thin(batches, g, s.bounds.Interval)
		dropped = d
		for i := range out {
			if !changed[i] {
				continue
			}
			// Removed first: only then are pages that are nearly empty joined.
			if err := b.Delete(keys[i]); err != nil {
				return err
			}
			if err := b.Put(keys[i], append(stamps[i], encode(out[i])...)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return after, false, fmt.Errorf("thin out the spool: %w", err)
	}
	s.account(dropped)
	return to, full, nil
}

// account keeps the books of what was given up, and says once when it begins.
func (s *Spool) account(d thinning.Dropped) {
	if d.Total() == 0 {
		return
	}
	s.thinned.Signals += d.Signals
	s.thinned.Readings += d.Readings
	s.thinned.Refusals += d.Refusals
	if s.thinSince.IsZero() {
		s.thinSince = time.Now().UTC()
		s.log.Warn("the spool is at its bound; samples between readings are given up first, readings within intervals next, station events never — bring the database back",
			"bytes", s.used(), "bound", s.bounds.Bytes, "age", s.bounds.Age)
	}
}

// used is how many bytes of the file hold something. The file itself never
// shrinks; what was freed is used again.
func (s *Spool) used() (n int64) {
	// Size is that of the pages that were ever used, not of the file, which grows
	// in larger steps. Reading it cannot fail while the spool is open.
	_ = s.db.View(func(tx *bolt.Tx) error { n = tx.Size(); return nil })
	stats := s.db.Stats()
	return n - int64(stats.FreePageN+stats.PendingPageN)*int64(s.db.Info().PageSize)
}

// Room says how much is used and what was given up.
func (s *Spool) Room() Room {
	s.mu.Lock()
	defer s.mu.Unlock()
	return Room{Used: s.used(), Limit: s.bounds.Bytes, Thinned: s.thinned, Since: s.thinSince}
}

package spool

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/google/uuid"
	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"curetally/internal/core/plant"
	"curetally/internal/core/thinning"
)

const fileName = "spool.db"

// Buckets and keys of the file.
const (
	bucketMeta    = "meta"
	bucketBatches = "batches" // number (8 bytes, big-endian) → written µs (8 bytes) + batch
	bucketDamaged = "damaged" // the same, set aside
	keyID         = "id"
)

// ErrInUse says that another program has the spool open.
var ErrInUse = errors.New("the spool is in use by another program")

// Spool is an open spool. Its methods are safe for concurrent use.
type Spool struct {
	db     *bolt.DB
	log    *slog.Logger
	bounds Bounds

	mu        sync.Mutex // guards the rest
	id        string
	first     uint64 // number of the oldest waiting batch; last+1 when none waits
	last      uint64 // number of the newest batch ever written
	oldest    time.Time
	damaged   int
	sweep     sweep
	thinned   thinning.Dropped
	thinSince time.Time
}

// Stats says what waits in the spool.
type Stats struct {
	Batches  int       // waiting
	Bytes    int64     // of the file
	First    uint64    // number of the oldest waiting batch; Last+1 when none waits
	Last     uint64    // number of the newest batch ever written
	OldestAt time.Time // when the oldest waiting batch was written; zero when none waits
	Damaged  int       // batches set aside
}

// Open opens the spool in a directory and makes it when there is none. A damaged
// file is moved aside under a name with the time, a new spool is begun, what is
// whole is carried over, and the log says so. It returns ErrInUse when another
// program has it open. Close the spool when done.
func Open(dir string, bounds Bounds, log *slog.Logger) (*Spool, error) {
	log = log.With("component", "spool")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("spool: %w", err)
	}
	path := filepath.Join(dir, fileName)
	aside := path + ".damaged-" + time.Now().UTC().Format("20060102T150405.000")
	move := func() error { return os.Rename(path, aside) }
	damage := examine(path, move)
	if damage == nil {
		s, err := open(path, bounds, log)
		switch {
		case err == nil || errors.Is(err, ErrInUse):
			return s, err
		case !errors.Is(err, ErrDamaged):
			return nil, fmt.Errorf("spool %s: %w", path, err)
		}
		if moveErr := move(); moveErr != nil {
			return nil, fmt.Errorf("spool %s: %w", path, errors.Join(err, moveErr))
		}
		damage = err
	}
	if !errors.Is(damage, ErrDamaged) {
		return nil, fmt.Errorf("spool: %w", damage)
	}
	s, err := open(path, bounds, log)
	if err != nil {
		return nil, fmt.Errorf("spool %s: %w", path, err)
	}
	n, err := s.carryOver(aside)
	log.Error("the spool was damaged and moved aside; what is whole was carried over, the rest is not in the database",
		"err", errors.Join(damage, err), "moved_to", aside, "batches", n)
	return s, nil
}

// carryOver appends the whole batches of a damaged file. They get new numbers in a
// new spool, so those that the store has already come to it a second time; the
// keys of the facts make that harmless.
func (s *Spool) carryOver(from string) (n int, err error) {
	const together = 500 // batches in one transaction
	var stored [][]byte
	n, err = salvage(from, func(value []byte) error {
		stored = append(stored, bytes.Clone(value))
		if len(stored) < together {
			return nil
		}
		_, err := s.put(stored)
		stored = stored[:0]
		return err
	})
	_, rest := s.put(stored)
	return n, errors.Join(err, rest)
}

// open opens one file. The error wraps ErrDamaged when the file is there and
// cannot be read.
func open(path string, bounds Bounds, log *slog.Logger) (s *Spool, err error) {
	defer func() {
		// bbolt panics on some damaged pages.
		if p := recover(); p != nil {
			s, err = nil, fmt.Errorf("%w: %v", ErrDamaged, p)
		}
	}()
	// The free list is not written with every batch; opening scans for it.
	db, err := bolt.Open(path, 0o600, &bolt.Options{
		Timeout: time.Second, FreelistType: bolt.FreelistMapType, NoFreelistSync: true,
	})
	switch {
	case errors.Is(err, bolterrors.ErrTimeout):
		return nil, inUse(path)
	case errors.Is(err, bolterrors.ErrInvalid), errors.Is(err, bolterrors.ErrChecksum), errors.Is(err, bolterrors.ErrVersionMismatch):
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	case err != nil:
		return nil, err
	}
	s = &Spool{db: db, log: log, bounds: bounds}
	if err := s.load(); err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %w", ErrDamaged, err), db.Close())
	}
	return s, nil
}

// load makes buckets and identity where they are missing and reads where the
// numbers stand. The sequence of the bucket itself is the last number given.
func (s *Spool) load() error {
	return s.db.Update(func(tx *bolt.Tx) error {
		meta, err := tx.CreateBucketIfNotExists([]byte(bucketMeta))
		if err != nil {
			return err
		}
		if meta.Get([]byte(keyID)) == nil {
			if err := meta.Put([]byte(keyID), []byte(uuid.NewString())); err != nil {
				return err
			}
		}
		s.id = string(meta.Get([]byte(keyID)))
		batches, err := tx.CreateBucketIfNotExists([]byte(bucketBatches))
		if err != nil {
			return err
		}
		damaged, err := tx.CreateBucketIfNotExists([]byte(bucketDamaged))
		if err != nil {
			return err
		}
		s.damaged = damaged.Stats().KeyN
		s.last = batches.Sequence()
		s.note(batches)
		return nil
	})
}

// note remembers the oldest waiting batch. The caller holds mu, or nobody else
// has the spool yet.
func (s *Spool) note(batches *bolt.Bucket) {
	key, value := batches.Cursor().First()
	if key == nil {
		s.first, s.oldest, s.thinSince = s.last+1, time.Time{}, time.Time{}
		return
	}
	s.first = binary.BigEndian.Uint64(key)
	s.oldest = writtenAt(value)
}

func writtenAt(value []byte) time.Time {
	if len(value) < 8 {
		return time.Time{}
	}
	return time.UnixMicro(int64(binary.BigEndian.Uint64(value))).UTC()
}

// ID is the identity of the spool, a UUID that was made with the file or by Renew.
func (s *Spool) ID() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.id
}

// Renew gives the spool a new identity. Batches and numbers stay, so a store that
// has seen some of them under the old identity takes them for new: it is for the
// case that spool and store do not fit together any more.
func (s *Spool) Renew(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	id := uuid.NewString()
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.db.Update(func(tx *bolt.Tx) error { return tx.Bucket([]byte(bucketMeta)).Put([]byte(keyID), []byte(id)) })
	if err != nil {
		return fmt.Errorf("new identity of the spool: %w", err)
	}
	s.id = id
	return nil
}

// Append writes batches and returns the number of the last one. When it returns
// without error they are on disk; else none of them is. Past a bound it gives up
// some of the facts that have waited longest; that it could not is told in the log
// and is no error.
func (s *Spool) Append(ctx context.Context, batches ...plant.Facts) (last uint64, err error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	stored := make([][]byte, len(batches))
	now := time.Now()
	for i, f := range batches {
		stored[i] = append(stamp(now), encode(f)...)
	}
	if last, err = s.put(stored); err != nil {
		return 0, fmt.Errorf("write to the spool: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.makeRoom(now); err != nil {
		s.log.Error("the spool is past its bound and could not be thinned out", "err", err)
	}
	return last, nil
}

// stamp is the instant of writing that stands before a batch.
func stamp(t time.Time) []byte { return binary.BigEndian.AppendUint64(nil, uint64(t.UnixMicro())) }

// put writes batches under the next numbers, all or none, and returns the newest
// number.
func (s *Spool) put(stored [][]byte) (last uint64, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if last = s.last; len(stored) == 0 {
		return last, nil
	}
	err = s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketBatches))
		b.FillPercent = 0.95 // keys only rise
		for _, v := range stored {
			n, err := b.NextSequence()
			if err != nil {
				return err
			}
			if err := b.Put(binary.BigEndian.AppendUint64(nil, n), v); err != nil {
				return err
			}
			last = n
		}
		return nil
	})
	if err != nil {
		return s.last, err
	}
	if s.first > s.last {
		s.oldest = writtenAt(stored[0])
	}
	s.last = last
	return last, nil
}

// Read gives waiting batches with numbers above after, in order: at least one
// where there is one, and no more once maxFacts facts are reached. A damaged
// batch is given empty, so that its number is not missing, and set aside.
func (s *Spool) Read(ctx context.Context, after uint64, maxFacts int) ([]plant.Batch, error) {
	var out []plant.Batch
	var damaged []uint64
	err := s.db.View(func(tx *bolt.Tx) error {
		c := tx.Bucket([]byte(bucketBatches)).Cursor()
		facts := 0
		for key, value := c.Seek(binary.BigEndian.AppendUint64(nil, after+1)); key != nil; key, value = c.Next() {
			if err := ctx.Err(); err != nil {
				return err
			}
			n := binary.BigEndian.Uint64(key)
			f, err := decodeStored(value)
			if err != nil {
				s.log.Error("a batch in the spool is damaged and was set aside", "batch", n, "err", err)
				damaged = append(damaged, n)
			}
			out = append(out, plant.Batch{Sequence: n, Facts: f})
			if facts += f.Len(); facts >= maxFacts {
				break
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the spool: %w", err)
	}
	if len(damaged) > 0 {
		if err := s.setAside(damaged); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func decodeStored(value []byte) (plant.Facts, error) {
	if len(value) < 8 {
		return plant.Facts{}, fmt.Errorf("%w: %d bytes", ErrDamaged, len(value))
	}
	return decode(value[8:])
}

// setAside keeps damaged batches for inspection; in their place an empty batch
// is left, so that the numbers stay without a gap.
func (s *Spool) setAside(numbers []uint64) error {
	empty := append(stamp(time.Now()), encode(plant.Facts{})...)
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.db.Update(func(tx *bolt.Tx) error {
		batches, damaged := tx.Bucket([]byte(bucketBatches)), tx.Bucket([]byte(bucketDamaged))
		for _, n := range numbers {
			key := binary.BigEndian.AppendUint64(nil, n)
			value := append([]byte(nil), batches.Get(key)...)
			if err := damaged.Put(key, value); err != nil {
				return err
			}
			if err := batches.Put(key, empty); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("set damaged batches aside: %w", err)
	}
	s.damaged += len(numbers)
	return nil
}

// Trim removes batches up to and including a number: the store has them.
func (s *Spool) Trim(ctx context.Context, upTo uint64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketBatches))
		c := b.Cursor()
		for key, _ := c.First(); key != nil && binary.BigEndian.Uint64(key) <= upTo; key, _ = c.First() {
			if err := c.Delete(); err != nil {
				return err
			}
		}
		s.note(b)
		return nil
	})
	if err != nil {
		return fmt.Errorf("trim the spool: %w", err)
	}
	return nil
}

// Stats says what waits.
func (s *Spool) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := Stats{
		Batches: int(s.last + 1 - s.first), First: s.first, Last: s.last, OldestAt: s.oldest, Damaged: s.damaged,
	}
	if info, err := os.Stat(s.db.Path()); err == nil {
		st.Bytes = info.Size()
	}
	return st
}

// Close closes the file; what was appended stays.
func (s *Spool) Close() error {
	if err := s.db.Close(); err != nil {
		return fmt.Errorf("close the spool: %w", err)
	}
	return nil
}

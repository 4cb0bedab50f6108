package model

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"curetally/internal/core/plant"
)

// Disk is what a spool keeps on disk. It outlives the program.
type Disk struct {
	mu      sync.Mutex // guards all below
	renewed int
	last    uint64
	waiting []plant.Batch
}

// Written gives the number of the newest batch on disk and how many wait.
func (d *Disk) Written() (last uint64, waiting int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.last, len(d.waiting)
}

// Waiting gives the batches that wait on disk.
func (d *Disk) Waiting() []plant.Batch {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.waiting)
}

// Spool is a spool on a disk, as one run of the program sees it. What is written
// and not synced is lost with the run.
type Spool struct {
	disk *Disk

	mu   sync.Mutex    // guards tail; taken before that of the disk
	tail []plant.Facts // written, not synced
}

// OpenSpool opens the spool on a disk. What another run has written and not synced
// is not there.
func OpenSpool(d *Disk) *Spool { return &Spool{disk: d} }

// ID is the identity of the spool.
func (s *Spool) ID() string {
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	return fmt.Sprintf("8f2b0c2e-52a5-4f0e-9a53-%012d", s.disk.renewed)
}

// Renew gives the spool a new identity and keeps what is in it.
func (s *Spool) Renew(context.Context) error {
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	s.disk.renewed++
	return nil
}

// Write puts batches into the tail, from which a kill loses them.
func (s *Spool) Write(batches ...plant.Facts) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tail = append(s.tail, batches...)
}

// Sync brings the tail to the disk, all of it in one, and gives the number of the
// newest batch there.
func (s *Spool) Sync() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	for _, f := range s.tail {
		s.disk.last++
		s.disk.waiting = append(s.disk.waiting, plant.Batch{Sequence: s.disk.last, Facts: f})
	}
	s.tail = nil
	return s.disk.last
}

// Append writes batches and syncs them, and gives the number of the newest.
func (s *Spool) Append(_ context.Context, batches ...plant.Facts) (uint64, error) {
	s.Write(batches...)
	return s.Sync(), nil
}

// Read gives waiting batches with numbers above after: at least one where there is
// one, and no more once maxFacts facts are reached.
func (s *Spool) Read(_ context.Context, after uint64, maxFacts int) ([]plant.Batch, error) {
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	var out []plant.Batch
	facts := 0
	for _, b := range s.disk.waiting {
		if b.Sequence <= after {
			continue
		}
		out = append(out, b)
		if facts += b.Facts.Len(); facts >= maxFacts {
			break
		}
	}
	return out, nil
}

// Trim removes batches up to and including a number.
func (s *Spool) Trim(_ context.Context, upTo uint64) error {
	s.disk.mu.Lock()
	defer s.disk.mu.Unlock()
	s.disk.waiting = slices.DeleteFunc(slices.Clone(s.disk.waiting), func(b plant.Batch) bool { return b.Sequence <= upTo })
	return nil
}

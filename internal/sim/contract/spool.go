package contract

import (
	"context"
	"testing"

	"curetally/internal/core/plant"
)

// Spool is what the recorder asks of its queue on disk.
type Spool interface {
	ID() string
	Renew(ctx context.Context) error
	Append(ctx context.Context, batches ...plant.Facts) (last uint64, err error)
	Read(ctx context.Context, after uint64, maxFacts int) ([]plant.Batch, error)
	Trim(ctx context.Context, upTo uint64) error
}

// TestSpool runs the suite of spools. Open opens the spool of the test: the first
// call finds none, each later one finds what the one before it has left.
func TestSpool(t *testing.T, open func(t testing.TB) Spool) {
	ctx := t.Context()
	s := open(t)
	one := func(value int64) plant.Facts {
		return plant.Facts{Readings: []plant.Reading{reading(int(value), value)}}
	}
	numbers := func(all []plant.Batch) (out []uint64) {
		for _, b := range all {
			out = append(out, b.Sequence)
		}
		return out
	}
	same(t, "an empty spool", get(s.Read(ctx, 0, 100))(t), nil)
	same(t, "the first", get(s.Append(ctx, one(1)))(t), 1)
	same(t, "two more", get(s.Append(ctx, one(2), one(3)))(t), 3)
	same(t, "all", get(s.Read(ctx, 0, 100))(t), []plant.Batch{{Sequence: 1, Facts: one(1)}, {Sequence: 2, Facts: one(2)}, {Sequence: 3, Facts: one(3)}})
	same(t, "after the first, one fact", numbers(get(s.Read(ctx, 1, 1))(t)), []uint64{2})
	same(t, "at least one", numbers(get(s.Read(ctx, 0, 0))(t)), []uint64{1})
	must(t, s.Trim(ctx, 2))
	must(t, s.Trim(ctx, 1)) // nothing left to do
	id := s.ID()

	s = open(t)
	same(t, "identity after opening again", s.ID(), id)
	same(t, "left", numbers(get(s.Read(ctx, 0, 100))(t)), []uint64{3})
	must(t, s.Trim(ctx, 3))

	s = open(t)
	same(t, "numbers go on in an empty spool", get(s.Append(ctx, one(4)))(t), 4)
	must(t, s.Renew(ctx))
	if s.ID() == id {
		t.Error("a renewed spool has the old identity")
	}
	renewed := s.ID()
	s = open(t)
	same(t, "identity after renewal", s.ID(), renewed)
	same(t, "left after renewal", numbers(get(s.Read(ctx, 0, 100))(t)), []uint64{4})
}

// Package intake brings history into the record: facts that somebody kept in
// files, in any number. They enter by the same door as those of the spool, in
// numbered batches with a watermark, and in memory that does not grow with the
// file.
//
// A file is read twice. The first reading finds every row that must be refused,
// before anything is written; a file with such rows is taken only if that was
// asked for. The second reading compares each batch with what is on record and
// applies what is new. What is on record stays: a fact with the same key and
// another value is counted and shown, never exchanged.
//
// The identity of an intake is a hash of the facts as they were understood. The
// same file again, with the same meaning, is therefore the same intake: after an
// interruption it goes on behind the last batch that was stored, and a second
// time it stores nothing.
package intake

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"curetally/internal/core/plant"
)

// Row is one row of a file: a fact of one of three kinds, or what is wrong.
type Row struct {
	Line    int
	Refused []Problem // why it is no fact; then there is none
	Raw     string    // as written; only needed with Refused
	Kind    Kind
	Reading plant.Reading
	Event   plant.StationEvent
	Signal  plant.Signal
}

// Kind says which fact a row holds.
type Kind uint8

// The kinds of facts.
const (
	Reading Kind = iota
	Event
	Signal
)

// Problem is what is wrong with a row.
type Problem struct {
	Line   int    `json:"line"`
	Column string `json:"column,omitempty"`
	Text   string `json:"text"` // what was expected and the remedy
}

// Source is a file that can be read more than once.
type Source interface {
	// Each gives every row in turn, from the first. The row belongs to the
	// source and is valid until fn returns. An error of fn ends the reading and
	// comes back. Each runs in a goroutine of the intake, one at a time.
	Each(fn func(*Row) error) error
}

// Store is the record.
type Store interface {
	Watermark(ctx context.Context, spoolID string) (uint64, error)
	Apply(ctx context.Context, spoolID string, batches []plant.Batch) error
	// Matching gives the facts on record that have the keys of the given ones.
	Matching(ctx context.Context, f plant.Facts) (plant.Facts, error)
}

// Options are the parts of an intake.
type Options struct {
	Source Source
	Store  Store
	// Name of the file, for refusals that are kept.
	Name string
	// Show gives the value of a reading with its unit.
	Show func(plant.Reading) string
	// Settle turns what was applied into entries. It is called now and then, so
	// that no single settling has to hold all of a long file, and at the end.
	Settle func(ctx context.Context) error
	// Progress is told after each batch how many rows were read and in which of
	// the two readings; nil is nobody.
	Progress func(reading int, rows int64)
	// SkipRefused takes the good rows of a file that has others.
	SkipRefused bool
	// DryRun writes nothing and reports what would be taken.
	DryRun bool
	// Now is the instant under which refusals are kept.
	Now time.Time
}

// Report is what came of an intake. Rows = Taken + OnRecord + Repeated +
// Conflicts + Refused, unless the file was left alone.
type Report struct {
	Rows      int64 `json:"rows"`
	Taken     int64 `json:"taken"`     // or would be, in a dry run
	OnRecord  int64 `json:"on_record"` // already, with the same value
	Repeated  int64 `json:"repeated"`  // rows that say the same as one shortly before
	Conflicts int64 `json:"conflicts"` // on record with another value, which was kept
	Refused   int64 `json:"refused"`
	// Problems are the first of the refused rows and conflicts, in order of
	// lines; Unlisted counts the problems beyond them.
	Problems []Problem `json:"problems"`
	Unlisted int64     `json:"unlisted_problems"`
	// First and Last are the instants of the outermost facts of the file; nil
	// when it has none.
	First *time.Time `json:"first,omitempty"`
	Last  *time.Time `json:"last,omitempty"`
	// Unordered says that times go back: the same key with two values far apart
	// in such a file shows only when it is taken, as a conflict.
	Unordered bool `json:"unordered"`
	// Resumed is the number of rows that an earlier run had brought in already,
	// or passed over.
	Resumed int64 `json:"resumed"`
	// ID is the name of the intake in the record.
	ID string `json:"id"`
}

// Bounds of an intake.
const (
	batchRows   = 20_000 // rows of the file in one batch and transaction
	settleEvery = 10     // batches between two settlings
	listed      = 100    // problems that a report lists
)

var (
	// ErrRefused says that a file has rows that must be refused and that nothing
	// of it was taken.
	ErrRefused = errors.New("rows were refused")
	// ErrChanged says that the file was not the same at the second reading.
	ErrChanged = errors.New("the file changed while it was read: import it again when nobody writes to it")
)

// space is the namespace of intake ids.
var space = uuid.MustParse("2f1c7e3a-58a2-5d0b-9a40-7c1d4f0b6e21")

// intake is one run.
type intake struct {
	Options
	report Report
	sums   [][sha256.Size]byte // of each batch, from the first reading
}

// Take takes the facts of a file in. With ErrRefused the report says which rows
// are to blame. After any other error what was applied so far stays, and the
// same call goes on from there.
func Take(ctx context.Context, o Options) (Report, error) {
	in := &intake{Options: o}
	in.report.Problems = []Problem{}
	err := in.read(ctx)
	switch {
	case err != nil:
	case in.report.Refused > 0 && !o.SkipRefused:
		err = ErrRefused
	case !o.DryRun:
		err = in.take(ctx)
	}
	slices.SortStableFunc(in.report.Problems, func(a, b Problem) int { return a.Line - b.Line })
	return in.report, err
}

// read is the first reading.
func (in *intake) read(ctx context.Context) error {
	all := sha256.New()
	err := eachBatch(in.Source, func(b *batch) error {
		all.Write(b.hash[:]) // a hash never fails
		in.sums = append(in.sums, b.hash)
		in.survey(b)
		if in.DryRun {
			if err := in.compare(ctx, b); err != nil {
				return err
			}
		}
		in.tell(1)
		return ctx.Err()
	})
	in.report.ID = uuid.NewSHA1(space, all.Sum(nil)).String()
	return err
}

// survey counts what the first reading finds.
func (in *intake) survey(b *batch) {
	r := &in.report
	r.Rows += int64(b.rows)
	r.Refused += int64(len(b.refused))
	r.Repeated += int64(b.repeated)
	for _, row := range b.refused {
		in.list(row.problems...)
	}
	if b.facts() == 0 {
		return
	}
	r.Unordered = r.Unordered || b.unordered || (r.Last != nil && b.first.Before(*r.Last))
	first, last := b.first, b.last // pointers to the fields would keep the batch
	if r.First == nil || first.Before(*r.First) {
		r.First = &first
	}
	if r.Last == nil || last.After(*r.Last) {
		r.Last = &last
	}
}

func (in *intake) list(problems ...Problem) {
	for _, p := range problems {
		if len(in.report.Problems) < listed {
			in.report.Problems = append(in.report.Problems, p)
		} else {
			in.report.Unlisted++
		}
	}
}

func (in *intake) tell(reading int) {
	if in.Progress != nil {
		in.Progress(reading, in.report.Rows)
	}
}

// compare leaves in the batch what is not on record and counts the rest.
func (in *intake) compare(ctx context.Context, b *batch) error {
	known, err := in.Store.Matching(ctx, b.take)
	if err != nil {
		return err
	}
	same, conflicts := b.strike(known, in.Show)
	in.report.OnRecord += int64(same)
	in.report.Conflicts += int64(len(conflicts))
	in.report.Taken += int64(b.facts())
	for _, c := range conflicts {
		in.list(c.problems...)
	}
	b.refused = append(b.refused, conflicts...)
	return nil
}

// take is the second reading.
func (in *intake) take(ctx context.Context) error {
	id := in.report.ID
	mark, err := in.Store.Watermark(ctx, id)
	if err != nil {
		return err
	}
	number := uint64(0)
	rows := in.report.Rows
	in.report.Rows = 0
	err = eachBatch(in.Source, func(b *batch) error {
		number++
		if number > uint64(len(in.sums)) || b.hash != in.sums[number-1] {
			return ErrChanged
		}
		in.report.Rows += int64(b.rows)
		defer in.tell(2)
		if err := in.compare(ctx, b); err != nil {
			return err
		}
		if number <= mark {
			in.report.Resumed += int64(b.rows)
			return in.restore(ctx, b, number)
		}
		b.take.Refusals = in.refusals(b.refused)
		if err := in.Store.Apply(ctx, id, []plant.Batch{{Sequence: number, Facts: b.take}}); err != nil {
			return err
		}
		if number%settleEvery == 0 {
			return in.Settle(ctx)
		}
		return nil
	})
	if err == nil && in.report.Rows != rows {
		err = ErrChanged
	}
	if err != nil {
		return err
	}
	return in.Settle(ctx)
}

// restore applies what of a batch that was stored before is not on record any
// more: somebody took it out of the database. It goes in under another name,
// because the watermark of this one lies behind it.
func (in *intake) restore(ctx context.Context, b *batch, number uint64) error {
	if b.facts() == 0 {
		return ctx.Err()
	}
	again := uuid.NewSHA1(space, fmt.Appendf(nil, "%s %d %d", in.report.ID, number, in.Now.UnixNano()))
	return in.Store.Apply(ctx, again.String(), []plant.Batch{{Sequence: 1, Facts: b.take}})
}

// refusals are the refused rows as they are kept.
func (in *intake) refusals(rows []refusedRow) []plant.Refusal {
	var out []plant.Refusal
	for _, row := range rows {
		p := row.problems[0]
		reason := p.Text
		if p.Column != "" {
			reason = p.Column + ": " + reason
		}
		raw := row.raw[:min(len(row.raw), plant.MaxRefusalPayload)]
		out = append(out, plant.Refusal{At: in.Now, Source: fmt.Sprintf("%s:%d", in.Name, p.Line), Reason: reason, Payload: []byte(raw)})
	}
	return out
}

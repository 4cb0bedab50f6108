package intake

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"math"
	"slices"
	"strconv"
	"sync"
	"time"

	"curetally/internal/core/plant"
)

// batch is a run of successive rows of a file, each key once.
type batch struct {
	rows     int
	take     plant.Facts
	lines    []int // of the facts in take, which are of one kind
	refused  []refusedRow
	repeated int
	// The instants of the outermost facts; unordered when times go back.
	first, last time.Time
	unordered   bool
	seen        map[key]int // index into take
	hash        [sha256.Size]byte
}

type refusedRow struct {
	problems []Problem
	raw      string
}

// key is what identifies a fact on record.
type key struct {
	owner, name string // register; station and boot; subject and name
	number      int64  // instant in microseconds, or the number of the event
}

func readingKey(r *plant.Reading) key    { return key{string(r.Register), "", r.At.UnixMicro()} }
func eventKey(e *plant.StationEvent) key { return key{string(e.Station), e.Boot, e.Sequence} }
func signalKey(v *plant.Signal) key      { return key{v.Subject, v.Name, v.At.UnixMicro()} }

func sameReading(a, b *plant.Reading) bool { return a.Value == b.Value && a.Modulus == b.Modulus }
func sameSignal(a, b *plant.Signal) bool   { return a.Value == b.Value }

// sameEvent compares what entries are made of; when a message came in may differ
// by the way that it came.
func sameEvent(a, b *plant.StationEvent) bool {
	x, y := *a, *b
	x.Arrived, y.Arrived = time.Time{}, time.Time{}
	x.At, y.At = x.At.UTC(), y.At.UTC()
	return x == y
}

// errEnough ends the reading of a source whose batches nobody wants any more.
var errEnough = errors.New("enough was read")

// eachBatch reads a source and gives its rows in batches, while the next one is
// being read. A batch belongs to fn.
func eachBatch(s Source, fn func(*batch) error) error {
	batches := make(chan *batch, 1)
	enough := make(chan struct{})
	var reading sync.WaitGroup
	var readErr error // written before batches is closed
	reading.Go(func() {
		defer close(batches)
		readErr = fill(s, batches, enough)
	})
	defer reading.Wait()
	for b := range batches {
		if err := fn(b); err != nil {
			close(enough)
			return err
		}
	}
	return readErr
}

func fill(s Source, batches chan<- *batch, enough <-chan struct{}) error {
	b := newBatch()
	send := func() error {
		b.hash = b.sum()
		select {
		case batches <- b:
			b = newBatch()
			return nil
		case <-enough:
			return errEnough
		}
	}
	err := s.Each(func(r *Row) error {
		b.add(r)
		if b.rows < batchRows {
			return nil
		}
		return send()
	})
	if err == nil && b.rows > 0 {
		err = send()
	}
	return err
}

func newBatch() *batch { return &batch{seen: make(map[key]int, batchRows/4)} }

// facts is the number of facts to take.
func (b *batch) facts() int { return len(b.lines) }

func (b *batch) add(r *Row) {
	b.rows++
	if len(r.Refused) > 0 {
		b.refused = append(b.refused, refusedRow{slices.Clone(r.Refused), r.Raw})
		return
	}
	var k key
	var at time.Time
	switch r.Kind {
	case Reading:
		k, at = readingKey(&r.Reading), r.Reading.At
	case Event:
		k, at = eventKey(&r.Event), r.Event.At
	case Signal:
		k, at = signalKey(&r.Signal), r.Signal.At
	}
	if i, double := b.seen[k]; double {
		b.addDouble(r, i)
		return
	}
	b.seen[k] = b.facts()
	b.lines = append(b.lines, r.Line)
	switch r.Kind {
	case Reading:
		b.take.Readings = append(b.take.Readings, r.Reading)
	case Event:
		b.take.Events = append(b.take.Events, r.Event)
	case Signal:
		b.take.Signals = append(b.take.Signals, r.Signal)
	}
	if b.first.IsZero() || at.Before(b.first) {
		b.first = at
	}
	b.unordered = b.unordered || at.Before(b.last)
	if at.After(b.last) {
		b.last = at
	}
}

// addDouble takes a row whose key is that of fact i.
func (b *batch) addDouble(r *Row, i int) {
	same := false
	switch r.Kind {
	case Reading:
		same = sameReading(&r.Reading, &b.take.Readings[i])
	case Event:
		same = sameEvent(&r.Event, &b.take.Events[i])
	case Signal:
		same = sameSignal(&r.Signal, &b.take.Signals[i])
	}
	if same {
		b.repeated++
		return
	}
	p := Problem{Line: r.Line, Text: fmt.Sprintf("line %d says otherwise of the same instant — remove the wrong one", b.lines[i])}
	b.refused = append(b.refused, refusedRow{[]Problem{p}, r.Raw})
}

// strike takes out of the batch what is on record. It gives the number of facts
// that are there as given, and those that are there with another value.
func (b *batch) strike(known plant.Facts, show func(plant.Reading) string) (same int, conflicts []refusedRow) {
	gone := map[int]bool{}
	judge := func(k key, equal func(i int) (given, kept string, same bool)) {
		i, ok := b.seen[k]
		if !ok || gone[i] {
			return
		}
		gone[i] = true
		given, kept, ok := equal(i)
		if ok {
			same++
			return
		}
		conflicts = append(conflicts, refusedRow{[]Problem{{Line: b.lines[i], Text: fmt.Sprintf("on record as %s, here %s: kept the one on record", kept, given)}}, given})
	}
	for _, k := range known.Readings {
		judge(readingKey(&k), func(i int) (string, string, bool) {
			g := &b.take.Readings[i]
			if g.Value == k.Value && g.Modulus != k.Modulus {
				return fmt.Sprintf("modulus %d", g.Modulus), fmt.Sprintf("modulus %d", k.Modulus), false
			}
			return show(*g), show(k), sameReading(g, &k)
		})
	}
	for _, k := range known.Events {
		judge(eventKey(&k), func(i int) (string, string, bool) {
			g := &b.take.Events[i]
			return eventText(g), eventText(&k), sameEvent(g, &k)
		})
	}
	for _, k := range known.Signals {
		judge(signalKey(&k), func(i int) (string, string, bool) {
			g := &b.take.Signals[i]
			return signalText(g), signalText(&k), sameSignal(g, &k)
		})
	}
	if len(gone) > 0 {
		b.take.Readings, b.take.Events, b.take.Signals = without(b.take.Readings, gone), without(b.take.Events, gone), without(b.take.Signals, gone)
		b.lines = without(b.lines, gone)
		slices.SortFunc(conflicts, func(x, y refusedRow) int { return x.problems[0].Line - y.problems[0].Line })
	}
	b.seen = nil
	return same, conflicts
}

// without gives the values whose index is not gone.
func without[T any](in []T, gone map[int]bool) []T {
	var out []T
	for i, v := range in {
		if !gone[i] {
			out = append(out, v)
		}
	}
	return out
}

func eventText(e *plant.StationEvent) string {
	text := e.At.UTC().Format(time.RFC3339Nano) + " " + e.State.String()
	if e.Technology != plant.TechnologyNone {
		text += " " + e.Technology.String()
	}
	if e.LitMillis >= 0 {
		text += fmt.Sprintf(", lit %.3f s", float64(e.LitMillis)/1000)
	}
	if e.Starts >= 0 {
		text += fmt.Sprintf(", %d starts", e.Starts)
	}
	return text
}

func signalText(v *plant.Signal) string {
	return strconv.FormatFloat(v.Value, 'g', -1, 64)
}

// sum is a hash of the batch as it was understood: other facts, another sum.
func (b *batch) sum() [sha256.Size]byte {
	w := summing{Hash: sha256.New()}
	for i := range b.take.Readings {
		r := &b.take.Readings[i]
		w.text(string(r.Register))
		w.numbers(r.At.UnixMicro(), r.Value, r.Modulus)
	}
	for i := range b.take.Events {
		e := &b.take.Events[i]
		w.text(string(e.Station), e.Boot)
		w.numbers(e.Sequence, e.At.UnixMicro(), e.Arrived.UnixMicro(), int64(e.State), int64(e.Technology), e.LitMillis, e.Starts, flag(e.ClockDistrusted), flag(e.LastWill))
	}
	for i := range b.take.Signals {
		v := &b.take.Signals[i]
		w.text(v.Subject, v.Name)
		w.numbers(v.At.UnixMicro(), int64(math.Float64bits(v.Value)))
	}
	for _, r := range b.refused {
		w.numbers(int64(r.problems[0].Line))
		w.text(r.problems[0].Text)
	}
	w.numbers(int64(b.rows), int64(len(b.take.Readings)), int64(len(b.take.Events)), int64(len(b.take.Signals)), int64(len(b.refused)))
	w.flush()
	var sum [sha256.Size]byte
	w.Sum(sum[:0])
	return sum
}

// summing hashes values, each told from its neighbours.
type summing struct {
	hash.Hash
	buf []byte
}

func (w *summing) text(all ...string) {
	for _, s := range all {
		w.buf = binary.AppendUvarint(w.buf, uint64(len(s)))
		w.buf = append(w.buf, s...)
	}
}

func (w *summing) numbers(all ...int64) {
	for _, n := range all {
		w.buf = binary.AppendVarint(w.buf, n)
	}
	if len(w.buf) > 1<<14 {
		w.flush()
	}
}

func (w *summing) flush() {
	w.Write(w.buf) // a hash never fails
	w.buf = w.buf[:0]
}

func flag(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

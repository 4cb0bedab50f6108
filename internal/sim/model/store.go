package model

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
)

// Errors of the store.
var (
	// ErrGap says that a batch is missing before the first one given.
	ErrGap = errors.New("gap in the numbers of the spool")
	// ErrSettled says that another settler was faster.
	ErrSettled = errors.New("these facts were settled by another meanwhile")
	// ErrConflict says that an act contradicts what is recorded.
	ErrConflict = errors.New("contradicts what is recorded")
	// ErrNotFound says that something named is not on record.
	ErrNotFound = errors.New("not found")
)

// Neighbours is how many facts beyond each end of a stretch are given with it.
const Neighbours = ledger.LookAhead + 1

// bridged is how far apart two marks of one target may lie and still be given as
// one.
const bridged = 24 * time.Hour

// Store is a database with the facts and entries of one plant. Each method is one
// transaction.
type Store struct {
	plant *plant.Plant // immutable
	// dependent lists the registers whose entries depend on a signal; immutable.
	dependent map[series][]plant.RegisterID

	mu        sync.Mutex // guards all below
	cursors   map[string]uint64
	readings  map[plant.RegisterID][]plant.Reading     // by instant
	events    map[plant.StationID][]plant.StationEvent // by instant, number and boot
	keys      map[eventKey]bool
	signals   map[series][]plant.Signal // by instant
	refused   int64
	marks     []plant.Mark // by their only id
	lastMark  int64
	entries   map[plant.RegisterID][]plant.Entry // by keyOf
	steps     map[plant.RegisterID][]plant.RegisterEvent
	exchanges map[plant.RegisterID][]plant.Exchange
	rulings   map[plant.RegisterID][]plant.Ruling
	lamps     map[plant.LampSerial]plant.Lamp
	fittings  []plant.Fitting // in the order in which they were recorded
	acts      []plant.TaskAct
	records   map[string]notice.Record
	notices   []notice.Notice // by id, which is the place + 1
	told      map[noticeKey]bool
	posted    []notice.Delivery // in the order in which they were posted
}

type (
	series   struct{ subject, name string }
	eventKey struct {
		station plant.StationID
		boot    string
		number  int64
	}
	noticeKey struct{ subject, transition string }
)

// NewStore makes an empty database of a plant.
func NewStore(p *plant.Plant) *Store {
	s := &Store{
		plant: p, dependent: map[series][]plant.RegisterID{}, cursors: map[string]uint64{},
		readings: map[plant.RegisterID][]plant.Reading{}, events: map[plant.StationID][]plant.StationEvent{}, keys: map[eventKey]bool{},
		signals: map[series][]plant.Signal{}, entries: map[plant.RegisterID][]plant.Entry{}, steps: map[plant.RegisterID][]plant.RegisterEvent{},
		exchanges: map[plant.RegisterID][]plant.Exchange{}, rulings: map[plant.RegisterID][]plant.Ruling{},
		lamps: map[plant.LampSerial]plant.Lamp{}, records: map[string]notice.Record{}, told: map[noticeKey]bool{},
	}
	for _, r := range p.Registers {
		if owner, _ := r.ID.Split(); r.Quantity == plant.QuantityEnergy {
			power := series{owner, plant.SignalPower}
			s.dependent[power] = append(s.dependent[power], r.ID)
		}
		if r.Wear != nil {
			for _, name := range []string{r.Wear.Drive, r.Wear.Temperature} {
				of := series{string(r.Station), name}
				s.dependent[of] = append(s.dependent[of], r.ID)
			}
		}
	}
	return s
}

// Watermark is the number of the newest batch of the spool that is stored; 0 when
// none is.
func (s *Store) Watermark(_ context.Context, spool string) (uint64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cursors[spool], nil
}

// Apply stores batches with their marks and moves the watermark. Batches up to it
// are skipped, a gap after it is ErrGap; the first batch of a spool that is not
// known may have any number.
func (s *Store) Apply(_ context.Context, spool string, batches []plant.Batch) error {
	if len(batches) == 0 {
		return nil
	}
	for i, b := range batches[1:] {
		if b.Sequence != batches[i].Sequence+1 {
			return fmt.Errorf("%w: batch %d follows %d", ErrGap, b.Sequence, batches[i].Sequence)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	before := batches[0].Sequence - 1
	mark, known := s.cursors[spool]
	if !known {
		mark = before
	}
	if mark < before {
		return fmt.Errorf("%w: stored up to %d, given from %d", ErrGap, mark, before+1)
	}
	touched := touch{registers: map[plant.RegisterID]stretch{}, stations: map[plant.StationID]stretch{}}
	for _, b := range batches {
		if b.Sequence > mark {
			s.take(b.Facts, touched)
			mark = b.Sequence
		}
	}
	s.cursors[spool] = mark
	s.markTouched(touched)
	return nil
}

type stretch struct{ from, to time.Time }

// touch is what a transaction touched from when to when.
type touch struct {
	registers map[plant.RegisterID]stretch
	stations  map[plant.StationID]stretch
}

func extend[K comparable](m map[K]stretch, k K, at time.Time) {
	w, ok := m[k]
	if !ok {
		w = stretch{at, at}
	}
	m[k] = stretch{plant.Earlier(w.from, at), plant.Later(w.to, at)}
}

// take stores the facts whose keys are new. What a reading or a signal touches is
// marked even where its key is known, as the real store does; a known event
// touches nothing.
func (s *Store) take(f plant.Facts, touched touch) {
	for _, r := range f.Readings {
		if _, ok := s.plant.FindRegister(r.Register); !ok {
			s.refused++
			continue
		}
		r.At = r.At.UTC().Truncate(time.Microsecond)
		s.readings[r.Register] = insert(s.readings[r.Register], r, func(a, b plant.Reading) int { return a.At.Compare(b.At) })
		extend(touched.registers, r.Register, r.At)
	}
	for _, v := range f.Signals {
		of := series{v.Subject, v.Name}
		v.At = v.At.UTC()
		s.signals[of] = insert(s.signals[of], v, func(a, b plant.Signal) int { return a.At.Compare(b.At) })
		for _, reg := range s.dependent[of] {
			extend(touched.registers, reg, v.At)
		}
	}
	for _, e := range f.Events {
		if _, ok := s.plant.FindStation(e.Station); !ok {
			s.refused++
			continue
		}
		k := eventKey{e.Station, e.Boot, e.Sequence}
		if s.keys[k] {
			continue
		}
		s.keys[k] = true
		e.At, e.Arrived = e.At.UTC(), e.Arrived.UTC()
		s.events[e.Station] = insert(s.events[e.Station], e, inSequence)
		extend(touched.stations, e.Station, e.At)
	}
	s.refused += int64(len(f.Refusals))
}

func inSequence(a, b plant.StationEvent) int {
	return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Sequence, b.Sequence), cmp.Compare(a.Boot, b.Boot))
}

// insert puts a value at its place unless one with the same key is there.
func insert[T any](list []T, v T, order func(a, b T) int) []T {
	if n := len(list); n == 0 || order(list[n-1], v) < 0 {
		return append(list, v)
	}
	i, found := slices.BinarySearchFunc(list, v, order)
	if found {
		return list
	}
	return slices.Insert(list, i, v)
}

func (s *Store) markTouched(t touch) {
	for _, id := range slices.Sorted(maps.Keys(t.registers)) {
		s.mark(plant.Mark{Register: id, From: t.registers[id].from, To: t.registers[id].to})
	}
	for _, id := range slices.Sorted(maps.Keys(t.stations)) {
		s.mark(plant.Mark{Station: id, From: t.stations[id].from, To: t.stations[id].to})
	}
}

func (s *Store) mark(m plant.Mark) {
	s.lastMark++
	m.IDs = []int64{s.lastMark}
	s.marks = append(s.marks, m)
}

// markRegister marks a register from an instant up to its last reading.
func (s *Store) markRegister(reg plant.RegisterID, from time.Time) {
	to := from
	if all := s.readings[reg]; len(all) > 0 {
		to = plant.Later(to, all[len(all)-1].At)
	}
	s.mark(plant.Mark{Register: reg, From: from, To: to})
}

// markStation marks a station and its registers from an instant up to their last
// facts.
func (s *Store) markStation(st plant.StationID, from time.Time) {
	to := from
	if all := s.events[st]; len(all) > 0 {
		to = plant.Later(to, all[len(all)-1].At)
	}
	s.mark(plant.Mark{Station: st, From: from, To: to})
	for _, r := range s.plant.Registers {
		if r.Station != st {
			continue
		}
		last := to
		if all := s.readings[r.ID]; len(all) > 0 {
			last = plant.Later(last, all[len(all)-1].At)
		}
		s.mark(plant.Mark{Register: r.ID, From: from, To: last})
	}
}

// Unsettled gives the oldest marks, at most limit of them, merged by register and
// station where they lie close to each other.
func (s *Store) Unsettled(_ context.Context, limit int) ([]plant.Mark, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	rows := slices.Clone(s.marks[:min(limit, len(s.marks))])
	slices.SortStableFunc(rows, func(a, b plant.Mark) int {
		return cmp.Or(cmp.Compare(a.Register, b.Register), cmp.Compare(a.Station, b.Station), a.From.Compare(b.From))
	})
	var out []plant.Mark
	for _, m := range rows {
		m.IDs = slices.Clone(m.IDs)
		if n := len(out); n > 0 {
			last := &out[n-1]
			if last.Register == m.Register && last.Station == m.Station && m.From.Sub(last.To) <= bridged {
				last.IDs = append(last.IDs, m.IDs...)
				last.To = plant.Later(last.To, m.To)
				continue
			}
		}
		out = append(out, m)
	}
	return out, nil
}

// UnsettledCount is the number of marks that wait.
func (s *Store) UnsettledCount(context.Context) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return int64(len(s.marks)), nil
}

// Replace puts settlements in the place of what was derived before and removes the
// marks that they answer. When a mark is gone it changes nothing and gives
// ErrSettled; when two entries would have one key, or an entry lies outside of its
// settlement or names an unknown lamp, it changes nothing and fails.
func (s *Store) Replace(_ context.Context, marks []plant.Mark, settlements []plant.Settlement) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	answered := map[int64]bool{}
	for _, m := range marks {
		for _, id := range m.IDs {
			answered[id] = true
		}
	}
	left := slices.DeleteFunc(slices.Clone(s.marks), func(m plant.Mark) bool { return answered[m.IDs[0]] })
	if len(s.marks)-len(left) != len(answered) {
		return ErrSettled
	}
	entries, steps := map[plant.RegisterID][]plant.Entry{}, map[plant.RegisterID][]plant.RegisterEvent{}
	for _, w := range settlements {
		if _, done := entries[w.Register]; !done {
			entries[w.Register], steps[w.Register] = slices.Clone(s.entries[w.Register]), slices.Clone(s.steps[w.Register])
		}
		var err error
		if entries[w.Register], err = s.exchangeEntries(entries[w.Register], w); err != nil {
			return err
		}
		steps[w.Register] = exchangeSteps(steps[w.Register], w)
	}
	s.marks = left
	maps.Copy(s.entries, entries)
	maps.Copy(s.steps, steps)
	return nil
}

func (s *Store) exchangeEntries(have []plant.Entry, w plant.Settlement) ([]plant.Entry, error) {
	byStart := func(e plant.Entry, t time.Time) int { return e.Start.Compare(t) }
	lo, _ := slices.BinarySearchFunc(have, w.From, byStart)
	hi, _ := slices.BinarySearchFunc(have, w.To, byStart)
	fresh := slices.SortedFunc(slices.Values(w.Entries), entryOrder)
	for i, e := range fresh {
		if e.Register != w.Register || e.Start.Before(w.From) || !e.Start.Before(w.To) {
			return nil, fmt.Errorf("entry of %s at %s is outside of its settlement", e.Register, e.Start)
		}
		if i > 0 && entryOrder(fresh[i-1], e) == 0 {
			return nil, fmt.Errorf("two entries of %s at %s in one state, technology and lamp", e.Register, e.Start)
		}
		if _, known := s.lamps[e.Lamp]; e.Lamp != "" && !known {
			return nil, fmt.Errorf("lamp %q: %w", e.Lamp, ErrNotFound)
		}
	}
	return slices.Concat(have[:lo], fresh, have[hi:]), nil
}

func entryOrder(a, b plant.Entry) int {
	return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.State, b.State), cmp.Compare(a.Technology, b.Technology), cmp.Compare(a.Lamp, b.Lamp))
}

func exchangeSteps(have []plant.RegisterEvent, w plant.Settlement) []plant.RegisterEvent {
	out := slices.DeleteFunc(have, func(e plant.RegisterEvent) bool { return !e.At.Before(w.From) && e.At.Before(w.To) })
	for _, e := range w.Events {
		out = slices.DeleteFunc(out, func(x plant.RegisterEvent) bool { return x.At.Equal(e.At) && x.Kind == e.Kind })
		out = append(out, e)
	}
	slices.SortStableFunc(out, func(a, b plant.RegisterEvent) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Kind, b.Kind)) })
	return out
}

package store

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// refusedKept is how many refusals of a site are kept; older ones only count.
const refusedKept = 1000

// Flags of a station event.
const (
	flagClockDistrusted int16 = 1
	flagLastWill        int16 = 2
)

// Watermark is the number of the newest batch of the spool that is stored; 0
// when none is.
func (db *DB) Watermark(ctx context.Context, spoolID string) (uint64, error) {
	s, err := db.bound()
	if err != nil {
		return 0, err
	}
	var seq int64
	err = db.pool.QueryRow(ctx, "SELECT seq FROM spool_cursor WHERE site = $1 AND spool = $2", s.id, spoolID).Scan(&seq)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("watermark of spool %s: %w", spoolID, err)
	}
	return uint64(seq), nil
}

// Apply stores batches of one spool in one transaction with their marks and the
// watermark. spoolID is the spool's UUID; the numbers of the batches rise by
// one. Batches up to the watermark are skipped; a gap after it is ErrGap. The
// first batch of a spool that is not known may have any number: the database
// may be younger than the spool.
//
// After an error nothing of the batches is stored, or all of it when the outcome
// of COMMIT is not known; calling again with the same batches is right in both
// cases. Facts of registers and stations that are not in the plant, with
// impossible instants or with text that cannot be stored become refusals.
func (db *DB) Apply(ctx context.Context, spoolID string, batches []plant.Batch) error {
	if len(batches) == 0 {
		return nil
	}
	s, err := db.bound()
	if err != nil {
		return err
	}
	for i, b := range batches[1:] {
		if b.Sequence != batches[i].Sequence+1 {
			return fmt.Errorf("apply spool %s: %w: batch %d follows %d", spoolID, ErrGap, b.Sequence, batches[i].Sequence)
		}
	}
	err = db.apply(ctx, s, spoolID, batches, (*group).copyIn)
	if sqlState(err) == uniqueViolation {
		db.log.Info("some of the facts are stored already; storing the others one by one", "spool", spoolID,
			"first", batches[0].Sequence, "last", batches[len(batches)-1].Sequence)
		err = db.apply(ctx, s, spoolID, batches, (*group).insertMissing)
	}
	if err != nil {
		return fmt.Errorf("apply spool %s: %w", spoolID, err)
	}
	return nil
}

func (db *DB) apply(ctx context.Context, s *site, spoolID string, batches []plant.Batch, write func(*group, context.Context, pgx.Tx) error) error {
	all := sortFacts(s, batches)
	if err := db.ensurePartitions(ctx, all.partitions); err != nil {
		return err
	}
	series, err := db.seriesIDs(ctx, s, all.series)
	if err != nil {
		return err
	}
	return db.tx(ctx, func(tx pgx.Tx) error {
		fresh, err := advance(ctx, tx, s.id, spoolID, batches)
		if err != nil || len(fresh) == 0 {
			return err
		}
		g := all
		if len(fresh) < len(batches) {
			g = sortFacts(s, fresh)
		}
		g.seriesIDs = series
		if err := write(g, ctx, tx); err != nil {
			return err
		}
		if err := g.insertEvents(ctx, tx); err != nil {
			return err
		}
		if err := g.insertMarks(ctx, tx); err != nil {
			return err
		}
		return g.insertRefusals(ctx, tx)
	})
}

// advance locks the spool's watermark, moves it to the last batch and gives the
// batches that are not stored yet. Mostly all of them are new, and one statement
// does it.
func advance(ctx context.Context, tx pgx.Tx, site int16, spoolID string, batches []plant.Batch) ([]plant.Batch, error) {
	before, last := int64(batches[0].Sequence)-1, int64(batches[len(batches)-1].Sequence)
	tag, err := tx.Exec(ctx, "UPDATE spool_cursor SET seq = $4 WHERE site = $1 AND spool = $2 AND seq = $3", site, spoolID, before, last)
	if err != nil || tag.RowsAffected() == 1 {
		return batches, err
	}
	const add = "INSERT INTO spool_cursor (site, spool, seq) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING"
	if _, err := tx.Exec(ctx, add, site, spoolID, before); err != nil {
		return nil, err
	}
	var mark int64
	if err := tx.QueryRow(ctx, "SELECT seq FROM spool_cursor WHERE site = $1 AND spool = $2 FOR UPDATE", site, spoolID).Scan(&mark); err != nil {
		return nil, err
	}
	switch {
	case mark < before:
		return nil, fmt.Errorf("%w: stored up to %d, given from %d", ErrGap, mark, before+1)
	case mark >= last:
		return nil, nil
	}
	_, err = tx.Exec(ctx, "UPDATE spool_cursor SET seq = $3 WHERE site = $1 AND spool = $2", site, spoolID, last)
	return batches[mark-before:], err
}

// group is the facts of some batches, sorted out for the tables, each key once.
type group struct {
	site       *site
	readings   []readingRow
	signals    []signalRow
	events     []eventRow
	refusals   []plant.Refusal // the newest refusedKept
	refused    int64           // all of them
	partitions map[partition]bool
	last       partition // needed last
	lastEnd    time.Time
	series     map[seriesName]bool
	seriesIDs  map[seriesName]int32
	// Marks: what was touched from when to when, by id.
	registers, stations map[int32]stretch
}

type readingRow struct {
	register int32
	at       time.Time
	value    int64
	modulus  *int64
}

type signalRow struct {
	series seriesName
	at     time.Time
	value  float64
}

type eventRow struct {
	station int32
	event   plant.StationEvent
}

type stretch struct{ from, to time.Time }

func touch(m map[int32]stretch, id int32, at time.Time) {
	s, ok := m[id]
	if !ok {
		m[id] = stretch{at, at}
		return
	}
	if at.Before(s.from) {
		s.from = at
	}
	if at.After(s.to) {
		s.to = at
	}
	m[id] = s
}

func sortFacts(s *site, batches []plant.Batch) *group {
	readings := 0
	for i := range batches {
		readings += len(batches[i].Facts.Readings)
	}
	g := &group{
		site: s, readings: make([]readingRow, 0, readings),
		partitions: map[partition]bool{}, series: map[seriesName]bool{},
		registers: map[int32]stretch{}, stations: map[int32]stretch{},
	}
	seen := seenKeys{signals: map[signalKey]struct{}{}, events: map[eventKey]struct{}{}}
	for i := range batches {
		n := &batches[i].Facts
		for _, r := range n.Readings {
			g.addReading(r, &seen)
		}
		for _, v := range n.Signals {
			g.addSignal(v, &seen)
		}
		for _, e := range n.Events {
			g.addEvent(e, &seen)
		}
		for _, r := range n.Refusals {
			g.refuse(r)
		}
	}
	return g
}

// seenKeys are the keys of the group so far: a key twice in one COPY would fail.
type seenKeys struct {
	readings map[instantKey]struct{} // nil while not needed
	signals  map[signalKey]struct{}
	events   map[eventKey]struct{}
}

type (
	instantKey struct {
		id    int32
		micro int64
	}
	signalKey struct {
		series seriesName
		micro  int64
	}
	eventKey struct {
		station int32
		boot    string
		seq     int64
	}
)

// first says whether the key is new and remembers it.
func first[K comparable](seen map[K]struct{}, k K) bool {
	n := len(seen)
	seen[k] = struct{}{}
	return len(seen) > n
}

func (g *group) addReading(r plant.Reading, seen *seenKeys) {
	id, ok := g.site.registers[r.Register]
	switch {
	case !ok:
		g.refuseFact(r.At, string(r.Register), "reading of a register that is not in the configuration — add it, or stop sending it")
		return
	case !plausible(r.At):
		g.refuseFact(r.At, string(r.Register), "reading "+impossible(r.At))
		return
	}
	row := readingRow{register: id, at: r.At.UTC().Truncate(time.Microsecond), value: r.Value}
	if !g.isNew(id, row.at, seen) {
		return
	}
	if r.Modulus != 0 {
		modulus := r.Modulus // not the field of r: all readings would go to the heap
		row.modulus = &modulus
	}
	g.readings = append(g.readings, row)
	g.need("reading", row.at)
	touch(g.registers, id, row.at)
}

// isNew says whether the group holds no reading of the register at the instant.
// While the readings of each register come in order of time, which is nearly
// always, the newest instant decides and no key is remembered.
func (g *group) isNew(id int32, at time.Time, seen *seenKeys) bool {
	if seen.readings == nil {
		if s, ok := g.registers[id]; !ok || at.After(s.to) {
			return true
		}
		seen.readings = make(map[instantKey]struct{}, len(g.readings))
		for _, r := range g.readings {
			seen.readings[instantKey{r.register, r.at.UnixMicro()}] = struct{}{}
		}
	}
	return first(seen.readings, instantKey{id, at.UnixMicro()})
}

func (g *group) addSignal(v plant.Signal, seen *seenKeys) {
	name := seriesName{v.Subject, v.Name}
	switch {
	case !storable(v.Subject) || !storable(v.Name):
		g.refuseFact(v.At, v.Subject, "signal whose name is not text — expected UTF-8")
		return
	case math.IsNaN(v.Value) || math.IsInf(v.Value, 0):
		g.refuseFact(v.At, v.Subject, "signal "+v.Name+" is not a number — expected a finite value")
		return
	case !plausible(v.At):
		g.refuseFact(v.At, v.Subject, "signal "+v.Name+" "+impossible(v.At))
		return
	case !first(seen.signals, signalKey{name, v.At.UnixMicro()}):
		return
	}
	g.series[name] = true
	g.signals = append(g.signals, signalRow{name, v.At.UTC(), v.Value})
	for _, id := range g.site.sampled[name] {
		touch(g.registers, id, v.At.UTC())
	}
	g.need("signal", v.At)
}

func (g *group) addEvent(e plant.StationEvent, seen *seenKeys) {
	id, ok := g.site.stations[e.Station]
	switch {
	case !ok:
		g.refuseFact(e.At, string(e.Station), "event of a station that is not in the configuration — add it, or stop sending it")
		return
	case !plausible(e.At) || !plausible(e.Arrived):
		g.refuseFact(e.At, string(e.Station), "event "+impossible(e.At))
		return
	case !storable(e.Boot):
		g.refuseFact(e.At, string(e.Station), "event whose boot id is not text — expected UTF-8")
		return
	case !first(seen.events, eventKey{id, e.Boot, e.Sequence}):
		return
	}
	g.events = append(g.events, eventRow{id, e})
}

// need remembers the partition of an instant. Successive facts mostly share it,
// so the last one is looked at first.
func (g *group) need(table string, at time.Time) {
	if l := g.last; l.table == table && !at.Before(l.month) && at.Before(g.lastEnd) {
		return
	}
	g.last = partitionOf(table, at)
	g.lastEnd = g.last.month.AddDate(0, 1, 0)
	g.partitions[g.last] = true
}

func (g *group) refuseFact(at time.Time, source, reason string) {
	g.refuse(plant.Refusal{At: at, Source: source, Reason: reason})
}

func (g *group) refuse(r plant.Refusal) {
	g.refused++
	if len(g.refusals) == refusedKept {
		g.refusals = append(g.refusals[:0], g.refusals[1:]...)
	}
	r.Source, r.Reason = text(r.Source), text(r.Reason)
	r.Payload = r.Payload[:min(len(r.Payload), plant.MaxRefusalPayload)]
	switch {
	case r.At.Before(firstInstant):
		r.At = firstInstant
	case !plausible(r.At):
		r.At = lastInstant
	}
	g.refusals = append(g.refusals, r)
}

func impossible(at time.Time) string {
	return fmt.Sprintf("of %s: expected an instant of the years 2000 to 2099 — set the clock of the device", at.UTC().Format(time.RFC3339))
}

// storable says whether PostgreSQL can keep the text.
func storable(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }

// text replaces what PostgreSQL cannot keep.
func text(s string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}

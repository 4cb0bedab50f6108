package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// Replace puts settlements in the place of what was derived before and removes
// the marks that they answer, in one transaction. Settlements of one call must
// not overlap. When a mark is gone, another settler has answered it since it was
// read, perhaps from facts that these settlements do not know: then nothing is
// replaced and the error is ErrSettled.
func (db *DB) Replace(ctx context.Context, marks []plant.Mark, settlements []plant.Settlement) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	r, err := s.replacement(settlements)
	if err != nil {
		return fmt.Errorf("replace entries: %w", err)
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		if err := r.lockAndDelete(ctx, tx); err != nil {
			return err
		}
		if err := r.copyEntries(ctx, tx); err != nil {
			return err
		}
		if err := r.copyEvents(ctx, tx); err != nil {
			return err
		}
		var ids []int64
		for _, m := range marks {
			ids = append(ids, m.IDs...)
		}
		tag, err := tx.Exec(ctx, "DELETE FROM unsettled WHERE site = $1 AND id = ANY($2)", s.id, ids)
		if err == nil && tag.RowsAffected() != int64(len(ids)) {
			err = ErrSettled
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("replace entries: %w", err)
	}
	return nil
}

// replacement is the settlements of one call by register id.
type replacement struct {
	site     int16
	ids      []int32
	from, to []time.Time
	entries  []entryRow
	events   []eventOf
}

type entryRow struct {
	register int32
	entry    *plant.Entry
}

type eventOf struct {
	register int32
	event    *plant.RegisterEvent
}

func (s *site) replacement(settlements []plant.Settlement) (*replacement, error) {
	r := &replacement{site: s.id}
	for i := range settlements {
		st := &settlements[i]
		id, err := s.register(st.Register)
		if err != nil {
			return nil, err
		}
		r.ids, r.from, r.to = append(r.ids, id), append(r.from, st.From.UTC()), append(r.to, st.To.UTC())
		for j := range st.Entries {
			e := &st.Entries[j]
			if e.Register != st.Register || e.Start.Before(st.From) || !e.Start.Before(st.To) {
				return nil, fmt.Errorf("entry of %s at %s is outside of its settlement of %s from %s to %s", e.Register, e.Start, st.Register, st.From, st.To)
			}
			r.entries = append(r.entries, entryRow{id, e})
		}
		for j := range st.Events {
			r.events = append(r.events, eventOf{id, &st.Events[j]})
		}
	}
	return r, nil
}

// lockAndDelete makes settlers of the same register take turns and removes what
// was derived before.
func (r *replacement) lockAndDelete(ctx context.Context, tx pgx.Tx) error {
	ids := slices.Clone(r.ids)
	slices.Sort(ids)
	if _, err := tx.Exec(ctx, "SELECT FROM register WHERE site = $1 AND id = ANY($2) ORDER BY id FOR NO KEY UPDATE", r.site, slices.Compact(ids)); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `DELETE FROM entry e USING unnest($2::int[], $3::timestamptz[], $4::timestamptz[]) AS s (register, a, b)
		WHERE e.site = $1 AND e.register = s.register AND e.start >= s.a AND e.start < s.b`, r.site, r.ids, r.from, r.to); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `DELETE FROM register_event e USING unnest($2::int[], $3::timestamptz[], $4::timestamptz[]) AS s (register, a, b)
		WHERE e.site = $1 AND e.register = s.register AND e.at >= s.a AND e.at < s.b`, r.site, r.ids, r.from, r.to)
	return err
}

func (r *replacement) copyEntries(ctx context.Context, tx pgx.Tx) error {
	if len(r.entries) == 0 {
		return nil
	}
	lamps, err := names[plant.LampSerial](ctx, tx, "SELECT serial, id FROM lamp WHERE site = $1", r.site)
	if err != nil {
		return err
	}
	lamps[""] = 0
	// Looked up before COPY, which would hide what the error is.
	for _, row := range r.entries {
		if _, ok := lamps[row.entry.Lamp]; !ok {
			return fmt.Errorf("lamp %q: %w — fit it first", row.entry.Lamp, ErrNotFound)
		}
	}
	rows := pgx.CopyFromSlice(len(r.entries), func(i int) ([]any, error) {
		e := r.entries[i].entry
		return []any{r.site, r.entries[i].register, e.Start.UTC(), int16(e.State), int16(e.Technology), lamps[e.Lamp], e.Amount, int16(e.Quality)}, nil
	})
	_, err = tx.CopyFrom(ctx, pgx.Identifier{"entry"},
		[]string{"site", "register", "start", "state", "technology", "lamp", "amount", "quality"}, rows)
	return err
}

func (r *replacement) copyEvents(ctx context.Context, tx pgx.Tx) error {
	if len(r.events) == 0 {
		return nil
	}
	// An event may lie at the instant of a fact just outside of the settlement.
	_, err := tx.Exec(ctx, `INSERT INTO register_event (site, register, at, kind, before, after)
		SELECT $1, * FROM unnest($2::int[], $3::timestamptz[], $4::smallint[], $5::bigint[], $6::bigint[])
		ON CONFLICT (site, register, at, kind) DO UPDATE SET before = EXCLUDED.before, after = EXCLUDED.after`, r.site,
		column(r.events, func(e eventOf) int32 { return e.register }),
		column(r.events, func(e eventOf) time.Time { return e.event.At }),
		column(r.events, func(e eventOf) int16 { return int16(e.event.Kind) }),
		column(r.events, func(e eventOf) int64 { return e.event.Before }),
		column(r.events, func(e eventOf) int64 { return e.event.After }))
	return err
}

// Entries gives the entries of a register whose interval starts in [from, to),
// by start, state, technology and lamp.
func (db *DB) Entries(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Entry, error) {
	_, id, err := db.ofRegister(reg)
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.Entry, error) {
		e := plant.Entry{Register: reg}
		err := row.Scan(&e.Start, &e.State, &e.Technology, &e.Lamp, &e.Amount, &e.Quality)
		e.Start = e.Start.UTC()
		return e, err
	}
	all, err := collect(ctx, db, scan, `SELECT e.start, e.state, e.technology, coalesce(l.serial, ''), e.amount, e.quality
		FROM entry e LEFT JOIN lamp l ON l.site = e.site AND l.id = e.lamp
		WHERE e.site = $1 AND e.register = $2 AND e.start >= $3 AND e.start < $4
		ORDER BY e.start, e.state, e.technology, 4`, id, from.UTC(), to.UTC())
	if err != nil {
		return nil, fmt.Errorf("entries of %s: %w", reg, err)
	}
	return all, nil
}

// notWear is the condition that a register r is none of weighed lit time, whose
// values are judged with those of the lit time that it weighs.
const notWear = "r.name NOT LIKE '%/" + plant.ValueWear + "'"

// RegisterEvents gives the newest events of all registers, newest first: those
// of one kind, or all for StepNormal, which is never an event.
func (db *DB) RegisterEvents(ctx context.Context, kind plant.StepKind, limit int) ([]plant.RegisterEvent, error) {
	scan := func(row pgx.CollectableRow) (plant.RegisterEvent, error) {
		var e plant.RegisterEvent
		err := row.Scan(&e.Register, &e.At, &e.Kind, &e.Before, &e.After)
		e.At = e.At.UTC()
		return e, err
	}
	return collect(ctx, db, scan, `SELECT r.name, e.at, e.kind, e.before, e.after FROM register_event e
		JOIN register r ON r.site = e.site AND r.id = e.register
		WHERE e.site = $1 AND ($2 = 0 OR e.kind = $2) AND `+notWear+` ORDER BY e.at DESC, r.name, e.kind LIMIT $3`, int16(kind), limit)
}

// HeldCount counts the values that are held out of their curves because they
// cannot be true.
func (db *DB) HeldCount(ctx context.Context) (int64, error) {
	s, err := db.bound()
	if err != nil {
		return 0, err
	}
	var n int64
	err = db.pool.QueryRow(ctx, "SELECT count(*) FROM register_event e JOIN register r ON r.site = e.site AND r.id = e.register WHERE e.site = $1 AND e.kind = $2 AND "+notWear, s.id, int16(plant.StepImplausible)).Scan(&n)
	return n, err
}

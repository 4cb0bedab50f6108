package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// maxReceipt bounds the lamps of one receipt.
const maxReceipt = 1000

// ReceiveLamps records that lamps came into the store, all of them or none, and
// gives their serials. A lamp that is in a station or is a spare already is
// ErrConflict; one that was taken out or disposed of comes back as a spare.
func (db *DB) ReceiveLamps(ctx context.Context, r plant.Receipt) ([]plant.LampSerial, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	if n := len(r.Serials) + r.Count; n < 1 || n > maxReceipt || r.Count < 0 {
		return nil, fmt.Errorf("receive %d lamps: expected 1 to %d", n, maxReceipt)
	}
	if !plausible(r.At) {
		return nil, fmt.Errorf("receive lamps at %s: expected an instant of the years 2000 to 2099", r.At.UTC().Format(time.RFC3339))
	}
	var all []plant.LampSerial
	err = db.tx(ctx, func(tx pgx.Tx) error {
		all = slices.Sorted(slices.Values(r.Serials)) // rows are locked in one order
		made, err := makeUp(ctx, tx, s.id, r)
		if err != nil {
			return err
		}
		for _, serial := range all {
			if err := receive(ctx, tx, s.id, serial, r); err != nil {
				return fmt.Errorf("receive lamp %s: %w", serial, err)
			}
		}
		for _, serial := range made {
			if err := receive(ctx, tx, s.id, serial, r); err != nil {
				return fmt.Errorf("receive lamp %s: %w", serial, err)
			}
		}
		all = append(all, made...)
		return nil
	})
	return all, err
}

// makeUp adds lamps whose serials are the kind and the next free numbers. The row
// of the site is locked, so that two receipts at once do not take the same.
func makeUp(ctx context.Context, tx pgx.Tx, site int16, r plant.Receipt) ([]plant.LampSerial, error) {
	if r.Count == 0 {
		return nil, nil
	}
	if _, err := tx.Exec(ctx, "SELECT FROM site WHERE id = $1 FOR UPDATE", site); err != nil {
		return nil, err
	}
	var number int
	if err := tx.QueryRow(ctx, "SELECT count(*) FROM lamp WHERE site = $1 AND kind = $2 AND made_up", site, r.Kind).Scan(&number); err != nil {
		return nil, err
	}
	var made []plant.LampSerial
	for len(made) < r.Count {
		number++
		serial := plant.LampSerial(fmt.Sprintf("%s-s%d", r.Kind, number))
		tag, err := tx.Exec(ctx, `INSERT INTO lamp (site, id, serial, kind, made_up) SELECT $1, coalesce(max(id), 0) + 1, $2, $3, true FROM lamp WHERE site = $1
			ON CONFLICT (site, serial) DO NOTHING`, site, serial, r.Kind)
		if err != nil {
			return nil, err
		}
		if tag.RowsAffected() == 1 {
			made = append(made, serial)
		}
	}
	return made, nil
}

func receive(ctx context.Context, tx pgx.Tx, site int16, serial plant.LampSerial, r plant.Receipt) error {
	if strings.TrimSpace(string(serial)) == "" || !storable(string(serial)) {
		return errors.New("expected the serial of the lamp")
	}
	lamp, err := lockLamp(ctx, tx, site, serial, r.Kind)
	if err != nil {
		return err
	}
	last, err := whereabouts(ctx, tx, site, lamp)
	switch {
	case err != nil:
		return err
	case last.station != "":
		return fmt.Errorf("%w: it is in %s since %s — record its removal first", ErrConflict, last.station, last.at.Format(time.RFC3339))
	case last.movement == plant.MovementReceived:
		return fmt.Errorf("%w: it is in the store since %s", ErrConflict, last.at.Format(time.RFC3339))
	case !last.at.IsZero() && !r.At.After(last.at):
		return fmt.Errorf("%w: it left at %s — give a later instant than that", ErrConflict, last.at.Format(time.RFC3339))
	}
	return moveLamp(ctx, tx, site, lamp, plant.LampMovement{Lamp: serial, At: r.At, Movement: plant.MovementReceived, By: r.By, Note: r.Note})
}

// lastSeen is the last thing that is on record of a lamp: that it is in a station
// (station), that it was taken out of one (removed), or a movement of the store.
// All are empty for a lamp without any record.
type lastSeen struct {
	at       time.Time
	station  string
	removed  string // reason
	movement plant.Movement
}

func whereabouts(ctx context.Context, tx pgx.Tx, site int16, lamp int32) (lastSeen, error) {
	var l lastSeen
	err := tx.QueryRow(ctx, `SELECT at, station, reason, movement FROM (
			SELECT coalesce(f.removed, f.fitted) AS at, CASE WHEN f.removed IS NULL THEN s.name ELSE '' END AS station, f.reason, '' AS movement, 0::bigint AS id
			FROM lamp_fitting f JOIN station s ON s.site = f.site AND s.id = f.station WHERE f.site = $1 AND f.lamp = $2
			UNION ALL SELECT at, '', '', movement, id FROM lamp_movement WHERE site = $1 AND lamp = $2
		) x ORDER BY station DESC, at DESC, id DESC LIMIT 1`, site, lamp).Scan(&l.at, &l.station, &l.removed, &l.movement)
	if errors.Is(err, pgx.ErrNoRows) {
		return l, nil
	}
	l.at = l.at.UTC()
	return l, err
}

// moveLamp adds a movement and its audit row.
func moveLamp(ctx context.Context, tx pgx.Tx, site int16, lamp int32, m plant.LampMovement) error {
	if _, err := tx.Exec(ctx, "INSERT INTO lamp_movement (site, lamp, at, movement, by, note) VALUES ($1, $2, $3, $4, $5, $6)",
		site, lamp, m.At.UTC(), string(m.Movement), text(m.By), text(m.Note)); err != nil {
		return err
	}
	return audit(ctx, tx, site, AuditRow{By: m.By, Action: string(m.Movement), Subject: string(m.Lamp),
		Detail: strings.TrimSpace(fmt.Sprintf("at %s %s", m.At.UTC().Format(time.RFC3339), m.Note))})
}

// DisposeLamps records that lamps left the plant, all of them or none: those that
// were taken out of a station, or spares that are of no use. One in a station,
// one that was never known and one that left already are refused.
func (db *DB) DisposeLamps(ctx context.Context, serials []plant.LampSerial, m plant.LampMovement) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	if !plausible(m.At) {
		return fmt.Errorf("dispose of lamps at %s: expected an instant of the years 2000 to 2099", m.At.UTC().Format(time.RFC3339))
	}
	return db.tx(ctx, func(tx pgx.Tx) error {
		for _, serial := range slices.Compact(slices.Sorted(slices.Values(serials))) {
			m.Lamp, m.Movement = serial, plant.MovementDisposed
			if err := dispose(ctx, tx, s.id, m); err != nil {
				return fmt.Errorf("dispose of lamp %s: %w", serial, err)
			}
		}
		return nil
	})
}

func dispose(ctx context.Context, tx pgx.Tx, site int16, m plant.LampMovement) error {
	lamp, err := lockLamp(ctx, tx, site, m.Lamp, "")
	if err != nil {
		return err
	}
	last, err := whereabouts(ctx, tx, site, lamp)
	switch {
	case err != nil:
		return err
	case last.station != "":
		return fmt.Errorf("%w: it is in %s since %s — record its removal first", ErrConflict, last.station, last.at.Format(time.RFC3339))
	case last.movement == plant.MovementDisposed || last.movement == plant.MovementNamed:
		return fmt.Errorf("%w: it left the store at %s", ErrConflict, last.at.Format(time.RFC3339))
	case m.At.Before(last.at):
		return fmt.Errorf("%w: it came into the store at %s — give a later instant than that", ErrConflict, last.at.Format(time.RFC3339))
	}
	return moveLamp(ctx, tx, site, lamp, m)
}

// fromStore makes sure that the store can give the lamp at the instant of a
// fitting, and takes a spare with a made-up serial out where a lamp that nobody
// knew is fitted: it is that spare under its own serial.
func fromStore(ctx context.Context, tx pgx.Tx, site int16, lamp int32, f plant.Fitting) error {
	var first, last *time.Time
	var movement string
	err := tx.QueryRow(ctx, `SELECT (SELECT min(at) FROM lamp_movement WHERE site = $1 AND lamp = $2),
		(SELECT at FROM lamp_movement WHERE site = $1 AND lamp = $2 AND at <= $3 ORDER BY at DESC, id DESC LIMIT 1),
		coalesce((SELECT movement FROM lamp_movement WHERE site = $1 AND lamp = $2 AND at <= $3 ORDER BY at DESC, id DESC LIMIT 1), '')`,
		site, lamp, f.From.UTC()).Scan(&first, &last, &movement)
	if err != nil {
		return err
	}
	var known bool
	if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM lamp_fitting WHERE site = $1 AND lamp = $2)", site, lamp).Scan(&known); err != nil {
		return err
	}
	switch m := plant.Movement(movement); {
	case m == plant.MovementDisposed, m == plant.MovementNamed:
		return fmt.Errorf("%w: it left the store at %s — record with lamp receive that it came back", ErrConflict, last.UTC().Format(time.RFC3339))
	case m == plant.MovementReceived, known:
		return nil
	case first != nil:
		return fmt.Errorf("%w: it came into the store at %s — give a later instant than that", ErrConflict, first.UTC().Format(time.RFC3339))
	}
	return takeUnnamed(ctx, tx, site, lamp, f)
}

// takeUnnamed takes the oldest spare with a made-up serial of the lamp's kind out
// of the store, where there is one.
func takeUnnamed(ctx context.Context, tx pgx.Tx, site int16, lamp int32, f plant.Fitting) error {
	var spare int32
	var serial plant.LampSerial
	err := tx.QueryRow(ctx, `SELECT l.id, l.serial FROM lamp l JOIN lamp_movement m ON m.site = l.site AND m.lamp = l.id
		WHERE l.site = $1 AND l.made_up AND l.id <> $2 AND l.kind = (SELECT kind FROM lamp WHERE site = $1 AND id = $2) AND m.at <= $3
		AND NOT EXISTS (SELECT FROM lamp_movement o WHERE o.site = l.site AND o.lamp = l.id AND o.movement <> 'received')
		AND NOT EXISTS (SELECT FROM lamp_fitting o WHERE o.site = l.site AND o.lamp = l.id)
		ORDER BY m.at, l.id LIMIT 1 FOR NO KEY UPDATE OF l`, site, lamp, f.From.UTC()).Scan(&spare, &serial)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	// It may have been disposed of while its row was waited for.
	if last, err := whereabouts(ctx, tx, site, spare); err != nil {
		return err
	} else if last.movement != plant.MovementReceived {
		return takeUnnamed(ctx, tx, site, lamp, f)
	}
	return moveLamp(ctx, tx, site, spare, plant.LampMovement{
		Lamp: serial, At: f.From, Movement: plant.MovementNamed, By: f.By, Note: "fitted as " + string(f.Lamp),
	})
}

// LampMovements gives all movements of the store, oldest first.
func (db *DB) LampMovements(ctx context.Context) ([]plant.LampMovement, error) {
	scan := func(row pgx.CollectableRow) (plant.LampMovement, error) {
		var m plant.LampMovement
		err := row.Scan(&m.Lamp, &m.At, &m.Movement, &m.By, &m.Note)
		m.At = m.At.UTC()
		return m, err
	}
	return collect(ctx, db, scan, `SELECT l.serial, m.at, m.movement, m.by, m.note FROM lamp_movement m
		JOIN lamp l ON l.site = m.site AND l.id = m.lamp WHERE m.site = $1 ORDER BY m.at, m.id`)
}

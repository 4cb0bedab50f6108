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

// FitLamp records that a lamp was put into a station at f.From, by f.By; f.To
// and f.Reason are set only for a fitting that is over already. kind names the
// lamp's kind and may be empty for a lamp that is known. A lamp that is
// elsewhere at that time, or a station that holds another lamp, is ErrConflict.
func (db *DB) FitLamp(ctx context.Context, f plant.Fitting, kind string) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	station, err := s.station(f.Station)
	if err == nil {
		err = checkFitting(f)
	}
	if err != nil {
		return fmt.Errorf("fit lamp %s: %w", f.Lamp, err)
	}
	err = db.tx(ctx, func(tx pgx.Tx) error { return fitLamp(ctx, tx, s.id, station, lampFitting{f, kind}) })
	if err != nil {
		return fmt.Errorf("fit lamp %s: %w", f.Lamp, err)
	}
	return nil
}

// lampFitting is a fitting with the lamp's kind, which is empty for a lamp that
// is known.
type lampFitting struct {
	plant.Fitting
	kind string
}

func fitLamp(ctx context.Context, tx pgx.Tx, site int16, station int32, f lampFitting) error {
	lamp, err := lockLamp(ctx, tx, site, f.Lamp, f.kind)
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, "SELECT FROM station WHERE site = $1 AND id = $2 FOR NO KEY UPDATE", site, station); err != nil {
		return err
	}
	if err := checkFree(ctx, tx, site, lamp, station, f.Fitting); err != nil {
		return err
	}
	if err := fromStore(ctx, tx, site, lamp, f.Fitting); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `INSERT INTO lamp_fitting (site, lamp, station, fitted, removed, reason, by) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		site, lamp, station, f.From.UTC(), until(f.To), f.Reason, text(f.By)); err != nil {
		return err
	}
	if err := markStation(ctx, tx, site, station, f.From); err != nil {
		return err
	}
	return audit(ctx, tx, site, AuditRow{By: f.By, Action: "fit", Subject: string(f.Lamp), Detail: fmt.Sprintf("into %s at %s", f.Station, f.From.UTC().Format(time.RFC3339))})
}

func checkFitting(f plant.Fitting) error {
	switch {
	case strings.TrimSpace(string(f.Lamp)) == "" || !storable(string(f.Lamp)):
		return errors.New("expected the serial of the lamp")
	case !plausible(f.From):
		return fmt.Errorf("fitted at %s: expected an instant of the years 2000 to 2099", f.From.UTC().Format(time.RFC3339))
	case f.To.IsZero():
		return nil
	case !f.To.After(f.From):
		return fmt.Errorf("removed at %s: expected an instant after it was fitted at %s", f.To.UTC().Format(time.RFC3339), f.From.UTC().Format(time.RFC3339))
	default:
		return checkReason(f.Reason)
	}
}

func checkReason(reason string) error {
	if !slices.Contains(plant.RemovalReasons(), reason) {
		return fmt.Errorf("reason %q: expected one of %s", reason, strings.Join(plant.RemovalReasons(), ", "))
	}
	return nil
}

func until(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// lockLamp finds or makes the lamp and locks its row. Lamp rows are locked
// before station rows.
func lockLamp(ctx context.Context, tx pgx.Tx, site int16, serial plant.LampSerial, kind string) (id int32, err error) {
	if kind != "" {
		if _, err := tx.Exec(ctx, "SELECT FROM site WHERE id = $1 FOR UPDATE", site); err != nil {
			return 0, err
		}
		if _, err := tx.Exec(ctx, `INSERT INTO lamp (site, id, serial, kind) SELECT $1, coalesce(max(id), 0) + 1, $2, $3 FROM lamp WHERE site = $1
			ON CONFLICT (site, serial) DO NOTHING`, site, serial, kind); err != nil {
			return 0, err
		}
	}
	var known string
	err = tx.QueryRow(ctx, "SELECT id, kind FROM lamp WHERE site = $1 AND serial = $2 FOR NO KEY UPDATE", site, serial).Scan(&id, &known)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return 0, fmt.Errorf("%w: it was never received or fitted — give its kind to make it known", ErrNotFound)
	case err != nil:
		return 0, err
	case kind != "" && known != kind:
		return 0, fmt.Errorf("%w: it is of kind %s, not %s", ErrConflict, known, kind)
	}
	return id, nil
}

// checkFree makes sure that neither the lamp nor the station is taken at any
// time of the fitting.
func checkFree(ctx context.Context, tx pgx.Tx, site int16, lamp, station int32, f plant.Fitting) error {
	var serial, name string
	var fitted time.Time
	var removed *time.Time
	err := tx.QueryRow(ctx, `SELECT l.serial, s.name, f.fitted, f.removed FROM lamp_fitting f
		JOIN lamp l ON l.site = f.site AND l.id = f.lamp JOIN station s ON s.site = f.site AND s.id = f.station
		WHERE f.site = $1 AND (f.lamp = $2 OR f.station = $3)
		AND f.fitted < coalesce($5, 'infinity'::timestamptz) AND $4 < coalesce(f.removed, 'infinity'::timestamptz)
		ORDER BY f.lamp = $2 DESC, f.fitted LIMIT 1`, site, lamp, station, f.From.UTC(), until(f.To)).Scan(&serial, &name, &fitted, &removed)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil
	case err != nil:
		return err
	}
	end := "now — record its removal first"
	if removed != nil {
		end = removed.UTC().Format(time.RFC3339) + " — give a later instant"
	}
	if serial == string(f.Lamp) {
		return fmt.Errorf("%w: the lamp is in %s from %s to %s", ErrConflict, name, fitted.UTC().Format(time.RFC3339), end)
	}
	return fmt.Errorf("%w: station %s holds lamp %s from %s to %s", ErrConflict, name, serial, fitted.UTC().Format(time.RFC3339), end)
}

// RemoveLamp records that a lamp was taken out of the station it is in, at an
// instant, for one of plant.RemovalReasons.
func (db *DB) RemoveLamp(ctx context.Context, serial plant.LampSerial, at time.Time, reason, by string) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	if err := checkReason(reason); err != nil {
		return fmt.Errorf("remove lamp %s: %w", serial, err)
	}
	err = db.tx(ctx, func(tx pgx.Tx) error {
		return removeLamp(ctx, tx, s.id, plant.Fitting{Lamp: serial, To: at, Reason: reason, By: by})
	})
	if err != nil {
		return fmt.Errorf("remove lamp %s: %w", serial, err)
	}
	return nil
}

// removeLamp ends the fitting of f.Lamp at f.To; f.By is who took it out.
func removeLamp(ctx context.Context, tx pgx.Tx, site int16, f plant.Fitting) error {
	lamp, err := lockLamp(ctx, tx, site, f.Lamp, "")
	if err != nil {
		return err
	}
	var station int32
	var name string
	var fitted time.Time
	err = tx.QueryRow(ctx, `SELECT f.station, s.name, f.fitted FROM lamp_fitting f JOIN station s ON s.site = f.site AND s.id = f.station
		WHERE f.site = $1 AND f.lamp = $2 AND f.removed IS NULL`, site, lamp).Scan(&station, &name, &fitted)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return fmt.Errorf("%w: it is in no station", ErrConflict)
	case err != nil:
		return err
	case !f.To.After(fitted) || !plausible(f.To):
		return fmt.Errorf("%w: it was fitted in %s at %s — give a later instant than that", ErrConflict, name, fitted.UTC().Format(time.RFC3339))
	}
	if _, err := tx.Exec(ctx, "UPDATE lamp_fitting SET removed = $4, reason = $5 WHERE site = $1 AND lamp = $2 AND fitted = $3",
		site, lamp, fitted, f.To.UTC(), f.Reason); err != nil {
		return err
	}
	if err := markStation(ctx, tx, site, station, f.To); err != nil {
		return err
	}
	return auditRemoval(ctx, tx, site, name, f)
}

func auditRemoval(ctx context.Context, tx pgx.Tx, site int16, station string, f plant.Fitting) error {
	return audit(ctx, tx, site, AuditRow{By: f.By, Action: "remove", Subject: string(f.Lamp), Detail: fmt.Sprintf("from %s at %s: %s", station, f.To.UTC().Format(time.RFC3339), f.Reason)})
}

// LampChange is a fitting to record, or the end of one on record.
type LampChange struct {
	plant.Fitting
	Kind string // of a lamp that is not known
	// Recorded: the fitting is on record and still lasts; it ends at To.
	Recorded  bool
	RemovedBy string // who ended it, where To is set
}

// ChangeLamps records lamp changes of the past in one transaction: all of them,
// or none where one contradicts what is recorded (ErrConflict). Fittings on
// record end before others begin.
func (db *DB) ChangeLamps(ctx context.Context, changes []LampChange) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	return db.tx(ctx, func(tx pgx.Tx) error {
		for _, c := range changes {
			if !c.Recorded {
				continue
			}
			err := checkReason(c.Reason)
			if err == nil {
				err = removeLamp(ctx, tx, s.id, plant.Fitting{Lamp: c.Lamp, To: c.To, Reason: c.Reason, By: c.RemovedBy})
			}
			if err != nil {
				return fmt.Errorf("remove lamp %s: %w", c.Lamp, err)
			}
		}
		for _, c := range changes {
			if c.Recorded {
				continue
			}
			if err := fitInPast(ctx, tx, s, c); err != nil {
				return fmt.Errorf("fit lamp %s: %w", c.Lamp, err)
			}
		}
		return nil
	})
}

func fitInPast(ctx context.Context, tx pgx.Tx, s *site, c LampChange) error {
	station, err := s.station(c.Station)
	if err == nil {
		err = checkFitting(c.Fitting)
	}
	if err == nil {
		err = fitLamp(ctx, tx, s.id, station, lampFitting{c.Fitting, c.Kind})
	}
	if err != nil || c.To.IsZero() {
		return err
	}
	return auditRemoval(ctx, tx, s.id, string(c.Station), plant.Fitting{Lamp: c.Lamp, To: c.To, Reason: c.Reason, By: c.RemovedBy})
}

// Lamps gives all lamps by serial.
func (db *DB) Lamps(ctx context.Context) ([]plant.Lamp, error) {
	return collect(ctx, db, pgx.RowToStructByPos[plant.Lamp], "SELECT serial, kind, made_up FROM lamp WHERE site = $1 ORDER BY serial")
}

// Fittings gives the fittings of one station, oldest first.
func (db *DB) Fittings(ctx context.Context, st plant.StationID) ([]plant.Fitting, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	id, err := s.station(st)
	if err != nil {
		return nil, err
	}
	return db.fittings(ctx, "AND f.station = $2 ORDER BY f.fitted", id)
}

// AllFittings gives the fittings of all stations, by station and then oldest
// first.
func (db *DB) AllFittings(ctx context.Context) ([]plant.Fitting, error) {
	return db.fittings(ctx, "ORDER BY s.name, f.fitted")
}

func (db *DB) fittings(ctx context.Context, tail string, args ...any) ([]plant.Fitting, error) {
	scan := func(row pgx.CollectableRow) (plant.Fitting, error) {
		var f plant.Fitting
		var removed *time.Time
		err := row.Scan(&f.Lamp, &f.Station, &f.From, &removed, &f.Reason, &f.By)
		f.From = f.From.UTC()
		if removed != nil {
			f.To = removed.UTC()
		}
		return f, err
	}
	return collect(ctx, db, scan, `SELECT l.serial, s.name, f.fitted, f.removed, f.reason, f.by FROM lamp_fitting f
		JOIN lamp l ON l.site = f.site AND l.id = f.lamp JOIN station s ON s.site = f.site AND s.id = f.station
		WHERE f.site = $1 `+tail, args...)
}

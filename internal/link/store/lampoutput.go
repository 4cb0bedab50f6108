package store

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// RecordOutput records the output of the lamp in a station as a person read it.
func (db *DB) RecordOutput(ctx context.Context, r plant.OutputReading) error {
	s, err := db.bound()
	if err != nil {
		return err
	}
	station, err := s.station(r.Station)
	positive := func(v float64) bool { return v > 0 && !math.IsInf(v, 0) }
	switch {
	case err != nil:
	case !plausible(r.At):
		err = fmt.Errorf("read at %s: expected an instant of the years 2000 to 2099", r.At.UTC().Format(time.RFC3339))
	case !positive(r.Irradiance) || !positive(r.Drive):
		err = fmt.Errorf("irradiance %v at a drive of %v: expected both above 0", r.Irradiance, r.Drive)
	}
	if err != nil {
		return fmt.Errorf("record output of %s: %w", r.Station, err)
	}
	return db.tx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO lamp_output (site, station, at, irradiance, drive, instrument, cleaned, by, note) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			s.id, station, r.At.UTC(), r.Irradiance, r.Drive, text(r.Instrument), r.Cleaned, text(r.By), text(r.Note)); err != nil {
			return fmt.Errorf("record output of %s: %w", r.Station, err)
		}
		return audit(ctx, tx, s.id, AuditRow{By: r.By, Action: "output", Subject: string(r.Station),
			Detail: fmt.Sprintf("%v W/cm² at %s: %s", r.Irradiance, r.At.UTC().Format(time.RFC3339), r.Note)})
	})
}

// OutputReadings gives what people read at one station, oldest first.
func (db *DB) OutputReadings(ctx context.Context, st plant.StationID) ([]plant.OutputReading, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	id, err := s.station(st)
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.OutputReading, error) {
		r := plant.OutputReading{Station: st}
		err := row.Scan(&r.At, &r.Irradiance, &r.Drive, &r.Instrument, &r.Cleaned, &r.By, &r.Note)
		r.At = r.At.UTC()
		return r, err
	}
	return collect(ctx, db, scan, "SELECT at, irradiance, drive, instrument, cleaned, by, note FROM lamp_output WHERE site = $1 AND station = $2 ORDER BY at, id", id)
}

// DailyHighs gives for each local day since an instant the value of a signal that
// a twentieth of its values above 0 exceed, with the mean of their instants: what
// a sensor shows at the highest setting of the day.
func (db *DB) DailyHighs(ctx context.Context, subject, name string, since time.Time) ([]plant.Signal, error) {
	s, err := db.bound()
	if err != nil {
		return nil, err
	}
	scan := func(row pgx.CollectableRow) (plant.Signal, error) {
		v := plant.Signal{Subject: subject, Name: name}
		err := row.Scan(&v.At, &v.Value)
		v.At = v.At.UTC()
		return v, err
	}
	return collect(ctx, db, scan, `SELECT to_timestamp(avg(extract(epoch FROM at))::float8), percentile_cont(0.95) WITHIN GROUP (ORDER BY value) FROM signal
		WHERE site = $1 AND series = (SELECT id FROM series WHERE site = $1 AND subject = $2 AND name = $3) AND at >= $4 AND value > 0
		GROUP BY date_trunc('day', at, $5) ORDER BY 1`, subject, name, since.UTC(), s.zone)
}

// LampHours gives the lit time of a lamp over all its fittings by clock hour, in
// order; hours in which it did not burn are left out. The amounts are
// milliseconds.
func (db *DB) LampHours(ctx context.Context, lamp plant.LampSerial) ([]plant.HourAmount, error) {
	scan := func(row pgx.CollectableRow) (plant.HourAmount, error) {
		var h plant.HourAmount
		err := row.Scan(&h.Start, &h.Amount)
		h.Start = h.Start.UTC()
		return h, err
	}
	return collect(ctx, db, scan, `SELECT date_trunc('hour', e.start, 'UTC') AS hour, sum(e.amount)::bigint FROM entry e
		JOIN register r ON r.site = e.site AND r.id = e.register AND r.name LIKE '%/`+plant.ValueLit+`'
		JOIN lamp l ON l.site = e.site AND l.id = e.lamp AND l.serial = $2
		WHERE e.site = $1 GROUP BY 1 HAVING sum(e.amount) > 0 ORDER BY 1`, lamp)
}

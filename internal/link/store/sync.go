package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/core/plant"
)

// site is what the store knows about the site it is bound to. It is immutable.
type site struct {
	id        int16
	zone      string
	interval  time.Duration
	registers map[plant.RegisterID]int32
	stations  map[plant.StationID]int32
	// sampled lists the registers whose entries depend on a signal: on a meter's
	// power those estimated from it and those whose gaps it shapes, on drive and
	// temperature of a station its wear.
	sampled map[seriesName][]int32
	// wear lists the registers of weighed lit time.
	wear []int32
}

// bound gives the site, or ErrNoSite.
func (db *DB) bound() (*site, error) {
	s := db.site.Load()
	if s == nil {
		return nil, fmt.Errorf("%w: call Sync first", ErrNoSite)
	}
	return s, nil
}

// ofRegister gives the site and the id of one of its registers.
func (db *DB) ofRegister(reg plant.RegisterID) (*site, int32, error) {
	s, err := db.bound()
	if err != nil {
		return nil, 0, err
	}
	id, err := s.register(reg)
	return s, id, err
}

func (s *site) register(id plant.RegisterID) (int32, error) {
	n, ok := s.registers[id]
	if !ok {
		return 0, fmt.Errorf("register %q: %w — it is not in the configuration of this site", id, ErrNotFound)
	}
	return n, nil
}

func (s *site) station(id plant.StationID) (int32, error) {
	n, ok := s.stations[id]
	if !ok {
		return 0, fmt.Errorf("station %q: %w — it is not in the configuration of this site", id, ErrNotFound)
	}
	return n, nil
}

// Sync writes the plant's site, stations and registers and binds the DB to the
// site. Names that are no longer in the plant keep their rows and their facts. A
// register whose entries would be made otherwise than before (another interval,
// station, limit or date of a technology) is marked as unsettled from its first
// fact to its last, also when it comes back into the plant. A register whose quantity has changed is refused: its facts would change their
// meaning. Sync again after the configuration was loaded again.
func (db *DB) Sync(ctx context.Context, p *plant.Plant) error {
	if p.TimeZone == nil || p.TimeZone == time.Local || p.TimeZone.String() == "Local" {
		return fmt.Errorf("site %q: time zone %v has no name of its own — give one such as Europe/London", p.Name, p.TimeZone)
	}
	s := &site{zone: p.TimeZone.String(), interval: p.Interval}
	err := db.tx(ctx, func(tx pgx.Tx) error {
		var err error
		if s.id, err = syncSite(ctx, tx, p.Name, s.zone); err != nil {
			return err
		}
		if s.stations, err = syncStations(ctx, tx, s.id, p); err != nil {
			return err
		}
		s.registers, err = syncRegisters(ctx, tx, s, p)
		return err
	})
	if err != nil {
		return fmt.Errorf("store site %q: %w", p.Name, err)
	}
	if old := db.site.Load(); old != nil && old.id != s.id {
		return fmt.Errorf("store site %q: this store is bound to another site — open a second one", p.Name)
	}
	s.sampled = map[seriesName][]int32{}
	for _, r := range p.Registers {
		id := s.registers[r.ID]
		for _, name := range signalsOf(r) {
			s.sampled[name] = append(s.sampled[name], id)
		}
		if r.Wear != nil {
			s.wear = append(s.wear, id)
		}
	}
	db.site.Store(s)
	return nil
}

// signalsOf lists the signals on which a register's entries depend.
func signalsOf(r plant.Register) []seriesName {
	owner, _ := r.ID.Split()
	if r.Quantity == plant.QuantityEnergy {
		return []seriesName{{owner, plant.SignalPower}}
	}
	var out []seriesName
	if r.Wear != nil {
		for _, name := range r.Wear.Signals() {
			out = append(out, seriesName{owner, name})
		}
	}
	return out
}

// syncSite finds or makes the site and locks its row, so that ids within the
// site are given by one transaction at a time.
func syncSite(ctx context.Context, tx pgx.Tx, name, zone string) (id int16, err error) {
	// Fails for a zone that the server does not know.
	if _, err := tx.Exec(ctx, "SELECT now() AT TIME ZONE $1", zone); err != nil {
		return 0, fmt.Errorf("time zone: %w", err)
	}
	const add = `INSERT INTO site (id, name, time_zone) SELECT coalesce(max(id), 0) + 1, $1, $2 FROM site
		HAVING NOT EXISTS (SELECT FROM site WHERE name = $1) ON CONFLICT DO NOTHING`
	// Another site may take the number at the same moment; then the next is free.
	for range 10 {
		if _, err = tx.Exec(ctx, add, name, zone); err != nil {
			return 0, err
		}
		err = tx.QueryRow(ctx, "SELECT id FROM site WHERE name = $1 FOR UPDATE", name).Scan(&id)
		if !errors.Is(err, pgx.ErrNoRows) {
			break
		}
	}
	if err != nil {
		return 0, err
	}
	_, err = tx.Exec(ctx, "UPDATE site SET time_zone = $2 WHERE id = $1 AND time_zone <> $2", id, zone)
	return id, err
}

func syncStations(ctx context.Context, tx pgx.Tx, site int16, p *plant.Plant) (map[plant.StationID]int32, error) {
	ids, err := names[plant.StationID](ctx, tx, "SELECT name, id FROM station WHERE site = $1", site)
	if err != nil {
		return nil, err
	}
	batch, next := &pgx.Batch{}, nextID(ids)
	for _, st := range p.Stations() {
		if _, ok := ids[st.ID]; !ok {
			ids[st.ID] = next
			next++
		}
		batch.Queue(`INSERT INTO station (site, id, name, press) VALUES ($1, $2, $3, $4)
			ON CONFLICT (site, id) DO UPDATE SET press = EXCLUDED.press WHERE station.press <> EXCLUDED.press`, site, ids[st.ID], st.ID, st.Press)
	}
	return ids, tx.SendBatch(ctx, batch).Close()
}

func syncRegisters(ctx context.Context, tx pgx.Tx, s *site, p *plant.Plant) (map[plant.RegisterID]int32, error) {
	ids, err := names[plant.RegisterID](ctx, tx, "SELECT name, id FROM register WHERE site = $1", s.id)
	if err != nil {
		return nil, err
	}
	quantities, err := names[plant.RegisterID](ctx, tx, "SELECT name, quantity::int FROM register WHERE site = $1", s.id)
	if err != nil {
		return nil, err
	}
	batch, next := &pgx.Batch{}, nextID(ids)
	present := make([]int32, 0, len(p.Registers))
	for _, r := range p.Registers {
		if q, ok := quantities[r.ID]; ok && plant.Quantity(q) != r.Quantity {
			return nil, fmt.Errorf("register %q counts %s, but the database holds %s for it — give it another name", r.ID, r.Quantity, plant.Quantity(q))
		}
		if _, ok := ids[r.ID]; !ok {
			ids[r.ID] = next
			next++
		}
		present = append(present, ids[r.ID])
		var station *int32
		if r.Station != "" {
			id, ok := s.stations[r.Station]
			if !ok {
				return nil, fmt.Errorf("register %q: station %q: %w", r.ID, r.Station, ErrNotFound)
			}
			station = &id
		}
		batch.Queue(`INSERT INTO register (site, id, name, quantity, station) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (site, id) DO UPDATE SET station = EXCLUDED.station WHERE register.station IS DISTINCT FROM EXCLUDED.station`,
			s.id, ids[r.ID], r.ID, int16(r.Quantity), station)
		queueSettling(batch, s.id, ids[r.ID], sampledMeter(r), settling(p, r))
	}
	batch.Queue("UPDATE register SET settling = '' WHERE site = $1 AND settling <> '' AND NOT id = ANY($2)", s.id, present)
	return ids, tx.SendBatch(ctx, batch).Close()
}

// settling says all of the configuration that a register's entries depend on.
func settling(p *plant.Plant, r plant.Register) string {
	how := fmt.Sprintf("%v %d %s %+v", p.Interval, r.Curve, r.Station, r.Rules)
	if st, ok := p.FindStation(r.Station); ok {
		how += " " + st.Silence.String()
		if r.Wear != nil {
			how += fmt.Sprintf(" %+v", *r.Wear)
		}
		for _, t := range st.Technology {
			how += fmt.Sprintf(" %s=%s", t.From.UTC().Format(time.RFC3339), t.Technology)
		}
	}
	return how
}

// sampledMeter is the meter whose samples of power a register is estimated from;
// empty for all others.
func sampledMeter(r plant.Register) string {
	if r.Curve != plant.FromPower {
		return ""
	}
	owner, _ := r.ID.Split()
	return owner
}

// queueSettling notes how a register is settled now. Where that is new, all its
// facts and entries are marked, from a whole hour on, where intervals of any
// length begin.
func queueSettling(batch *pgx.Batch, site int16, register int32, sampled, how string) {
	batch.Queue(`WITH changed AS (UPDATE register SET settling = $3 WHERE site = $1 AND id = $2 AND settling <> $3 RETURNING id, station),
		sample AS (SELECT at FROM signal v WHERE v.site = $1 AND v.series = (SELECT id FROM series WHERE site = $1 AND subject = $4 AND name = $5)),
		extent AS (SELECT id,
			least((SELECT min(at) FROM sample), (SELECT min(at) FROM reading WHERE site = $1 AND register = $2), (SELECT min(start) FROM entry WHERE site = $1 AND register = $2),
				(SELECT min(at) FROM station_event e WHERE e.site = $1 AND e.station = c.station)) AS first,
			greatest((SELECT max(at) FROM sample), (SELECT max(at) FROM reading WHERE site = $1 AND register = $2), (SELECT max(start) FROM entry WHERE site = $1 AND register = $2),
				(SELECT max(at) FROM station_event e WHERE e.site = $1 AND e.station = c.station)) AS last
			FROM changed c)
		INSERT INTO unsettled (site, register, at_from, at_to)
		SELECT $1, id, date_trunc('hour', first), last FROM extent WHERE first IS NOT NULL`, site, register, how, sampled, plant.SignalPower)
}

func names[T ~string](ctx context.Context, tx pgx.Tx, sql string, site int16) (map[T]int32, error) {
	rows, err := tx.Query(ctx, sql, site)
	if err != nil {
		return nil, err
	}
	ids := map[T]int32{}
	var name string
	var id int32
	_, err = pgx.ForEachRow(rows, []any{&name, &id}, func() error {
		ids[T(name)] = id
		return nil
	})
	return ids, err
}

func nextID[T ~string](ids map[T]int32) int32 {
	if len(ids) == 0 {
		return 1
	}
	return slices.Max(slices.Collect(maps.Values(ids))) + 1
}

// seriesIDs gives the ids of signal series and makes those that are missing, in
// a transaction of its own: a series without values hurts nobody.
func (db *DB) seriesIDs(ctx context.Context, s *site, want map[seriesName]bool) (map[seriesName]int32, error) {
	ids := map[seriesName]int32{}
	db.mu.Lock()
	for n := range want {
		if id, ok := db.series[n]; ok {
			ids[n] = id
		}
	}
	db.mu.Unlock()
	if len(ids) == len(want) {
		return ids, nil
	}
	err := db.tx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "SELECT FROM site WHERE id = $1 FOR UPDATE", s.id); err != nil {
			return err
		}
		for n := range want {
			if _, ok := ids[n]; ok {
				continue
			}
			const add = `INSERT INTO series (site, id, subject, name)
				SELECT $1, coalesce(max(id), 0) + 1, $2, $3 FROM series WHERE site = $1 ON CONFLICT (site, subject, name) DO NOTHING`
			if _, err := tx.Exec(ctx, add, s.id, n.subject, n.name); err != nil {
				return err
			}
			var id int32
			if err := tx.QueryRow(ctx, "SELECT id FROM series WHERE (site, subject, name) = ($1, $2, $3)", s.id, n.subject, n.name).Scan(&id); err != nil {
				return err
			}
			ids[n] = id
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("make signal series: %w", err)
	}
	db.mu.Lock()
	maps.Copy(db.series, ids)
	db.mu.Unlock()
	return ids, nil
}

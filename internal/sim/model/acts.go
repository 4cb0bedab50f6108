package model

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
)

// DeclareExchange records that a register was exchanged and marks it. A second
// exchange at the same instant is ErrConflict.
func (s *Store) DeclareExchange(_ context.Context, x plant.Exchange) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if slices.ContainsFunc(s.exchanges[x.Register], func(o plant.Exchange) bool { return o.At.Equal(x.At) }) {
		return fmt.Errorf("exchange of %s: %w", x.Register, ErrConflict)
	}
	x.At = x.At.UTC()
	s.exchanges[x.Register] = append(s.exchanges[x.Register], x)
	s.markRegister(x.Register, x.At)
	return nil
}

// Rule records a ruling on a reading that is on record and marks the register from
// there on; without the reading it is ErrNotFound.
func (s *Store) Rule(_ context.Context, r plant.Ruling) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !slices.ContainsFunc(s.readings[r.Register], func(x plant.Reading) bool { return x.At.Equal(r.At) }) {
		return fmt.Errorf("ruling on %s: %w", r.Register, ErrNotFound)
	}
	r.At, r.Recorded = r.At.UTC(), time.Now().UTC()
	s.rulings[r.Register] = append(s.rulings[r.Register], r)
	s.markRegister(r.Register, r.At)
	return nil
}

// FitLamp records that a lamp was put into a station and marks the station. A lamp
// that is elsewhere at that time, or a station that holds another, is ErrConflict.
func (s *Store) FitLamp(_ context.Context, f plant.Fitting, kind string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, o := range s.fittings {
		overlap := (o.To.IsZero() || f.From.Before(o.To)) && (f.To.IsZero() || o.From.Before(f.To))
		if overlap && (o.Lamp == f.Lamp || o.Station == f.Station) {
			return fmt.Errorf("fit %s: %w", f.Lamp, ErrConflict)
		}
	}
	if _, known := s.lamps[f.Lamp]; !known {
		if kind == "" {
			return fmt.Errorf("lamp %s: %w", f.Lamp, ErrNotFound)
		}
		s.lamps[f.Lamp] = plant.Lamp{Serial: f.Lamp, Kind: kind}
	}
	f.From = f.From.UTC()
	s.fittings = append(s.fittings, f)
	s.markStation(f.Station, f.From)
	return nil
}

// RemoveLamp records that a lamp was taken out of the station it is in and marks
// the station.
func (s *Store) RemoveLamp(_ context.Context, serial plant.LampSerial, at time.Time, reason, _ string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.fittings, func(f plant.Fitting) bool { return f.Lamp == serial && f.To.IsZero() })
	if i < 0 || !at.After(s.fittings[i].From) {
		return fmt.Errorf("remove %s: %w", serial, ErrConflict)
	}
	s.fittings[i].To, s.fittings[i].Reason = at.UTC(), reason
	s.markStation(s.fittings[i].Station, at.UTC())
	return nil
}

// Lamps gives all lamps by serial.
func (s *Store) Lamps(context.Context) ([]plant.Lamp, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []plant.Lamp
	for _, l := range s.lamps {
		out = append(out, l)
	}
	slices.SortFunc(out, func(a, b plant.Lamp) int { return cmp.Compare(a.Serial, b.Serial) })
	return out, nil
}

// Fittings gives the fittings of one station, oldest first.
func (s *Store) Fittings(ctx context.Context, st plant.StationID) ([]plant.Fitting, error) {
	all, err := s.AllFittings(ctx)
	return slices.DeleteFunc(all, func(f plant.Fitting) bool { return f.Station != st }), err
}

// AllFittings gives the fittings of all stations, by station and then oldest first.
func (s *Store) AllFittings(context.Context) ([]plant.Fitting, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.SortedFunc(slices.Values(s.fittings), func(a, b plant.Fitting) int {
		return cmp.Or(cmp.Compare(a.Station, b.Station), a.From.Compare(b.From))
	}), nil
}

// RecordTask records what a person did about a task, unless an act of the same
// kind, task and instant stands already. Acts are never taken back here.
func (s *Store) RecordTask(_ context.Context, a plant.TaskAct) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if slices.ContainsFunc(s.acts, func(o plant.TaskAct) bool {
		return o.Kind == a.Kind && o.Rule == a.Rule && o.Subject == a.Subject && o.At.Equal(a.At)
	}) {
		return nil
	}
	a.ID, a.At = int64(len(s.acts)+1), a.At.UTC()
	s.acts = append(s.acts, a)
	return nil
}

// TaskActs gives, of each task, the newest act that it counts from and the newest
// postponement, by rule, subject and kind.
func (s *Store) TaskActs(context.Context) ([]plant.TaskAct, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	put := func(a plant.TaskAct) int {
		if a.Kind == plant.TaskPostpone {
			return 1
		}
		return 0
	}
	task := func(a, b plant.TaskAct) int {
		return cmp.Or(cmp.Compare(a.Rule, b.Rule), cmp.Compare(a.Subject, b.Subject), cmp.Compare(put(a), put(b)))
	}
	all := slices.SortedFunc(slices.Values(s.acts), func(a, b plant.TaskAct) int {
		return cmp.Or(task(a, b), b.At.Compare(a.At), cmp.Compare(b.ID, a.ID))
	})
	return slices.CompactFunc(all, func(a, b plant.TaskAct) bool { return task(a, b) == 0 }), nil
}

// LampTotals gives lit time, wear and starts of each lamp over all its fittings, by
// serial; lamps without entries have zeros. Registers of weighed lit time are not
// modelled: wear is lit time.
func (s *Store) LampTotals(context.Context) ([]plant.LampTotal, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	sums := map[plant.LampSerial]plant.LampTotal{}
	for reg, all := range s.entries {
		_, value := reg.Split()
		for _, e := range all {
			t := sums[e.Lamp]
			switch value {
			case plant.ValueLit:
				t.LitMillis, t.WornMillis = t.LitMillis+e.Amount, t.WornMillis+e.Amount
			case plant.ValueStarts:
				t.Starts += e.Amount
			}
			sums[e.Lamp] = t
		}
	}
	var out []plant.LampTotal
	for serial := range s.lamps {
		t := sums[serial]
		t.Lamp = serial
		out = append(out, t)
	}
	slices.SortFunc(out, func(a, b plant.LampTotal) int { return cmp.Compare(a.Lamp, b.Lamp) })
	return out, nil
}

// DayAmounts gives the sums of the registers over each local day, state and
// technology, by day, register, state and technology. An interval belongs to the
// day that it starts in. Only intervals that start in [from, to) count; a zero from
// or to is no limit.
func (s *Store) DayAmounts(_ context.Context, regs []plant.RegisterID, from, to time.Time) ([]plant.DayAmount, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []plant.DayAmount
	for _, reg := range regs {
		for _, e := range s.entries[reg] {
			if e.Start.Before(from) || !to.IsZero() && !e.Start.Before(to) {
				continue
			}
			day := s.plant.Day(e.Start, 0).UTC()
			i := slices.IndexFunc(out, func(d plant.DayAmount) bool {
				return d.Register == reg && d.Day.Equal(day) && d.State == e.State && d.Technology == e.Technology
			})
			if i < 0 {
				i = len(out)
				out = append(out, plant.DayAmount{Day: day, Register: reg, State: e.State, Technology: e.Technology})
			}
			out[i].Amount += e.Amount
			out[i].Quality[e.Quality] += max(e.Amount, -e.Amount)
		}
	}
	slices.SortStableFunc(out, func(a, b plant.DayAmount) int {
		return cmp.Or(a.Day.Compare(b.Day), strings.Compare(string(a.Register), string(b.Register)), cmp.Compare(a.State, b.State), cmp.Compare(a.Technology, b.Technology))
	})
	return out, nil
}

// AmountSince sums the entries of a register from the interval that holds since on.
func (s *Store) AmountSince(_ context.Context, reg plant.RegisterID, since time.Time) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var sum int64
	for _, e := range s.entries[reg] {
		if !e.Start.Before(since.UTC().Truncate(s.plant.Interval)) {
			sum += e.Amount
		}
	}
	return sum, nil
}

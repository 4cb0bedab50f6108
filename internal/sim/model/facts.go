package model

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// doubtful says whether the value of a step is held out of the curve or was taken
// for a fall, which later values may judge otherwise.
func doubtful(k plant.StepKind) bool {
	return k != plant.StepNormal && k != plant.StepExchange && k != plant.StepRuled
}

func (s *Store) firm(reg plant.RegisterID, at time.Time) bool {
	steps := s.steps[reg]
	i, _ := slices.BinarySearchFunc(steps, at, func(e plant.RegisterEvent, t time.Time) int { return e.At.Compare(t) })
	for ; i < len(steps) && steps[i].At.Equal(at); i++ {
		if doubtful(steps[i].Kind) {
			return false
		}
	}
	return true
}

// Readings gives the readings of a register in [from, to) and on each side all up
// to the Neighbours-th that is not doubtful, or all where there are not as many.
func (s *Store) Readings(_ context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Reading, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := s.readings[reg]
	byTime := func(r plant.Reading, t time.Time) int { return r.At.Compare(t) }
	lo, _ := slices.BinarySearchFunc(all, from, byTime)
	hi, _ := slices.BinarySearchFunc(all, to, byTime)
	for firm := 0; lo > 0 && firm < Neighbours; {
		if lo--; s.firm(reg, all[lo].At) {
			firm++
		}
	}
	for firm := 0; hi < len(all) && firm < Neighbours; hi++ {
		if s.firm(reg, all[hi].At) {
			firm++
		}
	}
	return slices.Clone(all[lo:hi]), nil
}

// Events gives the events of a station in [from, to) and up to Neighbours of them
// on each side, by instant and then by number.
func (s *Store) Events(_ context.Context, st plant.StationID, from, to time.Time) ([]plant.StationEvent, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := s.events[st]
	byTime := func(e plant.StationEvent, t time.Time) int { return e.At.Compare(t) }
	lo, _ := slices.BinarySearchFunc(all, from, byTime)
	hi, _ := slices.BinarySearchFunc(all, to, byTime)
	return slices.Clone(all[max(0, lo-Neighbours):min(len(all), hi+Neighbours)]), nil
}

// Exchanges gives the declared exchanges of a register, oldest first.
func (s *Store) Exchanges(_ context.Context, reg plant.RegisterID) ([]plant.Exchange, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.SortedStableFunc(slices.Values(s.exchanges[reg]), func(a, b plant.Exchange) int { return a.At.Compare(b.At) }), nil
}

// Rulings gives the rulings on readings of a register in the order in which they
// were given.
func (s *Store) Rulings(_ context.Context, reg plant.RegisterID) ([]plant.Ruling, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.rulings[reg]), nil
}

// Samples gives the samples of a meter's power of at most atMost watts (0: all) in
// [from, to), and one more on each side where there is one.
func (s *Store) Samples(_ context.Context, meter plant.MeterID, atMost float64, from, to time.Time) ([]plant.Signal, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := slices.DeleteFunc(slices.Clone(s.signals[series{string(meter), plant.SignalPower}]), func(v plant.Signal) bool {
		return atMost > 0 && v.Value > atMost
	})
	return around(all, from, to), nil
}

// Signals gives the values of a signal in [from, to), and one more on each side
// where there is one.
func (s *Store) Signals(_ context.Context, subject, name string, from, to time.Time) ([]plant.Signal, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return around(s.signals[series{subject, name}], from, to), nil
}

func around(all []plant.Signal, from, to time.Time) []plant.Signal {
	byTime := func(v plant.Signal, t time.Time) int { return v.At.Compare(t) }
	lo, _ := slices.BinarySearchFunc(all, from, byTime)
	hi, _ := slices.BinarySearchFunc(all, to, byTime)
	return slices.Clone(all[max(0, lo-1):min(len(all), hi+1)])
}

// Doubtful gives the events of a register in [from, to), in order of time, whose
// value is held out of the curve or was taken for a fall, as settled last.
func (s *Store) Doubtful(_ context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.RegisterEvent, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []plant.RegisterEvent
	for _, e := range s.steps[reg] {
		if doubtful(e.Kind) && !e.At.Before(from) && e.At.Before(to) {
			out = append(out, e)
		}
	}
	return out, nil
}

// Extent gives the instants of the first and the last fact that the register's
// entries are made of; ok is false when there is none.
func (s *Store) Extent(_ context.Context, reg plant.RegisterID) (first, last time.Time, ok bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if all := s.readings[reg]; len(all) > 0 {
		return all[0].At, all[len(all)-1].At, true, nil
	}
	r, _ := s.plant.FindRegister(reg)
	if all := s.events[r.Station]; len(all) > 0 {
		return all[0].At, all[len(all)-1].At, true, nil
	}
	return first, last, false, nil
}

// Entries gives the entries of a register whose interval starts in [from, to), by
// start, state, technology and lamp.
func (s *Store) Entries(_ context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Entry, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := s.entries[reg]
	byStart := func(e plant.Entry, t time.Time) int { return e.Start.Compare(t) }
	lo, _ := slices.BinarySearchFunc(all, from, byStart)
	hi, _ := slices.BinarySearchFunc(all, to, byStart)
	return slices.Clone(all[lo:max(lo, hi)]), nil
}

// Held gives the values of a register that are held out of its curve because they
// cannot be true, oldest first.
func (s *Store) Held(_ context.Context, reg plant.RegisterID) ([]plant.RegisterEvent, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []plant.RegisterEvent
	for _, e := range s.steps[reg] {
		if e.Kind == plant.StepImplausible {
			out = append(out, e)
		}
	}
	return out, nil
}

// LatestReadings gives the newest reading of each register that has one, by name.
func (s *Store) LatestReadings(context.Context) ([]plant.Reading, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []plant.Reading
	for _, reg := range slices.Sorted(maps.Keys(s.readings)) {
		all := s.readings[reg]
		out = append(out, all[len(all)-1])
	}
	return out, nil
}

// LatestEvents gives the newest event of each station that has one.
func (s *Store) LatestEvents(context.Context) (map[plant.StationID]plant.StationEvent, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[plant.StationID]plant.StationEvent{}
	for st, all := range s.events {
		out[st] = all[len(all)-1]
	}
	return out, nil
}

// LatestSignals gives the newest value of each signal, by subject and name.
func (s *Store) LatestSignals(context.Context) ([]plant.Signal, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []plant.Signal
	for _, all := range s.signals {
		out = append(out, all[len(all)-1])
	}
	slices.SortFunc(out, func(a, b plant.Signal) int {
		return cmp.Or(cmp.Compare(a.Subject, b.Subject), cmp.Compare(a.Name, b.Name))
	})
	return out, nil
}

// SignalSamples gives the values of a signal thinned out: the first of each part of
// the span.
func (s *Store) SignalSamples(_ context.Context, q plant.SignalSpan) ([]plant.Signal, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	parts := max(1, q.Parts)
	step := max(time.Millisecond, q.To.Sub(q.From)/time.Duration(parts))
	var out []plant.Signal
	last := -1
	for _, v := range s.signals[series{q.Subject, q.Name}] {
		if v.At.Before(q.From) {
			continue
		}
		if part := int(v.At.Sub(q.From) / step); part > last && part < parts {
			out, last = append(out, v), part
		}
	}
	return out, nil
}

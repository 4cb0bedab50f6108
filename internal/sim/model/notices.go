package model

import (
	"context"
	"maps"
	"slices"
	"time"

	"curetally/internal/core/notice"
)

// Announce gives decide what was announced of all conditions, and keeps what it
// decides. A notice whose subject and transition are on record already is left out
// with its deliveries. It gives how many were new.
func (s *Store) Announce(_ context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var records []notice.Record
	for _, subject := range slices.Sorted(maps.Keys(s.records)) {
		records = append(records, s.records[subject])
	}
	changed, posted := decide(records)
	for _, r := range changed {
		r.Acknowledged = false // follows from answers, of which there are none here
		s.records[r.Subject] = r
	}
	announced := 0
	for _, p := range posted {
		k := noticeKey{p.Notice.Subject, p.Notice.Transition}
		if s.told[k] {
			continue
		}
		s.told[k] = true
		announced++
		n := p.Notice
		n.ID = int64(len(s.notices) + 1)
		s.notices = append(s.notices, n)
		for _, to := range p.To {
			s.posted = append(s.posted, notice.Delivery{Notice: n, Channel: to.Channel, State: notice.Waiting, Due: to.Due.UTC(), First: to.Due.UTC()})
		}
	}
	return announced, nil
}

// Claim takes the deliveries of a channel that are due, oldest first, at most
// limit. Nobody else gets them before the lease ends.
func (s *Store) Claim(_ context.Context, channel string, at time.Time, lease time.Duration, limit int) ([]notice.Delivery, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []notice.Delivery
	for i := range s.posted {
		d := &s.posted[i]
		if len(out) == limit {
			break
		}
		if d.Channel == channel && d.State == notice.Waiting && !d.Due.After(at) {
			d.Due, d.Attempt = at.Add(lease).UTC(), d.Attempt+1
			out = append(out, *d)
		}
	}
	return out, nil
}

// Settled keeps how attempts ended. What is sent stays sent.
func (s *Store) Settled(_ context.Context, all []notice.Delivery) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, d := range all {
		for i := range s.posted {
			p := &s.posted[i]
			if p.Notice.ID == d.Notice.ID && p.Channel == d.Channel && p.State != notice.Sent {
				p.State, p.Due, p.Error, p.Sent = d.State, d.Due.UTC(), d.Error, d.Sent
			}
		}
	}
	return nil
}

// Notices gives all notices in the order in which they were announced.
func (s *Store) Notices() []notice.Notice {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.notices)
}

// Deliveries gives all deliveries in the order in which they were posted.
func (s *Store) Deliveries() []notice.Delivery {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.posted)
}

package plan

import (
	"context"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/condition"
	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
)

// subjects lists everything that a rule applies to.
func (g *gatherer) subjects(ctx context.Context) ([]upkeep.Subject, error) {
	var out []upkeep.Subject
	for _, rule := range g.plant.Rules {
		for _, press := range g.plant.Presses {
			if rule.Scope != plant.PerStation && rule.Scope != plant.PerLamp {
				shared, err := g.ofShared(ctx, rule, press)
				if err != nil {
					return nil, err
				}
				out = append(out, shared...)
				continue
			}
			for _, st := range press.Stations {
				if !g.applies(rule, st) {
					continue
				}
				s, ok, err := g.ofStation(ctx, rule, st)
				if err != nil {
					return nil, err
				}
				if ok {
					out = append(out, g.told(s))
				}
			}
		}
	}
	return out, nil
}

// applies says whether a rule is for the technology that is mounted in any of
// the stations.
func (g *gatherer) applies(rule plant.TaskRule, stations ...plant.Station) bool {
	for _, st := range stations {
		if upkeep.Applies(rule, g.tech[st.ID]) {
			return true
		}
	}
	return false
}

// anchor is the instant from which a task counts: when it was last done, else
// when the present lamp was fitted, else none, and everything on record counts.
// done is false unless it was done.
func (g *gatherer) anchor(rule plant.RuleID, subject string, st ...plant.Station) (at time.Time, done bool) {
	for _, s := range st {
		if f, ok := g.fitted[s.ID]; ok && (at.IsZero() || f.Since.Before(at)) {
			at = f.Since
		}
	}
	if d := g.done[anchorKey{rule, subject}].At; d.After(at) {
		return d, true
	}
	return at, false
}

// told completes a subject with what people decided about its task since it was
// last done.
func (g *gatherer) told(s upkeep.Subject) upkeep.Subject {
	k := anchorKey{s.Rule.ID, s.Name}
	s.Skipped = s.AnchorKnown && g.done[k].Kind == plant.TaskSkip
	if put := g.put[k]; put.At.After(s.Anchor) {
		s.Put = put
	}
	return s
}

// ofShared makes the subjects of a rule for what stations share: the press, or each
// of its cooling loops or exhausts, of which an unnamed one is that of the press.
func (g *gatherer) ofShared(ctx context.Context, rule plant.TaskRule, press plant.Press) ([]upkeep.Subject, error) {
	parts := []plant.Loop{{ID: string(press.ID), SignalsOf: string(press.ID)}}
	for _, st := range press.Stations {
		parts[0].Stations = append(parts[0].Stations, st.ID)
	}
	if rule.Scope != plant.PerPress {
		named := slices.DeleteFunc(slices.Clone(press.Loops), func(l plant.Loop) bool { return l.Exhaust != (rule.Scope == plant.PerExhaust) })
		if len(named) > 0 {
			parts = named
		}
	}
	var out []upkeep.Subject
	for _, part := range parts {
		stations := slices.DeleteFunc(slices.Clone(press.Stations), func(st plant.Station) bool { return !slices.Contains(part.Stations, st.ID) })
		if !g.applies(rule, stations...) {
			continue
		}
		s := upkeep.Subject{Rule: rule, Name: part.ID, Press: press.ID, Technology: rule.Technology}
		s.Anchor, s.AnchorKnown = g.anchor(rule.ID, s.Name, stations...)
		if err := g.measured(ctx, &s, part.SignalsOf); err != nil {
			return nil, err
		}
		out = append(out, g.told(s))
	}
	return out, nil
}

const (
	// watched is how far back signals are read where a task was not done since.
	watched = 90 * 24 * time.Hour
	// The values of a signal are thinned out to so many since the anchor, and to one
	// an hour over the last day, so that a limit that is passed shows within hours.
	sinceAnchor, lastDay = 200, 24
)

// measured completes a subject with the area printed and the readings of the
// signals that its rule looks at.
func (g *gatherer) measured(ctx context.Context, s *upkeep.Subject, signalsOf string) error {
	if reg, ok := g.area[s.Press]; ok && s.Rule.AreaM2 > 0 {
		s.AreaKnown = true
		var err error
		if s.AreaSince, err = g.sum(ctx, reg, s.Anchor); err != nil {
			return err
		}
		g.passed(s)
	}
	for _, c := range s.Rule.Conditions {
		if !g.heard[signalKey{signalsOf, c.Signal}] {
			continue
		}
		from := s.Anchor
		if from.IsZero() {
			from = g.now.Add(-watched)
		}
		// Whole hours, so that the same question is asked once for all rules.
		to := g.now.Truncate(time.Hour).Add(time.Hour)
		yesterday := to.Add(-lastDay * time.Hour)
		if from.After(yesterday) {
			yesterday = from
		}
		var all []condition.Reading
		for _, span := range []plant.SignalSpan{
			{Subject: signalsOf, Name: c.Signal, From: from, To: yesterday, Parts: sinceAnchor},
			{Subject: signalsOf, Name: c.Signal, From: yesterday, To: to, Parts: lastDay},
		} {
			part, err := g.samples(ctx, span)
			if err != nil {
				return err
			}
			all = append(all, part...)
		}
		if s.Signals == nil {
			s.Signals = map[string][]condition.Reading{}
		}
		s.Signals[c.Signal] = all
	}
	return nil
}

// passed puts to a subject what the press printed on each day. What passes a station
// is as much of it as the station was lit of the time of the one that was lit
// longest, because the press counts what it prints and not under which light.
func (g *gatherer) passed(s *upkeep.Subject) {
	longest := map[int64]int64{}
	for _, st := range g.plant.Stations() {
		if st.Press == s.Press {
			for _, u := range g.use[st.ID] {
				longest[u.Day.Unix()] = max(longest[u.Day.Unix()], u.LitMillis)
			}
		}
	}
	lit := map[int64]int64{}
	for _, u := range s.Use {
		lit[u.Day.Unix()] = u.LitMillis
	}
	first := g.plant.Day(s.Anchor, 0).Unix()
	var all, part int64
	use := slices.Clone(s.Use)
	for day, area := range g.printed[s.Press] {
		own := area
		if s.Station != "" && longest[day] > 0 {
			own = int64(float64(area) * float64(lit[day]) / float64(longest[day]))
		}
		if day >= first {
			all, part = all+area, part+own
		}
		if i := slices.IndexFunc(use, func(u upkeep.Use) bool { return u.Day.Unix() == day }); i >= 0 {
			use[i].AreaCm2 = own
		} else {
			use = append(use, upkeep.Use{Day: time.Unix(day, 0).UTC(), AreaCm2: own})
		}
	}
	s.Use = use
	if all > 0 {
		s.AreaSince = int64(float64(s.AreaSince) * float64(part) / float64(all))
	}
}

func (g *gatherer) samples(ctx context.Context, span plant.SignalSpan) ([]condition.Reading, error) {
	if r, ok := g.sampled[span]; ok || !span.From.Before(span.To) {
		return r, nil
	}
	signals, err := g.store.SignalSamples(ctx, span)
	if err != nil {
		return nil, fmt.Errorf("signal %s of %s: %w", span.Name, span.Subject, err)
	}
	out := make([]condition.Reading, len(signals))
	for i, v := range signals {
		out[i] = condition.Reading{At: v.At, Value: v.Value}
	}
	g.sampled[span] = out
	return out, nil
}

// ofStation makes the subject of a rule per station or per lamp; ok is false
// for a lamp rule on a station without a lamp, and for one that follows the life
// of a lamp and was carried out on this one, whose life does not begin anew.
func (g *gatherer) ofStation(ctx context.Context, rule plant.TaskRule, st plant.Station) (upkeep.Subject, bool, error) {
	s := upkeep.Subject{
		Rule: rule, Name: string(st.ID), Station: st.ID, Press: st.Press,
		Technology: g.tech[st.ID], Use: g.use[st.ID],
	}
	if rule.Scope == plant.PerLamp {
		f, ok := g.fitted[st.ID]
		if !ok {
			return s, false, nil
		}
		s.Lamp, s.RatedHours, s.HoursPerStart = f.Lamp.Serial, f.Kind.RatedHours, f.Kind.HoursPerStart
		if carriedOut := g.done[anchorKey{rule.ID, s.Name}].At.After(f.Since); !carriedOut {
			s.Anchor = f.Since
			s.LitSince, s.StartsSince, s.EquivalentSince = f.Life.LitMillis, f.Life.Starts, f.Life.Equivalent
			err := g.measured(ctx, &s, string(st.ID))
			return s, err == nil, err
		}
		if rule.LifeFraction > 0 {
			return s, false, nil
		}
	}
	s.Anchor, s.AnchorKnown = g.anchor(rule.ID, s.Name, st)
	var err error
	if rule.LitHours > 0 {
		if s.LitSince, err = g.sum(ctx, plant.RegisterOf(st.ID, plant.ValueLit), s.Anchor); err != nil {
			return s, false, err
		}
	}
	if rule.Starts > 0 {
		if s.StartsSince, err = g.sum(ctx, plant.RegisterOf(st.ID, plant.ValueStarts), s.Anchor); err != nil {
			return s, false, err
		}
	}
	err = g.measured(ctx, &s, string(st.ID))
	return s, err == nil, err
}

func (g *gatherer) sum(ctx context.Context, reg plant.RegisterID, since time.Time) (int64, error) {
	k := sinceKey{reg, since.UnixMicro()}
	if v, ok := g.since[k]; ok {
		return v, nil
	}
	v, err := g.store.AmountSince(ctx, reg, since)
	if err != nil {
		return 0, fmt.Errorf("use of %s since %s: %w", reg, since.Format(time.RFC3339), err)
	}
	g.since[k] = v
	return v, nil
}

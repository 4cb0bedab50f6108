// Package settle turns facts into entries. It takes the marks that say where
// facts have arrived, reads the facts around each mark, lets package ledger
// build curve and timeline, and replaces the entries of the touched intervals.
//
// Settling is a pure function of the facts: settling a stretch twice, in parts
// or as a whole gives the same entries, bit for bit. That is why late facts are
// harmless (their stretch is settled again) and why the audit can rebuild every
// entry from facts alone and compare.
//
// Entries and the removal of their marks commit together, so a crash between
// two stretches loses nothing: what was not removed is settled again.
package settle

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"time"

	"curetally/internal/core/plant"
)

// Facts reads the facts around a stretch of time. Readings gives what lies in
// [from, to) and on each side all up to the fourth reading that is not doubtful,
// or all there is; Events likewise, up to the fourth event.
type Facts interface {
	Readings(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Reading, error)
	Events(ctx context.Context, st plant.StationID, from, to time.Time) ([]plant.StationEvent, error)
	Exchanges(ctx context.Context, reg plant.RegisterID) ([]plant.Exchange, error)
	Rulings(ctx context.Context, reg plant.RegisterID) ([]plant.Ruling, error)
	// Samples gives the samples of a meter's power of at most atMost watts (0:
	// all) in [from, to), and one more on each side where there is one.
	Samples(ctx context.Context, meter plant.MeterID, atMost float64, from, to time.Time) ([]plant.Signal, error)
	// Signals gives the values of a signal in [from, to), and one more on each side
	// where there is one, in order of time.
	Signals(ctx context.Context, subject, name string, from, to time.Time) ([]plant.Signal, error)
	Fittings(ctx context.Context, st plant.StationID) ([]plant.Fitting, error)
	// Doubtful gives the events of the register in [from, to), as settled
	// before and in order of time, whose value is held out of the curve or was
	// taken for a fall: later values may judge them otherwise.
	Doubtful(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.RegisterEvent, error)
}

// Store is where marks come from and entries go to.
type Store interface {
	Facts
	Unsettled(ctx context.Context, limit int) ([]plant.Mark, error)
	// Replace changes nothing and fails when a mark has been answered by another
	// settler since it was read.
	Replace(ctx context.Context, marks []plant.Mark, s []plant.Settlement) error
}

// Options are the parts of a Settler; all are required.
type Options struct {
	Plant *plant.Plant
	Store Store
	Log   *slog.Logger
	// Wake is signalled when facts were applied.
	Wake <-chan struct{}
	Rand *rand.Rand // jitter of the retry
}

// Settler settles marks as they come.
type Settler struct {
	o     Options
	index index
}

// Pace of the loop: rounds are at least livePause apart unless the last one was
// full, and happen at least every idlePause even without a wake-up.
const (
	livePause  = time.Second
	idlePause  = 15 * time.Second
	retryMax   = 30 * time.Second
	marksRound = 400
	restPause  = 100 * time.Millisecond // between the tries of Rest
	restTries  = 100
)

// timeRound bounds the time, summed over registers, that one round settles: it
// keeps all its entries in memory. A single mark may be longer.
const timeRound = 2 * 365 * 24 * time.Hour

// New builds a Settler; Run makes it work.
func New(o Options) *Settler {
	o.Log = o.Log.With("component", "settle")
	return &Settler{o: o, index: newIndex(o.Plant)}
}

// Run settles until ctx ends. A store that fails is retried with growing
// pauses; one line is logged when it starts to fail and one when it is back.
func (s *Settler) Run(ctx context.Context) error {
	failures := 0
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		case <-s.o.Wake:
		}
		marks, err := s.Round(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			if failures == 0 {
				s.o.Log.Error("settling stopped; retrying until the store answers", "err", err)
			}
			failures++
			pause := min(retryMax, livePause<<min(failures, 5))
			timer.Reset(pause + time.Duration(s.o.Rand.Int64N(int64(livePause))))
			continue
		case failures > 0:
			s.o.Log.Info("settling goes on", "attempt", failures)
			failures = 0
		}
		switch {
		case marks >= marksRound/2: // a backlog: go on at once
			timer.Reset(0)
		case marks > 0:
			timer.Reset(livePause)
		default:
			timer.Reset(idlePause)
		}
	}
}

// Rest settles what is left, until nothing is marked; for the end of a daemon and
// for commands that have changed facts. A round that fails is tried again, because
// its marks may have been answered by another meanwhile: by a daemon beside a
// command, or by the last round of Run, whose commit was cut off and lands while
// the first one here is at work. When ctx ends, or after restTries failures in a
// row, it gives the last error; what is marked then stays so.
func (s *Settler) Rest(ctx context.Context) error {
	for failures := 0; ; {
		marks, err := s.Round(ctx)
		if err == nil && marks == 0 {
			return nil
		}
		if err == nil {
			failures = 0
			continue
		}
		if failures++; failures == restTries {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(restPause):
		}
	}
}

// Round settles what is marked now and returns how many marked stretches it
// found. It must not be called while another call or Run is under way.
func (s *Settler) Round(ctx context.Context) (int, error) {
	marks, err := s.o.Store.Unsettled(ctx, marksRound)
	if err != nil {
		return 0, fmt.Errorf("read unsettled marks: %w", err)
	}
	if len(marks) == 0 {
		return 0, nil
	}
	marks = s.bounded(marks)
	facts := newMemo(s.o.Store)
	work, err := s.stretches(ctx, facts, marks)
	if err != nil {
		return 0, err
	}
	out, err := s.settleAll(ctx, facts, work)
	if err != nil {
		return 0, err
	}
	if err := s.o.Store.Replace(ctx, marks, out); err != nil {
		return 0, fmt.Errorf("replace entries: %w", err)
	}
	rows := 0
	for _, m := range marks {
		rows += len(m.IDs)
	}
	return rows, nil
}

// bounded gives the first marks that one round can take.
func (s *Settler) bounded(marks []plant.Mark) []plant.Mark {
	var sum time.Duration
	for i, m := range marks {
		registers := 1
		if m.Station != "" {
			registers = len(s.index.ofStation[m.Station])
		}
		if sum += m.To.Sub(m.From) * time.Duration(registers); sum > timeRound {
			return marks[:max(i, 1)]
		}
	}
	return marks
}

// settleAll settles stretches that are in order by register and time. One that
// grows over the next takes it in, and one that begins from a value in the stretch
// before it is settled together with that: either would begin from facts whose
// judgement is only made in this round.
func (s *Settler) settleAll(ctx context.Context, f Facts, work []Stretch) ([]plant.Settlement, error) {
	var out []plant.Settlement
	for i := 0; i < len(work); {
		w := work[i]
		one, began, err := settleFrom(ctx, f, s.o.Plant, w)
		if err != nil {
			return nil, fmt.Errorf("settle %s: %w", w.Register.ID, err)
		}
		if n := len(out); n > 0 && out[n-1].Register == w.Register.ID && !began.IsZero() && began.Before(out[n-1].To) {
			work[i].From, work[i].To = out[n-1].From, plant.Later(one.To, w.To)
			out = out[:n-1]
			continue
		}
		if i++; i < len(work) && work[i].Register.ID == w.Register.ID && one.To.After(work[i].From) {
			work[i].From, work[i].To = w.From, plant.Later(one.To, work[i].To)
			continue
		}
		out = append(out, one)
	}
	return out, nil
}

// stretches turns marks into stretches per register: on interval borders,
// reaching to the neighbouring facts whose shares change with the new ones,
// merged where they overlap.
func (s *Settler) stretches(ctx context.Context, f Facts, marks []plant.Mark) ([]Stretch, error) {
	ranges := map[plant.RegisterID][]span{}
	for _, m := range marks {
		touched := s.index.ofStation[m.Station]
		if m.Station == "" {
			reg, ok := s.index.register[m.Register]
			if !ok {
				continue // left the configuration; its facts stay, its marks go
			}
			touched = []plant.Register{reg}
		}
		for _, reg := range touched {
			sp, err := s.reach(ctx, f, reg, m)
			if err != nil {
				return nil, fmt.Errorf("facts around a mark of %s: %w", reg.ID, err)
			}
			ranges[reg.ID] = append(ranges[reg.ID], sp)
		}
	}
	var out []Stretch
	for _, r := range s.o.Plant.Registers {
		for _, sp := range merge(ranges[r.ID]) {
			out = append(out, Stretch{Register: r, From: sp.from, To: sp.to})
		}
	}
	return out, nil
}

// reach is the stretch of a register whose entries may change with the facts of
// a mark: as far as the facts on which the new ones bear.
func (s *Settler) reach(ctx context.Context, f Facts, reg plant.Register, m plant.Mark) (span, error) {
	from, to := m.From, m.To
	if m.Station == "" && reg.Curve == plant.FromPower {
		near, err := samplesAround(ctx, f, reg, m.From, m.To.Add(time.Microsecond))
		if err != nil {
			return span{}, err
		}
		if n := len(near); n > 0 {
			from, to = plant.Earlier(from, near[0].At), plant.Later(to, near[n-1].At)
		}
		return s.onBorders(from, to), nil
	}
	if m.Station == "" && reg.Wear != nil {
		// A value bears on the time for which it holds, and ends that of the one before.
		return s.onBorders(m.From, m.To.Add(reg.Wear.Hold)), nil
	}
	if m.Station == "" {
		near, err := f.Readings(ctx, reg.ID, m.From, m.To.Add(time.Microsecond))
		if err != nil {
			return span{}, err
		}
		if n := len(near); n > 0 {
			from, to = plant.Earlier(from, near[0].At), plant.Later(to, near[n-1].At)
		}
		return s.onBorders(from, to), nil
	}
	near, err := eventsAround(ctx, f, s.o.Plant.Interval, Stretch{Register: reg, From: m.From, To: m.To.Add(time.Millisecond)})
	if err != nil {
		return span{}, err
	}
	if n := len(near); n > 0 {
		from, to = plant.Earlier(from, near[0].At), plant.Later(to, near[n-1].At)
	}
	if reg.Curve == plant.FromReadings && reg.Rules.MaxGap > 0 {
		// What accrued over a gap is spread by the states in it, so the stretch
		// reaches to the firm readings on both sides.
		readings, err := f.Readings(ctx, reg.ID, from, to)
		if err != nil {
			return span{}, err
		}
		if n := len(readings); n > 0 {
			from, to = plant.Earlier(from, readings[0].At), plant.Later(to, readings[n-1].At)
		}
	}
	return s.onBorders(from, to), nil
}

func (s *Settler) onBorders(from, to time.Time) span {
	iv := s.o.Plant.Interval
	return span{from.Truncate(iv), to.Truncate(iv).Add(iv)}
}

// span is a half-open stretch of time.
type span struct{ from, to time.Time }

// merge joins stretches that touch or overlap.
func merge(in []span) []span {
	slices.SortFunc(in, func(a, b span) int { return a.from.Compare(b.from) })
	var out []span
	for _, sp := range in {
		if n := len(out); n > 0 && !sp.from.After(out[n-1].to) {
			out[n-1].to = plant.Later(out[n-1].to, sp.to)
			continue
		}
		out = append(out, sp)
	}
	return out
}

// index finds registers by name and by the station whose states split them.
type index struct {
	register  map[plant.RegisterID]plant.Register
	ofStation map[plant.StationID][]plant.Register
}

func newIndex(p *plant.Plant) index {
	x := index{map[plant.RegisterID]plant.Register{}, map[plant.StationID][]plant.Register{}}
	for _, r := range p.Registers {
		x.register[r.ID] = r
		if r.Station != "" {
			x.ofStation[r.Station] = append(x.ofStation[r.Station], r)
		}
	}
	return x
}

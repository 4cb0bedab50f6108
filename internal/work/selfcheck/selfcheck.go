// Package selfcheck lets the daemon watch its own records while it works. It goes
// through all registers once an hour, one after the other at even pauses, and
// rebuilds from facts what a small part of each should hold: in turn the last days
// and a week of the past, so that in time the whole history is looked at again.
//
// A difference may come from facts that are being settled at that moment. So it is
// looked at a second time some minutes later, and only what stays is called a
// violation; one that has gone at a later look is taken back.
//
// The package only reads. What it finds is shown by others: as a metric that must
// be zero, as a finding with its key, and by the way of findings as a notice.
package selfcheck

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"curetally/internal/core/invariant"
	"curetally/internal/core/plant"
)

// Records reads what is checked.
type Records interface {
	// Extent gives the first and the last instant that entries of the register could
	// touch; ok is false when it has no facts.
	Extent(ctx context.Context, reg plant.RegisterID) (first, last time.Time, ok bool, err error)
	// Rebuilt gives the entries of [from, to), on interval borders, as facts make
	// them and as they are stored.
	Rebuilt(ctx context.Context, reg plant.Register, from, to time.Time) (built, stored []plant.Entry, err error)
	Rulings(ctx context.Context, reg plant.RegisterID) ([]plant.Ruling, error)
	AllFittings(ctx context.Context) ([]plant.Fitting, error)
	// Altered gives frozen and published documents that do not have their hash.
	Altered(ctx context.Context) ([]invariant.Violation, error)
}

// Options are the parts of a Checker. Plant, Records and Log are required.
type Options struct {
	Plant   *plant.Plant
	Records Records
	Log     *slog.Logger
	// Waiting gives since when the oldest received facts wait although the database
	// takes some; zero when none do. May be nil.
	Waiting func() time.Time
	// Round is how long one go through all registers takes; an hour by default.
	Round time.Duration
}

const (
	// recent is how much of the newest records each second round looks at; settled
	// leaves out what is still coming in.
	recent  = 48 * time.Hour
	settled = time.Hour
	// stride is how much of the past each other round looks at.
	stride = 7 * 24 * time.Hour
	// second is how long a difference must last.
	second = 5 * time.Minute
	// late is how long facts may wait before they are late.
	late = 10 * time.Minute
)

// Found is a violation with the time since it is known.
type Found struct {
	invariant.Violation
	Since time.Time
}

// Checker checks. Its methods are safe for concurrent use.
type Checker struct {
	o Options

	// Used by Run alone.
	round uint64                         // bites so far ÷ registers
	back  map[plant.RegisterID]time.Time // how far the look at the past has come
	doubt map[string]doubted             // bites that are to be looked at again, by target
	mu    sync.Mutex                     // guards the rest
	found map[string][]Found             // by target
	done  map[invariant.Name]time.Time   // when each invariant was last looked at
}

// doubted is a bite that showed a difference.
type doubted struct {
	bite  bite
	since time.Time
}

// bite is one target of a look: a register with a stretch, or what is not of
// registers.
type bite struct {
	register *plant.Register // nil for lamps, documents and liveness
	from, to time.Time
}

func (b bite) target() string {
	if b.register == nil {
		return "records"
	}
	return string(b.register.ID)
}

// New builds a Checker; Run makes it work.
func New(o Options) *Checker {
	o.Log = o.Log.With("component", "selfcheck")
	if o.Round == 0 {
		o.Round = time.Hour
	}
	return &Checker{
		o: o, back: map[plant.RegisterID]time.Time{}, doubt: map[string]doubted{},
		found: map[string][]Found{}, done: map[invariant.Name]time.Time{},
	}
}

// Violations gives what does not hold, ordered by invariant and key.
func (c *Checker) Violations() []Found {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []Found
	for _, f := range c.found {
		out = append(out, f...)
	}
	slices.SortFunc(out, func(a, b Found) int {
		return cmp.Or(cmp.Compare(a.Invariant, b.Invariant), cmp.Compare(a.Key, b.Key))
	})
	return out
}

// Checked gives when each invariant was last looked at; one that was not yet is
// missing.
func (c *Checker) Checked() map[invariant.Name]time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return maps.Clone(c.done)
}

// Run checks until ctx ends. A store that does not answer costs a bite, which the
// next round makes up for; the recorder says that the store is away.
func (c *Checker) Run(ctx context.Context) error {
	targets := len(c.o.Plant.Registers) + 1
	tick := time.NewTicker(c.o.Round / time.Duration(targets))
	defer tick.Stop()
	for i := 0; ; i++ {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		now := time.Now().UTC()
		c.again(ctx, now)
		var b bite
		ok := true
		if n := i % targets; n < len(c.o.Plant.Registers) {
			b, ok = c.next(ctx, &c.o.Plant.Registers[n], now)
		} else {
			c.round++
		}
		if ok {
			c.look(ctx, b, now)
		}
	}
}

// next chooses the stretch of a register to look at.
func (c *Checker) next(ctx context.Context, reg *plant.Register, now time.Time) (bite, bool) {
	first, last, ok, err := c.o.Records.Extent(ctx, reg.ID)
	if err != nil || !ok {
		return bite{}, false
	}
	iv := c.o.Plant.Interval
	end := plant.Earlier(last, now.Add(-settled)).Truncate(iv)
	b := bite{register: reg, from: plant.Later(end.Add(-recent), first).Truncate(iv), to: end}
	if c.round%2 == 1 {
		to, ok := c.back[reg.ID]
		if !ok || !to.After(first) {
			to = end
		}
		b.from, b.to = plant.Later(to.Add(-stride), first).Truncate(iv), to
		c.back[reg.ID] = b.from
	}
	return b, b.to.After(b.from)
}

// again looks a second time at what showed a difference long enough ago.
func (c *Checker) again(ctx context.Context, now time.Time) {
	for target, d := range c.doubt {
		if now.Sub(d.since) < second {
			continue
		}
		violations, err := c.check(ctx, d.bite, now)
		if err != nil {
			continue
		}
		if d.since = now; len(violations) > 0 {
			c.doubt[target] = d // until it is gone
		} else {
			delete(c.doubt, target)
		}
		c.settle(target, violations, now)
	}
}

// look takes one bite. What it finds is doubted first.
func (c *Checker) look(ctx context.Context, b bite, now time.Time) {
	violations, err := c.check(ctx, b, now)
	if err != nil {
		c.o.Log.Debug("a part of the records was not checked", "register", b.target(), "err", err)
		return
	}
	if len(violations) == 0 {
		return
	}
	if _, ok := c.doubt[b.target()]; !ok {
		c.doubt[b.target()] = doubted{b, now}
	}
}

// settle notes what a second or later look found, and says once when a target begins
// to be wrong and when it is right again.
func (c *Checker) settle(target string, violations []invariant.Violation, at time.Time) {
	c.mu.Lock()
	before := c.found[target]
	var now []Found
	for _, v := range violations {
		f := Found{v, at}
		if i := slices.IndexFunc(before, func(b Found) bool { return b.Invariant == v.Invariant && b.Key == v.Key }); i >= 0 {
			f.Since = before[i].Since
		}
		now = append(now, f)
	}
	if c.found[target] = now; len(now) == 0 {
		delete(c.found, target)
	}
	c.mu.Unlock()
	switch {
	case len(before) == 0 && len(now) > 0:
		c.o.Log.Error("the records contradict themselves; keep the data and report it", "register", target,
			"invariant", now[0].Invariant, "key", now[0].Key, "found", now[0].Text)
	case len(before) > 0 && len(now) == 0:
		c.o.Log.Info("the records agree again", "register", target)
	}
}

// check looks at one target.
func (c *Checker) check(ctx context.Context, b bite, now time.Time) ([]invariant.Violation, error) {
	if b.register == nil {
		return c.records(ctx, now)
	}
	first, last, _, err := c.o.Records.Extent(ctx, b.register.ID)
	if err != nil {
		return nil, err
	}
	built, stored, err := c.o.Records.Rebuilt(ctx, *b.register, b.from, b.to)
	if err != nil {
		return nil, err
	}
	rulings, err := c.o.Records.Rulings(ctx, b.register.ID)
	if err != nil {
		return nil, err
	}
	c.note(now, invariant.Conservation, invariant.Rebuild, invariant.Tiling, invariant.Plausibility)
	return append(invariant.Entries(b.register.ID, built, stored),
		invariant.Intervals(*b.register, stored, c.o.Plant.Interval, first, last, len(rulings) == 0)...), nil
}

// records looks at what is not of a single register.
func (c *Checker) records(ctx context.Context, now time.Time) ([]invariant.Violation, error) {
	fittings, err := c.o.Records.AllFittings(ctx)
	if err != nil {
		return nil, err
	}
	altered, err := c.o.Records.Altered(ctx)
	if err != nil {
		return nil, err
	}
	out := append(invariant.Fittings(fittings), altered...)
	if c.o.Waiting != nil {
		if since := c.o.Waiting(); !since.IsZero() && now.Sub(since) > late {
			out = append(out, invariant.Violation{
				Invariant: invariant.Liveness, Key: "spool",
				Text: fmt.Sprintf("facts wait since %s although the database takes some, expected no longer than %v", since.UTC().Format(time.RFC3339), late),
			})
		}
	}
	c.note(now, invariant.Lamps, invariant.Unaltered, invariant.Liveness)
	return out, nil
}

func (c *Checker) note(at time.Time, names ...invariant.Name) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, n := range names {
		c.done[n] = at
	}
}

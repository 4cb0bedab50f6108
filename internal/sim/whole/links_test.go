package whole

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
	"curetally/internal/link/clock"
	"curetally/internal/sim/model"
	"curetally/internal/work/collect"
)

var (
	errCut     = errors.New("the program was killed")
	errRefused = errors.New("connection refused")
	errUnknown = errors.New("connection lost, outcome not known")
	errHung    = errors.New("no answer, the connection was given up")
	errFull    = errors.New("no space left on device")
)

// life is one run of the program. Once it is cut, nothing that it does has an
// effect, as after a kill.
type life struct {
	w      *world
	number int
	cut    atomic.Bool
	clock  *clock.Steady
}

// wire is the way of one task to one target. One goroutine uses it.
type wire struct {
	*life
	task int
	acts uint64
}

func (l *life) wire(task int) *wire { return &wire{life: l, task: task} }

// draw gives a number for the present act.
func (v *wire) draw(what uint64) uint64 {
	return mix(v.w.seed, uint64(v.number), uint64(v.task), v.acts, what)
}

// pause takes the time of half an act.
func (v *wire) pause(what uint64) {
	d := time.Duration(v.draw(what)%uint64(20*time.Millisecond)) + 50*time.Microsecond
	if v.draw(what+100)%200 == 0 {
		d += time.Duration(v.draw(what+200) % uint64(3*time.Second))
	}
	if v.task == taskOperator { // from the office, over a slow line
		d *= 20
	}
	nap(v.task, d)
}

// chance says whether a fault of so many in a thousand strikes this act.
func (v *wire) chance(what, perThousand uint64) bool {
	return !v.w.plan.isCalm(time.Now()) && v.draw(what)%1000 < perThousand
}

// begin is the way to the target.
func (v *wire) begin(ctx context.Context, of target) error {
	v.acts++
	v.pause(1)
	switch {
	case v.cut.Load():
		return errCut
	case ctx.Err() != nil:
		return ctx.Err()
	case v.w.plan.away(of, time.Now()):
		if v.draw(2)%4 == 0 {
			return v.hangs(ctx)
		}
		return errRefused
	case v.chance(3, v.w.plan.hang):
		return v.hangs(ctx)
	}
	return nil
}

// hangs waits until the connection is given up or ctx ends.
func (v *wire) hangs(ctx context.Context) error {
	timer := time.NewTimer(time.Duration(v.draw(4)%60) * time.Second)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
	nap(v.task, 0)
	return errHung
}

// end is the way back.
func (v *wire) end(err error) error {
	v.pause(5)
	if v.cut.Load() {
		return errCut
	}
	return err
}

// read asks the database.
func read[T any](ctx context.Context, v *wire, ask func() (T, error)) (T, error) {
	var none T
	if err := v.begin(ctx, theStore); err != nil {
		return none, err
	}
	out, err := ask()
	if err := v.end(err); err != nil {
		return none, err
	}
	return out, nil
}

// write changes the database: it may fail before the fact, or after it, and then the
// fact itself may come later than the word of the failure. whole says that it may
// not, because it gives back something.
func (v *wire) write(ctx context.Context, name string, whole bool, do func() error) error {
	if err := v.begin(ctx, theStore); err != nil {
		return err
	}
	if v.chance(6, v.w.plan.before) {
		v.w.note("%d %s fails", v.number, name)
		return v.end(errRefused)
	}
	v.w.land()
	unknown := v.chance(7, v.w.plan.after)
	if unknown && !whole && v.draw(8)%2 == 0 {
		v.w.note("%d %s is under way", v.number, name)
		v.w.later(name, time.Duration(v.draw(9)%uint64(4*time.Second)), do)
		return v.end(errUnknown)
	}
	err := do()
	v.w.note("%d %s: %v, answered %t", v.number, name, err, !unknown)
	if unknown {
		return v.end(errUnknown)
	}
	return v.end(err)
}

// database is the store over a wire, with what the daemon's parts need.
type database struct {
	*wire
	s *model.Store
}

func (d *database) Watermark(ctx context.Context, spool string) (uint64, error) {
	return read(ctx, d.wire, func() (uint64, error) { return d.s.Watermark(ctx, spool) })
}

func (d *database) Apply(ctx context.Context, spool string, batches []plant.Batch) error {
	first, last := batches[0].Sequence, batches[len(batches)-1].Sequence
	return d.write(ctx, fmt.Sprintf("apply %d to %d", first, last), false, func() error { return d.s.Apply(context.Background(), spool, batches) })
}

func (d *database) Unsettled(ctx context.Context, limit int) ([]plant.Mark, error) {
	return read(ctx, d.wire, func() ([]plant.Mark, error) { return d.s.Unsettled(ctx, limit) })
}

func (d *database) Replace(ctx context.Context, marks []plant.Mark, s []plant.Settlement) error {
	return d.write(ctx, fmt.Sprintf("replace of %d stretches for %d marks", len(s), len(marks)), false, func() error { return d.s.Replace(context.Background(), marks, s) })
}

func (d *database) Readings(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Reading, error) {
	return read(ctx, d.wire, func() ([]plant.Reading, error) { return d.s.Readings(ctx, reg, from, to) })
}

func (d *database) Events(ctx context.Context, st plant.StationID, from, to time.Time) ([]plant.StationEvent, error) {
	return read(ctx, d.wire, func() ([]plant.StationEvent, error) { return d.s.Events(ctx, st, from, to) })
}

func (d *database) Exchanges(ctx context.Context, reg plant.RegisterID) ([]plant.Exchange, error) {
	return read(ctx, d.wire, func() ([]plant.Exchange, error) { return d.s.Exchanges(ctx, reg) })
}

func (d *database) Rulings(ctx context.Context, reg plant.RegisterID) ([]plant.Ruling, error) {
	return read(ctx, d.wire, func() ([]plant.Ruling, error) { return d.s.Rulings(ctx, reg) })
}

func (d *database) Samples(ctx context.Context, meter plant.MeterID, atMost float64, from, to time.Time) ([]plant.Signal, error) {
	return read(ctx, d.wire, func() ([]plant.Signal, error) { return d.s.Samples(ctx, meter, atMost, from, to) })
}

func (d *database) Signals(ctx context.Context, subject, name string, from, to time.Time) ([]plant.Signal, error) {
	return read(ctx, d.wire, func() ([]plant.Signal, error) { return d.s.Signals(ctx, subject, name, from, to) })
}

func (d *database) Fittings(ctx context.Context, st plant.StationID) ([]plant.Fitting, error) {
	return read(ctx, d.wire, func() ([]plant.Fitting, error) { return d.s.Fittings(ctx, st) })
}

func (d *database) Doubtful(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.RegisterEvent, error) {
	return read(ctx, d.wire, func() ([]plant.RegisterEvent, error) { return d.s.Doubtful(ctx, reg, from, to) })
}

func (d *database) Lamps(ctx context.Context) ([]plant.Lamp, error) {
	return read(ctx, d.wire, func() ([]plant.Lamp, error) { return d.s.Lamps(ctx) })
}

func (d *database) AllFittings(ctx context.Context) ([]plant.Fitting, error) {
	return read(ctx, d.wire, func() ([]plant.Fitting, error) { return d.s.AllFittings(ctx) })
}

func (d *database) LampTotals(ctx context.Context) ([]plant.LampTotal, error) {
	return read(ctx, d.wire, func() ([]plant.LampTotal, error) { return d.s.LampTotals(ctx) })
}

func (d *database) TaskActs(ctx context.Context) ([]plant.TaskAct, error) {
	return read(ctx, d.wire, func() ([]plant.TaskAct, error) { return d.s.TaskActs(ctx) })
}

func (d *database) DayAmounts(ctx context.Context, regs []plant.RegisterID, from, to time.Time) ([]plant.DayAmount, error) {
	return read(ctx, d.wire, func() ([]plant.DayAmount, error) { return d.s.DayAmounts(ctx, regs, from, to) })
}

func (d *database) AmountSince(ctx context.Context, reg plant.RegisterID, since time.Time) (int64, error) {
	return read(ctx, d.wire, func() (int64, error) { return d.s.AmountSince(ctx, reg, since) })
}

func (d *database) LatestEvents(ctx context.Context) (map[plant.StationID]plant.StationEvent, error) {
	return read(ctx, d.wire, func() (map[plant.StationID]plant.StationEvent, error) { return d.s.LatestEvents(ctx) })
}

func (d *database) LatestSignals(ctx context.Context) ([]plant.Signal, error) {
	return read(ctx, d.wire, func() ([]plant.Signal, error) { return d.s.LatestSignals(ctx) })
}

func (d *database) SignalSamples(ctx context.Context, q plant.SignalSpan) ([]plant.Signal, error) {
	return read(ctx, d.wire, func() ([]plant.Signal, error) { return d.s.SignalSamples(ctx, q) })
}

func (d *database) Announce(ctx context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (n int, err error) {
	err = d.write(ctx, "announce", true, func() error {
		n, err = d.s.Announce(context.Background(), decide)
		return err
	})
	return n, err
}

func (d *database) Claim(ctx context.Context, channel string, at time.Time, lease time.Duration, limit int) (out []notice.Delivery, err error) {
	err = d.write(ctx, "claim", true, func() error {
		out, err = d.s.Claim(context.Background(), channel, at, lease, limit)
		return err
	})
	return out, err
}

func (d *database) Settled(ctx context.Context, all []notice.Delivery) error {
	return d.write(ctx, "settled", true, func() error { return d.s.Settled(context.Background(), all) })
}

// queue is the spool over a wire. The task that appends and the one that applies
// have one each.
type queue struct {
	*wire
	s *model.Spool
}

func (q *queue) ID() string { return q.s.ID() }

func (q *queue) Renew(ctx context.Context) error {
	if err := q.begin(ctx, theDisk); err != nil {
		return err
	}
	q.w.note("%d renew", q.number)
	return q.end(q.s.Renew(ctx))
}

func (q *queue) Append(ctx context.Context, batches ...plant.Facts) (uint64, error) {
	if err := q.begin(ctx, theDisk); err != nil {
		return 0, errors.Join(errFull, err)
	}
	q.s.Write(batches...)
	q.pause(10)
	if q.cut.Load() && q.draw(11)%2 == 0 { // the power went before it was on disk
		return 0, errCut
	}
	last := q.s.Sync()
	q.w.note("%d append %d", q.number, last)
	return last, q.end(nil)
}

func (q *queue) Read(ctx context.Context, after uint64, maxFacts int) ([]plant.Batch, error) {
	q.acts++
	q.pause(1)
	if q.cut.Load() {
		return nil, errCut
	}
	return q.s.Read(ctx, after, maxFacts)
}

func (q *queue) Trim(ctx context.Context, upTo uint64) error {
	if err := q.begin(ctx, theDisk); err != nil {
		return err
	}
	q.w.note("%d trim to %d", q.number, upTo)
	return q.end(q.s.Trim(ctx, upTo))
}

// bus is a line with meters on it.
type bus struct {
	*wire
	of target
}

// timeout is how long a meter is waited for.
const timeout = time.Second

func (b *bus) Read(ctx context.Context, m plant.MeterID, retry bool) collect.Answer {
	b.acts++
	b.pause(1)
	silent := collect.Answer{Faults: []collect.Fault{{Trouble: collect.NoAnswer, Reason: "no answer", Text: "no answer"}}}
	if b.cut.Load() || ctx.Err() != nil {
		return silent
	}
	if b.w.plan.away(b.of, time.Now()) {
		n := time.Duration(1)
		if retry {
			n = 2
		}
		nap(b.task, n*timeout)
		return silent
	}
	if b.chance(2, b.w.plan.broken) {
		return collect.Answer{Faults: []collect.Fault{{Trouble: collect.BrokenFrame, Reason: "checksum", Content: "00", Text: "checksum"}}}
	}
	now, real := b.clock.Now().UTC(), time.Now()
	reg := plant.RegisterOf(m, plant.ValueImport)
	r := plant.Reading{Register: reg, At: now.Truncate(time.Microsecond), Value: b.w.truth.shows(m, real)}
	good := true
	// Nothing proves the very first value wrong: a person must.
	if before, _ := b.w.store.Readings(ctx, reg, farPast, farFuture); m == meterGlitch && len(before) > 0 && b.chance(3, b.w.plan.glitch) {
		good = false
		r.Value = []int64{0, r.Value / 2, r.Value + glitchBy*step}[b.draw(4)%3]
	}
	b.w.mu.Lock()
	b.w.reads[readKey{reg, r.At.UnixMicro()}] = good
	b.w.mu.Unlock()
	power := plant.Signal{Subject: string(m), Name: plant.SignalPower, At: now.Truncate(time.Millisecond), Value: float64(b.w.truth.lines[m].at(real).milliwatts) / 1000}
	b.pause(5)
	b.w.note("%d read %s %d", b.number, m, r.Value)
	return collect.Answer{Facts: plant.Facts{Readings: []plant.Reading{r}, Signals: []plant.Signal{power}}}
}

func (b *bus) Rest(context.Context) { nap(b.task, 200*time.Millisecond) }

func (b *bus) Close() error { return nil }

// mail is a receiver of notices who knows a message that he got before by its key.
type mail struct{ *wire }

func (m *mail) Send(ctx context.Context, msg notice.Message) error {
	if err := m.begin(ctx, theMail); err != nil {
		return err
	}
	m.w.mu.Lock()
	m.w.sent[msg.Key]++
	m.w.mu.Unlock()
	m.w.note("%d mail of %d notices", m.number, len(msg.Notices))
	if m.chance(6, m.w.plan.after) {
		return m.end(errUnknown)
	}
	return m.end(nil)
}

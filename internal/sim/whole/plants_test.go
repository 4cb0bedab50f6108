package whole

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
	planner "curetally/internal/work/plan"
	"curetally/internal/work/record"
	"curetally/internal/work/settle"
	"curetally/internal/work/tell"
)

// bugs are the planted ones.
var bugs = []bug{
	{name: "cursor outside the transaction", of: "the watermark is committed, and then the facts", onSink: func(s record.Store, _ *world) record.Store { return cursorApart{s} }},
	{name: "apply not checked", of: "batches are called stored whatever the database said", onSink: func(s record.Store, _ *world) record.Store { return trusting{s} }},
	{name: "failure taken for nothing", of: "after an error the batches are taken for not stored, and their instants for free", onSink: func(s record.Store, _ *world) record.Store { return &moved{Store: s} }},
	{name: "half a batch", of: "messages are left out when the readings of a batch are in", onSink: func(s record.Store, _ *world) record.Store { return halfBatch{s} }},
	{name: "boot not in the key", of: "a message is known by its number alone", onSink: func(s record.Store, _ *world) record.Store { return noBoot{s} }},
	{name: "late fact not marked", of: "facts older than the newest are stored and not marked", onSink: func(s record.Store, w *world) record.Store { return lateUnmarked{s, w} }},
	{name: "acknowledgement before fsync", of: "a batch is called written when it is in memory", onQueue: func(s record.Spool, w *world) record.Spool { return eager{s, w, make(chan struct{}, 1)} }},
	{name: "failed append called done", of: "an error of the disk is passed over", onQueue: func(s record.Spool, _ *world) record.Spool { return careless{s} }},
	{name: "trimmed too far", of: "the spool removes one batch more than is stored", onQueue: func(s record.Spool, _ *world) record.Spool { return trimmed{s} }},
	{name: "batch passed over", of: "the spool gives no batch of more than six facts", onQueue: func(s record.Spool, _ *world) record.Spool { return passed{s} }},
	{name: "lost mark", of: "one mark in ten is removed and not settled", onFacts: func(s settle.Store, w *world) settle.Store { return &lostMark{Store: s, w: w} }},
	{name: "marks by name", of: "all marks of a register are removed, those that came meanwhile too", onFacts: func(s settle.Store, w *world) settle.Store { return marksByName{s, w} }},
	{name: "entry added", of: "amounts are added to what is stored instead of taking its place", onFacts: func(s settle.Store, w *world) settle.Store { return added{s, w} }},
	{name: "all is measured", of: "entries are stored as measured", onFacts: func(s settle.Store, _ *world) settle.Store { return measured{s} }},
	{name: "no neighbours", of: "readings beyond the stretch are not read", onFacts: func(s settle.Store, _ *world) settle.Store { return alone{s} }},
	{name: "nothing doubtful", of: "what was held out is not judged again", onFacts: func(s settle.Store, _ *world) settle.Store { return certain{s} }},
	{name: "exchange not read", of: "exchanges have no effect", onFacts: func(s settle.Store, _ *world) settle.Store { return noExchange{s} }},
	{name: "ruling not read", of: "rulings have no effect", onFacts: func(s settle.Store, _ *world) settle.Store { return noRuling{s} }},
	{name: "stale fittings", of: "fittings are read once and remembered", onFacts: func(s settle.Store, _ *world) settle.Store {
		return &stale{Store: s, known: map[plant.StationID][]plant.Fitting{}}
	}},
	{name: "rollover ignored", of: "a register is taken for endless", onSite: func(p *plant.Plant) {
		for i := range p.Registers {
			p.Registers[i].Rules.Modulus = 0
		}
	}},
	{name: "no limit", of: "nothing is too much to be true", onSite: func(p *plant.Plant) {
		for i := range p.Registers {
			p.Registers[i].Rules.MaxPerHour *= 100_000
		}
	}},
	{name: "no gap", of: "a gap of hours counts as measured", onSite: func(p *plant.Plant) {
		for i := range p.Registers {
			p.Registers[i].Rules.MaxGap = 0
		}
	}},
	{name: "silence ignored", of: "a station that says nothing goes on with its last state", onSite: func(p *plant.Plant) {
		for i := range p.Presses[0].Stations {
			p.Presses[0].Stations[i].Silence = 0
		}
	}},
	{name: "clock goes back", of: "facts are stamped by the bare clock of the machine", bareClock: true},
	{name: "double notice", of: "what was announced is forgotten when the outcome was not known", onNotices: func(s tell.Store, _ *world) tell.Store { return forgetful{s} }},
	{name: "claimed is sent", of: "a delivery is called sent when it is claimed", onNotices: func(s tell.Store, _ *world) tell.Store { return claimedIsSent{s} }},
	{name: "notice without a way", of: "notices are stored without their deliveries", onNotices: func(s tell.Store, _ *world) tell.Store { return wayless{s} }},
	{name: "end of delivery lost", of: "what was sent is not kept", onNotices: func(s tell.Store, _ *world) tell.Store { return unkept{s} }},
	{name: "use not read", of: "a task never comes nearer by use", onOutlook: func(s planner.Store, _ *world) planner.Store { return unlit{s} }},
	{name: "task done not read", of: "a task counts from the first lamp, whatever was done", onOutlook: func(s planner.Store, _ *world) planner.Store { return undone{s} }},
}

type cursorApart struct{ record.Store }

func (c cursorApart) Apply(ctx context.Context, spool string, batches []plant.Batch) error {
	empty := make([]plant.Batch, len(batches))
	for i, b := range batches {
		empty[i].Sequence = b.Sequence
	}
	if err := c.Store.Apply(ctx, spool, empty); err != nil {
		return err
	}
	return c.Store.Apply(ctx, fmt.Sprintf("%s from %d", spool, batches[0].Sequence), batches)
}

type trusting struct{ record.Store }

func (c trusting) Apply(ctx context.Context, spool string, batches []plant.Batch) error {
	_ = c.Store.Apply(ctx, spool, batches)
	return nil
}

type moved struct {
	record.Store
	failed time.Duration
}

func (m *moved) Apply(ctx context.Context, spool string, batches []plant.Batch) error {
	err := m.Store.Apply(ctx, fmt.Sprintf("%s after %d", spool, m.failed), shifted(batches, m.failed))
	if err != nil {
		m.failed += time.Microsecond
		return err
	}
	empty := make([]plant.Batch, len(batches))
	for i, b := range batches {
		empty[i].Sequence = b.Sequence
	}
	return m.Store.Apply(ctx, spool, empty)
}

// shifted gives batches with their readings at other instants.
func shifted(batches []plant.Batch, by time.Duration) []plant.Batch {
	out := slices.Clone(batches)
	for i := range out {
		out[i].Facts.Readings = slices.Clone(out[i].Facts.Readings)
		for j := range out[i].Facts.Readings {
			out[i].Facts.Readings[j].At = out[i].Facts.Readings[j].At.Add(by)
		}
	}
	return out
}

type halfBatch struct{ record.Store }

func (h halfBatch) Apply(ctx context.Context, spool string, batches []plant.Batch) error {
	out := slices.Clone(batches)
	for i := range out {
		if len(out[i].Facts.Readings) > 0 {
			out[i].Facts.Events = nil
		}
	}
	return h.Store.Apply(ctx, spool, out)
}

type noBoot struct{ record.Store }

func (n noBoot) Apply(ctx context.Context, spool string, batches []plant.Batch) error {
	out := slices.Clone(batches)
	for i := range out {
		out[i].Facts.Events = slices.Clone(out[i].Facts.Events)
		for j := range out[i].Facts.Events {
			out[i].Facts.Events[j].Boot = ""
		}
	}
	return n.Store.Apply(ctx, spool, out)
}

type lateUnmarked struct {
	record.Store
	w *world
}

func (l lateUnmarked) Apply(ctx context.Context, spool string, batches []plant.Batch) error {
	newest := map[plant.StationID]time.Time{}
	all, _ := l.w.store.LatestEvents(ctx) // never fails
	for st, e := range all {
		newest[st] = e.At
	}
	late := false
	for _, b := range batches {
		for _, e := range b.Facts.Events {
			late = late || e.At.Before(newest[e.Station].Add(-time.Minute))
		}
	}
	err := l.Store.Apply(ctx, spool, batches)
	if late && err == nil {
		unmark(l.w, func(m plant.Mark) bool { return m.Station != "" })
	}
	return err
}

// unmark has marks removed without being answered.
func unmark(w *world, which func(plant.Mark) bool) {
	marks, _ := w.store.Unsettled(context.Background(), 1000) // never fails
	_ = w.store.Replace(context.Background(), slices.DeleteFunc(marks, func(m plant.Mark) bool { return !which(m) }), nil)
}

// eager says that a batch is on disk and then writes it. The writes take turns,
// because one goroutine at a time may use the way to the disk.
type eager struct {
	record.Spool
	w    *world
	turn chan struct{}
}

func (e eager) Append(ctx context.Context, batches ...plant.Facts) (uint64, error) {
	last, _ := e.w.disk.Written()
	go func() {
		nap(taskLate, time.Second)
		e.turn <- struct{}{}
		_, _ = e.Spool.Append(ctx, batches...)
		<-e.turn
	}()
	return last + 1, nil
}

type careless struct{ record.Spool }

func (c careless) Append(ctx context.Context, batches ...plant.Facts) (uint64, error) {
	last, _ := c.Spool.Append(ctx, batches...)
	return last, nil
}

type trimmed struct{ record.Spool }

func (t trimmed) Trim(ctx context.Context, upTo uint64) error { return t.Spool.Trim(ctx, upTo+1) }

type passed struct{ record.Spool }

func (p passed) Read(ctx context.Context, after uint64, most int) ([]plant.Batch, error) {
	out, err := p.Spool.Read(ctx, after, most)
	for i := range out {
		if out[i].Facts.Len() > 6 {
			out[i].Facts = plant.Facts{}
		}
	}
	return out, err
}

type lostMark struct {
	settle.Store
	w     *world
	asked int
}

func (l *lostMark) Unsettled(ctx context.Context, limit int) ([]plant.Mark, error) {
	if l.asked++; l.asked%10 == 0 {
		unmark(l.w, func(m plant.Mark) bool { return m.Register != "" })
	}
	return l.Store.Unsettled(ctx, limit)
}

type marksByName struct {
	settle.Store
	w *world
}

func (m marksByName) Replace(ctx context.Context, marks []plant.Mark, s []plant.Settlement) error {
	err := m.Store.Replace(ctx, marks, s)
	if err == nil {
		unmark(m.w, func(o plant.Mark) bool {
			return slices.ContainsFunc(marks, func(x plant.Mark) bool { return x.Register == o.Register && x.Station == o.Station })
		})
	}
	return err
}

type added struct {
	settle.Store
	w *world
}

func (a added) Replace(ctx context.Context, marks []plant.Mark, s []plant.Settlement) error {
	for i := range s {
		have, _ := a.w.store.Entries(ctx, s[i].Register, s[i].From, s[i].To) // never fails
		for j := range s[i].Entries {
			e := &s[i].Entries[j]
			for _, h := range have {
				if h.Start.Equal(e.Start) && h.State == e.State && h.Technology == e.Technology && h.Lamp == e.Lamp {
					e.Amount += h.Amount
				}
			}
		}
	}
	return a.Store.Replace(ctx, marks, s)
}

type measured struct{ settle.Store }

func (m measured) Replace(ctx context.Context, marks []plant.Mark, s []plant.Settlement) error {
	for i := range s {
		for j := range s[i].Entries {
			s[i].Entries[j].Quality = plant.QualityMeasured
		}
	}
	return m.Store.Replace(ctx, marks, s)
}

type alone struct{ settle.Store }

func (a alone) Readings(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Reading, error) {
	all, err := a.Store.Readings(ctx, reg, from, to)
	return slices.DeleteFunc(all, func(r plant.Reading) bool { return r.At.Before(from) || !r.At.Before(to) }), err
}

type certain struct{ settle.Store }

func (c certain) Doubtful(context.Context, plant.RegisterID, time.Time, time.Time) ([]plant.RegisterEvent, error) {
	return nil, nil
}

type noExchange struct{ settle.Store }

func (n noExchange) Exchanges(context.Context, plant.RegisterID) ([]plant.Exchange, error) {
	return nil, nil
}

type noRuling struct{ settle.Store }

func (n noRuling) Rulings(context.Context, plant.RegisterID) ([]plant.Ruling, error) {
	return nil, nil
}

type stale struct {
	settle.Store
	known map[plant.StationID][]plant.Fitting
}

func (s *stale) Fittings(ctx context.Context, st plant.StationID) ([]plant.Fitting, error) {
	if f, ok := s.known[st]; ok {
		return f, nil
	}
	f, err := s.Store.Fittings(ctx, st)
	if err == nil {
		s.known[st] = f
	}
	return f, err
}

type forgetful struct{ tell.Store }

func (f forgetful) Announce(ctx context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (int, error) {
	return f.Store.Announce(ctx, func([]notice.Record) ([]notice.Record, []notice.Posted) {
		changed, posted := decide(nil)
		for i := range posted { // no key knows it again
			posted[i].Notice.Transition += posted[i].Notice.At.Format(" 15:04:05")
		}
		return changed, posted
	})
}

type claimedIsSent struct{ tell.Store }

func (c claimedIsSent) Claim(ctx context.Context, channel string, at time.Time, lease time.Duration, limit int) ([]notice.Delivery, error) {
	all, err := c.Store.Claim(ctx, channel, at, lease, limit)
	sent := slices.Clone(all)
	for i := range sent {
		sent[i].State, sent[i].Sent = notice.Sent, at
	}
	if len(sent) > 0 {
		err = errors.Join(err, c.Settled(ctx, sent))
	}
	return all, err
}

type wayless struct{ tell.Store }

func (v wayless) Announce(ctx context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (int, error) {
	return v.Store.Announce(ctx, func(records []notice.Record) ([]notice.Record, []notice.Posted) {
		changed, posted := decide(records)
		for i := range posted {
			posted[i].To = nil
		}
		return changed, posted
	})
}

type unkept struct{ tell.Store }

func (u unkept) Settled(context.Context, []notice.Delivery) error { return nil }

type undone struct{ planner.Store }

func (u undone) TaskActs(context.Context) ([]plant.TaskAct, error) { return nil, nil }

type unlit struct{ planner.Store }

func (u unlit) AmountSince(context.Context, plant.RegisterID, time.Time) (int64, error) {
	return 0, nil
}

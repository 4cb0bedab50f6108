package whole

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/clock"
	"curetally/internal/sim/model"
	"curetally/internal/work/collect"
	planner "curetally/internal/work/plan"
	"curetally/internal/work/record"
	"curetally/internal/work/settle"
	"curetally/internal/work/tell"
)

// options choose a history beside its seed.
type options struct {
	length  time.Duration // a multiple of stretch
	stretch time.Duration // from one quiet point to the next
	bug     bug
	print   func(string)
	// sudden: the daemon never ends in order before the first quiet point.
	sudden bool
}

// outcome is what became of a seed.
type outcome struct {
	broken []string // what does not hold, at the first quiet point where something does not
	sum    string   // hash of the history up to the last quiet point
	kills  int
	facts  int
}

// simulate lives through the history of a seed.
func simulate(t *testing.T, seed uint64, o options) (out outcome) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(seed, o)
		time.Sleep(time.Until(w.plan.begin))
		ctx, cancel := context.WithCancel(context.Background())
		var wg sync.WaitGroup
		for task, st := range map[int]plant.StationID{taskDevice1: "heron-1", taskDevice2: "heron-2"} {
			wg.Go(func() { w.device(ctx, task, st) })
		}
		wg.Go(func() { newOperator(w).run(ctx) })
		out = w.direct(o.sudden)
		cancel()
		wg.Wait()
		nap(taskDirector, time.Minute) // for what is under way
	})
	return out
}

// nap sleeps until an instant that belongs to a task alone.
func nap(task int, d time.Duration) {
	at := time.Now().UnixNano() + int64(max(d, tasks))
	at += (int64(task) - at%tasks + tasks) % tasks
	time.Sleep(time.Until(time.Unix(0, at)))
}

// direct starts and kills the daemon and looks at every quiet point.
func (w *world) direct(sudden bool) (out outcome) {
	rng := rand.New(rand.NewPCG(w.seed, 0xdead))
	lives := 0
	for quiet := w.plan.begin.Add(w.plan.stretch); !quiet.After(w.plan.begin.Add(w.plan.length)); quiet = quiet.Add(w.plan.stretch) {
		limit := quiet.Add(-calm)
		for {
			r := w.start(lives)
			lives++
			end := time.Now().Add(time.Minute + time.Duration(rng.ExpFloat64()*float64(w.plan.life)))
			again := end.Add(2*time.Minute + upTo(rng, 20*time.Minute))
			if again.After(limit) {
				w.until(quiet.Add(-4 * time.Minute))
				expected := w.expected()
				w.until(quiet)
				out.broken, out.sum = r.lively(expected), w.sum()
				r.stop()
				break
			}
			w.until(end)
			if rng.IntN(6) == 0 && !sudden {
				w.note("%d ends in order", r.number)
				r.stop()
			} else {
				w.note("%d is killed", r.number)
				r.kill()
				out.kills++
			}
			w.until(again)
		}
		w.land()
		w.settleRest()
		out.broken = append(out.broken, w.check()...)
		for _, all := range w.readings() {
			out.facts += len(all)
		}
		if len(out.broken) > 0 {
			return out
		}
	}
	return out
}

// until naps to an instant, or not at all when it has passed.
func (w *world) until(t time.Time) { nap(taskDirector, time.Until(t)) }

// settleRest settles what an act of a person has marked just now.
func (w *world) settleRest() {
	s := settle.New(settle.Options{Plant: w.truth.plant, Store: w.bug.facts(&database{(&life{w: w, number: 2000}).wire(taskDirector), w.store}, w), Log: w.logger(), Rand: rand.New(rand.NewPCG(1, 1))})
	if err := s.Rest(context.Background()); err != nil {
		w.note("the rest is not settled: %v", err)
	}
}

// run is a running daemon.
type run struct {
	*life
	endFront, endRecord, endSettle, endBack context.CancelFunc
	front, recorder, settling, back         sync.WaitGroup
	settler                                 *settle.Settler
	planner                                 *planner.Planner
	pollers                                 []*collect.Poller
}

// start puts a daemon together as package app does.
func (w *world) start(number int) *run {
	w.note("%d starts", number)
	r := &run{life: &life{w: w, number: number}}
	log := w.logger()
	r.clock = w.clock(log)
	p := w.bug.site(w.truth.plant)
	db := func(task int) *database { return &database{r.wire(task), w.store} }
	inbox, wake := make(chan record.Delivery, 16384), make(chan struct{}, 1)
	rng := func(n uint64) *rand.Rand { return rand.New(rand.NewPCG(w.seed, n<<32|uint64(number))) }
	disk := model.OpenSpool(w.disk)
	recorder := record.New(record.Options{
		Inbox: inbox, Spool: w.bug.queue(&spool{&queue{r.wire(taskSpool), disk}, &queue{r.wire(taskApply), disk}}, w), Store: w.bug.sink(db(taskApply), w),
		Log: log, Rand: rng(1),
		Applied: func() {
			select {
			case wake <- struct{}{}:
			default:
			}
		},
	})
	r.settler = settle.New(settle.Options{Plant: p, Store: w.bug.facts(db(taskSettle), w), Log: log, Wake: wake, Rand: rng(2)})
	r.planner = planner.New(w.bug.outlook(db(taskPlan), w), p, log)
	teller := tell.New(tell.Options{
		Store: notices{look: w.bug.notices(db(taskTell), w), mail: w.bug.notices(db(taskMail), w)}, Plant: p, Look: r.conditions, Limits: limits, Retries: notice.UsualRetries(), Rand: rng(3), Log: log,
		Channels: []tell.Channel{{Route: notice.Route{Channel: "mail", Kinds: notice.Kinds()}, Sender: &mail{r.wire(taskMail)}, Together: 1}},
	})
	deliver := func(ctx context.Context, f plant.Facts) error {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case inbox <- record.Delivery{Facts: f}:
			return nil
		}
	}
	for i, b := range p.Buses {
		r.pollers = append(r.pollers, collect.New(collect.Options{Bus: b, Reader: &bus{r.wire(taskHall + i), theHall + target(i)}, Deliver: deliver, Now: r.clock.Now, Log: log}))
	}
	var ctx [4]context.Context
	for i, end := range []*context.CancelFunc{&r.endFront, &r.endRecord, &r.endSettle, &r.endBack} {
		ctx[i], *end = context.WithCancel(context.Background())
	}
	begin := func(wg *sync.WaitGroup, task int, work func()) {
		wg.Go(func() {
			nap(task, time.Duration(taskDirector-task)*131*time.Millisecond) // settling before recording, or its first round finds both timer and wake-up
			work()
		})
	}
	begin(&r.back, taskPlan, func() { _ = r.planner.Run(ctx[3]) }) // Run gives nil, here and below
	begin(&r.back, taskTell, func() { _ = teller.Run(ctx[3]) })
	begin(&r.settling, taskSettle, func() { _ = r.settler.Run(ctx[2]) })
	begin(&r.recorder, taskSpool, func() { _ = recorder.Run(ctx[1]) })
	for i, p := range r.pollers {
		begin(&r.front, taskHall+i, func() { _ = p.Run(ctx[0]) })
	}
	begin(&r.front, taskLink, func() { r.wire(taskLink).listen(ctx[0], inbox) })
	return r
}

// clock goes on from the newest reading on record, as the daemon's does.
func (w *world) clock(log *slog.Logger) *clock.Steady {
	var after time.Time
	latest, _ := w.store.LatestReadings(context.Background()) // never fails
	for _, r := range latest {
		after = plant.Later(after, r.At)
	}
	wall := func() time.Time { now := time.Now(); return now.Add(w.plan.offset(now)).Round(0) }
	ran := func() time.Duration { return time.Since(w.plan.begin) }
	if w.bug.bareClock {
		return clock.New(clock.Source{Wall: wall, Ran: func() time.Duration { return wall().Sub(w.plan.begin) }}, time.Time{}, log)
	}
	return clock.New(clock.Source{Wall: wall, Ran: ran}, after, log)
}

// spool gives the two tasks of the recorder a wire each.
type spool struct{ write, apply *queue }

func (s *spool) ID() string { return s.apply.ID() }

func (s *spool) Renew(ctx context.Context) error { return s.apply.Renew(ctx) }

func (s *spool) Append(ctx context.Context, batches ...plant.Facts) (uint64, error) {
	return s.write.Append(ctx, batches...)
}

func (s *spool) Read(ctx context.Context, after uint64, most int) ([]plant.Batch, error) {
	return s.apply.Read(ctx, after, most)
}

func (s *spool) Trim(ctx context.Context, upTo uint64) error { return s.apply.Trim(ctx, upTo) }

// notices gives the two tasks of the teller a wire each.
type notices struct{ look, mail tell.Store }

func (n notices) Announce(ctx context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (int, error) {
	return n.look.Announce(ctx, decide)
}

func (n notices) Claim(ctx context.Context, channel string, at time.Time, lease time.Duration, limit int) ([]notice.Delivery, error) {
	return n.mail.Claim(ctx, channel, at, lease, limit)
}

func (n notices) Settled(ctx context.Context, all []notice.Delivery) error {
	return n.mail.Settled(ctx, all)
}

// kill cuts the run off, then waits until its remains have ended.
func (r *run) kill() {
	r.cut.Store(true)
	r.endFront()
	r.endRecord()
	r.endSettle()
	r.endBack()
	r.front.Wait()
	r.recorder.Wait()
	r.settling.Wait()
	r.back.Wait()
}

// stop ends the run in the order in which package app does. Between the steps there
// is time to take what is there: a select takes any of two that are ready.
func (r *run) stop() {
	r.endFront()
	r.front.Wait()
	nap(taskDirector, 3*time.Second)
	r.endRecord()
	r.recorder.Wait()
	nap(taskDirector, 3*time.Second)
	r.endSettle()
	r.settling.Wait()
	bound, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	_ = r.settler.Rest(bound) // what is left is settled at the next start
	cancel()
	r.endBack()
	r.back.Wait()
	r.cut.Store(true)
}

// conditions are the tasks, and the meters that are silent.
func (r *run) conditions(_ context.Context, _ time.Time) ([]notice.Condition, bool, error) {
	look := r.planner.Newest()
	if look == nil {
		return nil, false, nil
	}
	out := taskConditions(look.Tasks)
	for _, p := range r.pollers {
		for _, h := range p.Health() {
			if !h.Up {
				out = append(out, notice.Condition{Form: notice.Finding, Topic: notice.Metering, Subject: "silent " + string(h.Meter), Title: "Silent meter", Text: h.LastError})
			}
		}
	}
	return out, true, nil
}

func taskConditions(tasks []upkeep.Task) (out []notice.Condition) {
	for _, t := range tasks {
		out = append(out, notice.Condition{
			Form: notice.Task, Topic: notice.Upkeep, Press: "heron", Status: string(t.Status), Due: t.Due,
			Subject: fmt.Sprintf("task %s/%s since %d", t.Rule, t.Subject, t.Anchor.Unix()), Title: t.Title, Text: t.Reason,
		})
	}
	return out
}

// expected are the conditions that must have been announced some minutes from now.
func (w *world) expected() []notice.Condition {
	look, err := planner.Look(context.Background(), w.store, w.truth.plant, time.Now())
	if err != nil {
		w.note("no outlook: %v", err)
	}
	return taskConditions(look.Tasks)
}

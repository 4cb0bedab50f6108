package whole

import (
	"context"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
	"curetally/internal/work/settle"
)

// The checks compute what must be stored in simple loops of their own.

var (
	farPast   = time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)
	farFuture = time.Date(2098, 1, 1, 0, 0, 0, 0, time.UTC)
)

// breaches gathers what does not hold.
type breaches []string

func (b *breaches) add(invariant, format string, args ...any) {
	*b = append(*b, invariant+": "+fmt.Sprintf(format, args...))
}

func (w *world) readings() map[plant.RegisterID][]plant.Reading {
	out := map[plant.RegisterID][]plant.Reading{}
	for _, r := range w.truth.plant.Registers {
		if r.Curve == plant.FromReadings {
			out[r.ID], _ = w.store.Readings(context.Background(), r.ID, farPast, farFuture) // never fails
		}
	}
	return out
}

func (w *world) events(st plant.StationID) []plant.StationEvent {
	out, _ := w.store.Events(context.Background(), st, farPast, farFuture) // never fails
	return out
}

func (w *world) entries(reg plant.RegisterID) []plant.Entry {
	out, _ := w.store.Entries(context.Background(), reg, farPast, farFuture) // never fails
	return out
}

func total(entries []plant.Entry) (sum int64) {
	for _, e := range entries {
		sum += e.Amount
	}
	return sum
}

// check looks at all that is stored.
func (w *world) check() []string {
	var b breaches
	for reg, all := range w.readings() {
		w.conserves(&b, reg, all)
		w.once(&b, reg, all)
	}
	for _, st := range w.truth.plant.Stations() {
		w.station(&b, st.ID)
		w.lamps(&b, st.ID)
	}
	w.acknowledged(&b)
	w.rebuild(&b)
	w.told(&b)
	if hours := time.Since(w.plan.begin).Hours(); float64(w.lines) > 400*(hours+1) {
		b.add("bounded", "%d lines in the log in %.0f hours", w.lines, hours)
	}
	slices.Sort(b)
	return b
}

// good leaves out the values that the meter showed wrongly.
func (w *world) good(all []plant.Reading) []plant.Reading {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(all), func(r plant.Reading) bool { return !w.reads[readKey{r.Register, r.At.UnixMicro()}] })
}

// conserves holds that entries add up to what the register counted, that the whole
// is what truly flowed, and that quality says what is known and nothing else.
func (w *world) conserves(b *breaches, reg plant.RegisterID, all []plant.Reading) {
	owner, _ := reg.Split()
	m := plant.MeterID(owner)
	all = w.good(all)
	exchanges, _ := w.store.Exchanges(context.Background(), reg)
	rulings, _ := w.store.Rulings(context.Background(), reg)
	if len(all) < 2 {
		b.add("liveness", "%s has %d readings", reg, len(all))
		return
	}
	first, last := all[0].At, all[len(all)-1].At
	x, j := w.truth.exchange, w.truth.jump
	within := func(t time.Time) bool { return !t.IsZero() && t.After(first) && t.Before(last) }
	if m == meterExchange && within(x) && len(exchanges) == 0 || m == meterJump && within(j) && len(rulings) == 0 {
		return // people have not come to it
	}
	entries := w.entries(reg)
	want, mod := int64(0), int64(wideCounts*step)
	if m == meterRollover {
		mod = modulus * step
	}
	value := all[0].Value
	for _, r := range all[1:] {
		for len(exchanges) > 0 && !exchanges[0].At.After(r.At) {
			want += exchanges[0].Final - value
			value, exchanges = exchanges[0].First, exchanges[1:]
		}
		d := r.Value - value
		if d < 0 {
			d += mod
		}
		want, value = want+d, r.Value
	}
	if got := total(entries); got != want {
		b.add("conservation", "%s: entries add up to %d, the register counted %d", reg, got, want)
	}
	w.plausible(b, reg, entries, m != meterJump || j.IsZero())
	w.honest(b, reg, all, entries)
}

// plausible holds that no interval holds less than nothing or more than the load can
// use.
func (w *world) plausible(b *breaches, reg plant.RegisterID, entries []plant.Entry, bounded bool) {
	// Of a quarter of an hour; each step from one reading to the next may round.
	const most = ratedWatts*1000*11/10/4 + (int64(interval/period)+2)*step
	sums := map[int64]int64{}
	for _, e := range entries {
		sums[e.Start.Unix()] += e.Amount
		if e.Amount < 0 || bounded && sums[e.Start.Unix()] > most {
			b.add("plausibility", "%s: %d in the interval %s", reg, sums[e.Start.Unix()], e.Start)
			return
		}
	}
}

// honest holds that an interval far from any gap is measured, that one within a gap
// is not, and that no true value is held out. Two are for reasons: a jump for which
// nobody has vouched yet, and what seems to rise too fast after the machine's clock
// was set back while the daemon did not run.
func (w *world) honest(b *breaches, reg plant.RegisterID, all []plant.Reading, entries []plant.Entry) {
	owner, _ := reg.Split()
	held, _ := w.store.Held(context.Background(), reg)
	told := false
	all = slices.DeleteFunc(slices.Clone(all), func(r plant.Reading) bool {
		out := slices.ContainsFunc(held, func(h plant.RegisterEvent) bool { return h.At.Equal(r.At) })
		if out && len(w.plan.clock) == 0 && owner != string(meterJump) && !told {
			told = true
			b.add("honesty", "%s: the true value %d of %s is held out", reg, r.Value, r.At)
		}
		return out
	})
	doubt := map[int64]bool{} // intervals that something else than readings tells about
	exchanges, _ := w.store.Exchanges(context.Background(), reg)
	for _, x := range exchanges {
		doubt[x.At.Truncate(interval).Unix()] = true
	}
	gap := map[int64]int{} // by interval: 1 touched by a gap, 2 within one
	for i := 1; i < len(all); i++ {
		from, to := all[i-1].At, all[i].At
		if to.Sub(from) <= maxGap {
			continue
		}
		for at := from.Truncate(interval); at.Before(to); at = at.Add(interval) {
			gap[at.Unix()] = 1
			if !at.Before(from) && !at.Add(interval).After(to) {
				gap[at.Unix()] = 2
			}
		}
	}
	for _, e := range entries {
		at := e.Start.Unix()
		switch {
		case doubt[at]:
		case gap[at] == 0 && e.Quality != plant.QualityMeasured:
			b.add("honesty", "%s: %s in the interval %s, in which nothing is missing", reg, e.Quality, e.Start)
			return
		case gap[at] == 2 && e.Quality == plant.QualityMeasured:
			b.add("honesty", "%s: measured in the interval %s, of which nothing was read", reg, e.Start)
			return
		}
	}
}

// once holds that each instant of a register is stored once, with the value that the
// meter showed.
func (w *world) once(b *breaches, reg plant.RegisterID, all []plant.Reading) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i, r := range all {
		if i > 0 && !r.At.After(all[i-1].At) {
			b.add("once", "%s: two readings of %s", reg, r.At)
			return
		}
		if _, shown := w.reads[readKey{reg, r.At.UnixMicro()}]; !shown {
			b.add("once", "%s: a reading of %s that the meter never gave", reg, r.At)
			return
		}
	}
}

// station holds that time tiles and that counters and entries agree.
func (w *world) station(b *breaches, st plant.StationID) {
	events := w.events(st)
	if len(events) < 2 {
		b.add("liveness", "%s has %d messages", st, len(events))
		return
	}
	first, last := events[0].At, events[len(events)-1].At
	want, told := map[int64]int64{}, map[int64]int64{}
	for at := first.Truncate(interval); at.Before(last); at = at.Add(interval) {
		want[at.Unix()] = plant.Earlier(at.Add(interval), last).Sub(plant.Later(at, first)).Milliseconds()
	}
	for _, e := range w.entries(plant.RegisterOf(st, plant.ValueTime)) {
		told[e.Start.Unix()] += e.Amount
	}
	for at, ms := range want {
		if told[at] != ms {
			b.add("tiling", "%s: %d ms in the interval %s, expected %d", st, told[at], time.Unix(at, 0).UTC(), ms)
			return
		}
	}
	lit := plant.RegisterOf(st, plant.ValueLit)
	w.counter(b, lit, events, func(e plant.StationEvent) int64 { return e.LitMillis })
	w.counter(b, plant.RegisterOf(st, plant.ValueStarts), events, func(e plant.StationEvent) int64 { return e.Starts })
	if ms := total(w.entries(lit)); ms > last.Sub(first).Milliseconds()+2000 {
		b.add("lamps", "%s: lit for %d ms within %v", st, ms, last.Sub(first))
	}
}

// counter holds that the entries of a counter are its difference. Values are held
// out only where the machine's clock was set: messages are stamped by their arrival
// while the clock of the station seems to be ahead, so what waited meanwhile seems
// to have been counted at once. As long as the newest values are held out, the states
// tell what came after the last that is not.
func (w *world) counter(b *breaches, reg plant.RegisterID, events []plant.StationEvent, value func(plant.StationEvent) int64) {
	held, _ := w.store.Held(context.Background(), reg)
	out := slices.DeleteFunc(slices.Clone(events), func(e plant.StationEvent) bool {
		return slices.ContainsFunc(held, func(h plant.RegisterEvent) bool { return h.At.Equal(e.At) })
	})
	if len(out) < 2 {
		b.add("liveness", "%s: %d of %d values are held out", reg, len(held), len(events))
		return
	}
	if len(held) > 0 && len(w.plan.clock) == 0 {
		b.add("honesty", "%s: %d values are held out, the first of %s", reg, len(held), held[0].At)
	}
	want := value(out[len(out)-1]) - value(out[0])
	tail := out[len(out)-1].At.Before(events[len(events)-1].At)
	if got := total(w.entries(reg)); got < want || got > want && !tail {
		b.add("conservation", "%s: entries add up to %d, the counter says %d", reg, got, want)
	}
}

// lamps holds that each lamp has what its station was lit while it was fitted, and
// nothing from before or after.
func (w *world) lamps(b *breaches, st plant.StationID) {
	fittings, _ := w.store.Fittings(context.Background(), st)
	for i, f := range fittings {
		if i > 0 && (fittings[i-1].To.IsZero() || f.From.Before(fittings[i-1].To)) {
			b.add("lamps", "%s holds %s and %s at once", st, fittings[i-1].Lamp, f.Lamp)
		}
	}
	for _, value := range []string{plant.ValueLit, plant.ValueStarts, plant.ValueTime} {
		reg := plant.RegisterOf(st, value)
		for _, e := range w.entries(reg) {
			during := func(lamp plant.LampSerial) bool {
				return slices.ContainsFunc(fittings, func(f plant.Fitting) bool {
					return f.Lamp == lamp && f.From.Before(e.Start.Add(interval)) && (f.To.IsZero() || f.To.After(e.Start))
				})
			}
			if e.Lamp != "" && !during(e.Lamp) {
				b.add("lamps", "%s has an entry of %s for %s, when it was not fitted", reg, e.Start, e.Lamp)
				return
			}
			throughout := slices.IndexFunc(fittings, func(f plant.Fitting) bool {
				return !f.From.After(e.Start) && (f.To.IsZero() || !f.To.Before(e.Start.Add(interval)))
			})
			if throughout >= 0 && e.Lamp != fittings[throughout].Lamp {
				b.add("lamps", "%s has an entry of %s for %q, when %s was fitted", reg, e.Start, e.Lamp, fittings[throughout].Lamp)
				return
			}
		}
	}
}

// acknowledged holds that what the broker was told is safe is stored.
func (w *world) acknowledged(b *breaches) {
	have := map[messageKey]bool{}
	for _, st := range w.truth.plant.Stations() {
		for _, e := range w.events(st.ID) {
			k := messageKey{st.ID, e.Boot, e.Sequence}
			if have[k] {
				b.add("once", "message %+v is stored twice", k)
			}
			have[k] = true
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for k := range w.acked {
		if !have[k] {
			b.add("acknowledged", "message %+v was acknowledged and is not stored", k)
		}
	}
}

// rebuild holds that facts make the entries that are stored.
func (w *world) rebuild(b *breaches) {
	if n, _ := w.store.UnsettledCount(context.Background()); n > 0 {
		b.add("liveness", "%d marks are left", n)
		return
	}
	for _, r := range w.truth.plant.Registers {
		f, err := settle.Audit(context.Background(), w.store, w.truth.plant, r)
		if err != nil || f.Differing > 0 || f.Total != f.Stored {
			b.add("rebuild", "%s: %d of %d entries differ, %d stored and %d by facts: %s %v", r.ID, f.Differing, f.Entries, f.Stored, f.Total, f.First, err)
		}
	}
}

// told holds that each notice is on record once and on its way, and that what is
// called sent was received.
func (w *world) told(b *breaches) {
	seen := map[string]bool{}
	for _, n := range w.store.Notices() {
		k := n.Subject + "\n" + n.Transition
		if seen[k] {
			b.add("once", "notice %q of %q is on record twice", n.Transition, n.Subject)
		}
		seen[k] = true
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	delivered := map[int64]int{}
	now := time.Now()
	for _, d := range w.store.Deliveries() {
		delivered[d.Notice.ID]++
		times := w.sent[notice.Key(w.truth.plant.Name, d.Channel, []notice.Notice{d.Notice})]
		switch {
		case d.State == notice.Sent && times == 0:
			b.add("notices", "%q of %q is called sent and never arrived", d.Notice.Transition, d.Notice.Subject)
		case times > d.Attempt:
			b.add("notices", "%q of %q arrived %d times in %d attempts", d.Notice.Transition, d.Notice.Subject, times, d.Attempt)
		case d.State == notice.Dead:
			b.add("notices", "%q of %q was given up", d.Notice.Transition, d.Notice.Subject)
		case d.State == notice.Waiting && d.Attempt > 0 && d.Error == "" && d.Due.After(now.Add(-3*time.Minute)) && d.Due.Before(now.Add(8*time.Minute)):
			// Claimed for ten minutes, some minutes ago, when nothing failed.
			b.add("liveness", "nobody kept how the delivery of %q of %q ended", d.Notice.Transition, d.Notice.Subject)
		case d.State == notice.Waiting && (d.Due.Before(now.Add(-5*time.Minute)) || d.Due.After(now.Add(80*time.Minute))):
			b.add("liveness", "%q of %q waits until %s", d.Notice.Transition, d.Notice.Subject, d.Due)
		}
	}
	if len(delivered) != len(seen) {
		b.add("notices", "%d notices, %d of them go somewhere", len(seen), len(delivered))
	}
}

// lively holds that minutes after the faults everything flows, and that the tasks of
// some minutes ago have been announced.
func (r *run) lively(expected []notice.Condition) []string {
	var b breaches
	w := r.w
	if _, n := w.disk.Written(); n > 3 {
		b.add("liveness", "%d batches wait in the spool", n)
	}
	if n := w.broker.left(); n > 3 {
		b.add("liveness", "%d messages wait at the broker", n)
	}
	if n, _ := w.store.UnsettledCount(context.Background()); n > 40 {
		b.add("liveness", "%d marks wait", n)
	}
	latest, _ := w.store.LatestReadings(context.Background()) // never fails
	for _, v := range latest {
		if age := r.clock.Now().Sub(v.At); age > 2*period+30*time.Second {
			b.add("liveness", "%s was last read %v ago", v.Register, age)
		}
	}
	if len(latest) != 4 {
		b.add("liveness", "%d meters are read, expected 4", len(latest))
	}
	told := map[string]bool{}
	for _, n := range w.store.Notices() {
		told[n.Subject+"\n"+n.Transition] = true
	}
	still, shown := subjects(w.expected()), map[string]bool{}
	if look := r.planner.Newest(); look != nil {
		shown = subjects(taskConditions(look.Tasks))
	}
	for _, c := range expected {
		if still[c.Subject] && !shown[c.Subject] {
			b.add("liveness", "the daemon does not know %s", c.Subject)
		}
		if c.Status != "ok" && !told[c.Subject+"\n"+c.Status] {
			b.add("liveness", "%s is %s and nobody was told", c.Subject, c.Status)
		}
	}
	return b
}

func subjects(all []notice.Condition) map[string]bool {
	out := map[string]bool{}
	for _, c := range all {
		out[c.Subject] = true
	}
	return out
}

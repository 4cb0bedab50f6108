package contract

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
)

// Store is what the daemon's processes ask of a database.
type Store interface {
	Watermark(ctx context.Context, spool string) (uint64, error)
	Apply(ctx context.Context, spool string, batches []plant.Batch) error
	Unsettled(ctx context.Context, limit int) ([]plant.Mark, error)
	UnsettledCount(ctx context.Context) (int64, error)
	Replace(ctx context.Context, marks []plant.Mark, s []plant.Settlement) error
	Readings(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Reading, error)
	Events(ctx context.Context, st plant.StationID, from, to time.Time) ([]plant.StationEvent, error)
	Samples(ctx context.Context, meter plant.MeterID, atMost float64, from, to time.Time) ([]plant.Signal, error)
	Doubtful(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.RegisterEvent, error)
	Entries(ctx context.Context, reg plant.RegisterID, from, to time.Time) ([]plant.Entry, error)
	Extent(ctx context.Context, reg plant.RegisterID) (first, last time.Time, ok bool, err error)
	DeclareExchange(ctx context.Context, x plant.Exchange) error
	Exchanges(ctx context.Context, reg plant.RegisterID) ([]plant.Exchange, error)
	Rule(ctx context.Context, r plant.Ruling) error
	Rulings(ctx context.Context, reg plant.RegisterID) ([]plant.Ruling, error)
	FitLamp(ctx context.Context, f plant.Fitting, kind string) error
	RemoveLamp(ctx context.Context, serial plant.LampSerial, at time.Time, reason, by string) error
	AllFittings(ctx context.Context) ([]plant.Fitting, error)
	LampTotals(ctx context.Context) ([]plant.LampTotal, error)
	RecordTask(ctx context.Context, a plant.TaskAct) error
	TaskActs(ctx context.Context) ([]plant.TaskAct, error)
	DayAmounts(ctx context.Context, regs []plant.RegisterID, from, to time.Time) ([]plant.DayAmount, error)
	AmountSince(ctx context.Context, reg plant.RegisterID, since time.Time) (int64, error)
	LatestReadings(ctx context.Context) ([]plant.Reading, error)
	LatestSignals(ctx context.Context) ([]plant.Signal, error)
	Announce(ctx context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (int, error)
	Claim(ctx context.Context, channel string, at time.Time, lease time.Duration, limit int) ([]notice.Delivery, error)
	Settled(ctx context.Context, all []notice.Delivery) error
}

// Errors are those by which an implementation says what is wrong.
type Errors struct{ Gap, Settled, Conflict, NotFound error }

// Plant is the plant of the suites: open gives an empty store of it.
func Plant(t testing.TB) *plant.Plant {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	reg := func(id plant.RegisterID, q plant.Quantity, curve plant.CurveSource) plant.Register {
		return plant.Register{ID: id, Quantity: q, Station: "heron-1", Press: "heron", Curve: curve}
	}
	return &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: zone, Interval: 15 * time.Minute,
		Presses:   []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1", Press: "heron"}}}},
		LampKinds: []plant.LampKind{{Name: "arc-lamp", Technology: plant.TechnologyArc}},
		Registers: []plant.Register{
			reg(meter, plant.QuantityEnergy, plant.FromReadings), {ID: chiller, Quantity: plant.QuantityEnergy},
			reg(lit, plant.QuantityTime, plant.FromEvents), reg(starts, plant.QuantityCount, plant.FromEvents),
		},
	}
}

const (
	meter   plant.RegisterID = "heron-1-meter/import"
	chiller plant.RegisterID = "chiller/import"
	lit     plant.RegisterID = "heron-1/lit"
	starts  plant.RegisterID = "heron-1/starts"

	spool      = "8f2b0c2e-52a5-4f0e-9a53-0d8f6a2f6a01"
	otherSpool = "8f2b0c2e-52a5-4f0e-9a53-0d8f6a2f6a02"
)

// morning is a border of intervals on a day on which the clocks of the plant change
// at 01:00 UTC. Source: IANA time zone database, London, 29 March 2026.
var morning = time.Date(2026, 3, 29, 0, 0, 0, 0, time.UTC)

func at(minutes int) time.Time { return morning.Add(time.Duration(minutes) * time.Minute) }

func reading(minutes int, value int64) plant.Reading {
	return plant.Reading{Register: meter, At: at(minutes), Value: value}
}

func event(minutes int, boot string, number int64) plant.StationEvent {
	return plant.StationEvent{
		Station: "heron-1", At: at(minutes), Arrived: at(minutes).Add(time.Second), State: plant.StateCuring, Technology: plant.TechnologyArc,
		Boot: boot, Sequence: number, LitMillis: number * 1000, Starts: 1,
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// get unwraps what a query gives: get(s.Lamps(ctx))(t).
func get[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		must(t, err)
		return v
	}
}

func same[T any](t testing.TB, what string, got, want T) {
	t.Helper()
	if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
		t.Errorf("%s (- expected, + got):\n%s", what, d)
	}
}

func fails(t testing.TB, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: %v, expected %v", what, err, want)
	}
}

// TestStore runs the suite of stores. Open gives an empty store of the plant.
func TestStore(t *testing.T, e Errors, open func(t testing.TB, p *plant.Plant) Store) {
	for name, test := range map[string]func(*testing.T, Errors, Store){
		"Watermark": watermark, "KeysAreStoredOnce": keys, "MarksGoWithFacts": marks, "ReplaceIsAllOrNothing": replace,
		"NeighboursAreFirm": neighbours, "ActsMark": acts, "Tasks": tasks, "Notices": notices, "DaysAreLocal": days,
	} {
		t.Run(name, func(t *testing.T) { test(t, e, open(t, Plant(t))) })
	}
}

func watermark(t *testing.T, e Errors, s Store) {
	ctx := t.Context()
	batches := []plant.Batch{
		{Sequence: 7, Facts: plant.Facts{Readings: []plant.Reading{reading(1, 10)}}},
		{Sequence: 8, Facts: plant.Facts{Readings: []plant.Reading{reading(2, 20)}}},
		{Sequence: 9, Facts: plant.Facts{Readings: []plant.Reading{reading(3, 30)}}},
	}
	same(t, "watermark of an unknown spool", get(s.Watermark(ctx, spool))(t), 0)
	must(t, s.Apply(ctx, spool, nil))
	must(t, s.Apply(ctx, spool, batches[:2])) // the first batch may have any number
	same(t, "watermark", get(s.Watermark(ctx, spool))(t), 8)
	must(t, s.Apply(ctx, spool, batches[:1])) // repeated
	same(t, "watermark after a repetition", get(s.Watermark(ctx, spool))(t), 8)
	must(t, s.Apply(ctx, spool, batches)) // overlapping
	same(t, "watermark after an overlap", get(s.Watermark(ctx, spool))(t), 9)
	fails(t, "a gap after the watermark", s.Apply(ctx, spool, []plant.Batch{{Sequence: 11, Facts: plant.Facts{Readings: []plant.Reading{reading(4, 40)}}}}), e.Gap)
	fails(t, "a gap within", s.Apply(ctx, spool, []plant.Batch{{Sequence: 10}, {Sequence: 12}}), e.Gap)
	same(t, "watermark after gaps", get(s.Watermark(ctx, spool))(t), 9)
	same(t, "watermark of another spool", get(s.Watermark(ctx, otherSpool))(t), 0)
	same(t, "readings", len(get(s.Readings(ctx, meter, at(0), at(60)))(t)), 3)
	same(t, "marks", get(s.UnsettledCount(ctx))(t), 2) // none of what was skipped
}

func keys(t *testing.T, _ Errors, s Store) {
	ctx := t.Context()
	f := plant.Facts{
		Readings: []plant.Reading{reading(1, 10), reading(2, 20)}, Events: []plant.StationEvent{event(1, "a", 1), event(2, "a", 2)},
		Signals: []plant.Signal{{Subject: "heron-1-meter", Name: plant.SignalPower, At: at(1), Value: 5}},
	}
	must(t, s.Apply(ctx, spool, []plant.Batch{{Sequence: 1, Facts: f}}))
	again := plant.Facts{
		Readings: []plant.Reading{reading(2, 99), reading(3, 30)}, Events: []plant.StationEvent{event(9, "a", 2), event(3, "b", 2)},
		Signals: []plant.Signal{{Subject: "heron-1-meter", Name: plant.SignalPower, At: at(1), Value: 7}},
	}
	must(t, s.Apply(ctx, otherSpool, []plant.Batch{{Sequence: 1, Facts: again}}))
	same(t, "readings", get(s.Readings(ctx, meter, at(0), at(60)))(t), []plant.Reading{reading(1, 10), reading(2, 20), reading(3, 30)})
	same(t, "events", get(s.Events(ctx, "heron-1", at(0), at(60)))(t), []plant.StationEvent{event(1, "a", 1), event(2, "a", 2), event(3, "b", 2)})
	same(t, "signals", get(s.LatestSignals(ctx))(t), f.Signals)
}

// bare leaves the ids out.
func bare(marks []plant.Mark) []plant.Mark {
	for i := range marks {
		marks[i].IDs = nil
	}
	return marks
}

func marks(t *testing.T, _ Errors, s Store) {
	ctx := t.Context()
	must(t, s.Apply(ctx, spool, []plant.Batch{{Sequence: 1, Facts: plant.Facts{Readings: []plant.Reading{reading(5, 10), reading(1, 5)}, Events: []plant.StationEvent{event(2, "a", 1)}}}}))
	must(t, s.Apply(ctx, spool, []plant.Batch{{Sequence: 2, Facts: plant.Facts{Readings: []plant.Reading{reading(60, 30)}}}}))
	must(t, s.Apply(ctx, spool, []plant.Batch{{Sequence: 3, Facts: plant.Facts{Readings: []plant.Reading{reading(60+25*60, 40)}}}}))
	must(t, s.Apply(ctx, otherSpool, []plant.Batch{{Sequence: 1, Facts: plant.Facts{Events: []plant.StationEvent{event(2, "a", 1)}}}})) // known: touches nothing
	same(t, "rows", get(s.UnsettledCount(ctx))(t), 4)
	same(t, "marks", bare(get(s.Unsettled(ctx, 100))(t)), []plant.Mark{
		{Station: "heron-1", From: at(2), To: at(2)}, {Register: meter, From: at(1), To: at(60)}, {Register: meter, From: at(60 + 25*60), To: at(60 + 25*60)},
	})
	oldest := get(s.Unsettled(ctx, 2))(t)
	if len(oldest) != 2 || len(oldest[0].IDs) != 1 || len(oldest[1].IDs) != 1 {
		t.Errorf("the two oldest rows: %+v", oldest)
	}
	must(t, s.Replace(ctx, oldest, nil))
	same(t, "rows left", get(s.UnsettledCount(ctx))(t), 2)
}

func entry(minutes int, amount int64) plant.Entry {
	return plant.Entry{Register: meter, Start: at(minutes), State: plant.StateCuring, Technology: plant.TechnologyArc, Amount: amount}
}

func replace(t *testing.T, e Errors, s Store) {
	ctx := t.Context()
	must(t, s.Apply(ctx, spool, []plant.Batch{{Sequence: 1, Facts: plant.Facts{Readings: []plant.Reading{reading(1, 10)}}}}))
	first := get(s.Unsettled(ctx, 10))(t)
	step := plant.RegisterEvent{Register: meter, At: at(20), Kind: plant.StepRollover, Before: 9, After: 1}
	whole := plant.Settlement{Register: meter, From: at(0), To: at(45), Entries: []plant.Entry{entry(0, 1), entry(15, 2), entry(30, 3)}, Events: []plant.RegisterEvent{step}}
	must(t, s.Replace(ctx, first, []plant.Settlement{whole}))
	must(t, s.Replace(ctx, nil, []plant.Settlement{{Register: meter, From: at(15), To: at(30), Entries: []plant.Entry{entry(15, 20)}}}))
	want := []plant.Entry{entry(0, 1), entry(15, 20), entry(30, 3)}
	same(t, "entries", get(s.Entries(ctx, meter, at(0), at(60)))(t), want)
	same(t, "doubtful", get(s.Doubtful(ctx, meter, at(0), at(60)))(t), nil)

	other := []plant.Settlement{{Register: meter, From: at(0), To: at(45), Entries: []plant.Entry{entry(0, 9)}}}
	fails(t, "a mark that is gone", s.Replace(ctx, first, other), e.Settled)
	unknown := entry(0, 9)
	unknown.Lamp = "AL-404"
	fails(t, "an unknown lamp", s.Replace(ctx, nil, []plant.Settlement{{Register: meter, From: at(0), To: at(45), Entries: []plant.Entry{unknown}}}), e.NotFound)
	for what, bad := range map[string][]plant.Entry{"two of one key": {entry(0, 1), entry(0, 2)}, "outside": {entry(45, 1)}} {
		if s.Replace(ctx, nil, []plant.Settlement{{Register: meter, From: at(0), To: at(45), Entries: bad}}) == nil {
			t.Errorf("%s: taken", what)
		}
	}
	same(t, "entries after failures", get(s.Entries(ctx, meter, at(0), at(60)))(t), want)
	same(t, "since an instant within an interval", get(s.AmountSince(ctx, meter, at(20)))(t), 23)
}

func neighbours(t *testing.T, _ Errors, s Store) {
	ctx := t.Context()
	var f plant.Facts
	for i := range 20 {
		f.Readings, f.Events = append(f.Readings, reading(i, int64(i))), append(f.Events, event(i, "a", int64(i)))
	}
	must(t, s.Apply(ctx, spool, []plant.Batch{{Sequence: 1, Facts: f}}))
	must(t, s.Replace(ctx, nil, []plant.Settlement{{Register: meter, From: at(0), To: at(30), Events: []plant.RegisterEvent{
		{Register: meter, At: at(7), Kind: plant.StepImplausible}, {Register: meter, At: at(8), Kind: plant.StepExchange}, {Register: meter, At: at(12), Kind: plant.StepReset},
	}}}))
	span := func(all []plant.Reading) [2]time.Time { return [2]time.Time{all[0].At, all[len(all)-1].At} }
	same(t, "readings from the fourth firm one to the fourth firm one", span(get(s.Readings(ctx, meter, at(10), at(12)))(t)), [2]time.Time{at(5), at(16)})
	same(t, "all where there are fewer", span(get(s.Readings(ctx, meter, at(2), at(18)))(t)), [2]time.Time{at(0), at(19)})
	same(t, "events", len(get(s.Events(ctx, "heron-1", at(10), at(12)))(t)), 10)
	same(t, "doubtful", len(get(s.Doubtful(ctx, meter, at(0), at(12)))(t)), 1)
}

func acts(t *testing.T, e Errors, s Store) {
	ctx := t.Context()
	must(t, s.Apply(ctx, spool, []plant.Batch{{Sequence: 1, Facts: plant.Facts{Readings: []plant.Reading{reading(1, 10), reading(9, 20)}, Events: []plant.StationEvent{event(8, "a", 1)}}}}))
	must(t, s.Replace(ctx, get(s.Unsettled(ctx, 10))(t), nil))
	x := plant.Exchange{Register: meter, At: at(3), Final: 12, First: 1, By: "electrician"}
	must(t, s.DeclareExchange(ctx, x))
	fails(t, "a second exchange at the instant", s.DeclareExchange(ctx, x), e.Conflict)
	same(t, "exchanges", get(s.Exchanges(ctx, meter))(t), []plant.Exchange{x})
	same(t, "marks of an exchange", bare(get(s.Unsettled(ctx, 10))(t)), []plant.Mark{{Register: meter, From: at(3), To: at(9)}})
	fails(t, "a ruling on nothing", s.Rule(ctx, plant.Ruling{Register: meter, At: at(2), Verdict: plant.VerdictAccept, By: "electrician"}), e.NotFound)
	must(t, s.Rule(ctx, plant.Ruling{Register: meter, At: at(9), Verdict: plant.VerdictAccept, By: "electrician"}))
	same(t, "rulings", len(get(s.Rulings(ctx, meter))(t)), 1)
	same(t, "rows", get(s.UnsettledCount(ctx))(t), 2)
	must(t, s.Replace(ctx, get(s.Unsettled(ctx, 10))(t), nil))

	must(t, s.FitLamp(ctx, plant.Fitting{Lamp: "AL-1", Station: "heron-1", From: at(2), By: "planner"}, "arc-lamp"))
	same(t, "marks of a fitting", bare(get(s.Unsettled(ctx, 10))(t)), []plant.Mark{
		{Station: "heron-1", From: at(2), To: at(8)}, {Register: meter, From: at(2), To: at(9)}, {Register: lit, From: at(2), To: at(8)}, {Register: starts, From: at(2), To: at(8)},
	})
	fails(t, "a station that is taken", s.FitLamp(ctx, plant.Fitting{Lamp: "AL-2", Station: "heron-1", From: at(4), By: "planner"}, "arc-lamp"), e.Conflict)
	fails(t, "an unknown lamp", s.FitLamp(ctx, plant.Fitting{Lamp: "AL-3", Station: "heron-1", From: at(1), To: at(2), Reason: "failed", By: "planner"}, ""), e.NotFound)
	must(t, s.RemoveLamp(ctx, "AL-1", at(5), "preventive", "planner"))
	fails(t, "a lamp that is out", s.RemoveLamp(ctx, "AL-1", at(6), "preventive", "planner"), e.Conflict)
	must(t, s.FitLamp(ctx, plant.Fitting{Lamp: "AL-2", Station: "heron-1", From: at(5), By: "planner"}, "arc-lamp"))
	all := get(s.AllFittings(ctx))(t)
	if len(all) != 2 || all[0].Lamp != "AL-1" || !all[0].To.Equal(at(5)) || all[1].Lamp != "AL-2" || !all[1].To.IsZero() {
		t.Errorf("fittings %+v", all)
	}
}

func tasks(t *testing.T, _ Errors, s Store) {
	ctx := t.Context()
	done := func(minutes int) plant.TaskAct {
		return plant.TaskAct{Kind: plant.TaskDone, Rule: "clean", Subject: "heron-1", At: at(minutes), By: "planner"}
	}
	for _, minutes := range []int{5, 1, 5} { // the last is a repetition
		must(t, s.RecordTask(ctx, done(minutes)))
	}
	put := plant.TaskAct{Kind: plant.TaskPostpone, Rule: "clean", Subject: "heron-1", At: at(3), Until: at(90), By: "planner"}
	must(t, s.RecordTask(ctx, put))
	got := get(s.TaskActs(ctx))(t)
	for i := range got {
		got[i].ID = 0
	}
	same(t, "acts that count", got, []plant.TaskAct{done(5), put})
}

func notices(t *testing.T, _ Errors, s Store) {
	ctx := t.Context()
	record := notice.Record{Subject: "task a", Form: notice.Task, Topic: notice.Upkeep, Status: "due", Since: at(1)}
	posted := func(transition string) []notice.Posted {
		return []notice.Posted{{Notice: notice.Notice{Kind: notice.TaskDue, Topic: notice.Upkeep, Subject: "task a", Transition: transition, At: at(1)}, To: []notice.Appointment{{Channel: "mail", Due: at(2)}}}}
	}
	announce := func(transition string) (n int, before []notice.Record) {
		n, err := s.Announce(ctx, func(r []notice.Record) ([]notice.Record, []notice.Posted) {
			before = r
			return []notice.Record{record}, posted(transition)
		})
		must(t, err)
		return n, before
	}
	n, before := announce("due")
	same(t, "new", n, 1)
	same(t, "on record before", before, nil)
	n, before = announce("due")
	same(t, "new when repeated", n, 0)
	same(t, "on record", before, []notice.Record{record})
	n, _ = announce("overdue")
	same(t, "new", n, 1)

	lease := 10 * time.Minute
	same(t, "before it is due", len(get(s.Claim(ctx, "mail", at(1), lease, 9))(t)), 0)
	same(t, "of another way", len(get(s.Claim(ctx, "hook", at(3), lease, 9))(t)), 0)
	one := get(s.Claim(ctx, "mail", at(3), lease, 1))(t)
	rest := get(s.Claim(ctx, "mail", at(3), lease, 9))(t)
	if len(one) != 1 || len(rest) != 1 || one[0].Notice.Transition != "due" || one[0].Attempt != 1 || !one[0].Due.Equal(at(13)) {
		t.Fatalf("claimed %+v, then %+v", one, rest)
	}
	same(t, "while the claim holds", len(get(s.Claim(ctx, "mail", at(12), lease, 9))(t)), 0)
	one[0].State, one[0].Sent = notice.Sent, at(4)
	rest[0].Due, rest[0].Error = at(5), "away"
	must(t, s.Settled(ctx, append(one, rest...)))
	again := get(s.Claim(ctx, "mail", at(5), lease, 9))(t)
	if len(again) != 1 || again[0].Notice.Transition != "overdue" || again[0].Attempt != 2 {
		t.Errorf("claimed again %+v", again)
	}
	one[0].State, one[0].Due = notice.Waiting, at(0)
	must(t, s.Settled(ctx, one)) // what is sent stays sent
	same(t, "after it was sent", len(get(s.Claim(ctx, "mail", at(10), lease, 9))(t)), 0)
}

func days(t *testing.T, _ Errors, s Store) {
	ctx := t.Context()
	// London: 28 March ends at 24:00 UTC, 29 March at 23:00 UTC.
	must(t, s.Replace(ctx, nil, []plant.Settlement{{Register: meter, From: at(-15), To: at(24 * 60), Entries: []plant.Entry{
		entry(-15, 1), entry(0, 2), entry(22*60+45, 4), entry(23*60, 8),
	}}}))
	got := map[string]int64{}
	for _, d := range get(s.DayAmounts(ctx, []plant.RegisterID{meter}, time.Time{}, time.Time{}))(t) {
		got[d.Day.Format(time.RFC3339)] += d.Amount
	}
	same(t, "days", got, map[string]int64{"2026-03-28T00:00:00Z": 1, "2026-03-29T00:00:00Z": 6, "2026-03-29T23:00:00Z": 8})
	sum := int64(0)
	for _, d := range get(s.DayAmounts(ctx, []plant.RegisterID{meter}, at(0), at(23*60)))(t) {
		sum += d.Amount
	}
	same(t, "within limits", sum, 6)
}

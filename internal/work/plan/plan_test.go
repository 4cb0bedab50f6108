package plan

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"maps"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
)

var now = time.Date(2026, 3, 30, 12, 0, 0, 0, time.UTC) // a Monday

// little has an arc station with counters and an LED station beside it.
func little() *plant.Plant {
	return &plant.Plant{
		Name: "Little", TimeZone: time.UTC, WorkDays: [7]bool{false, true, true, true, true, true, false},
		Presses: []plant.Press{{ID: "p", Stations: []plant.Station{
			{ID: "a", Press: "p", Technology: []plant.TechnologyFrom{{Technology: plant.TechnologyArc}}},
			{ID: "b", Press: "p", Technology: []plant.TechnologyFrom{{Technology: plant.TechnologyArc}}},
		}}},
		LampKinds: []plant.LampKind{{Name: "arc", Technology: plant.TechnologyArc, RatedHours: 1500, HoursPerStart: 1}},
		Rules: []plant.TaskRule{
			{ID: "lamp-change", Title: "Change the lamp", Scope: plant.PerLamp, Technology: plant.TechnologyArc, LifeFraction: 1, Lead: 21, Grace: 5},
			{ID: "reflector-clean", Title: "Clean the reflector", Scope: plant.PerStation, Technology: plant.TechnologyArc, LitHours: 250, Lead: 7, Grace: 7},
			{ID: "contactor", Title: "Check the contactor", Scope: plant.PerStation, Starts: 50000, Lead: 7},
			{ID: "window-clean", Title: "Clean the window", Scope: plant.PerStation, Technology: plant.TechnologyLED, LitHours: 60, Lead: 7},
			{ID: "leak-check", Title: "Check for leaks", Scope: plant.PerPress, Technology: plant.TechnologyLED, Days: 30, Lead: 7},
		},
	}
}

// shelf gives what a test puts in.
type shelf struct {
	lamps    []plant.Lamp
	fittings []plant.Fitting
	totals   []plant.LampTotal
	acts     []plant.TaskAct
	days     []plant.DayAmount
	signals  []plant.Signal
	events   map[plant.StationID]plant.StationEvent
	sums     map[plant.RegisterID]func(since time.Time) int64
	err      atomic.Pointer[error]
}

func (s *shelf) fail(err error) { s.err.Store(&err) }

func (s *shelf) failure() error {
	if err := s.err.Load(); err != nil {
		return *err
	}
	return nil
}

func (s *shelf) Lamps(context.Context) ([]plant.Lamp, error)           { return s.lamps, s.failure() }
func (s *shelf) AllFittings(context.Context) ([]plant.Fitting, error)  { return s.fittings, s.failure() }
func (s *shelf) LampTotals(context.Context) ([]plant.LampTotal, error) { return s.totals, s.failure() }
func (s *shelf) TaskActs(context.Context) ([]plant.TaskAct, error)     { return s.acts, s.failure() }
func (s *shelf) DayAmounts(context.Context, []plant.RegisterID, time.Time, time.Time) ([]plant.DayAmount, error) {
	return s.days, s.failure()
}

func (s *shelf) AmountSince(_ context.Context, reg plant.RegisterID, since time.Time) (int64, error) {
	if f := s.sums[reg]; f != nil {
		return f(since), s.failure()
	}
	return 0, s.failure()
}

func (s *shelf) LatestSignals(context.Context) ([]plant.Signal, error) {
	var out []plant.Signal
	for _, v := range s.signals {
		out = append(out, plant.Signal{Subject: v.Subject, Name: v.Name})
	}
	return out, s.failure()
}

func (s *shelf) SignalSamples(_ context.Context, q plant.SignalSpan) ([]plant.Signal, error) {
	var out []plant.Signal
	for _, v := range s.signals {
		if v.Subject == q.Subject && v.Name == q.Name && !v.At.Before(q.From) && v.At.Before(q.To) {
			out = append(out, v)
		}
	}
	return out, s.failure()
}

func (s *shelf) LatestEvents(context.Context) (map[plant.StationID]plant.StationEvent, error) {
	return s.events, s.failure()
}

// full has a worn lamp in station a, none in b, and b reports that it runs on
// LED.
func full() *shelf {
	fitted := now.AddDate(0, 0, -60)
	s := &shelf{
		lamps:    []plant.Lamp{{Serial: "L0", Kind: "arc"}, {Serial: "L1", Kind: "arc"}},
		fittings: []plant.Fitting{{Lamp: "L0", Station: "a", From: fitted.AddDate(0, 0, -90), To: fitted}, {Lamp: "L1", Station: "a", From: fitted}},
		totals:   []plant.LampTotal{{Lamp: "L0", LitMillis: 9e9, WornMillis: 9e9, Starts: 900}, {Lamp: "L1", LitMillis: 1280 * 3_600_000, WornMillis: 1280 * 3_600_000, Starts: 100}},
		events:   map[plant.StationID]plant.StationEvent{"b": {Technology: plant.TechnologyLED}},
		sums: map[plant.RegisterID]func(time.Time) int64{
			"a/lit": func(since time.Time) int64 { return int64(now.Sub(since).Hours() / 24 * 8 * 3_600_000) },
			"b/lit": func(time.Time) int64 { return 70 * 3_600_000 },
		},
	}
	for d := 60; d > 0; d-- {
		day := now.AddDate(0, 0, -d).Truncate(24 * time.Hour)
		if wd := day.Weekday(); wd == time.Saturday || wd == time.Sunday {
			continue
		}
		for _, st := range []string{"a", "b"} {
			s.days = append(s.days,
				plant.DayAmount{Day: day, Register: plant.RegisterOf(st, plant.ValueLit), State: plant.StateCuring, Amount: 6 * 3_600_000},
				plant.DayAmount{Day: day, Register: plant.RegisterOf(st, plant.ValueLit), State: plant.StateStandby, Amount: 2 * 3_600_000},
				plant.DayAmount{Day: day, Register: plant.RegisterOf(st, plant.ValueStarts), State: plant.StateCuring, Amount: 1},
			)
		}
	}
	return s
}

func find(t *testing.T, o Outlook, rule plant.RuleID, subject string) upkeep.Task {
	t.Helper()
	for _, task := range o.Tasks {
		if task.Rule == rule && task.Subject == subject {
			return task
		}
	}
	t.Fatalf("no task %s on %s among %d", rule, subject, len(o.Tasks))
	return upkeep.Task{}
}

func TestLampChangeCountsTheFittedLampOnly(t *testing.T) {
	o, err := Look(t.Context(), full(), little(), now)
	if err != nil {
		t.Fatal(err)
	}
	// 1280 h + 100 starts of 1500 equivalent hours; 120 are left at 9 a working
	// day (8 h and a start): 13.3 days, reached on the 14th working day.
	task := find(t, o, "lamp-change", "a")
	if task.Lamp != "L1" || task.Status != upkeep.Upcoming || task.UsedFraction != 1380.0/1500 {
		t.Errorf("task %+v", task)
	}
	if want := time.Date(2026, 4, 16, 0, 0, 0, 0, time.UTC); !task.Due.Equal(want) {
		t.Errorf("due %v, want %v", task.Due, want)
	}
	if f := o.Fitted["a"]; f.Lamp.Serial != "L1" || f.Life.Equivalent != 1380 {
		t.Errorf("fitted in a: %+v", f)
	}
	if _, ok := o.Fitted["b"]; ok {
		t.Error("station b has no lamp, yet one is said to be fitted")
	}
}

// What the station itself says it runs on wins over the configuration.
func TestRulesFollowTheTechnologyInUse(t *testing.T) {
	o, err := Look(t.Context(), full(), little(), now)
	if err != nil {
		t.Fatal(err)
	}
	if task := find(t, o, "window-clean", "b"); task.Status != upkeep.Due && task.Status != upkeep.Overdue {
		t.Errorf("70 of 60 lit hours: %+v", task)
	}
	find(t, o, "leak-check", "p")
	for _, task := range o.Tasks {
		if task.Subject == "b" && task.Rule == "reflector-clean" || task.Subject == "a" && task.Rule == "window-clean" {
			t.Errorf("rule %s applies to %s", task.Rule, task.Subject)
		}
	}
}

// A task counts from when it was last done, else from the fitting of the lamp.
func TestDoneMovesTheAnchor(t *testing.T) {
	s, p := full(), little()
	o, err := Look(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	before := find(t, o, "reflector-clean", "a")
	if before.Status != upkeep.Overdue { // 60 days × 8 h = 480 of 250 h
		t.Errorf("before: %+v", before)
	}
	s.acts = []plant.TaskAct{
		{Rule: "reflector-clean", Subject: "a", At: now.AddDate(0, 0, -3)},
		{Rule: "reflector-clean", Subject: "b", At: now},
		{Rule: "reflector-clean", Subject: "a", At: now.AddDate(0, 0, -90)}, // older than the lamp
	}
	if o, err = Look(t.Context(), s, p, now); err != nil {
		t.Fatal(err)
	}
	after := find(t, o, "reflector-clean", "a")
	if after.Status != upkeep.OK || !after.Anchor.Equal(now.AddDate(0, 0, -3)) || after.UsedFraction > 0.1 {
		t.Errorf("after: %+v", after)
	}
}

// A postponement holds until the task is done or skipped after it.
func TestPostponementEndsWithTheTask(t *testing.T) {
	s, p := full(), little()
	put := plant.TaskAct{Kind: plant.TaskPostpone, Rule: "reflector-clean", Subject: "a", At: now.AddDate(0, 0, -5), Until: now.AddDate(0, 1, 0).Truncate(24 * time.Hour), By: "Ben"}
	s.acts = []plant.TaskAct{put}
	o, err := Look(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	if task := find(t, o, "reflector-clean", "a"); !task.Due.Equal(put.Until) || task.OriginalDue.IsZero() {
		t.Errorf("put off: %+v", task)
	}
	s.acts = append(s.acts, plant.TaskAct{Kind: plant.TaskSkip, Rule: "reflector-clean", Subject: "a", At: now.AddDate(0, 0, -1)})
	if o, err = Look(t.Context(), s, p, now); err != nil {
		t.Fatal(err)
	}
	if task := find(t, o, "reflector-clean", "a"); !task.OriginalDue.IsZero() || task.UsedFraction > 0.1 {
		t.Errorf("skipped after it: %+v", task)
	}
}

// Area, signals and shared loops: each limit counts from the anchor, the loop that
// has a name takes the rules of loops, and what nobody sends is said.
func TestAreaSignalsAndLoops(t *testing.T) {
	s, p := full(), little()
	p.Presses[0].Loops = []plant.Loop{{ID: "water", Stations: []plant.StationID{"b"}, SignalsOf: "p"}}
	p.Registers = []plant.Register{{ID: "p/area", Press: "p", Quantity: plant.QuantityArea}}
	p.Rules = []plant.TaskRule{
		{ID: "window", Scope: plant.PerStation, Technology: plant.TechnologyLED, AreaM2: 115_000},
		{ID: "coolant", Scope: plant.PerLoop, Technology: plant.TechnologyLED, Conditions: []plant.Condition{{Signal: "level_percent", Kind: plant.Below, Limit: 85}}},
		{ID: "duct", Scope: plant.PerExhaust, Technology: plant.TechnologyArc, Days: 180},
		{ID: "filter", Scope: plant.PerStation, Technology: plant.TechnologyArc, Conditions: []plant.Condition{{Signal: "filter_pascals", Kind: plant.Above, Limit: 200}}},
	}
	s.sums["p/area"] = func(time.Time) int64 { return 100_000 * 10_000 }
	for d := 60; d > 0; d-- {
		day := now.AddDate(0, 0, -d).Truncate(24 * time.Hour)
		if wd := day.Weekday(); wd != time.Saturday && wd != time.Sunday {
			s.days = append(s.days, plant.DayAmount{Day: day, Register: "p/area", Amount: 2000 * 10_000})
		}
		for h := range 24 {
			s.signals = append(s.signals, plant.Signal{Subject: "p", Name: "level_percent", At: day.Add(time.Duration(h) * time.Hour), Value: 90 - float64(60-d)/10})
		}
	}
	o, err := Look(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	// 15,000 m² are left at 2,000 a workday; half a Monday and the seven workdays
	// after it make them.
	if task := find(t, o, "window", "b"); task.Due.Format(time.DateOnly) != "2026-04-08" || !strings.HasPrefix(task.Reason, "100\u202f000 of 115\u202f000 m² printed; at 2\u202f000.0 m² per workday") {
		t.Errorf("area: %v %q", task.Due, task.Reason)
	}
	// It fell below 85 ten days ago.
	if task := find(t, o, "coolant", "water"); task.Status != upkeep.Overdue && task.Status != upkeep.Due || !strings.HasPrefix(task.Reason, "level_percent 84.1, limit 85; beyond it since ") {
		t.Errorf("level: %s %q", task.Status, task.Reason)
	}
	find(t, o, "duct", "p") // no exhaust has a name: that of the press
	if task := find(t, o, "filter", "a"); !task.Due.IsZero() || task.Reason != "nobody sends filter_pascals: no date" || len(task.Unheard) != 1 {
		t.Errorf("unheard: %+v", task)
	}
}

// A lamp can be turned again and again, and its output is reviewed once: neither
// gives it a new life.
func TestDoneOnALampCountsForThatLamp(t *testing.T) {
	p, s := little(), full()
	p.Rules = []plant.TaskRule{
		{ID: "lamp-turn", Scope: plant.PerLamp, Technology: plant.TechnologyArc, LitHours: 500},
		{ID: "review", Scope: plant.PerLamp, Technology: plant.TechnologyArc, LifeFraction: 0.75},
	}
	reasons := func() map[plant.RuleID]string {
		look, err := Look(t.Context(), s, p, now)
		if err != nil {
			t.Fatal(err)
		}
		out := map[plant.RuleID]string{}
		for _, task := range look.Tasks {
			out[task.Rule], _, _ = strings.Cut(task.Reason, ";")
		}
		return out
	}
	expect := func(want map[plant.RuleID]string) {
		t.Helper()
		if got := reasons(); !maps.Equal(got, want) {
			t.Errorf("tasks are %q, want %q", got, want)
		}
	}
	// 1,280 h and 100 starts that wear like an hour each, of 1,500 h.
	worn := "92 % of rated hours (limit 75 %)"
	expect(map[plant.RuleID]string{"lamp-turn": "1\u202f280 of 500 lit hours", "review": worn})

	// The lamp before this one does not count.
	s.acts = []plant.TaskAct{{Rule: "lamp-turn", Subject: "a", At: now.AddDate(0, 0, -70)}, {Rule: "review", Subject: "a", At: now.AddDate(0, 0, -70)}}
	expect(map[plant.RuleID]string{"lamp-turn": "1\u202f280 of 500 lit hours", "review": worn})

	s.acts = []plant.TaskAct{{Rule: "lamp-turn", Subject: "a", At: now.AddDate(0, 0, -10)}}
	expect(map[plant.RuleID]string{"lamp-turn": "80 of 500 lit hours", "review": worn})

	s.acts = append(s.acts, plant.TaskAct{Rule: "review", Subject: "a", At: now.AddDate(0, 0, -1)})
	expect(map[plant.RuleID]string{"lamp-turn": "80 of 500 lit hours"})
}

func TestPlannerKeepsTheOutlookThroughAnOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := full()
		var log bytes.Buffer
		pl := New(s, little(), slog.New(slog.NewTextHandler(&log, nil)))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- pl.Run(ctx) }()
		time.Sleep(time.Second)
		synctest.Wait()
		first := pl.Newest()
		if first == nil {
			t.Fatal("no outlook after the start")
		}
		s.fail(errors.New("connection refused"))
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if pl.Newest() != first {
			t.Error("the outlook changed while the store was away")
		}
		s.fail(nil)
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if pl.Newest() == first {
			t.Error("the outlook was not renewed")
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
		if strings.Count(log.String(), "not up to date") != 1 || strings.Count(log.String(), "up to date again") != 1 {
			t.Errorf("want one line each:\n%s", &log)
		}
	})
}

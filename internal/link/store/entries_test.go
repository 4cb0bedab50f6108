package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/privatepg/pgtest"
)

func TestReadings_WithNeighboursThatStandFirm(t *testing.T) {
	db := open(t)
	var f plant.Facts
	for m := range 20 {
		f.Readings = append(f.Readings, reading(meter, float64(m*10), int64(m)))
	}
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	// The values at 20, 40 and 60 minutes are doubtful; the one at 10 is only an
	// exchange that a person declared.
	must(t, db.Replace(t.Context(), nil, []plant.Settlement{{Register: meter, From: at(0), To: at(90), Events: []plant.RegisterEvent{
		{Register: meter, At: at(10), Kind: plant.StepExchange}, {Register: meter, At: at(20), Kind: plant.StepBackstep, Before: 9, After: 8},
		{Register: meter, At: at(40), Kind: plant.StepImplausible}, {Register: meter, At: at(60), Kind: plant.StepReset},
	}}}))
	for _, c := range []struct {
		name        string
		from, to    time.Time
		first, last int64
	}{
		{"steps over a doubtful value", at(100), at(120), 5, 15},
		{"too few before, steps over the border value after", at(30), at(60), 0, 10},
		{"nothing before", at(-60), at(0), 0, 5},
		{"nothing after", at(190), at(200), 15, 19},
		{"empty stretch in the middle", at(31), at(32), 0, 9},
		{"beyond the end", at(500), at(600), 16, 19},
	} {
		var got, want []int64
		for _, r := range get(db.Readings(t.Context(), meter, c.from, c.to))(t) {
			got = append(got, r.Value)
		}
		for v := c.first; v <= c.last; v++ {
			want = append(want, v)
		}
		same(t, c.name, got, want)
	}
	same(t, "doubtful", get(db.Doubtful(t.Context(), meter, at(0), at(60)))(t), []plant.RegisterEvent{
		{Register: meter, At: at(20), Kind: plant.StepBackstep, Before: 9, After: 8}, {Register: meter, At: at(40), Kind: plant.StepImplausible},
	})
	same(t, "of one kind", get(db.RegisterEvents(t.Context(), plant.StepReset, 10))(t), []plant.RegisterEvent{{Register: meter, At: at(60), Kind: plant.StepReset}})
	same(t, "of all kinds, limited", len(get(db.RegisterEvents(t.Context(), plant.StepNormal, 3))(t)), 3)
	if _, err := db.Readings(t.Context(), "nobody/import", at(0), at(1)); !errors.Is(err, ErrNotFound) {
		t.Errorf("readings of an unknown register: %v", err)
	}
}

func TestEvents_WithNeighbours(t *testing.T) {
	db := open(t)
	var all []plant.StationEvent
	for i := range 12 {
		all = append(all, event(float64(i*10), int64(i+1), plant.StateCuring))
	}
	// Another boot in between, two events at one instant, and every field used.
	all[3].Boot, all[3].Sequence = "a0", 1
	all[5].At = all[4].At
	all[11].LastWill, all[11].ClockDistrusted, all[11].LitMillis, all[11].Starts = true, true, -1, 9
	shuffled := slices.Clone(all)
	slices.Reverse(shuffled)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, plant.Facts{Events: shuffled})}))
	for _, c := range []struct {
		name        string
		from, to    time.Time
		first, last int
	}{
		{"all", at(-1), at(600), 0, 12},
		{"neighbours on both sides", at(60), at(70), 6 - Neighbours, 7 + Neighbours},
		{"before the first", at(-9), at(0), 0, Neighbours},
		{"after the last", at(300), at(301), 12 - Neighbours, 12},
	} {
		same(t, c.name, get(db.Events(t.Context(), "heron-1", c.from, c.to))(t), all[c.first:c.last])
	}
	if got := get(db.Events(t.Context(), "heron-2", at(0), at(60)))(t); len(got) != 0 {
		t.Errorf("events of the other station: %v", got)
	}
	first, last, ok, err := db.Extent(t.Context(), lit)
	must(t, err)
	if !ok || !first.Equal(at(0)) || !last.Equal(at(110)) {
		t.Errorf("extent of a register of the station: %v %v %v", first, last, ok)
	}
	if _, _, ok, err := db.Extent(t.Context(), chill); ok || err != nil {
		t.Errorf("extent of a register without facts: %v %v", ok, err)
	}
}

func TestUnsettled_MergesWhatIsClose(t *testing.T) {
	db := open(t)
	far := 3 * 24 * 60.0
	for i, m := range []float64{0, 10, far, far + 5} {
		must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(uint64(i+1), plant.Facts{Readings: []plant.Reading{reading(meter, m, int64(i)), reading(chill, m, int64(i))}})}))
	}
	marks := get(db.Unsettled(t.Context(), 100))(t)
	var ids []int64
	for i := range marks {
		ids = append(ids, marks[i].IDs...)
		marks[i].IDs = nil
	}
	same(t, "rows", len(ids), 8)
	same(t, "marks", marks, []plant.Mark{
		{Register: chill, From: at(0), To: at(10)}, {Register: chill, From: at(far), To: at(far + 5)},
		{Register: meter, From: at(0), To: at(10)}, {Register: meter, From: at(far), To: at(far + 5)},
	})
	same(t, "limited rows", len(get(db.Unsettled(t.Context(), 1))(t)[0].IDs), 1)
}

func settlement(reg plant.RegisterID, from time.Time, amounts ...int64) plant.Settlement {
	s := plant.Settlement{Register: reg, From: from, To: from}
	for _, a := range amounts {
		s.Entries = append(s.Entries, plant.Entry{Register: reg, Start: s.To, State: plant.StateCuring, Technology: plant.TechnologyArc, Amount: a})
		s.To = s.To.Add(15 * time.Minute)
	}
	return s
}

func TestReplace_AnswersItsMarksOnce(t *testing.T) {
	db := open(t)
	must(t, db.FitLamp(t.Context(), plant.Fitting{Lamp: "A-1", Station: "heron-1", From: at(-60), By: "Sam"}, "arc-lamp"))
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, facts())}))
	marks := get(db.Unsettled(t.Context(), 100))(t)
	// A fact that arrives while its register is being settled keeps its mark.
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(2, plant.Facts{Readings: []plant.Reading{reading(meter, 9, 900)}})}))

	s := []plant.Settlement{settlement(meter, at(0), 10, 20, 30), settlement(chill, at(0), 5)}
	s[0].Entries[0].Lamp = "A-1"
	s[0].Events = []plant.RegisterEvent{{Register: meter, At: at(1), Kind: plant.StepReset, Before: 7, After: 1}}
	must(t, db.Replace(t.Context(), marks, s))
	// Another settler that read the same marks comes too late.
	if err := db.Replace(t.Context(), marks, []plant.Settlement{settlement(meter, at(0), 1)}); !errors.Is(err, ErrSettled) {
		t.Errorf("settlement of marks that another answered: %v, expected ErrSettled", err)
	}
	same(t, "entries", get(db.Entries(t.Context(), meter, at(0), at(60)))(t), s[0].Entries)
	same(t, "events", get(db.RegisterEvents(t.Context(), plant.StepNormal, 10))(t), s[0].Events)
	left := get(db.Unsettled(t.Context(), 100))(t)
	same(t, "marks left", len(left), 1)
	same(t, "mark left", left[0].To, at(9))

	// A narrower settlement replaces only its own stretch.
	must(t, db.Replace(t.Context(), left, []plant.Settlement{settlement(meter, at(15), 21)}))
	want := append([]plant.Entry{}, s[0].Entries...)
	want[1].Amount = 21
	same(t, "entries", get(db.Entries(t.Context(), meter, at(0), at(60)))(t), want)
	same(t, "events", len(get(db.RegisterEvents(t.Context(), plant.StepNormal, 10))(t)), 1)
	same(t, "marks", get(db.UnsettledCount(t.Context()))(t), 0)
}

func TestReplace_ErrorLeavesEverything(t *testing.T) {
	db := open(t)
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, facts())}))
	marks := get(db.Unsettled(t.Context(), 100))(t)
	must(t, db.Replace(t.Context(), nil, []plant.Settlement{settlement(meter, at(0), 10)}))
	bad := settlement(meter, at(0), 11)
	bad.Entries[0].Lamp = "never fitted"
	if err := db.Replace(t.Context(), marks, []plant.Settlement{bad}); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown lamp: %v, expected ErrNotFound", err)
	}
	outside := settlement(meter, at(0), 11)
	outside.To = at(0)
	if err := db.Replace(t.Context(), marks, []plant.Settlement{outside}); err == nil {
		t.Error("an entry outside of its settlement was taken")
	}
	same(t, "entries", get(db.Entries(t.Context(), meter, at(0), at(60)))(t), settlement(meter, at(0), 10).Entries)
	same(t, "marks", len(get(db.Unsettled(t.Context(), 100))(t)), len(marks))
}

func TestApplyAndReplace_AtOnce(t *testing.T) {
	db := open(t)
	const rounds = 30
	var wg sync.WaitGroup
	errs := make(chan error, 4*rounds)
	wg.Go(func() {
		for i := range rounds {
			errs <- db.Apply(context.Background(), spoolA, []plant.Batch{batch(uint64(i+1), plant.Facts{
				Readings: []plant.Reading{reading(meter, float64(i), int64(i)), reading(chill, float64(i), int64(i))},
				Signals:  []plant.Signal{{Subject: "heron", Name: fmt.Sprintf("s%d", i%3), At: at(float64(i)), Value: 1}},
			})})
		}
	})
	for range 2 {
		wg.Go(func() {
			for i := range rounds {
				marks, err := db.Unsettled(context.Background(), 1000)
				if err == nil {
					err = db.Replace(context.Background(), marks, []plant.Settlement{settlement(chill, at(0), int64(i), 2), settlement(meter, at(0), int64(i), 3)})
				}
				if !errors.Is(err, ErrSettled) { // the other settler was faster
					errs <- err
				}
			}
		})
	}
	wg.Go(func() {
		for i := range rounds {
			errs <- db.DeclareExchange(context.Background(), plant.Exchange{Register: meter, At: at(float64(i)), By: "Sam"})
		}
	})
	wg.Wait()
	close(errs)
	for err := range errs {
		must(t, err)
	}
	same(t, "entries", count(t, db, "SELECT count(*) FROM entry"), 4)
	same(t, "readings", count(t, db, "SELECT count(*) FROM reading"), 2*rounds)
	same(t, "watermark", get(db.Watermark(t.Context(), spoolA))(t), rounds)
}

func TestSums(t *testing.T) {
	db := open(t)
	must(t, db.FitLamp(t.Context(), plant.Fitting{Lamp: "A-1", Station: "heron-1", From: at(0), By: "Sam"}, "arc-lamp"))
	must(t, db.FitLamp(t.Context(), plant.Fitting{Lamp: "A-2", Station: "heron-2", From: at(0), By: "Sam"}, "arc-lamp"))
	energy := settlement(meter, at(0), 10, 20, 30)
	energy.Entries[1].Quality, energy.Entries[2].Quality = plant.QualityInterpolated, plant.QualityUnknown
	energy.Entries[2].State, energy.Entries[2].Amount = plant.StateUnknown, -30
	hours, struck := settlement(lit, at(0), 1000, 2000), settlement(starts, at(0), 1, 2)
	hours.Entries[0].Lamp, hours.Entries[1].Lamp, struck.Entries[1].Lamp = "A-1", "A-1", "A-1"
	must(t, db.Replace(t.Context(), nil, []plant.Settlement{energy, hours, struck}))

	same(t, "by state", get(db.StateTotals(t.Context()))(t), []plant.StateTotal{
		{Register: meter, State: plant.StateUnknown, Technology: plant.TechnologyArc, Amount: -30, Doubtful: 30, Last: at(45)},
		{Register: meter, State: plant.StateCuring, Technology: plant.TechnologyArc, Amount: 30, Last: at(30)},
		{Register: lit, State: plant.StateCuring, Technology: plant.TechnologyArc, Amount: 3000, Last: at(30)},
		{Register: starts, State: plant.StateCuring, Technology: plant.TechnologyArc, Amount: 3, Last: at(30)},
	})
	same(t, "by lamp", get(db.LampTotals(t.Context()))(t), []plant.LampTotal{{Lamp: "A-1", LitMillis: 3000, WornMillis: 3000, Starts: 2}, {Lamp: "A-2"}})
	for _, c := range []struct {
		since time.Time
		want  int64
	}{{at(0), 3000}, {at(15), 2000}, {at(29), 2000}, {at(30), 0}, {time.Time{}, 3000}} {
		same(t, "since "+c.since.String(), get(db.AmountSince(t.Context(), lit, c.since))(t), c.want)
	}
}

// Sums beyond the range of int32 stay exact.
func TestTotals_LargeAmounts(t *testing.T) {
	db := open(t)
	must(t, db.Replace(t.Context(), nil, []plant.Settlement{settlement(meter, at(0), 4e18, 5e18)}))
	same(t, "amount", get(db.StateTotals(t.Context()))(t)[0].Amount, int64(9e18))
}

func TestDayAmounts_LocalDays(t *testing.T) {
	for _, c := range []struct {
		zone      string
		from      string // local date and time of the first quarter
		days      int
		intervals []int64 // quarters of an hour in each local day
	}{
		// Source: tz database, Europe/London: clocks go forward on 2026-03-29 and
		// back on 2026-10-25, at 01:00 UTC.
		{"Europe/London", "2026-03-28", 3, []int64{96, 92, 96}},
		{"Europe/London", "2026-10-24", 3, []int64{96, 100, 96}},
		// Source: tz database, Asia/Kathmandu: +05:45 without clock changes.
		{"Asia/Kathmandu", "2026-03-28", 3, []int64{96, 96, 96}},
		// Source: tz database, America/New_York: 2026-03-08 and 2026-11-01.
		{"America/New_York", "2026-03-07", 3, []int64{96, 92, 96}},
		{"America/New_York", "2026-10-31", 3, []int64{96, 100, 96}},
		// Source: tz database, Australia/Lord_Howe: by half an hour.
		{"Australia/Lord_Howe", "2026-04-04", 3, []int64{96, 98, 96}},
		{"Australia/Lord_Howe", "2026-10-03", 3, []int64{96, 94, 96}},
		// Source: tz database, America/Santiago: no midnight on 2026-09-06.
		{"America/Santiago", "2026-09-05", 3, []int64{96, 92, 96}},
		{"UTC", "2026-03-28", 3, []int64{96, 96, 96}},
		{"UTC", "2028-02-28", 3, []int64{96, 96, 96}}, // over a leap day
	} {
		t.Run(c.zone+" "+c.from, func(t *testing.T) {
			p := alderLane(t, c.zone)
			db := openAt(t, pgtest.New(t), p, nil)
			first, err := time.ParseInLocation("2006-01-02", c.from, p.TimeZone)
			must(t, err)
			s := plant.Settlement{Register: meter, From: first.UTC(), To: p.Day(first, c.days).UTC()}
			for start := s.From; start.Before(s.To); start = start.Add(15 * time.Minute) {
				s.Entries = append(s.Entries, plant.Entry{Register: meter, Start: start, Amount: 1})
			}
			s.Entries[0].Quality = plant.QualityInferred
			must(t, db.Replace(t.Context(), nil, []plant.Settlement{s}))
			var want []plant.DayAmount
			for i, n := range c.intervals {
				want = append(want, plant.DayAmount{Day: p.Day(first, i).UTC(), Register: meter, Amount: n, Quality: plant.ByQuality{n}})
			}
			want[0].Quality = plant.ByQuality{c.intervals[0] - 1, 0, 1}
			same(t, "all days", get(db.DayAmounts(t.Context(), []plant.RegisterID{meter, chill}, time.Time{}, time.Time{}))(t), want)
			same(t, "one day", get(db.DayAmounts(t.Context(), []plant.RegisterID{meter}, p.Day(first, 1), p.Day(first, 2)))(t), want[1:2])
		})
	}
}

func TestHeldCount_CountsMoreThanAreListed(t *testing.T) {
	db := open(t)
	s := settlement(meter, at(0))
	s.To = at(60)
	for i := range 30 {
		s.Events = append(s.Events, plant.RegisterEvent{Register: meter, At: at(float64(i)), Kind: plant.StepImplausible, Before: 1, After: 9})
	}
	s.Events = append(s.Events, plant.RegisterEvent{Register: meter, At: at(40), Kind: plant.StepReset})
	must(t, db.Replace(t.Context(), nil, []plant.Settlement{s}))
	same(t, "held", get(db.HeldCount(t.Context()))(t), 30)
}

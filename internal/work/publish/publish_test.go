package publish

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/common/expfmt"

	"curetally/internal/core/plant"
	"curetally/internal/core/readiness"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

var update = flag.Bool("update", false, "write the golden files anew")

var monday = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

// little is a plant of one press with one converted station.
func little(t *testing.T) *plant.Plant {
	price, err := unit.ParseMoney("0.168", "EUR")
	if err != nil {
		t.Fatal(err)
	}
	return &plant.Plant{
		Name: "Little", TimeZone: time.UTC, Interval: 15 * time.Minute, WorkDays: [7]bool{false, true, true, true, true, true, false},
		Presses: []plant.Press{{ID: "p", Title: "P", Stations: []plant.Station{{
			ID: "s", Press: "p", Silence: 2 * time.Minute,
			Technology: []plant.TechnologyFrom{{Technology: plant.TechnologyArc}, {From: monday.AddDate(0, 0, 20), Technology: plant.TechnologyLED}},
		}}}},
		Buses: []plant.Bus{{ID: "b", Meters: []plant.Meter{{ID: "m", Bus: "b", Station: "s", Press: "p"}}}},
		Registers: []plant.Register{
			{ID: "m/import", Quantity: plant.QuantityEnergy, Station: "s", Press: "p"},
			{ID: "s/lit", Quantity: plant.QuantityTime, Station: "s", Press: "p"},
			{ID: "s/starts", Quantity: plant.QuantityCount, Station: "s", Press: "p"},
			{ID: "s/time", Quantity: plant.QuantityTime, Station: "s", Press: "p"},
		},
		Projects: []plant.Project{{
			ID: "led", Title: "To LED", Press: "p", Boundary: []plant.RegisterID{"m/import"}, Drivers: []plant.Driver{plant.DriverCuringHours},
			Baseline:  plant.Selection{From: monday.AddDate(0, 0, 1), To: monday.AddDate(0, 0, 20), Technology: plant.TechnologyArc},
			Reporting: plant.Selection{From: monday.AddDate(0, 0, 20), Technology: plant.TechnologyLED}, Confidence: 0.9, EstimatedLimit: 0.05,
			Price: price, Carbon: 0.461, CarbonSource: "example",
		}},
	}
}

// shelf is a store that gives what a test puts in.
type shelf struct {
	totals  []plant.StateTotal
	events  map[plant.StationID]plant.StationEvent
	signals []plant.Signal
	days    []plant.DayAmount
	latest  []plant.Reading
	frozen  *plant.Frozen
	// exchanges of meters
	exchanges []plant.Exchange
	adjusted  []plant.Adjustment
	published []plant.Published
	since     map[plant.StationID]time.Time
	err       atomic.Pointer[error]
	whole     atomic.Int64 // times that totals were asked for
}

func (s *shelf) fail(err error) { s.err.Store(&err) }

func (s *shelf) failure() error {
	if err := s.err.Load(); err != nil {
		return *err
	}
	return nil
}

func (s *shelf) StateTotals(context.Context) ([]plant.StateTotal, error) {
	s.whole.Add(1)
	return s.totals, s.failure()
}
func (s *shelf) LatestEvents(context.Context) (map[plant.StationID]plant.StationEvent, error) {
	return s.events, s.failure()
}
func (s *shelf) StatesSince(context.Context) (map[plant.StationID]time.Time, error) {
	return s.since, s.failure()
}
func (s *shelf) LatestSignals(context.Context) ([]plant.Signal, error) { return s.signals, s.failure() }
func (s *shelf) LatestReadings(context.Context) ([]plant.Reading, error) {
	return s.latest, s.failure()
}
func (s *shelf) DayAmounts(context.Context, []plant.RegisterID, time.Time, time.Time) ([]plant.DayAmount, error) {
	return append([]plant.DayAmount(nil), s.days...), s.failure()
}

func (s *shelf) Exchanges(_ context.Context, reg plant.RegisterID) ([]plant.Exchange, error) {
	var of []plant.Exchange
	for _, x := range s.exchanges {
		if x.Register == reg {
			of = append(of, x)
		}
	}
	return of, s.failure()
}

func (s *shelf) Adjustments(context.Context, plant.ProjectID) ([]plant.Adjustment, error) {
	return append([]plant.Adjustment(nil), s.adjusted...), s.failure()
}

func (s *shelf) Publish(_ context.Context, p plant.Published) error {
	s.published = append(s.published, p)
	return s.failure()
}

func (s *shelf) Published(context.Context, plant.ProjectID) ([]plant.Published, error) {
	return s.published, s.failure()
}

func (s *shelf) Baseline(context.Context, plant.ProjectID) (plant.Frozen, bool, error) {
	if s.frozen == nil {
		return plant.Frozen{}, false, s.failure()
	}
	return *s.frozen, true, s.failure()
}

func (s *shelf) FreezeBaseline(_ context.Context, f plant.Frozen) (int, error) {
	f.Version = 1
	if s.frozen != nil {
		f.Version = s.frozen.Version + 1
	}
	s.frozen = &f
	return f.Version, s.failure()
}

// fourWeeks fills 20 arc days at 2 + 7 kWh per curing hour and 8 LED days at a
// quarter of that, with a little noise on the arc days.
func fourWeeks() *shelf {
	s := &shelf{events: map[plant.StationID]plant.StationEvent{}, since: map[plant.StationID]time.Time{}}
	for d := range 29 {
		day := monday.AddDate(0, 0, d)
		hours := float64(4 + d%7*2)
		tech, kwh := plant.TechnologyArc, 2+7*hours+0.1*float64(d%3-1)
		if d >= 20 {
			tech, kwh = plant.TechnologyLED, (2+7*hours)/4
		}
		add := func(reg plant.RegisterID, state plant.State, amount float64) {
			s.days = append(s.days, plant.DayAmount{Day: day, Register: reg, State: state, Technology: tech, Amount: int64(amount)})
		}
		add("m/import", plant.StateCuring, kwh*1e6)
		add("s/lit", plant.StateCuring, hours*3.6e6)
		add("s/starts", plant.StateCuring, 2)
		add("s/time", plant.StateCuring, hours*3.6e6)
		add("s/time", plant.StateOff, (24-hours)*3.6e6)
	}
	s.latest = []plant.Reading{{Register: "m/import", At: monday.AddDate(0, 0, 29)}}
	return s
}

func TestFreezeThenStateGivesOneAnswerEverywhere(t *testing.T) {
	p, s := little(t), fourWeeks()
	now := monday.AddDate(0, 0, 28).Add(12 * time.Hour)
	pr := p.Projects[0]

	before, err := Take(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	if ps := before.Projects[0]; ps.Frozen || ps.Stated || !strings.Contains(ps.Missing, "curetally baseline freeze led --by NAME") || !strings.Contains(ps.Missing, "19 usable baseline days") {
		t.Errorf("before the freeze: %+v", ps.Missing)
	}
	b, err := Freeze(t.Context(), s, p, pr, savings.FreezeInfo{Approver: "Kim", At: now, Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	if b.Version != 1 || len(b.Rows) != 19 || s.frozen.Hash != b.DataHash {
		t.Errorf("frozen version %d of %d rows, hash %s kept as %s", b.Version, len(b.Rows), b.DataHash, s.frozen.Hash)
	}
	st, _, found, err := State(t.Context(), s, p, pr, Asked{Now: now})
	if err != nil || !found {
		t.Fatal(found, err)
	}
	snap, err := Take(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	one, _ := json.Marshal(st)
	two, _ := json.Marshal(snap.Projects[0].Statement)
	if !bytes.Equal(one, two) {
		t.Errorf("the command states\n%s\nthe page\n%s", one, two)
	}
	// Saved is three quarters of what the arc would have used.
	if st.Days != 8 || st.SavedFraction < 0.749 || st.SavedFraction > 0.751 || !st.Shown {
		t.Errorf("%d days, %.4f saved, shown %v", st.Days, st.SavedFraction, st.Shown)
	}
}

// What the daemon remembers of readiness is what a fresh look says, and is looked at
// anew when the days change.
func TestReadinessIsRememberedWhileDaysAreTheSame(t *testing.T) {
	p, s := little(t), fourWeeks()
	pb := New(s, p, func() bool { return true }, slog.New(slog.DiscardHandler))
	pr := p.Projects[0]
	now := monday.AddDate(0, 0, 19)
	for _, step := range []time.Duration{0, time.Minute, 24 * time.Hour} {
		d, err := daysOf(t.Context(), s, p, pr, now.Add(step))
		if err != nil {
			t.Fatal(err)
		}
		kept, fresh := pb.ready(p, pr, d.days, now.Add(step)), readiness.Of(p, pr, d.days, now.Add(step))
		if !reflect.DeepEqual(kept, fresh) || kept.Days == 0 {
			t.Errorf("after %v: remembered %+v, fresh %+v", step, kept, fresh)
		}
	}
	s.days = s.days[:len(s.days)/2]
	d, err := daysOf(t.Context(), s, p, pr, now)
	if err != nil {
		t.Fatal(err)
	}
	if kept, fresh := pb.ready(p, pr, d.days, now), readiness.Of(p, pr, d.days, now); !reflect.DeepEqual(kept, fresh) {
		t.Errorf("with fewer days: %+v, fresh %+v", kept, fresh)
	}
}

func TestAlteredDocumentIsRefused(t *testing.T) {
	p, s := little(t), fourWeeks()
	now := monday.AddDate(0, 0, 28)
	if _, err := Freeze(t.Context(), s, p, p.Projects[0], savings.FreezeInfo{Approver: "Kim", At: now}); err != nil {
		t.Fatal(err)
	}
	s.frozen.Hash = strings.Repeat("0", 64)
	if _, _, err := Frozen(t.Context(), s, "led"); !errors.Is(err, savings.ErrAltered) {
		t.Errorf("a document whose hash is not the one recorded: %v, want ErrAltered", err)
	}
}

func TestStateOf(t *testing.T) {
	st := little(t).Presses[0].Stations[0]
	now := monday.Add(time.Hour)
	heard := func(at, arrived time.Duration) *Snapshot {
		return &Snapshot{At: now, Events: map[plant.StationID]plant.StationEvent{
			"s": {State: plant.StateCuring, At: now.Add(-at), Arrived: now.Add(-arrived)},
		}}
	}
	deaf := heard(0, 0)
	deaf.Deaf = true
	for name, c := range map[string]struct {
		snap *Snapshot
		want plant.State
	}{
		"just heard":               {heard(0, 0), plant.StateCuring},
		"at the limit":             {heard(2*time.Minute, 2*time.Minute), plant.StateCuring},
		"silent":                   {heard(3*time.Minute, 3*time.Minute), plant.StateUnknown},
		"clock behind, just heard": {heard(3*time.Minute, time.Second), plant.StateCuring},
		"never heard":              {&Snapshot{At: now}, plant.StateUnknown},
		"broker lost":              {deaf, plant.StateUnknown},
	} {
		if got := c.snap.StateOf(st); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// The metrics page of a fixed snapshot; names and units are a promise.
func TestMetricsPage(t *testing.T) {
	p, s := sized(t), fourWeeks()
	now := monday.AddDate(0, 0, 28).Add(12 * time.Hour)
	if _, err := Freeze(t.Context(), s, p, p.Projects[0], savings.FreezeInfo{Approver: "Kim", At: now}); err != nil {
		t.Fatal(err)
	}
	s.events["s"] = plant.StationEvent{Station: "s", At: now, Arrived: now, State: plant.StateCuring}
	s.signals = []plant.Signal{{Subject: "m", Name: "power_watts", At: now, Value: 2175}, {Subject: "s", Name: "power_watts", At: now, Value: 1}}
	s.totals = []plant.StateTotal{
		{Register: "m/import", State: plant.StateCuring, Amount: 1_000_000}, {Register: "m/import", State: plant.StateOff, Amount: 500_000},
		{Register: "s/lit", State: plant.StateCuring, Amount: 3_600_000}, {Register: "s/starts", State: plant.StateCuring, Amount: 4},
	}
	snap, err := Take(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(NewCollector(p, func() *Snapshot { return &snap }, func() Condition {
		return Condition{
			Meters:          []MeterHealth{{Meter: "m", LastSuccess: now, Up: true, Trouble: "bad value", Polls: 10, Failures: 1, Refused: 4, Missed: 3, Line: 1500 * time.Millisecond}},
			MeterConditions: []string{"sound", "no answer", "bad value"},
			BrokerUp:        true, BrokerUsed: true, StoreUp: true, FactsReceived: 20, FactsApplied: 19, RefusedFacts: 2,
			SpoolBatches: 1, SpoolBytes: 32768, SpoolOldest: now, UnsettledMarks: 3, HeldReadings: 1, StuckRegisters: 2,
			SpoolUsed: 20000, SpoolLimit: 2_000_000_000, Thinned: Thinned{Signals: 5, Readings: 2, Refusals: 1},
			Broken: map[string]int{"conservation": 1, "tiling": 0}, Checked: []Checked{{Invariant: "conservation", At: now}},
			Deliveries: []Deliveries{{Channel: "mail", Sent: 3, Failed: 2, Dead: 1}},
			Tasks:      TaskCount{"due": 1}, Lamps: []LampLife{{Station: "s", Used: 0.25}},
		}
	}))
	if problems, err := testutil.GatherAndLint(reg); err != nil || len(problems) > 0 {
		t.Errorf("lint: %v %v", problems, err)
	}
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	var page bytes.Buffer
	for _, f := range families {
		if _, err := expfmt.MetricFamilyToText(&page, f); err != nil {
			t.Fatal(err)
		}
	}
	golden := filepath.Join("testdata", "metrics.golden")
	if *update {
		if err := os.WriteFile(golden, page.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), page.String()); d != "" {
		t.Errorf("metrics changed (-want +got):\n%s", d)
	}
}

// Power is shown for as long as its meter is heard at its own pace.
func TestPowersAreOfThePresent(t *testing.T) {
	p := little(t)
	p.Buses[0].Meters = append(p.Buses[0].Meters, plant.Meter{ID: "slow", Bus: "b", Period: 5 * time.Minute})
	value := func(meter string, ago time.Duration) plant.Signal {
		return plant.Signal{Subject: meter, Name: plant.SignalPower, At: monday.Add(-ago), Value: ago.Seconds()}
	}
	for name, c := range map[string]struct {
		signal plant.Signal
		want   map[plant.MeterID]float64
	}{
		"just read":       {value("m", 2*time.Minute), map[plant.MeterID]float64{"m": 120}},
		"silent":          {value("m", 121*time.Second), nil},
		"read seldom":     {value("slow", 15*time.Minute), map[plant.MeterID]float64{"slow": 900}},
		"of a station":    {value("s", time.Second), nil},
		"another quality": {plant.Signal{Subject: "m", Name: "voltage_volts", At: monday, Value: 400}, nil},
	} {
		snap := Snapshot{At: monday, Signals: []plant.Signal{c.signal}}
		if d := cmp.Diff(c.want, snap.Powers(p), cmpopts.EquateEmpty()); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
}

// A day of a clock change is as long as it is.
func TestReportingLengthOfAClockChange(t *testing.T) {
	p := little(t)
	var err error
	if p.TimeZone, err = time.LoadLocation("Europe/London"); err != nil {
		t.Fatal(err)
	}
	sunday := time.Date(2026, 3, 29, 0, 0, 0, 0, p.TimeZone)
	snap := Snapshot{At: monday, Projects: []ProjectState{{Project: p.Projects[0], Stated: true, Statement: savings.Statement{
		Days: 2, Series: []savings.SeriesPoint{{Day: sunday}, {Day: p.Day(sunday, 1)}},
	}}}}
	c := NewCollector(p, func() *Snapshot { return &snap }, func() Condition { return Condition{} })
	want := strings.NewReader("# HELP curetally_savings_reporting_seconds Length of the days of the reporting period that are counted.\n" +
		"# TYPE curetally_savings_reporting_seconds gauge\ncuretally_savings_reporting_seconds{project=\"led\"} 169200\n") // 23 h + 24 h
	if err := testutil.CollectAndCompare(c, want, "curetally_savings_reporting_seconds"); err != nil {
		t.Error(err)
	}
}

func TestPublisherRenewsStatesOftenAndSumsSeldom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, s := little(t), fourWeeks()
		var log bytes.Buffer
		began := time.Now()
		s.events["s"] = plant.StationEvent{Station: "s", At: began, Arrived: began, State: plant.StateCuring}
		s.since["s"] = began.Add(-time.Hour)
		pb := New(s, p, func() bool { return true }, slog.New(slog.NewTextHandler(&log, nil)))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- pb.Run(ctx) }()
		time.Sleep(30 * time.Second)
		synctest.Wait()
		snap := pb.Newest()
		if age := time.Since(snap.At); age > livePace || s.whole.Load() != 1 {
			t.Errorf("the snapshot is %v old, sums were read %d times", age, s.whole.Load())
		}
		if got := snap.Since["s"]; !got.Equal(began.Add(-time.Hour)) {
			t.Errorf("the state holds since %v, want an hour before %v", got, began)
		}
		s.fail(errors.New("connection refused"))
		time.Sleep(2 * time.Minute)
		s.fail(nil)
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if strings.Count(log.String(), "not up to date") != 1 || strings.Count(log.String(), "up to date again") != 1 {
			t.Errorf("want one line when it fails and one when it works again:\n%s", &log)
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
}

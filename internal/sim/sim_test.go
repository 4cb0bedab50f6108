package sim_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
)

func london(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatalf("time zone data: %v: install tzdata", err)
	}
	return zone
}

func demo(t *testing.T) *sim.World {
	t.Helper()
	zone := london(t)
	w, err := sim.New(sim.Defaults(time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC), zone))
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// year is a plant that runs 48 working weeks with one technology.
func year(t *testing.T, seed uint64, led bool) (w *sim.World, from, to time.Time) {
	t.Helper()
	zone := london(t)
	from = time.Date(2026, 1, 5, 0, 0, 0, 0, zone)
	to = from.AddDate(0, 0, 364)
	change := to.AddDate(0, 0, 6).Add(12 * time.Hour)
	if led {
		change = from
	}
	w, err := sim.New(sim.Options{Seed: seed, Zone: zone, Start: from, Changeover: change, Now: to})
	if err != nil {
		t.Fatal(err)
	}
	return w, from, to
}

func hours(w *sim.World, from, to time.Time) map[plant.State]float64 {
	sum := map[plant.State]float64{}
	for _, id := range sim.StationIDs() {
		for _, s := range w.Timeline(id, from, to) {
			sum[s.State] += s.To.Sub(s.From).Hours()
		}
	}
	return sum
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance*want {
		t.Errorf("%s = %.1f, want %.1f ± %.1f %%", what, got, want, tolerance*100)
	}
}

func kwh(w *sim.World, to time.Time, meters ...plant.MeterID) float64 {
	sum := 0.0
	for _, m := range meters {
		sum += float64(w.Energy(m, to)) / 1e6
	}
	return sum
}

func stationMeters() []plant.MeterID { return sim.Meters()[:sim.Stations] }

// A press of eight stations with six in use, 24 h × 5 d × 48 weeks.
// Common practice, no source.
func TestArcYear(t *testing.T) {
	for seed := range uint64(3) {
		w, from, to := year(t, seed, false)
		within(t, "curing electricity, kWh", kwh(w, to, sim.MeterSupply), 198_140, 0.03)
		within(t, "stations, kWh", kwh(w, to, stationMeters()...), 136_999+40_984+943, 0.03)
		within(t, "exhaust, kWh", kwh(w, to, sim.MeterExhaust), 12_365, 0.03)
		within(t, "chilled rollers, kWh", kwh(w, to, sim.MeterChiller), 6_850, 0.03)
		h := hours(w, from, to)
		within(t, "curing, station-hours", h[plant.StateCuring], 6*3_283, 0.02)
		within(t, "standby, station-hours", h[plant.StateStandby], 6*2_016, 0.03)
		starts := int64(0)
		for _, id := range sim.StationIDs() {
			_, n := w.Counters(id, to)
			starts += n
		}
		within(t, "starts", float64(starts), 2_880, 0.25)
		removed := 0
		for _, a := range w.Lamps() {
			if a.Removed != "" {
				removed++
			}
		}
		if removed < 20 || removed > 32 {
			t.Errorf("seed %d: %d lamps changed in a year, want 20 to 32 (23 by wear alone)", seed, removed)
		}
		within(t, "area, m²", float64(w.Web(to).AreaCm2)/1e4, 5.53e6, 0.03)
	}
}

// Common practice, no source.
func TestLEDYear(t *testing.T) {
	for seed := range uint64(2) {
		w, from, to := year(t, seed, true)
		within(t, "curing electricity, kWh", kwh(w, to, sim.MeterSupply), 55_301, 0.03)
		within(t, "stations, kWh", kwh(w, to, stationMeters()...), 40_512+2_765, 0.04)
		within(t, "chiller and pumps, kWh", kwh(w, to, sim.MeterChiller), 12_024, 0.04)
		if got := kwh(w, to, sim.MeterExhaust); got != 0 {
			t.Errorf("exhaust of LED heads = %v kWh, want none", got)
		}
		h := hours(w, from, to)
		within(t, "curing, station-hours", h[plant.StateCuring], 6*3_283, 0.02)
		within(t, "standby, station-hours", h[plant.StateStandby], 6*2_016, 0.03)
		within(t, "lit, station-hours", litHours(w, to), 6*3_283, 0.02)
	}
}

func litHours(w *sim.World, to time.Time) float64 {
	sum := int64(0)
	for _, id := range sim.StationIDs() {
		lit, _ := w.Counters(id, to)
		sum += lit
	}
	return float64(sum) / 3.6e6
}

func TestDefaultsCoverTheStory(t *testing.T) {
	w := demo(t)
	o := w.Options()
	if got := o.Now.Sub(o.Changeover); got < 10*7*24*time.Hour || got > 11*7*24*time.Hour {
		t.Errorf("LED for %v, want ten weeks", got)
	}
	if got := o.Changeover.Sub(o.Start); got < 25*7*24*time.Hour {
		t.Errorf("arc for %v, want six months", got)
	}
	fitted := map[plant.StationID]plant.LampSerial{}
	place := map[plant.LampSerial]plant.StationID{}
	reasons := map[string]int{}
	for _, a := range w.Lamps() {
		if a.Removed == "" {
			if fitted[a.Station] != "" || place[a.Lamp.Serial] != "" {
				t.Fatalf("%v: %s fitted twice or in an occupied station", a.At, a.Lamp.Serial)
			}
			fitted[a.Station], place[a.Lamp.Serial] = a.Lamp.Serial, a.Station
			continue
		}
		if fitted[a.Station] != a.Lamp.Serial {
			t.Fatalf("%v: %s removed from %s, which holds %q", a.At, a.Lamp.Serial, a.Station, fitted[a.Station])
		}
		delete(fitted, a.Station)
		reasons[a.Removed]++
	}
	if len(fitted) != sim.Stations || reasons["conversion"] != sim.Stations || reasons["preventive"] < 4 {
		t.Errorf("fitted %v, removed %v: want all stations fitted and the arcs converted", fitted, reasons)
	}
	if len(w.Dones()) < 50 {
		t.Errorf("%d tasks recorded, want a history of them", len(w.Dones()))
	}
	if x := w.Exchanges(); len(x) != 1 || x[0].Final <= x[0].First {
		t.Errorf("exchanges %+v: want one", x)
	}
	for _, d := range w.Holidays() {
		if d.Weekday() == time.Saturday || d.Weekday() == time.Sunday || d.Hour() != 0 {
			t.Errorf("holiday %v: want a working day at midnight", d)
		}
	}
}

func TestOptionsRefused(t *testing.T) {
	zone := london(t)
	monday := time.Date(2026, 3, 2, 9, 0, 0, 0, zone)
	for name, o := range map[string]sim.Options{
		"no zone":                     {Start: monday, Changeover: monday, Now: monday},
		"now before start":            {Zone: zone, Start: monday, Changeover: monday, Now: monday.Add(-time.Hour)},
		"changeover in working hours": {Zone: zone, Start: monday, Changeover: monday.AddDate(0, 0, 8), Now: monday.AddDate(0, 0, 30)},
	} {
		if _, err := sim.New(o); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// digest runs a part of history into a hash.
func digest(t *testing.T, w *sim.World, opts sim.HistoryOptions) [32]byte {
	t.Helper()
	h := sha256.New()
	if err := w.History(t.Context(), opts, func(f plant.Facts) error {
		for _, r := range f.Readings {
			fmt.Fprintln(h, r.Register, r.At.UnixMicro(), r.Value)
		}
		for _, e := range f.Events {
			fmt.Fprintln(h, e.Station, e.At.UnixMilli(), e.State, e.Boot, e.Sequence, e.LitMillis, e.Starts)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return [32]byte(h.Sum(nil))
}

func TestSameSeedSameHistory(t *testing.T) {
	w := demo(t)
	o := w.Options()
	// A busy week with a rollover and the week of the outage.
	part := sim.HistoryOptions{From: o.Start.AddDate(0, 0, 63), To: o.Start.AddDate(0, 0, 84), Step: 15 * time.Minute}
	first := digest(t, w, part)
	if digest(t, demo(t), part) != first {
		t.Error("the same seed gave another history")
	}
	later := o
	later.Now = o.Now.AddDate(0, 0, 3)
	w, err := sim.New(later)
	if err != nil {
		t.Fatal(err)
	}
	if digest(t, w, part) != first {
		t.Error("a later Now changed the past")
	}
	o.Seed++
	if w, err = sim.New(o); err != nil {
		t.Fatal(err)
	}
	if digest(t, w, part) == first {
		t.Error("another seed gave the same history")
	}
}

// history collects all facts of a world.
func history(t *testing.T, w *sim.World, opts sim.HistoryOptions) plant.Facts {
	t.Helper()
	var all plant.Facts
	if err := w.History(t.Context(), opts, func(f plant.Facts) error {
		if f.Len() == 0 {
			t.Error("empty chunk")
		}
		all.Add(f)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return all
}

func TestHistory(t *testing.T) {
	w := demo(t)
	facts := history(t, w, sim.HistoryOptions{})
	t.Run("registers", func(t *testing.T) { checkReadings(t, w, facts.Readings) })
	t.Run("messages", func(t *testing.T) { checkMessages(t, w, facts.Events) })
}

// checkReadings: registers rise, but for the faults that were put in.
func checkReadings(t *testing.T, w *sim.World, readings []plant.Reading) {
	t.Helper()
	last := map[plant.RegisterID]plant.Reading{}
	falls := map[plant.RegisterID]int{}
	longest := map[plant.RegisterID]time.Duration{}
	for _, r := range readings {
		before, seen := last[r.Register]
		last[r.Register] = r
		if !seen {
			continue
		}
		if !r.At.After(before.At) {
			t.Fatalf("%s: %v after %v", r.Register, r.At, before.At)
		}
		longest[r.Register] = max(longest[r.Register], r.At.Sub(before.At))
		if r.Value < before.Value {
			falls[r.Register]++
		}
	}
	if len(last) != len(sim.Meters())+2 {
		t.Errorf("%d registers, want those of %d meters and the two of the press", len(last), len(sim.Meters()))
	}
	if len(falls) != 2 || falls["heron-3-meter/import"] != 1 || falls["heron-5-meter/import"] != 1 {
		t.Errorf("falls %v: want one rollover of heron-3-meter and one exchange of heron-5-meter", falls)
	}
	if got := longest["heron-1-meter/import"]; got != 5*time.Hour+20*time.Minute {
		t.Errorf("longest gap of heron-1-meter = %v, want the outage of 5 h 20 min", got)
	}
	if got := longest["heron-supply-meter/import"]; got != 5*time.Minute {
		t.Errorf("longest gap of heron-supply-meter = %v, want no outage on its own line", got)
	}
	for _, m := range sim.Meters() {
		r := last[plant.RegisterOf(m, sim.ValueImport)]
		if w.Options().Now.Sub(r.At) > 5*time.Minute || r.Value != w.Register(m, r.At) {
			t.Errorf("%s: last reading %v %d, register %d", m, r.At, r.Value, w.Register(m, r.At))
		}
	}
}

// The readings, repaired for rollover and exchange, add up to the true energy.
func TestRegistersKeepEnergy(t *testing.T) {
	w := demo(t)
	o := w.Options()
	x := w.Exchanges()[0]
	for _, m := range sim.Meters() {
		_, layout, err := w.Mounting(m)
		if err != nil {
			t.Fatal(err)
		}
		got := w.Register(m, o.Now) - w.Register(m, o.Start)
		if plant.RegisterOf(m, sim.ValueImport) == x.Register {
			got += x.Final - x.First
		}
		if got < 0 {
			got += int64(layout.Modulus) * layout.StepMilliwattHours
		}
		want := w.Energy(m, o.Now)
		if diff := want - got; diff < -layout.StepMilliwattHours || diff > 2*layout.StepMilliwattHours {
			t.Errorf("%s: registers give %d mWh, truth %d", m, got, want)
		}
	}
	sum := int64(0)
	for _, m := range sim.Meters()[:len(sim.Meters())-1] {
		sum += w.Energy(m, o.Now)
	}
	if diff := w.Energy(sim.MeterSupply, o.Now) - sum; diff < 0 || diff > int64(len(sim.Meters())) {
		t.Errorf("supply differs from the sum of the others by %d mWh", diff)
	}
}

// checkMessages: counters never fall, and messages are repeated, lost and late
// as planned.
func checkMessages(t *testing.T, w *sim.World, events []plant.StationEvent) {
	t.Helper()
	type key struct {
		station plant.StationID
		boot    string
		seq     int64
	}
	seen := map[key]bool{}
	lastLit := map[plant.StationID]int64{}
	boots := map[string]bool{}
	var repeated, distrusted, wills int
	for _, e := range events {
		if e.LastWill {
			wills++
			continue
		}
		if e.ClockDistrusted {
			distrusted++
		}
		k := key{e.Station, e.Boot, e.Sequence}
		if seen[k] {
			repeated++
			continue
		}
		seen[k], boots[e.Boot] = true, true
		if e.LitMillis < lastLit[e.Station] || e.Sequence <= 0 {
			t.Fatalf("%+v: counter fell from %d", e, lastLit[e.Station])
		}
		lastLit[e.Station] = e.LitMillis
	}
	if repeated < 10 || distrusted == 0 || wills != 1 || len(boots) != 2*sim.Stations {
		t.Errorf("repeated %d, distrusted %d, wills %d, boots %d: want some of each", repeated, distrusted, wills, len(boots))
	}
	// One change of heron-7 was never reported.
	missing := 0
	for at := w.Options().Start; ; {
		next, ok := w.NextChange("heron-7", at)
		if !ok || next.After(w.Options().Now) {
			break
		}
		e := w.Event("heron-7", next)
		if !seen[key{e.Station, e.Boot, e.Sequence}] {
			missing++
		}
		at = next
	}
	if missing != 1 {
		t.Errorf("%d changes of heron-7 unreported, want 1", missing)
	}
}

// A history taken in two parts is the history taken in one.
func TestHistoryContinues(t *testing.T) {
	w := demo(t)
	o := w.Options()
	to, cut := o.Start.AddDate(0, 0, 10), o.Start.AddDate(0, 0, 4).Add(7*time.Minute)
	whole := history(t, w, sim.HistoryOptions{To: to})
	parts := history(t, w, sim.HistoryOptions{To: cut})
	parts.Add(history(t, w, sim.HistoryOptions{From: cut, To: to}))
	if !slices.Equal(whole.Readings, parts.Readings) || !slices.Equal(whole.Events, parts.Events) {
		t.Errorf("two parts of %d and one of %d facts differ", parts.Len(), whole.Len())
	}
}

func TestHistoryStops(t *testing.T) {
	w := demo(t)
	broken := errors.New("spool full")
	if err := w.History(t.Context(), sim.HistoryOptions{}, func(plant.Facts) error { return broken }); !errors.Is(err, broken) {
		t.Errorf("error of emit = %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := w.History(ctx, sim.HistoryOptions{}, func(plant.Facts) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if err := w.History(t.Context(), sim.HistoryOptions{Step: time.Second}, func(plant.Facts) error { return nil }); err == nil {
		t.Error("a step of a second was accepted")
	}
}

// Timeline, State and Counters tell the same story.
func TestTimelineAgrees(t *testing.T) {
	w := demo(t)
	from := w.Options().Changeover.AddDate(0, 0, -14)
	to := w.Options().Changeover.AddDate(0, 0, 14)
	for _, id := range sim.StationIDs() {
		at, lit := from, time.Duration(0)
		for _, s := range w.Timeline(id, from, to) {
			if !s.From.Equal(at) || !s.To.After(s.From) {
				t.Fatalf("%s: span %v to %v after %v", id, s.From, s.To, at)
			}
			at = s.To
			if s.Technology.Lit(s.State) {
				lit += s.To.Sub(s.From)
			}
			if state, tech := w.State(id, s.From); state != s.State || tech != s.Technology {
				t.Fatalf("%s at %v: %v %v, timeline %v %v", id, s.From, state, tech, s.State, s.Technology)
			}
		}
		a, _ := w.Counters(id, from)
		b, _ := w.Counters(id, to)
		if !at.Equal(to) || b-a != lit.Milliseconds() {
			t.Errorf("%s: counters %d ms, timeline %d ms up to %v", id, b-a, lit.Milliseconds(), at)
		}
	}
}

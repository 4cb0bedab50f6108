package invariant_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"curetally/internal/core/invariant"
	"curetally/internal/core/plant"
)

const quarter = 15 * time.Minute

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func entry(n int, state plant.State, amount int64) plant.Entry {
	return plant.Entry{Start: start.Add(time.Duration(n) * quarter), State: state, Amount: amount}
}

func keys(all []invariant.Violation) (out []string) {
	for _, v := range all {
		out = append(out, string(v.Invariant)+" "+v.Key)
	}
	return out
}

func TestEntries(t *testing.T) {
	facts := []plant.Entry{entry(0, plant.StateCuring, 10), entry(0, plant.StateStandby, 5), entry(1, plant.StateCuring, 3)}
	worse := entry(1, plant.StateCuring, 3)
	worse.Quality = plant.QualityEstimated
	for name, c := range map[string]struct {
		stored []plant.Entry
		want   []string
	}{
		"the same in another order": {[]plant.Entry{facts[2], facts[0], facts[1]}, nil},
		"one amount":                {[]plant.Entry{facts[0], facts[1], entry(1, plant.StateCuring, 4)}, []string{"conservation m/import", "rebuild m/import"}},
		"moved between states":      {[]plant.Entry{entry(0, plant.StateCuring, 11), entry(0, plant.StateStandby, 4), facts[2]}, []string{"rebuild m/import"}},
		"one missing":               {facts[:2], []string{"conservation m/import", "rebuild m/import"}},
		"one too many":              {append(facts[:3:3], entry(2, plant.StateOff, 1)), []string{"conservation m/import", "rebuild m/import"}},
		"quality":                   {[]plant.Entry{facts[0], facts[1], worse}, []string{"rebuild m/import"}},
	} {
		if diff := cmp.Diff(c.want, keys(invariant.Entries("m/import", facts, c.stored))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestIntervals_TimeTiles(t *testing.T) {
	reg := plant.Register{ID: "heron-1/time", Rules: plant.Rules{}}
	whole := quarter.Milliseconds()
	entries := []plant.Entry{
		entry(0, plant.StateCuring, 1000), // before the first whole one: the facts begin in it
		entry(1, plant.StateCuring, whole-1), entry(1, plant.StateOff, 1),
		entry(2, plant.StateCuring, whole-1), // a gap
		entry(3, plant.StateCuring, whole+1), // an overlap
		entry(4, plant.StateOff, 500),        // the facts end in it
	}
	got := keys(invariant.Intervals(reg, entries, quarter, start.Add(time.Minute), start.Add(4*quarter+time.Second), true))
	if diff := cmp.Diff([]string{"tiling heron-1/time at 2026-03-02T06:30:00Z", "tiling heron-1/time at 2026-03-02T06:45:00Z"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestIntervals_RatingsHold(t *testing.T) {
	// 12 kW: 3,000 Wh in a quarter of an hour, a tenth more, and a step of 100 Wh at
	// either end.
	reg := plant.Register{ID: "m/import", Rules: plant.Rules{MaxPerHour: 12_000_000, Slack: 100_000}}
	most := int64(3_300_000 + 200_000)
	entries := []plant.Entry{entry(0, plant.StateCuring, most), entry(1, plant.StateCuring, most), entry(1, plant.StateOff, 1), entry(2, plant.StateOff, -1)}
	at := func(reg plant.Register, plausible bool) []string {
		return keys(invariant.Intervals(reg, entries, quarter, start, start.Add(3*quarter), plausible))
	}
	want := []string{"plausibility m/import at 2026-03-02T06:15:00Z", "plausibility m/import at 2026-03-02T06:30:00Z"}
	if diff := cmp.Diff(want, at(reg, true)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if got := at(reg, false); got != nil {
		t.Errorf("with a person's ruling: %v", got)
	}
	reg.Rules.Net = true
	if diff := cmp.Diff(want[:1], at(reg, true)); diff != "" {
		t.Errorf("a net register (-want +got):\n%s", diff)
	}
}

func TestFittings(t *testing.T) {
	at := func(h int) time.Time { return start.Add(time.Duration(h) * time.Hour) }
	for name, c := range map[string]struct {
		all  []plant.Fitting
		want []string
	}{
		"one after the other, last first": {[]plant.Fitting{{Lamp: "B", Station: "heron-1", From: at(5)}, {Lamp: "A", Station: "heron-1", From: at(0), To: at(5)}}, nil},
		"moved":                           {[]plant.Fitting{{Lamp: "A", Station: "heron-1", From: at(0), To: at(5)}, {Lamp: "A", Station: "heron-2", From: at(5)}}, nil},
		"in two places":                   {[]plant.Fitting{{Lamp: "A", Station: "heron-1", From: at(0), To: at(6)}, {Lamp: "A", Station: "heron-2", From: at(5)}}, []string{"lamps A"}},
		"two in one place":                {[]plant.Fitting{{Lamp: "A", Station: "heron-1", From: at(0)}, {Lamp: "B", Station: "heron-1", From: at(5)}}, []string{"lamps heron-1"}},
		"left before it came":             {[]plant.Fitting{{Lamp: "A", Station: "heron-1", From: at(3), To: at(2)}}, []string{"lamps A"}},
	} {
		if diff := cmp.Diff(c.want, keys(invariant.Fittings(c.all))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

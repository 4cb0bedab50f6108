package inference_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"curetally/internal/core/inference"
	"curetally/internal/core/plant"
)

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// heron has an arc station, an LED station, one with two meters and one without.
func heron() *plant.Plant {
	tech := func(t plant.Technology) []plant.TechnologyFrom { return []plant.TechnologyFrom{{Technology: t}} }
	station := func(id plant.StationID, t plant.Technology) plant.Station {
		return plant.Station{ID: id, Press: "heron", Silence: 4 * time.Minute, Technology: tech(t)}
	}
	return &plant.Plant{
		TimeZone: time.UTC,
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{
			station("arc", plant.TechnologyArc), station("led", plant.TechnologyLED), station("two", plant.TechnologyArc), station("none", plant.TechnologyArc),
		}}},
		Buses: []plant.Bus{{Meters: []plant.Meter{
			{ID: "m-arc", Station: "arc", MaxPower: 10_000}, {ID: "m-led", Station: "led", MaxPower: 4000},
			{ID: "m-two-a", Station: "two", MaxPower: 10_000}, {ID: "m-two-b", Station: "two", MaxPower: 10_000}, {ID: "m-fan", Press: "heron", MaxPower: 2000},
		}}},
	}
}

func sample(meter string, after time.Duration, watts float64) plant.Signal {
	return plant.Signal{Subject: meter, Name: plant.SignalPower, At: start.Add(after), Value: watts}
}

// said writes conclusions as minute, station and state.
func said(events []plant.StationEvent) []string {
	var out []string
	for _, e := range events {
		out = append(out, e.At.Sub(start).String()+" "+string(e.Station)+" "+e.State.String())
	}
	return out
}

// Nothing is concluded while a station speaks or is silent for less than its limit;
// then each change of state is told, and the state again before it would run out.
func TestConclude_OnlyOfTheSilent(t *testing.T) {
	w := inference.NewWatch(heron(), start)
	var got []plant.StationEvent
	watts := map[int]float64{0: 6000, 1: 6000, 2: 6000, 3: 6000, 4: 6000, 5: 6000, 6: 6000, 7: 6000, 8: 3000, 9: 3000, 10: 3000, 11: 100, 12: 100, 13: 100}
	for minute := range 14 {
		if minute == 12 {
			w.Heard("arc", start.Add(12*time.Minute))
		}
		got = append(got, w.Conclude([]plant.Signal{
			sample("m-arc", time.Duration(minute)*time.Minute, watts[minute]),
			sample("m-two-a", time.Duration(minute)*time.Minute, 6000), sample("m-fan", time.Duration(minute)*time.Minute, 2000),
			{Subject: "m-arc", Name: "current_amperes", At: start, Value: 6000},
		})...)
	}
	want := []string{"5m0s arc curing", "7m0s arc curing", "8m0s arc standby", "10m0s arc standby", "11m0s arc off"}
	if diff := cmp.Diff(want, said(got)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, e := range got {
		if !e.Inferred() || e.LitMillis >= 0 || e.Starts >= 0 || e.Sequence != e.At.UnixMilli() {
			t.Errorf("%+v is no conclusion", e)
		}
	}
}

// A value that trembles at a border changes nothing.
func TestConclude_HasHysteresis(t *testing.T) {
	w := inference.NewWatch(heron(), start)
	var got []string
	for i, watts := range []float64{5100, 4900, 5100, 4600, 4400, 4900, 5100, 5400, 5600, 1100, 950, 880, 1050, 1150} {
		for _, e := range w.Conclude([]plant.Signal{sample("m-arc", 5*time.Minute+time.Duration(i)*time.Second, watts)}) {
			got = append(got, e.State.String())
		}
	}
	want := []string{"curing", "standby", "curing", "standby", "off", "standby"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestConclude_LED(t *testing.T) {
	w := inference.NewWatch(heron(), start)
	var got []string
	for i, watts := range []float64{20, 100, 1500, 100, 20} {
		for _, e := range w.Conclude([]plant.Signal{sample("m-led", 5*time.Minute+time.Duration(i)*time.Second, watts)}) {
			got = append(got, e.State.String())
		}
	}
	if diff := cmp.Diff([]string{"off", "standby", "curing", "standby", "off"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestLitPower(t *testing.T) {
	p := heron()
	arc, led := p.Stations()[0], p.Stations()[1]
	m := plant.Meter{MaxPower: 10_000}
	if a, l := inference.LitPower(arc, m, start), inference.LitPower(led, m, start); a != 1000 || l != 400 {
		t.Errorf("arc %v W, LED %v W", a, l)
	}
	if arc.LitPower = 2500; inference.LitPower(arc, m, start) != 2500 {
		t.Error("lit_power of the station does not count")
	}
}

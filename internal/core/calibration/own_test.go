package calibration

import (
	"reflect"
	"strings"
	"testing"
	"time"
)

// What a plant's own history is put through is the same test as that of the virtual
// plants: for one of these both give the same counts.
func TestReplay_IsTheTestOfTheVirtualPlants(t *testing.T) {
	const seed, years, lead = 7, 3, 30
	r := Run(Options{Seed: seed, Plants: 1, Years: years, Lead: lead})
	w := lay(seed, years)
	h := History{Station: "heron-1", Press: press, First: w.days[0], LitHours: w.hours, Limits: limits()}
	o := Replay(w.plant, []History{h}, lead)
	if o.Forecasts != r.Forecasts || o.Stations != 1 || !o.From.Equal(w.days[0]) || !o.To.Equal(w.days[0].AddDate(years, 0, 0)) {
		t.Errorf("%+v, want %d dates from %s", o, r.Forecasts, w.days[0])
	}
	// The seeds of the bootstrap differ, so a date may move by a day. The plan of fixed
	// days rests on what a planner knows of the shifts, which is not the same here.
	for i, e := range o.Errors[:2] {
		if d := e.WorkDays - r.Rules[i].MedianErrorWorkDays; d < -1 || d > 1 {
			t.Errorf("%s is off by %v workdays, the virtual plant by %v", e.Name, e.WorkDays, r.Rules[i].MedianErrorWorkDays)
		}
	}
	if d := o.Coverage - r.Coverage; d < -0.1 || d > 0.1 {
		t.Errorf("coverage %v, the virtual plant %v", o.Coverage, r.Coverage)
	}
	if again := Replay(w.plant, []History{h}, lead); !reflect.DeepEqual(o, again) {
		t.Errorf("%+v, then %+v", o, again)
	}
}

func TestReplay_SaysWhenThereIsTooLittle(t *testing.T) {
	w := lay(7, 1)
	for name, hours := range map[string][]float64{"none": nil, "a month": w.hours[:30]} {
		h := History{Station: "heron-1", Press: press, First: w.days[0], LitHours: hours, Limits: limits()}
		o := Replay(w.plant, []History{h}, 30)
		if o.Enough || o.Forecasts != 0 || o.Coverage != 0 || len(o.Errors) != 0 || !strings.Contains(o.TooLittle, "at least 30") {
			t.Errorf("%s: %+v", name, o)
		}
	}
}

// A history in a zone with clock changes stays day by day.
func TestReplay_DaysAreLocal(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	w := lay(7, 1)
	p := *w.plant
	p.TimeZone = zone
	h := History{Station: "heron-1", Press: press, First: time.Date(2024, 1, 1, 0, 0, 0, 0, zone), LitHours: w.hours, Limits: []float64{250}}
	o := Replay(&p, []History{h}, 30)
	if want := time.Date(2024, 12, 31, 0, 0, 0, 0, zone); !o.To.Equal(want) {
		t.Errorf("ends %s, want %s", o.To, want)
	}
}

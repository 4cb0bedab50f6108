package publish

import (
	"math"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// sized is the little plant with a transformer of 100 A at its meter, and a
// fan for the press on a meter without any.
func sized(t *testing.T) *plant.Plant {
	p := little(t)
	p.Buses[0].Meters[0].Accuracy = plant.Accuracy{
		Class: "1", Amperes: 100, Transformers: "0.5", Independent: 1, Volts: 400, Phases: 3, PowerFactor: 0.95,
	}
	p.Buses[0].Meters = append(p.Buses[0].Meters, plant.Meter{
		ID: "fan", Bus: "b", Press: "p", Accuracy: plant.Accuracy{Class: "1", Amperes: 5, Independent: 1, Volts: 400, Phases: 3},
	})
	p.Registers = append(p.Registers, plant.Register{ID: "fan/import", Quantity: plant.QuantityEnergy, Press: "p"})
	return p
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}

// Each period has the load of its light source, and a meter's error cancels unless
// it was exchanged between them.
func TestMetersErrorFollowsTheirLoad(t *testing.T) {
	p, s := sized(t), fourWeeks()
	now := monday.AddDate(0, 0, 28).Add(12 * time.Hour)
	pr := p.Projects[0]
	if _, err := Freeze(t.Context(), s, p, pr, savings.FreezeInfo{Approver: "Kim", At: now}); err != nil {
		t.Fatal(err)
	}
	st, b, _, err := State(t.Context(), s, p, pr, Asked{Now: now})
	if err != nil {
		t.Fatal(err)
	}
	var arc, hours float64
	for _, r := range b.Rows {
		arc += r.Energy.KWh()
		hours += r.Drivers[0]
	}
	a := p.Buses[0].Meters[0].Accuracy
	want := accuracy.Over(a, []accuracy.Load{{Energy: unit.Energy(math.Round(arc * 1e6)), Hours: hours}}, 0.95)
	m := st.Meters[0]
	near(t, "percent before", m.PercentBefore, want.Percent)
	near(t, "uncertainty before", m.Before, want.Relative)
	if m.PercentBefore < 10 || m.PercentAfter > 5 || m.After < 2*m.Before || m.BeyondBefore != 0 || m.BeyondAfter != 1 || m.Exchanged || m.AssumedFactor {
		t.Errorf("%+v", m)
	}
	near(t, "combined", st.HalfWidthKWh, math.Hypot(st.ModelHalfWidthKWh, st.MeterHalfWidthKWh))
	if !strings.Contains(st.UncertaintyWords(), "m/import (100 %)") {
		t.Error(st.UncertaintyWords())
	}

	s.exchanges = []plant.Exchange{{Register: "m/import", At: monday.AddDate(0, 0, 20)}}
	exchanged, _, _, err := State(t.Context(), s, p, pr, Asked{Now: now})
	if err != nil || !exchanged.Meters[0].Exchanged || exchanged.MeterHalfWidthKWh <= st.MeterHalfWidthKWh {
		t.Errorf("exchanged: meters ± %v after ± %v, %v", exchanged.MeterHalfWidthKWh, st.MeterHalfWidthKWh, err)
	}
	s.exchanges[0].At = monday // before the first day of the baseline
	if early, _, _, err := State(t.Context(), s, p, pr, Asked{Now: now}); err != nil || early.Meters[0].Exchanged {
		t.Errorf("an exchange before the baseline: %+v, %v", early.Meters, err)
	}
}

func TestMeterErrorNotStated(t *testing.T) {
	p, s := little(t), fourWeeks()
	now := monday.AddDate(0, 0, 28).Add(12 * time.Hour)
	if _, err := Freeze(t.Context(), s, p, p.Projects[0], savings.FreezeInfo{Approver: "Kim", At: now}); err != nil {
		t.Fatal(err)
	}
	snap, err := Take(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	st := snap.Projects[0].Statement
	if len(st.Meters) != 0 || st.MeterHalfWidthKWh != 0 || st.HalfWidthKWh != st.ModelHalfWidthKWh || snap.Loads != nil {
		t.Errorf("meters %+v, ± %v, loads %+v", st.Meters, st.MeterHalfWidthKWh, snap.Loads)
	}
}

func TestMeterLoads(t *testing.T) {
	p, s := sized(t), fourWeeks()
	now := monday.AddDate(0, 0, 28).Add(12 * time.Hour)
	for d := range 29 { // 2 kW for as long as the station worked
		s.days = append(s.days, plant.DayAmount{Day: monday.AddDate(0, 0, d), Register: "fan/import", Amount: int64(2e6 * float64(4+d%7*2))})
	}
	s.totals = []plant.StateTotal{
		{Register: "m/import", State: plant.StateCuring, Technology: plant.TechnologyArc, Amount: 7_200_000_000},
		{Register: "s/time", State: plant.StateCuring, Technology: plant.TechnologyArc, Amount: 1000 * 3_600_000},
	}
	snap, err := Take(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	if len(snap.Loads) != 2 {
		t.Fatalf("loads %+v", snap.Loads)
	}
	m, fan := snap.Loads[0], snap.Loads[1]
	if m.Meter != "m" || m.Technology != plant.TechnologyLED || m.BeforeTechnology != plant.TechnologyArc || m.Factor != 0.95 {
		t.Errorf("station's meter: %+v", m)
	}
	// Own computation: 7.2 kW ÷ (√3 × 400 V × 0.95) of 100 A.
	near(t, "with arc", m.Before.Percent, 7200/(math.Sqrt(3)*400*0.95))
	if m.Now.Percent < 2 || m.Now.Percent > 4 || m.Now.Beyond != 1 {
		t.Errorf("with LED: %+v", m.Now)
	}
	near(t, "fan", fan.Now.Percent, 2000/(math.Sqrt(3)*400*0.9)/5*100)
	if fan.Meter != "fan" || fan.Technology != plant.TechnologyNone || fan.Before.Percent != 0 || fan.Now.Beyond != 0 {
		t.Errorf("press's meter: %+v", fan)
	}

	// What the meter itself says of its power factor comes first, while under load.
	s.events["s"] = plant.StationEvent{Station: "s", At: now, Technology: plant.TechnologyArc}
	s.signals = []plant.Signal{{Subject: "m", Name: "power_factor", Value: -0.8}, {Subject: "fan", Name: "power_factor", Value: 0.2}}
	if snap, err = Take(t.Context(), s, p, now); err != nil {
		t.Fatal(err)
	}
	if m := snap.Loads[0]; m.Factor != 0.8 || m.Technology != plant.TechnologyArc || m.Before.Percent != 0 {
		t.Errorf("arc again: %+v", m)
	}
	if fan := snap.Loads[1]; fan.Factor != accuracy.AssumedFactor {
		t.Errorf("fan at rest: power factor %v", fan.Factor)
	}
}

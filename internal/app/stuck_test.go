package app

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

// atStand is what a store would say of two meters, the second of which is at rest.
type atStand struct {
	stand   [][2]plant.Reading
	watts   map[string]float64
	asked   []plant.MeterID
	least   map[plant.RegisterID]time.Duration
	failing error
}

func (m *atStand) Standing(_ context.Context, least map[plant.RegisterID]time.Duration) ([][2]plant.Reading, error) {
	m.least = least
	return m.stand, m.failing
}

func (m *atStand) LatestSignals(context.Context) ([]plant.Signal, error) {
	var out []plant.Signal
	for subject, w := range m.watts {
		out = append(out, plant.Signal{Subject: subject, Name: plant.SignalPower, Value: w}, plant.Signal{Subject: subject, Name: "power_factor", Value: 0.9})
	}
	return out, nil
}

func (m *atStand) Samples(_ context.Context, meter plant.MeterID, _ float64, from, to time.Time) ([]plant.Signal, error) {
	m.asked = append(m.asked, meter)
	var out []plant.Signal
	for at := from; !at.After(to); at = at.Add(time.Minute) {
		out = append(out, plant.Signal{Subject: string(meter), Name: plant.SignalPower, At: at, Value: m.watts[string(meter)]})
	}
	return out, nil
}

func TestStuckRegister(t *testing.T) {
	rules := plant.Rules{MaxPerHour: 12_000_000, Slack: 1000, MaxGap: 30 * time.Minute}
	coarse := rules
	coarse.Slack = 1_000_000 // 1 kWh: a tenth of the rated power makes ten of them in 8 h 20 min
	register := func(id plant.RegisterID, r plant.Rules) plant.Register {
		return plant.Register{ID: id, Quantity: plant.QuantityEnergy, Rules: r}
	}
	part := register("a/import_t1", rules)
	part.Part = true
	p := &plant.Plant{Registers: []plant.Register{register("a/import", rules), part, register("b/import", rules), register("c/import", coarse), {ID: "s/lit", Quantity: plant.QuantityTime}}}
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	pair := func(id plant.RegisterID, stood, ago time.Duration) [2]plant.Reading {
		return [2]plant.Reading{{Register: id, At: now.Add(-ago - stood), Value: 45_210_000_000}, {Register: id, At: now.Add(-ago), Value: 45_210_000_000}}
	}
	m := &atStand{
		stand: [][2]plant.Reading{pair("a/import", 30*time.Minute, 0), pair("b/import", 30*time.Minute, 0), pair("c/import", 9*time.Hour, 0)},
		watts: map[string]float64{"a": 6000, "b": 0, "c": 500},
	}
	found, err := stuck(t.Context(), m, p, now)
	if err != nil {
		t.Fatal(err)
	}
	// 6 kW over half an hour; 4.5 kWh are less than five steps of 1 kWh.
	if len(found) != 1 || found[0].register != "a/import" || found[0].energy != 3_000_000 || !found[0].since.Equal(now.Add(-30*time.Minute)) {
		t.Errorf("found %+v", found)
	}
	if len(m.asked) != 2 {
		t.Errorf("samples were read of %v, want of a and c alone", m.asked)
	}
	if len(m.least) != 3 || m.least["a/import"] != 30*time.Minute || m.least["c/import"] != 8*time.Hour+20*time.Minute {
		t.Errorf("asked for registers that stand for %v", m.least)
	}
	f := found[0].finding()
	if f.Kind != "stuck register" || !strings.Contains(f.Text, "make 3.000 kWh since then") || f.Remedy == "" || f.Subject != "a/import" {
		t.Errorf("finding %+v", f)
	}
	m.watts["c"] = 600 // 5.4 kWh
	if found, err := stuck(t.Context(), m, p, now); err != nil || len(found) != 2 || found[1].register != "c/import" {
		t.Errorf("a coarse register: %+v, %v", found, err)
	}
	m.stand = [][2]plant.Reading{pair("a/import", 30*time.Minute, 31*time.Minute)}
	if found, err := stuck(t.Context(), m, p, now); err != nil || len(found) != 0 {
		t.Errorf("a silent meter: %+v, %v", found, err)
	}
	m.failing = errors.New("down")
	if _, err := stuck(t.Context(), m, p, now); err == nil {
		t.Error("a store that fails is not told")
	}
}

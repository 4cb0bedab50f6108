package settle

import (
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
)

// What an auditor sees is what is settled: entries are cut from the counted curve,
// which spreads the gap by samples of power; the curve as read has it whole.
func TestLook_ShowsWhatIsSettled(t *testing.T) {
	p, m := little(true), newMemory()
	reg, ok := p.FindRegister("shared/import")
	if !ok {
		t.Fatal("the little plant has no register shared/import")
	}
	gap := 3 * reg.Rules.MaxGap
	var f plant.Facts
	for i, at := range []time.Duration{0, time.Minute, time.Minute + gap, 2*time.Minute + gap, 3*time.Minute + gap, 4*time.Minute + gap, 5*time.Minute + gap} {
		f.Readings = append(f.Readings, plant.Reading{Register: reg.ID, At: begin.Add(at), Value: int64(100 * i)})
	}
	for at := time.Minute; at <= time.Minute+gap; at += reg.Rules.MaxGap / 3 {
		f.Signals = append(f.Signals, plant.Signal{Subject: "shared", Name: plant.SignalPower, At: begin.Add(at), Value: at.Minutes() / 1000})
	}
	m.take(f)
	w := Stretch{Register: reg, From: begin, To: begin.Add(gap + 5*time.Minute).Truncate(p.Interval).Add(p.Interval)}
	seen, err := Look(t.Context(), m, p, w)
	if err != nil {
		t.Fatal(err)
	}
	if len(seen.Curve) != 6 || seen.Curve[1].To.Sub(seen.Curve[1].From) != gap || len(seen.Counted) <= 6 || len(seen.Samples) != len(f.Signals) {
		t.Errorf("read %d segments, counted %d, %d samples", len(seen.Curve), len(seen.Counted), len(seen.Samples))
	}
	settled, err := Settle(t.Context(), m, p, w)
	if err != nil {
		t.Fatal(err)
	}
	cut := ledger.Entries(reg.ID, seen.Counted, ledger.Cuts{Interval: p.Interval, From: w.From, To: w.To, ByStation: reg.Station != "", Spans: seen.Spans})
	if d := gocmp.Diff(settled.Entries, cut); d != "" || len(cut) == 0 {
		t.Errorf("entries (-settled +seen):\n%s", d)
	}
}

func TestPowered(t *testing.T) {
	energy := func(id plant.RegisterID) plant.Register {
		return plant.Register{ID: id, Quantity: plant.QuantityEnergy}
	}
	tariff, net := energy("a/import_t1"), energy("d/net")
	tariff.Part, net.Rules.Net = true, true
	p := &plant.Plant{Registers: []plant.Register{
		energy("a/import"), tariff, energy("b/t1"), energy("b/t2"), energy("c/import"), net, {ID: "s/lit", Quantity: plant.QuantityTime},
	}}
	want := map[plant.RegisterID]bool{"a/import": true, "c/import": true}
	for _, r := range p.Registers {
		if got := Powered(p, r); got != want[r.ID] {
			t.Errorf("%s: %v, want %v", r.ID, got, want[r.ID])
		}
	}
}

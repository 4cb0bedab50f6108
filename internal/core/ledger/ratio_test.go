package ledger

import (
	"math"
	"math/big"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// Transformers of 200/5 A give way to 50/5 A at half past: what the register ran
// before counts forty times, after it ten times; nothing is applied back.
// Common practice, no source.
func TestBuild_RatioByDate(t *testing.T) {
	change := t0.Add(90 * time.Minute)
	r := plant.Rules{
		MaxPerHour: 60 * kwh, MaxGap: 2 * time.Hour, Modulus: 1000 * kwh,
		Ratios: []plant.Ratio{{Num: 40, Den: 1}, {From: change, Num: 10, Den: 1}},
	}
	curve, events := Build(meter, r, []Point{at(0, 999*kwh), at(time.Hour, 0), at(2*time.Hour, kwh), at(3*time.Hour, 2*kwh)}, Acts{})
	want := Curve{
		{From: t0, To: t0.Add(time.Hour), Amount: 40 * kwh},
		{From: t0.Add(time.Hour), To: change, Amount: 20 * kwh},
		{From: change, To: t0.Add(2 * time.Hour), Amount: 5 * kwh},
		{From: t0.Add(2 * time.Hour), To: t0.Add(3 * time.Hour), Amount: 10 * kwh},
	}
	if len(curve) != len(want) {
		t.Fatalf("curve %v, expected %v", curve, want)
	}
	for i := range want {
		if curve[i] != want[i] {
			t.Errorf("segment %d is %v, expected %v", i, curve[i], want[i])
		}
	}
	if len(events) != 1 || events[0].Kind != plant.StepRollover || events[0].Before != 999*40*kwh || events[0].After != 0 {
		t.Errorf("events %v, expected one rollover in primary energy", events)
	}
}

// The meter and its transformers are exchanged together: final and first are as
// the two meters show them.
func TestBuild_ExchangeWithAnotherRatio(t *testing.T) {
	swap := plant.Exchange{Register: meter, At: t0.Add(time.Hour), Final: 110, First: 5}
	r := plant.Rules{MaxPerHour: 1000, Ratios: []plant.Ratio{{Num: 40, Den: 1}, {From: swap.At, Num: 2, Den: 1}}}
	curve, events := Build(meter, r, []Point{at(0, 100), at(2*time.Hour, 55)}, Acts{Exchanges: []plant.Exchange{swap}})
	if len(curve) != 2 || curve[0].Amount != 400 || curve[1].Amount != 100 {
		t.Errorf("curve %v, expected 10 × 40 and 50 × 2", curve)
	}
	if len(events) != 1 || events[0].Before != 4400 || events[0].After != 10 {
		t.Errorf("events %v", events)
	}
}

// One ratio for all time is a plain factor.
func TestBuild_OneRatioIsAFactor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		factor := rapid.Int64Range(1, 400).Draw(t, "factor")
		points := drawPoints(t)
		r := drawRules(t)
		times := r
		times.Ratios = []plant.Ratio{{Num: factor, Den: 1}}
		times.MaxPerHour, times.Slack, times.Backstep = r.MaxPerHour*factor, r.Slack*factor, r.Backstep*factor
		plain, _ := Build(meter, r, points, Acts{})
		scaled, _ := Build(meter, times, points, Acts{})
		// The cap is rounded down once, so a value at its very edge may be judged
		// otherwise behind a ratio; all others are the same.
		if len(plain) == len(scaled) && scaled.Total() != plain.Total()*factor {
			t.Fatalf("total %d × %d became %d", plain.Total(), factor, scaled.Total())
		}
	})
}

func TestTimes(t *testing.T) {
	for _, c := range []struct {
		v    int64
		r    plant.Ratio
		want int64
	}{
		{7, plant.Ratio{Num: 1, Den: 2}, 3},
		{-7, plant.Ratio{Num: 1, Den: 2}, -3},
		{7, plant.Ratio{Num: 40, Den: 1}, 280},
		{math.MaxInt64, plant.Ratio{Num: 3, Den: 3}, math.MaxInt64},
		{math.MaxInt64, plant.Ratio{Num: 2, Den: 1}, math.MaxInt64},
		{math.MinInt64, plant.Ratio{Num: 2, Den: 1}, -math.MaxInt64},
		{0, plant.Ratio{Num: 1, Den: 3}, 0},
	} {
		if got := times(c.v, c.r); got != c.want {
			t.Errorf("%d × %d/%d = %d, expected %d", c.v, c.r.Num, c.r.Den, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Int64Range(-1<<40, 1<<40).Draw(t, "v")
		r := plant.Ratio{Num: rapid.Int64Range(1, 1<<20).Draw(t, "num"), Den: rapid.Int64Range(1, 1<<20).Draw(t, "den")}
		want := new(big.Int).Quo(new(big.Int).Mul(big.NewInt(v), big.NewInt(r.Num)), big.NewInt(r.Den))
		if got := times(v, r); got != want.Int64() {
			t.Fatalf("%d × %d/%d = %d, expected %s", v, r.Num, r.Den, got, want)
		}
	})
}

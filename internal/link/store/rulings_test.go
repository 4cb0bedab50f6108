package store

import (
	"errors"
	"slices"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

// Rulings are kept one after the other, mark what they change, and cannot be
// altered.
func TestRule_IsAFact(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	f := plant.Facts{Readings: []plant.Reading{reading(meter, 0, 1), reading(meter, 10, 2), reading(meter, 20, 3)}}
	must(t, db.Apply(ctx, spoolA, []plant.Batch{batch(1, f)}))
	must(t, db.Replace(ctx, get(db.Unsettled(ctx, 10))(t), nil))

	first := plant.Ruling{Register: meter, At: at(10), Verdict: plant.VerdictDiscard, By: "Ann", Note: "misread"}
	second := plant.Ruling{Register: meter, At: at(10), Verdict: plant.VerdictAccept, By: "Kim", Note: "it was right"}
	must(t, db.Rule(ctx, first))
	must(t, db.Rule(ctx, second))
	got := get(db.Rulings(ctx, meter))(t)
	for i := range got {
		if got[i].Recorded.IsZero() || i > 0 && got[i].Recorded.Before(got[i-1].Recorded) {
			t.Errorf("ruling %d was recorded %s", i, got[i].Recorded)
		}
		got[i].Recorded = time.Time{}
	}
	same(t, "rulings", got, []plant.Ruling{first, second})
	marks := get(db.Unsettled(ctx, 10))(t)
	if len(marks) != 1 || !marks[0].From.Equal(at(10)) || !marks[0].To.Equal(at(20)) {
		t.Errorf("marks %+v, expected the register from the reading on", marks)
	}
	same(t, "newest audit row", get(db.AuditLog(ctx, 1))(t)[0].By, "Kim")
	if err := db.Rule(ctx, plant.Ruling{Register: meter, At: at(11), Verdict: plant.VerdictAccept, By: "Kim", Note: "x"}); !errors.Is(err, ErrNotFound) {
		t.Errorf("a ruling on what was never read: %v", err)
	}
	for _, sql := range []string{"UPDATE ruling SET note = ''", "DELETE FROM ruling", "TRUNCATE ruling"} {
		if _, err := db.pool.Exec(ctx, sql); err == nil {
			t.Errorf("%s was not refused", sql)
		}
	}
}

// A value that was ruled out is as doubtful as one that is held out; one that was
// ruled true stands firm.
func TestReadings_DiscardedDoNotStandFirm(t *testing.T) {
	db := open(t)
	var f plant.Facts
	for m := range 12 {
		f.Readings = append(f.Readings, reading(meter, float64(m*10), int64(m)))
	}
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	must(t, db.Replace(t.Context(), nil, []plant.Settlement{{Register: meter, From: at(0), To: at(90), Events: []plant.RegisterEvent{
		{Register: meter, At: at(50), Kind: plant.StepRuled}, {Register: meter, At: at(60), Kind: plant.StepDiscarded}, {Register: meter, At: at(70), Kind: plant.StepImplausible},
	}}}))
	got := get(db.Readings(t.Context(), meter, at(80), at(90)))(t)
	same(t, "first of the neighbours", got[0].Value, 2) // 2, 3, 4 and 5 stand firm
	held := get(db.Held(t.Context(), meter))(t)
	if len(held) != 1 || !held[0].At.Equal(at(70)) {
		t.Errorf("held %+v, expected the value of 70 minutes alone", held)
	}
}

// Samples of power mark the registers that are made of them or whose gaps they
// shape, and are found with a neighbour on each side.
func TestSamples(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	owner, _ := meter.Split()
	var f plant.Facts
	for i, watts := range []float64{100, 200, 90_000, 300, 400} {
		f.Signals = append(f.Signals, plant.Signal{Subject: owner, Name: plant.SignalPower, At: at(float64(i * 10)), Value: watts})
	}
	f.Signals = append(f.Signals, plant.Signal{Subject: owner, Name: "voltage_volts", At: at(500), Value: 230})
	must(t, db.Apply(ctx, spoolA, []plant.Batch{batch(1, f)}))
	marks := get(db.Unsettled(ctx, 10))(t)
	if !slices.ContainsFunc(marks, func(m plant.Mark) bool { return m.Register == meter && m.From.Equal(at(0)) && m.To.Equal(at(40)) }) {
		t.Errorf("marks %+v, expected %s from the first to the last sample", marks, meter)
	}
	for _, c := range []struct {
		from, to time.Time
		atMost   float64
		want     []float64
	}{
		{at(20), at(30), 0, []float64{200, 90_000, 300}},
		{at(20), at(30), 10_000, []float64{200, 300}},
		{at(11), at(12), 0, []float64{200, 90_000}},
		{at(-10), at(0), 0, []float64{100}},
		{at(100), at(110), 0, []float64{400}},
		{at(0), at(50), 10_000, []float64{100, 200, 300, 400}},
	} {
		var got []float64
		for _, v := range get(db.Samples(ctx, plant.MeterID(owner), c.atMost, c.from, c.to))(t) {
			got = append(got, v.Value)
		}
		same(t, "samples", got, c.want)
	}
	if none := get(db.Samples(ctx, "nobody", 0, at(0), at(50)))(t); len(none) != 0 {
		t.Errorf("samples of an unknown meter: %v", none)
	}
}

// Values of the signals by which wear is weighed mark its register, and no other.
func TestSignalsOfWear(t *testing.T) {
	p := alderLane(t, "Europe/London")
	p.Registers = append(p.Registers, plant.Register{
		ID: "heron-1/wear", Quantity: plant.QuantityTime, Station: "heron-1", Curve: plant.FromEvents, Wear: &plant.Wear{Drive: "drive_percent"},
	})
	db := open(t)
	must(t, db.Sync(t.Context(), p))
	var f plant.Facts
	for i := range 4 {
		f.Signals = append(f.Signals, plant.Signal{Subject: "heron-1", Name: "drive_percent", At: at(float64(i * 10)), Value: float64(50 + i)})
	}
	f.Signals = append(f.Signals, plant.Signal{Subject: "heron-2", Name: "drive_percent", At: at(50), Value: 9}, plant.Signal{Subject: "heron-1", Name: "housing_celsius", At: at(60), Value: 9})
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	marks := get(db.Unsettled(t.Context(), 10))(t)
	if len(marks) != 1 || marks[0].Register != "heron-1/wear" || !marks[0].From.Equal(at(0)) || !marks[0].To.Equal(at(30)) {
		t.Errorf("marks %+v, expected that of heron-1/wear from the first to the last value", marks)
	}
	var got []float64
	for _, v := range get(db.Signals(t.Context(), "heron-1", "drive_percent", at(15), at(20)))(t) {
		got = append(got, v.Value)
	}
	same(t, "values", got, []float64{51, 52})
}

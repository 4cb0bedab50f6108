package store

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

func receipt(minutes float64, count int, serials ...plant.LampSerial) plant.Receipt {
	return plant.Receipt{Kind: "arc-lamp", Count: count, Serials: serials, At: at(minutes), By: "Sam", Note: "order 12"}
}

func TestReceiveLamps_FromStoreToStationToDisposal(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	same(t, "serials", get(db.ReceiveLamps(ctx, receipt(0, 2, "B-1", "A-1")))(t), []plant.LampSerial{"A-1", "B-1", "arc-lamp-s1", "arc-lamp-s2"})
	same(t, "next serial", get(db.ReceiveLamps(ctx, receipt(1, 1)))(t), []plant.LampSerial{"arc-lamp-s3"})
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-1", at(10)), "arc-lamp"))
	must(t, db.FitLamp(ctx, fitting("C-7", "heron-2", at(10)), "arc-lamp")) // takes the oldest spare without a serial
	must(t, db.RemoveLamp(ctx, "A-1", at(20), "failed", "Sam"))
	must(t, db.DisposeLamps(ctx, []plant.LampSerial{"A-1", "A-1", "arc-lamp-s3"}, plant.LampMovement{At: at(30), By: "Kim", Note: "note 4"}))
	var got []string
	for _, m := range get(db.LampMovements(ctx))(t) {
		got = append(got, string(m.Movement)+" "+string(m.Lamp)+" by "+m.By+": "+m.Note)
	}
	same(t, "movements", got, []string{
		"received A-1 by Sam: order 12", "received B-1 by Sam: order 12", "received arc-lamp-s1 by Sam: order 12", "received arc-lamp-s2 by Sam: order 12",
		"received arc-lamp-s3 by Sam: order 12", "named arc-lamp-s1 by Sam: fitted as C-7", "disposed A-1 by Kim: note 4", "disposed arc-lamp-s3 by Kim: note 4",
	})
	early := plant.Fitting{Lamp: "B-1", Station: "heron-1", From: at(-5), To: at(-4), Reason: "moved", By: "Sam"}
	for name, c := range map[string]struct {
		err  error
		want string
	}{
		"fit what was disposed of":    {db.FitLamp(ctx, fitting("A-1", "heron-1", at(40)), ""), "left the store"},
		"fit what has another name":   {db.FitLamp(ctx, fitting("arc-lamp-s1", "heron-1", at(40)), ""), "left the store"},
		"fit before it came":          {db.FitLamp(ctx, early, ""), "came into the store"},
		"dispose twice":               {db.DisposeLamps(ctx, []plant.LampSerial{"A-1"}, plant.LampMovement{At: at(50)}), "left the store"},
		"dispose of what is fitted":   {db.DisposeLamps(ctx, []plant.LampSerial{"B-1", "C-7"}, plant.LampMovement{At: at(50)}), "in heron-2"},
		"dispose before it came":      {db.DisposeLamps(ctx, []plant.LampSerial{"B-1"}, plant.LampMovement{At: at(-1)}), "later instant"},
		"receive what is fitted":      {got0(db.ReceiveLamps(ctx, receipt(60, 0, "C-7"))), "in heron-2"},
		"receive what is there":       {got0(db.ReceiveLamps(ctx, receipt(60, 1, "B-1"))), "in the store"},
		"receive before it left":      {got0(db.ReceiveLamps(ctx, receipt(15, 0, "A-1"))), "later instant"},
		"receive as of another kind":  {got0(db.ReceiveLamps(ctx, plant.Receipt{Kind: "led-module", Serials: []plant.LampSerial{"A-1"}, At: at(60)})), "of kind arc-lamp"},
		"fit what is of another kind": {db.FitLamp(ctx, fitting("B-1", "heron-1", at(40)), "led-module"), "of kind arc-lamp"},
	} {
		if !errors.Is(c.err, ErrConflict) || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("%s: %v, expected ErrConflict with %q", name, c.err, c.want)
		}
	}
	same(t, "nothing of the refused is on record", len(get(db.LampMovements(ctx))(t)), len(got))
	must(t, got0(db.ReceiveLamps(ctx, receipt(60, 0, "A-1"))))
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-1", at(70)), ""))
	for _, sql := range []string{"UPDATE lamp_movement SET by = 'x'", "DELETE FROM lamp_movement", "TRUNCATE lamp_movement"} {
		if _, err := db.pool.Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), "append-only") {
			t.Errorf("%s: %v, expected to be refused", sql, err)
		}
	}
}

func got0[T any](_ T, err error) error { return err }

func TestReceiveLamps_Refuses(t *testing.T) {
	db := open(t)
	for name, r := range map[string]plant.Receipt{
		"nothing": receipt(0, 0), "too many": receipt(0, maxReceipt+1), "no instant": {Kind: "arc-lamp", Count: 1},
		"no serial": receipt(0, 0, " "), "less than nothing": receipt(0, -1, "A", "B"),
	} {
		if _, err := db.ReceiveLamps(t.Context(), r); err == nil || !strings.Contains(err.Error(), "expected") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := db.DisposeLamps(t.Context(), []plant.LampSerial{"Z-1"}, plant.LampMovement{At: at(0)}); !errors.Is(err, ErrNotFound) {
		t.Errorf("disposal of a lamp that nobody knows: %v", err)
	}
	same(t, "movements", len(get(db.LampMovements(t.Context()))(t)), 0)
}

// Receipts and fittings at once: every spare without a serial is taken by one
// lamp, and every serial is given once.
func TestReceiveLamps_ManyAtOnce(t *testing.T) {
	db := open(t)
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() { _, errs[i] = db.ReceiveLamps(context.Background(), receipt(0, 3)) })
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	same(t, "lamps", count(t, db, "SELECT count(*) FROM lamp"), 12)
	for i, f := range []plant.Fitting{fitting("C-1", "heron-1", at(1)), fitting("C-2", "heron-2", at(1))} {
		wg.Go(func() { errs[i] = db.FitLamp(context.Background(), f, "arc-lamp") })
	}
	wg.Wait()
	must(t, errors.Join(errs...))
	same(t, "spares taken", count(t, db, "SELECT count(DISTINCT lamp) FROM lamp_movement WHERE movement = 'named'"), 2)
}

// Two stays of one lamp, in two stations: states, starts and area add up, and the
// area of an interval in which it was fitted counts by the share of its time.
func TestLampCounters_OverAllFittings(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	p := alderLane(t, "Europe/London")
	printed := plant.Register{ID: "heron/area", Quantity: plant.QuantityArea, Press: "heron"}
	seen := plant.Register{ID: "heron-1/time", Quantity: plant.QuantityTime, Station: "heron-1"}
	other := plant.Register{ID: "heron-2/lit", Quantity: plant.QuantityTime, Station: "heron-2"}
	worn := plant.Register{ID: "heron-1/wear", Quantity: plant.QuantityTime, Station: "heron-1", Wear: &plant.Wear{Drive: "drive_percent"}}
	p.Registers = append(p.Registers, printed, seen, other, worn)
	must(t, db.Sync(ctx, p))
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-1", at(5)), "arc-lamp"))
	must(t, db.RemoveLamp(ctx, "A-1", at(30), "moved", "Sam"))
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-2", at(45)), "arc-lamp"))
	entry := func(reg plant.RegisterID, minutes float64, s plant.State, amount int64) plant.Entry {
		e := plant.Entry{Register: reg, Start: at(minutes), State: s, Technology: plant.TechnologyArc, Lamp: "A-1", Amount: amount}
		if reg == printed.ID {
			e.State, e.Technology, e.Lamp = plant.StateNone, plant.TechnologyNone, ""
		}
		return e
	}
	doubtful := entry(other.ID, 45, plant.StateCuring, 50)
	doubtful.Quality = plant.QualityInferred
	whole := func(reg plant.RegisterID, entries ...plant.Entry) plant.Settlement {
		return plant.Settlement{Register: reg, From: at(0), To: at(60), Entries: entries}
	}
	must(t, db.Replace(ctx, nil, []plant.Settlement{
		whole(worn.ID, entry(worn.ID, 0, plant.StateCuring, 150), entry(worn.ID, 15, plant.StateStandby, 100)),
		whole(lit, entry(lit, 0, plant.StateCuring, 600), entry(lit, 15, plant.StateStandby, 300)), whole(other.ID, doubtful),
		whole(starts, entry(starts, 0, plant.StateStarting, 2)),
		whole(seen.ID, entry(seen.ID, 0, plant.StateCuring, 610), entry(seen.ID, 15, plant.StateStandby, 280), entry(seen.ID, 15, plant.StateStarting, 7),
			entry(seen.ID, 15, plant.StateOff, 20), entry(seen.ID, 15, plant.StateUnknown, 4)),
		whole(printed.ID, entry(printed.ID, 0, 0, 3000), entry(printed.ID, 15, 0, 100), entry(printed.ID, 30, 0, 9999), entry(printed.ID, 45, 0, 10)),
	}))
	got := get(db.LampCounters(ctx, []plant.Register{printed}))(t)
	same(t, "counters", got, []plant.LampCounters{{
		Lamp: "A-1", Lit: 950, Worn: 250 + 50, Seen: 897, Curing: 610, Standby: 280, Unknown: 4, Starts: 2, Doubtful: 50, Area: 2000 + 100 + 10, First: at(0), Last: at(60),
	}})
	same(t, "totals", get(db.LampTotals(ctx))(t), []plant.LampTotal{{Lamp: "A-1", LitMillis: 950, WornMillis: 250 + 50, Starts: 2}})
	p.Registers = p.Registers[:len(p.Registers)-1] // the station is no longer weighed: its lit time counts
	must(t, db.Sync(ctx, p))
	same(t, "totals without weights", get(db.LampTotals(ctx))(t), []plant.LampTotal{{Lamp: "A-1", LitMillis: 950, WornMillis: 950, Starts: 2}})
	if _, err := db.LampCounters(ctx, []plant.Register{{ID: "osprey/area"}}); !errors.Is(err, ErrNotFound) {
		t.Errorf("area of a press that there is not: %v", err)
	}
}

func TestAmountBetween_SharesOfIntervals(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	must(t, db.Replace(ctx, nil, []plant.Settlement{{Register: lit, From: at(0), To: at(60), Entries: []plant.Entry{
		{Register: lit, Start: at(0), State: plant.StateCuring, Amount: 901}, {Register: lit, Start: at(15), State: plant.StateCuring, Amount: 300}, {Register: lit, Start: at(30), State: plant.StateCuring, Amount: 60},
	}}}))
	for _, c := range []struct {
		from, to float64
		want     int64
	}{{0, 60, 1261}, {5, 30, 600 + 300}, {20, 31, 200 + 4}, {-30, 0, 0}, {45, 60, 0}, {6, 7, 60}} {
		same(t, "amount", get(db.AmountBetween(ctx, lit, at(c.from), at(c.to)))(t), c.want)
	}
}

func TestPowerHoursAndCounterRun(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	var f plant.Facts
	for i, w := range []float64{100, 5000, 4000, 900, 899} {
		f.Signals = append(f.Signals, plant.Signal{Subject: "heron-1-meter", Name: plant.SignalPower, At: at(float64(i)), Value: w})
	}
	f.Signals = append(f.Signals, plant.Signal{Subject: "heron-1-meter", Name: plant.SignalPower, At: at(30), Value: 5000})
	for i, h := range []float64{10, 12.5, 3, 3, 2, 9} {
		f.Signals = append(f.Signals, plant.Signal{Subject: "heron-1", Name: "run_hours", At: at(float64(10 * i)), Value: h})
	}
	must(t, db.Apply(ctx, spoolA, []plant.Batch{batch(1, f)}))
	q := plant.PowerQuestion{Watts: 900, MaxGap: 2 * time.Minute, From: at(0), To: at(60)}
	same(t, "power", get(db.PowerHours(ctx, "heron-1-meter", q))(t), plant.PowerHours{First: at(0), Last: at(30), On: 3 * 60_000, Unseen: 26 * 60_000})
	q.From, q.To = at(40), at(50)
	same(t, "no power", get(db.PowerHours(ctx, "heron-1-meter", q))(t), plant.PowerHours{})
	same(t, "no meter", get(db.PowerHours(ctx, "osprey", q))(t), plant.PowerHours{})
	same(t, "run", get(db.CounterRun(ctx, "heron-1", "run_hours", at(0), at(60)))(t),
		plant.CounterRun{First: at(0), Last: at(50), FirstValue: 10, LastValue: 9, Falls: 2, Fell: at(40)})
	same(t, "part of it", get(db.CounterRun(ctx, "heron-1", "run_hours", at(0), at(20)))(t), plant.CounterRun{First: at(0), Last: at(10), FirstValue: 10, LastValue: 12.5})
	same(t, "no values", get(db.CounterRun(ctx, "heron-1", "run_hours", at(90), at(99)))(t), plant.CounterRun{})
}

func TestRecordOutput(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	r := plant.OutputReading{Station: "heron-1", At: at(60), Irradiance: 11.2, Drive: 0.8, Instrument: "puck UV-A", Cleaned: true, By: "Sam", Note: "middle"}
	early := plant.OutputReading{Station: "heron-1", At: at(0), Irradiance: 12, Drive: 1, By: "Sam"}
	for _, x := range []plant.OutputReading{r, early, {Station: "heron-2", At: at(0), Irradiance: 9, Drive: 1}} {
		must(t, db.RecordOutput(ctx, x))
	}
	same(t, "readings", get(db.OutputReadings(ctx, "heron-1"))(t), []plant.OutputReading{early, r})
	for name, bad := range map[string]plant.OutputReading{
		"no station": {Station: "heron-9", At: at(0), Irradiance: 1, Drive: 1}, "no instant": {Station: "heron-1", Irradiance: 1, Drive: 1},
		"no light": {Station: "heron-1", At: at(0), Drive: 1}, "no drive": {Station: "heron-1", At: at(0), Irradiance: 1},
	} {
		if err := db.RecordOutput(ctx, bad); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	for _, sql := range []string{"UPDATE lamp_output SET irradiance = 1", "DELETE FROM lamp_output", "TRUNCATE lamp_output"} {
		if _, err := db.pool.Exec(ctx, sql); err == nil || !strings.Contains(err.Error(), "append-only") {
			t.Errorf("%s: %v, expected to be refused", sql, err)
		}
	}
}

func TestDailyHighsAndLampHours(t *testing.T) {
	db := open(t)
	ctx := t.Context()
	var f plant.Facts
	for day := range 2 {
		for i, v := range []float64{-1, 0, 10, 11, 12, 12, 12} {
			f.Signals = append(f.Signals, plant.Signal{Subject: "heron-1", Name: "irradiance", At: at(float64(24*60*day + i)), Value: v * float64(day+1)})
		}
	}
	must(t, db.Apply(ctx, spoolA, []plant.Batch{batch(1, f)}))
	same(t, "highs", get(db.DailyHighs(ctx, "heron-1", "irradiance", at(0)))(t), []plant.Signal{
		{Subject: "heron-1", Name: "irradiance", At: at(4), Value: 12}, {Subject: "heron-1", Name: "irradiance", At: at(24*60 + 4), Value: 24},
	})
	same(t, "since later", len(get(db.DailyHighs(ctx, "heron-1", "irradiance", at(60)))(t)), 1)
	must(t, db.FitLamp(ctx, fitting("A-1", "heron-1", at(0)), "arc-lamp"))
	of := func(minutes float64, amount int64) plant.Entry {
		return plant.Entry{Register: lit, Start: at(minutes), State: plant.StateCuring, Lamp: "A-1", Amount: amount}
	}
	must(t, db.Replace(ctx, nil, []plant.Settlement{{Register: lit, From: at(0), To: at(180), Entries: []plant.Entry{of(0, 5), of(45, 6), of(60, 0), of(120, 7)}}}))
	same(t, "hours", get(db.LampHours(ctx, "A-1"))(t), []plant.HourAmount{{Start: at(0), Amount: 11}, {Start: at(120), Amount: 7}})
	same(t, "another lamp", len(get(db.LampHours(ctx, "A-9"))(t)), 0)
}

package lampbook_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/work/lampbook"
)

// counted is what stations counted in the window: everything in hours.
type counted struct {
	lit        map[plant.RegisterID]float64
	on, unseen map[plant.MeterID]float64
	runs       map[string]plant.CounterRun
	asked      []plant.PowerQuestion
	err        error
}

func (c *counted) AmountBetween(_ context.Context, reg plant.RegisterID, from, to time.Time) (int64, error) {
	if !to.After(from) {
		return 0, errors.New("asked for no time")
	}
	return hours(c.lit[reg]), c.err
}

func (c *counted) PowerHours(_ context.Context, m plant.MeterID, q plant.PowerQuestion) (plant.PowerHours, error) {
	c.asked = append(c.asked, q)
	if _, ok := c.on[m]; !ok {
		return plant.PowerHours{}, c.err
	}
	return plant.PowerHours{First: q.From, Last: q.To, On: hours(c.on[m]), Unseen: hours(c.unseen[m])}, c.err
}

func (c *counted) CounterRun(_ context.Context, subject, name string, _, _ time.Time) (plant.CounterRun, error) {
	return c.runs[subject+" "+name], c.err
}

func checked() *plant.Plant {
	arc := []plant.TechnologyFrom{{Technology: plant.TechnologyArc}}
	led := []plant.TechnologyFrom{{Technology: plant.TechnologyLED}}
	p := &plant.Plant{
		TimeZone: time.UTC, LampKinds: []plant.LampKind{{Name: "arc", Technology: plant.TechnologyArc}, {Name: "led", Technology: plant.TechnologyLED}},
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{
			{ID: "heron-1", Press: "heron", Technology: arc, HourMeter: "run_hours"}, {ID: "heron-2", Press: "heron", Technology: led}, {ID: "heron-3", Press: "heron", Technology: led, LitPower: 700},
		}}},
		Buses: []plant.Bus{{Meters: []plant.Meter{
			{ID: "m1", Station: "heron-1", MaxPower: 9000, Period: 10 * time.Second}, {ID: "m2", Station: "heron-2", MaxPower: 4000, Period: 5 * time.Minute},
			{ID: "m3", Station: "heron-3", MaxPower: 4000}, {ID: "fan", Press: "heron", MaxPower: 4000},
		}}},
	}
	for _, st := range p.Stations() {
		p.Registers = append(p.Registers, plant.Register{ID: plant.RegisterOf(st.ID, plant.ValueLit), Station: st.ID, Curve: plant.FromEvents})
	}
	return p
}

func agreeing() *counted {
	return &counted{
		lit: map[plant.RegisterID]float64{"heron-1/lit": 100, "heron-2/lit": 60, "heron-3/lit": 50},
		on:  map[plant.MeterID]float64{"m1": 101, "m2": 59, "m3": 49}, unseen: map[plant.MeterID]float64{},
		runs: map[string]plant.CounterRun{"heron-1 run_hours": {First: now.AddDate(0, 0, -13), Last: now, FirstValue: 4000, LastValue: 4101}},
	}
}

func check(t *testing.T, c *counted, b lampbook.Book) string {
	t.Helper()
	b.At = now
	findings, err := lampbook.Check(t.Context(), c, checked(), b)
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, f := range findings {
		if f.Remedy == "" || f.Text == "" {
			t.Errorf("%s of %s says %q and %q", f.Kind, f.Subject, f.Text, f.Remedy)
		}
		said = append(said, f.Kind+": "+f.Subject+": "+f.Text)
	}
	return strings.Join(said, "\n")
}

func TestCheck_ComparesHours(t *testing.T) {
	if got := check(t, agreeing(), lampbook.Book{}); got != "" {
		t.Errorf("counters that agree: %s", got)
	}
	c := agreeing()
	c.on["m1"], c.runs["heron-1 run_hours"] = 112, plant.CounterRun{First: now.AddDate(0, 0, -13), Last: now, FirstValue: 4000, LastValue: 4090}
	c.on["m2"], c.unseen["m2"] = 40, 25 // a dead meter for 25 hours: nothing is known against 60
	got := check(t, c, lampbook.Book{})
	want := "hours disagree: heron-1: The station was lit 100.0 h as counted here, 90.0 h by its hour meter; they differ by 10.0 h (11.1 %).\n" +
		"hours disagree: heron-1: The station was lit 100.0 h as counted here, 112.0 h by the power on m1; they differ by 12.0 h (12.0 %)."
	if got != want {
		t.Errorf("found\n%s\nwant\n%s", got, want)
	}
	if len(c.asked) != 3 || c.asked[0].Watts != 900 || c.asked[1].Watts != 160 || c.asked[2].Watts != 700 || c.asked[0].MaxGap != 2*time.Minute || c.asked[1].MaxGap != 15*time.Minute {
		t.Errorf("asked for %+v", c.asked)
	}
}

func TestCheck_AnHourMeterThatRunsBackwards(t *testing.T) {
	c := agreeing()
	c.runs["heron-1 run_hours"] = plant.CounterRun{First: now.AddDate(0, 0, -13), Last: now, FirstValue: 4000, LastValue: 12, Falls: 1, Fell: now.AddDate(0, 0, -2)}
	got := check(t, c, lampbook.Book{})
	if want := "hour meter runs backwards: heron-1: The hour meter run_hours fell once in the last 14 days; it is compared with nothing until it rises again."; got != want {
		t.Errorf("found\n%s\nwant\n%s", got, want)
	}
}

func TestCheck_Lamps(t *testing.T) {
	in := func(serial plant.LampSerial, station plant.StationID, kind string, c plant.LampCounters) lampbook.Lamp {
		r := lampledger.Record{Lamp: plant.Lamp{Serial: serial, Kind: kind}, Place: lampledger.Fitted, Station: station, Since: now.AddDate(0, -1, 0)}
		r.Kind, _ = checked().FindLampKind(kind)
		return lampbook.Lamp{Record: r, Counters: c}
	}
	got := check(t, agreeing(), lampbook.Book{Lamps: []lampbook.Lamp{
		in("A", "heron-1", "arc", plant.LampCounters{Lit: hours(300), Seen: hours(250), Unknown: hours(30)}),
		in("B", "heron-1", "arc", plant.LampCounters{Lit: hours(300), Seen: hours(250), Unknown: hours(50)}),
		in("C", "heron-2", "arc", plant.LampCounters{}),
		in("D", "heron-3", "quartz", plant.LampCounters{}),
		in("E", "osprey-1", "arc", plant.LampCounters{Lit: hours(300)}),
	}})
	want := "counters disagree: A in heron-1: Since it was first fitted the lamp was lit 300.0 h by the station's counter, 250.0 to 280.0 h by its states; they differ by 20.0 h (8.0 %).\n" +
		"wrong lamp: C in heron-2: The lamp is of technology arc, and the station has led.\n" +
		"unknown lamp kind: D in heron-3: The lamp is of kind \"quartz\", which the configuration does not know: it has no rated life."
	if got != want {
		t.Errorf("found\n%s\nwant\n%s", got, want)
	}
}

// The station's law weighs the hours, so a lamp that wears otherwise is told; one of
// another kind with the same law is not.
func TestCheck_ALampThatWearsOtherwise(t *testing.T) {
	p := checked()
	p.LampKinds = append(p.LampKinds,
		plant.LampKind{Name: "led-air", Technology: plant.TechnologyLED, Wear: plant.WearLaw{DriveExponent: 2}},
		plant.LampKind{Name: "led-too", Technology: plant.TechnologyLED})
	p.Presses[0].Stations[1].LampKind, p.Presses[0].Stations[2].LampKind = "led", "led"
	p.Registers = append(p.Registers, plant.Register{ID: plant.RegisterOf("heron-2", plant.ValueWear), Station: "heron-2"})
	b := lampbook.Book{At: now}
	for serial, at := range map[plant.LampSerial]struct {
		station plant.StationID
		kind    string
	}{"A": {"heron-2", "led-air"}, "B": {"heron-2", "led-too"}, "C": {"heron-3", "led-air"}} {
		r := lampledger.Record{Lamp: plant.Lamp{Serial: serial, Kind: at.kind}, Place: lampledger.Fitted, Station: at.station, Since: now.AddDate(0, -1, 0)}
		r.Kind, _ = p.FindLampKind(at.kind)
		b.Lamps = append(b.Lamps, lampbook.Lamp{Record: r})
	}
	findings, err := lampbook.Check(t.Context(), agreeing(), p, b)
	if err != nil {
		t.Fatal(err)
	}
	if len(findings) != 1 || findings[0].Kind != "lamp of another kind" || findings[0].Subject != "A in heron-2" || !strings.Contains(findings[0].Remedy, "lamp_kind: led-air") {
		t.Errorf("findings %+v", findings)
	}
}

func TestCheck_SaysWhatFailed(t *testing.T) {
	c := agreeing()
	c.err = errors.New("away")
	if _, err := lampbook.Check(t.Context(), c, checked(), lampbook.Book{At: now}); !errors.Is(err, c.err) {
		t.Errorf("%v, expected the store's error", err)
	}
}

// both is a store that fails for a while.
type both struct {
	*shop
	*counted
	*bench
	away *atomic.Bool
}

func (b both) Lamps(ctx context.Context) ([]plant.Lamp, error) {
	if b.away.Load() {
		return nil, errors.New("away")
	}
	return b.shop.Lamps(ctx)
}

func TestKeeper_ComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, s := nist(t)
		var away atomic.Bool
		away.Store(true)
		var log strings.Builder
		k := lampbook.New(both{s, agreeing(), &bench{}, &away}, p, slog.New(slog.NewTextHandler(&log, nil)))
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- k.Run(ctx) }()
		synctest.Wait()
		if k.Newest() != nil {
			t.Error("there is a book without a store")
		}
		time.Sleep(20 * time.Minute) // in the bubble's time: a second failure says nothing
		synctest.Wait()
		away.Store(false)
		time.Sleep(15 * time.Minute)
		synctest.Wait()
		if b := k.Newest(); b == nil || b.At.IsZero() {
			t.Error("there is no book although the store is back")
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if n := strings.Count(log.String(), "\n"); n != 2 || !strings.Contains(log.String(), "up to date again") {
			t.Errorf("log:\n%s", &log)
		}
	})
}

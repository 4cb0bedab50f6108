package lampbook_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/work/lampbook"
)

// bench is what was read of one lamp that burns ten hours a day from six o'clock.
type bench struct {
	readings []plant.OutputReading
	highs    []plant.Signal
	acts     []plant.TaskAct
}

func (b *bench) OutputReadings(context.Context, plant.StationID) ([]plant.OutputReading, error) {
	return b.readings, nil
}

func (b *bench) DailyHighs(_ context.Context, _, _ string, since time.Time) ([]plant.Signal, error) {
	if !since.Equal(fittedAt) {
		return nil, nil
	}
	return b.highs, nil
}

func (b *bench) LampHours(context.Context, plant.LampSerial) ([]plant.HourAmount, error) {
	var all []plant.HourAmount
	for d := range 300 {
		for h := range 10 {
			all = append(all, plant.HourAmount{Start: fittedAt.AddDate(0, 0, d).Add(time.Duration(h) * time.Hour), Amount: hours(1)})
		}
	}
	return all, nil
}

func (b *bench) TaskHistory(_ context.Context, rule plant.RuleID, subject string) ([]plant.TaskAct, error) {
	if rule != "window-clean" || subject != "heron-2" {
		return nil, nil
	}
	return b.acts, nil
}

var fittedAt = time.Date(2025, 6, 1, 6, 0, 0, 0, time.UTC)

// lit is the instant at which the lamp has burnt so many hours.
func lit(h float64) time.Time {
	days := math.Floor(h / 10)
	return fittedAt.AddDate(0, 0, int(days)).Add(time.Duration((h - 10*days) * float64(time.Hour)))
}

// sawtooth reads a lamp that ages by 3e-5 and soils by 1.6e-4 an hour, cleaned
// every 500 h and clean at the first reading, as far as the given hours.
func sawtooth(to float64) (values map[float64]float64) {
	values = map[float64]float64{}
	for h := 10.0; h <= to; h += 90 {
		dirty := math.Mod(h, 500)
		if h < 500 {
			dirty -= 10
		}
		values[h] = 15.2 * math.Exp(-3e-5*h-1.6e-4*dirty)
	}
	return values
}

func benchOf(to float64) *bench {
	b := &bench{}
	for h := 10.0; h <= to; h += 90 {
		b.readings = append(b.readings, plant.OutputReading{At: lit(h), Irradiance: sawtooth(to)[h] / 2, Drive: 0.5, Instrument: "puck"})
	}
	for h := 500.0; h < to; h += 500 {
		b.acts = append(b.acts, plant.TaskAct{Kind: plant.TaskDone, At: lit(h)}, plant.TaskAct{Kind: plant.TaskSkip, At: lit(h + 100)})
	}
	return b
}

func outputs(t *testing.T, b *bench, age float64, sensor string) []lampbook.Output {
	t.Helper()
	p := checked()
	p.Presses[0].Stations[1].IrradianceSensor = sensor
	kind := plant.LampKind{Name: "led", DirtLimit: 0.06, OutputThreshold: 0.8, CleanedBy: []plant.RuleID{"window-clean"}}
	book := lampbook.Book{At: now, Lamps: []lampbook.Lamp{
		{Record: lampledger.Record{Lamp: plant.Lamp{Serial: "L-1"}, Kind: kind, Place: lampledger.Fitted, Station: "heron-2", Since: fittedAt}, Counters: plant.LampCounters{Lit: hours(age)}},
		{Record: lampledger.Record{Lamp: plant.Lamp{Serial: "L-0"}, Kind: kind, Place: lampledger.Spent, Station: ""}},
	}}
	out, err := lampbook.Outputs(t.Context(), b, p, book)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestOutputs_HandReadingsAndTheLogOfCleanings(t *testing.T) {
	b := benchOf(1990)
	b.readings = append([]plant.OutputReading{{At: fittedAt.Add(-time.Hour), Irradiance: 3, Drive: 1, Instrument: "puck"}}, b.readings...) // of the lamp before
	b.readings = append(b.readings, plant.OutputReading{At: lit(1991), Irradiance: 3, Drive: 1, Instrument: "other"})
	o := outputs(t, b, 1995, "")
	if len(o) != 1 || o[0].Source != "puck" || o[0].Readings != 23 || o[0].LeftOut != 1 || o[0].Missing != "" {
		t.Fatalf("%+v", o)
	}
	d := o[0].Watch.Decline
	near(t, "ageing", d.Decay, 3e-5, 1e-6)
	near(t, "dirt", d.Dirt, 1.6e-4, 1e-6)
	if d.Cleanings != 3 || !o[0].Watch.CleaningDue || o[0].Watch.Age != 1995 || !strings.HasPrefix(o[0].Said(), "clean the lens: dirt takes 7.6 %") {
		t.Errorf("%d cleanings, due %v at %v h: %s", d.Cleanings, o[0].Watch.CleaningDue, o[0].Watch.Age, o[0].Said())
	}
	b.acts = append(b.acts, plant.TaskAct{Kind: plant.TaskDone, At: lit(1992)})
	if o := outputs(t, b, 1995, ""); o[0].Watch.CleaningDue || !strings.HasPrefix(o[0].Said(), "dirt takes 0.0 %; clean in ") {
		t.Errorf("after it was cleaned: %s", o[0].Said())
	}
}

func TestOutputs_TooLittleIsSaid(t *testing.T) {
	if o := outputs(t, benchOf(900), 950, ""); o[0].Watch.Decline.Separated || o[0].Said() != "one cleaning between readings: ageing and dirt cannot be told apart until there are two" {
		t.Errorf("one cleaning: %s", o[0].Said())
	}
	if o := outputs(t, benchOf(100), 120, ""); o[0].Missing == "" || !strings.Contains(o[0].Said(), "expected at least 3") {
		t.Errorf("two readings: %q", o[0].Said())
	}
	if o := outputs(t, &bench{}, 120, ""); len(o) != 0 {
		t.Errorf("no reading: %+v", o)
	}
}

func TestOutputs_TheSensorGoesBeforeHands(t *testing.T) {
	b := benchOf(1990)
	for h := 10.0; h <= 1990; h += 90 {
		b.highs = append(b.highs, plant.Signal{At: lit(h), Value: sawtooth(1990)[h]})
	}
	b.readings = b.readings[:1]
	o := outputs(t, b, 1990, "irradiance")
	if o[0].Source != "sensor irradiance" || o[0].Readings != 23 {
		t.Fatalf("%s with %d readings", o[0].Source, o[0].Readings)
	}
	near(t, "ageing", o[0].Watch.Decline.Decay, 3e-5, 1e-6)
}

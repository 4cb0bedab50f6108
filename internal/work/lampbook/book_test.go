package lampbook_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/survival"
	"curetally/internal/core/unit"
	"curetally/internal/work/lampbook"
)

func hours(h float64) int64 { return int64(h * float64(time.Hour.Milliseconds())) }

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.10g, want %.10g within %g", what, got, want, rel)
	}
}

func euros(t *testing.T, amount string) unit.Money {
	t.Helper()
	m, err := unit.ParseMoney(amount, "EUR")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// shop is a store with a fixed content.
type shop struct {
	lamps     []plant.Lamp
	fittings  []plant.Fitting
	movements []plant.LampMovement
	counters  []plant.LampCounters
	days      []plant.DayAmount
	err       error
}

func (s *shop) Lamps(context.Context) ([]plant.Lamp, error)          { return s.lamps, s.err }
func (s *shop) AllFittings(context.Context) ([]plant.Fitting, error) { return s.fittings, s.err }
func (s *shop) LampMovements(context.Context) ([]plant.LampMovement, error) {
	return s.movements, s.err
}

func (s *shop) LampCounters(_ context.Context, area []plant.Register) ([]plant.LampCounters, error) {
	if len(area) != 1 || area[0].ID != "heron/area" {
		return nil, fmt.Errorf("asked for the area of %v", area)
	}
	return s.counters, s.err
}

func (s *shop) DayAmounts(_ context.Context, _ []plant.RegisterID, from, _ time.Time) ([]plant.DayAmount, error) {
	var out []plant.DayAmount
	for _, d := range s.days {
		if !d.Day.Before(from) {
			out = append(out, d)
		}
	}
	return out, s.err
}

var now = time.Date(2026, 3, 30, 12, 0, 0, 0, time.UTC)

// nist is a press with the lamps of the handbook: ten failed, ten withdrawn at
// 500 h; one that has run for 500 h is fitted.
func nist(t *testing.T) (*plant.Plant, *shop) {
	kind := plant.LampKind{
		Name: "arc", Technology: plant.TechnologyArc, RatedHours: 600, HoursPerStart: 1,
		Price: euros(t, "150"), ChangeCost: euros(t, "30"), StopCost: euros(t, "470"),
	}
	p := &plant.Plant{
		TimeZone: time.UTC, LampKinds: []plant.LampKind{kind, {Name: "led"}},
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1", Press: "heron"}, {ID: "heron-2", Press: "heron"}}}},
		Registers: []plant.Register{
			{ID: "heron/area", Press: "heron", Quantity: plant.QuantityArea}, {ID: "heron/impressions", Press: "heron", Quantity: plant.QuantityImpressions},
			{ID: "heron-1/lit", Station: "heron-1", Press: "heron", Quantity: plant.QuantityTime},
		},
	}
	s := &shop{}
	lived := []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386, 500, 500, 500, 500, 500, 500, 500, 500, 500, 500}
	for i, h := range lived {
		serial := plant.LampSerial(fmt.Sprintf("L%02d", i))
		from := now.AddDate(0, 0, -200+5*i)
		f := plant.Fitting{Lamp: serial, Station: "heron-1", From: from, To: from.AddDate(0, 0, 4), Reason: "preventive"}
		if i < 10 {
			f.Reason = "failed"
		}
		if i == 19 {
			f = plant.Fitting{Lamp: serial, Station: "heron-2", From: from}
		}
		s.lamps = append(s.lamps, plant.Lamp{Serial: serial, Kind: "arc"})
		s.fittings = append(s.fittings, f)
		s.counters = append(s.counters, plant.LampCounters{Lamp: serial, Lit: hours(h - 4), Worn: hours(h - 4), Starts: 4})
	}
	s.lamps = append(s.lamps, plant.Lamp{Serial: "spare", Kind: "arc"}) // never lit: no life
	s.movements = []plant.LampMovement{{Lamp: "spare", At: now.AddDate(0, 0, -9), Movement: plant.MovementReceived}}
	for d := 10; d > 0; d-- {
		day := time.Date(2026, 3, 30-d, 0, 0, 0, 0, time.UTC)
		s.days = append(s.days, plant.DayAmount{Day: day, Register: "heron-2/lit", Amount: hours(9.5)}, plant.DayAmount{Day: day, Register: "heron-2/starts", Amount: 1})
	}
	return p, s
}

// Source: NIST/SEMATECH e-Handbook 8.4.1.3 (shape 1.7208, scale 606.5280, log-likelihood
// -75.135); remaining life of a lamp of 500 h by R 4.2.2.
func TestRead_HandbookLamps(t *testing.T) {
	p, s := nist(t)
	b, err := lampbook.Read(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Kinds) != 1 || len(b.Lamps) != 21 {
		t.Fatalf("%d kinds, %d lamps", len(b.Kinds), len(b.Lamps))
	}
	k := b.Kinds[0]
	if a := k.Statistics; a.N != 20 || a.Failures != 10 || a.Basis != lamplife.BasisFitted {
		t.Fatalf("%d lives, %d failures, %v", a.N, a.Failures, a.Basis)
	}
	near(t, "shape", k.Statistics.Shape, 1.7208, 2e-5)
	near(t, "scale", k.Statistics.Scale, 606.5280, 1e-6)
	near(t, "log-likelihood", k.Statistics.LogLikelihood, -75.135, 1e-5)
	near(t, "B10", k.Statistics.B10, 164.022438660, 1e-10)
	near(t, "shape, lower limit at 90 %", k.Statistics.ShapeLow, 1.0146469619, 1e-8)
	near(t, "scale, upper limit at 90 %", k.Statistics.ScaleHigh, 975.01005715, 1e-8)
	w := survival.Weibull{Shape: k.Statistics.Shape, Scale: k.Statistics.Scale}
	wantAge, wantCost := lamplife.CheapestAge(w, lamplife.ChangeCost{Lamp: 150, Labour: 30, Stop: 470})
	if k.Change != wantAge || k.PerHour != wantCost || k.OnLowerBound {
		t.Errorf("change at %v for %v an hour, on a bound: %v; want %v for %v", k.Change, k.PerHour, k.OnLowerBound, wantAge, wantCost)
	}
	l := b.Lamps[19]
	if l.Place != lampledger.Fitted || l.Life.Equivalent != 500 {
		t.Fatalf("the last lamp is %s with %v h", l.Place, l.Life.Equivalent)
	}
	near(t, "median further life", l.Outlook.Remaining, 240.68439121, 1e-8)
	near(t, "use per day", l.Outlook.PerDay, 105/10.5, 1e-12) // ten days and a half since the first use
	near(t, "fails within 30 days", l.Outlook.Fails, w.FailsWithin(500, 300), 1e-12)
	if other := b.Lamps[0].Outlook; !math.IsNaN(other.Remaining) || !math.IsNaN(other.Fails) {
		t.Errorf("a lamp that is not fitted is foretold %+v", other)
	}
}

func TestRead_NothingFailedGivesBounds(t *testing.T) {
	p, s := nist(t)
	for i := range s.fittings {
		if s.fittings[i].Reason == "failed" {
			s.fittings[i].Reason = "output"
		}
	}
	s.days = nil
	b, err := lampbook.Read(t.Context(), s, p, now)
	if err != nil {
		t.Fatal(err)
	}
	k, o := b.Kinds[0], b.Lamps[19].Outlook
	if k.Statistics.Failures != 0 || !k.OnLowerBound || !o.AtLeast || !(o.Remaining > 0) {
		t.Errorf("%d failures, on a bound: %v, outlook %+v", k.Statistics.Failures, k.OnLowerBound, o)
	}
	if o.PerDay != 0 || !math.IsNaN(o.Fails) {
		t.Errorf("without use the outlook is %+v, want no date", o)
	}
}

func TestLifeOf_TheKindHasItsOwnPrior(t *testing.T) {
	lives := []survival.Life{{Hours: 1450, Failed: true}, {Hours: 1720, Failed: true}, {Hours: 1900}}
	plain := lampbook.LifeOf(plant.LampKind{}, lives)
	own := lampbook.LifeOf(plant.LampKind{LifeShape: 6, LifeShapeSpread: 0.1}, lives)
	if plain.Statistics.Basis != lamplife.BasisPrior || own.Statistics.PriorWeight <= plain.Statistics.PriorWeight || !(own.Statistics.Shape > 5 && own.Statistics.Shape < 7) {
		t.Errorf("shape %v with weight %v, by default %v with %v", own.Statistics.Shape, own.Statistics.PriorWeight, plain.Statistics.Shape, plain.Statistics.PriorWeight)
	}
	if !math.IsNaN(own.Change) {
		t.Errorf("without a price a change is best at %v h", own.Change)
	}
	if none := lampbook.LifeOf(plant.LampKind{}, nil); none.Known {
		t.Errorf("no lamp tells %+v", none)
	}
}

func TestRead_SaysWhatFailed(t *testing.T) {
	p, s := nist(t)
	s.err = errors.New("away")
	if _, err := lampbook.Read(t.Context(), s, p, now); !errors.Is(err, s.err) {
		t.Errorf("%v, expected the store's error", err)
	}
}

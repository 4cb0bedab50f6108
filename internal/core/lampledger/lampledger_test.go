package lampledger_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
)

func day(n int) time.Time { return time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC).AddDate(0, 0, n) }

func heron() *plant.Plant {
	return &plant.Plant{LampKinds: []plant.LampKind{
		{Name: "arc", Technology: plant.TechnologyArc}, {Name: "led", Technology: plant.TechnologyLED},
	}}
}

func lamps(kind string, serials ...plant.LampSerial) []plant.Lamp {
	var all []plant.Lamp
	for _, s := range serials {
		all = append(all, plant.Lamp{Serial: s, Kind: kind})
	}
	return all
}

func moved(lamp plant.LampSerial, n int, m plant.Movement) plant.LampMovement {
	return plant.LampMovement{Lamp: lamp, At: day(n), Movement: m}
}

func fitted(lamp plant.LampSerial, station plant.StationID, from, to int, reason string) plant.Fitting {
	f := plant.Fitting{Lamp: lamp, Station: station, From: day(from), Reason: reason}
	if reason != "" {
		f.To = day(to)
	}
	return f
}

func TestOf_PlacesALampByWhatCameLast(t *testing.T) {
	f := lampledger.Facts{
		Lamps: lamps("arc", "new", "in", "moved", "failed", "gone", "back", "later"),
		Fittings: []plant.Fitting{
			fitted("in", "heron-1", 2, 0, ""), fitted("moved", "heron-2", 3, 9, "moved"), fitted("moved", "heron-3", 1, 2, "preventive"),
			fitted("failed", "heron-2", 9, 12, "failed"), fitted("gone", "heron-4", 1, 5, "output"), fitted("back", "heron-5", 1, 5, "failed"),
		},
		Movements: []plant.LampMovement{
			moved("new", 1, plant.MovementReceived), moved("gone", 20, plant.MovementDisposed),
			moved("back", 6, plant.MovementDisposed), moved("back", 7, plant.MovementReceived), moved("later", 40, plant.MovementReceived),
		},
	}
	got := map[plant.LampSerial]string{}
	for _, r := range lampledger.Of(heron(), f, day(30)) {
		got[r.Lamp.Serial] = string(r.Place) + " " + r.Since.Format("01-02") + " " + string(r.Station) + r.Reason
	}
	want := map[plant.LampSerial]string{
		"new": "spare 03-02 ", "in": "fitted 03-03 heron-1", "moved": "spare 03-10 moved", "failed": "spent 03-13 failed",
		"gone": "gone 03-21 output", "back": "spare 03-08 failed",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("places (- expected, + got):\n%s", d)
	}
	for _, r := range lampledger.Of(heron(), f, day(10)) {
		if want := r.Lamp.Serial == "back"; r.Failed() != want {
			t.Errorf("on day 10 %s failed: %v", r.Lamp.Serial, r.Failed())
		}
		if r.Lamp.Serial == "failed" && r.Place != lampledger.Fitted {
			t.Errorf("on day 10 the lamp that fails on day 12 is %s", r.Place)
		}
	}
}

func TestStockOf(t *testing.T) {
	f := lampledger.Facts{
		Lamps: append(lamps("arc", "a", "b", "c", "d", "e"), plant.Lamp{Serial: "arc-s1", Kind: "arc", MadeUp: true}, plant.Lamp{Serial: "x", Kind: "old"}),
		Fittings: []plant.Fitting{
			fitted("a", "heron-1", 1, 4, "failed"), fitted("b", "heron-1", 4, 9, "preventive"), fitted("c", "heron-1", 9, 0, ""),
			fitted("d", "heron-2", 1, 2, "moved"), fitted("x", "heron-3", 1, 2, "conversion"),
		},
		Movements: []plant.LampMovement{
			moved("e", 1, plant.MovementReceived), moved("arc-s1", 1, plant.MovementReceived), moved("arc-s1", 9, plant.MovementNamed),
			moved("x", 10, plant.MovementDisposed),
		},
	}
	got := lampledger.StockOf(heron(), lampledger.Of(heron(), f, day(30)))
	want := []lampledger.Stock{
		{Kind: heron().LampKinds[0], Spares: 2, Used: 1, Spent: 2, OldestSpent: day(4), Fitted: 1},
		{Kind: heron().LampKinds[1]},
		{Kind: plant.LampKind{Name: "old", Title: "old"}, Disposed: 1},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("stock (- expected, + got):\n%s", d)
	}
	if !got[0].Mercury() || got[1].Mercury() {
		t.Error("arc lamps hold mercury, LED modules do not")
	}
}

// Every lamp that is known is counted once, whatever happened to it.
func TestStockOf_CountsEachLampOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var f lampledger.Facts
		for _, l := range lamps("arc", "a", "b", "c", "d") {
			f.Lamps = append(f.Lamps, l)
			at := 0
			f.Movements = append(f.Movements, moved(l.Serial, at, plant.MovementReceived))
			for range rapid.IntRange(0, 5).Draw(t, "steps") {
				at += 2
				switch rapid.IntRange(0, 2).Draw(t, "what") {
				case 0:
					reason := rapid.SampledFrom(plant.RemovalReasons()).Draw(t, "reason")
					f.Fittings = append(f.Fittings, fitted(l.Serial, "heron-1", at, at+1, reason))
				case 1:
					f.Movements = append(f.Movements, moved(l.Serial, at, plant.MovementDisposed))
				case 2:
					f.Movements = append(f.Movements, moved(l.Serial, at, plant.MovementReceived))
				}
			}
		}
		now := day(rapid.IntRange(0, 12).Draw(t, "now"))
		s := lampledger.StockOf(heron(), lampledger.Of(heron(), f, now))[0]
		if n := s.Spares + s.Spent + s.Fitted + s.Disposed; n != len(f.Lamps) {
			t.Fatalf("%d lamps are counted as %d: %+v", len(f.Lamps), n, s)
		}
		if s.OldestSpent.IsZero() != (s.Spent == 0) || s.OldestSpent.After(now) {
			t.Fatalf("%d spent, the oldest since %v", s.Spent, s.OldestSpent)
		}
	})
}

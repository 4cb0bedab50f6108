package desk

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/govalues/decimal"

	"curetally/internal/app/answers"
	"curetally/internal/core/lampledger"
	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/plan"
)

// Two lamps fall due in the fourth week and there is one spare: the second is
// ordered so that it arrives before.
func TestKindNeeds_OrderBeforeLampsFallDue(t *testing.T) {
	now := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
	kind := plant.LampKind{
		Name: "arc-45cm", Technology: plant.TechnologyArc, RatedHours: 1200, LeadDays: 14,
		Price: unit.Money{Amount: decimal.MustNew(240, 0), Currency: "EUR"},
	}
	p := &plant.Plant{
		TimeZone: time.UTC, LampKinds: []plant.LampKind{kind}, Upkeep: plant.DefaultUpkeep(),
		Rules: []plant.TaskRule{{ID: "lamp-change", Scope: plant.PerLamp, Technology: plant.TechnologyArc, LifeFraction: 1}},
	}
	due := now.Truncate(24*time.Hour).AddDate(0, 0, 24)
	look := plan.Outlook{At: now}
	book := lampbook.Book{At: now, Lamps: []lampbook.Lamp{{Record: lampledger.Record{Lamp: plant.Lamp{Serial: "S", Kind: kind.Name}, Kind: kind, Place: lampledger.Spare}}}}
	for _, serial := range []plant.LampSerial{"A", "B"} {
		book.Lamps = append(book.Lamps, lampbook.Lamp{
			Record: lampledger.Record{Lamp: plant.Lamp{Serial: serial, Kind: kind.Name}, Kind: kind, Place: lampledger.Fitted},
			Life:   lamplife.Life{Equivalent: 960}, Outlook: lampbook.Outlook{PerDay: 10},
		})
		look.Tasks = append(look.Tasks, upkeep.Task{Rule: "lamp-change", Lamp: serial, DueP10: due.AddDate(0, 0, -2), DueP50: due, DueP90: due.AddDate(0, 0, 2)})
	}
	kinds, err := answers.Needs(p, look, book, 12)
	if err != nil {
		t.Fatal(err)
	}
	want := spares.Order{Quantity: 1, ByDay: 7, ArrivesDay: 21, ShortWeek: 3}
	if len(kinds) != 1 || kinds[0].Order != want || kinds[0].Unknown != 0 || kinds[0].Failures {
		t.Fatalf("%+v", kinds)
	}
	if mean := kinds[0].Need[3].Mean(); mean != 2 {
		t.Errorf("%v changes in four weeks, want 2", mean)
	}
	var out bytes.Buffer
	if err := (sparesPage{p, now, kinds, spares.Held{}}).print(&out); err != nil {
		t.Fatal(err)
	}
	if line := strings.Join(strings.Fields(strings.Split(out.String(), "\n")[1]), " "); line != "arc-45cm 2 1 2.0 2 14 2026-06-08 1 240.00 EUR planned changes only: none has failed yet" {
		t.Errorf("printed %q", line)
	}

	// The same a week before they fall due is late, and told so.
	for i := range look.Tasks {
		task := &look.Tasks[i]
		task.DueP10, task.DueP50, task.DueP90 = now, now.AddDate(0, 0, 2), now.AddDate(0, 0, 4)
	}
	if kinds, err = answers.Needs(p, look, book, 12); err != nil {
		t.Fatal(err)
	}
	if o := kinds[0].Order; !o.Late || o.ByDay != 0 || o.RunsOut < 0.99 || saidOf(kinds[0]) != "late: a chance of 100 % to run out before it arrives" {
		t.Errorf("order %+v, said %q", o, saidOf(kinds[0]))
	}
}

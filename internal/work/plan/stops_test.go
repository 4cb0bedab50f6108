package plan

import (
	"math"
	"testing"
	"time"

	"github.com/govalues/decimal"

	"curetally/internal/core/plant"
	"curetally/internal/core/stops"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
)

// stoppedWeekly is the little plant with two hours for upkeep each Saturday.
func stoppedWeekly() *plant.Plant {
	p := little()
	p.Upkeep = plant.DefaultUpkeep()
	p.Presses[0].Calendar.Weekly = []plant.WeeklyStop{{Day: time.Saturday, From: 6 * time.Hour, To: 10 * time.Hour, Minutes: 120, People: 1}}
	for i := range p.Rules {
		p.Rules[i].Minutes = 20
		p.Rules[i].Cautions = []string{"C1"}
	}
	return p
}

func TestStops_TasksOfTheOutlookMeetTheCalendar(t *testing.T) {
	p := stoppedWeekly()
	o, err := Look(t.Context(), full(), p, now) // Monday 30 March
	if err != nil {
		t.Fatal(err)
	}
	plan, err := o.Stops(p, 3)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(plan.Stops); n != 3 || !plan.Stops[0].Stop.From.Equal(time.Date(2026, 4, 4, 6, 0, 0, 0, time.UTC)) || plan.Stops[0].Stop.Press != "p" {
		t.Fatalf("stops %+v", plan.Stops)
	}
	at := map[string]time.Time{}
	for _, f := range plan.Stops {
		for _, b := range f.Blocks {
			if b.Isolation != "a" && b.Isolation != "b" && b.Isolation != "p" || b.IsolationMinutes != 12 {
				t.Errorf("block %+v", b)
			}
			for _, placed := range b.Tasks {
				at[placed.Task.Name] = f.Stop.From
			}
		}
	}
	// The lamp is due on 16 April, and may be a few days before.
	lamp := find(t, o, "lamp-change", "a")
	if got := at["lamp-change/a"]; got.Before(lamp.DueP10.AddDate(0, 0, -7)) || got.After(lamp.DueP10.AddDate(0, 0, 1)) {
		t.Errorf("lamp changed %v, P10 is %v", got, lamp.DueP10)
	}
	// The window of b is overdue: the first stop, with the leak check of the press.
	if got := at["window-clean/b"]; !got.Equal(plan.Stops[0].Stop.From) {
		t.Errorf("window cleaned %v", got)
	}
	for name, task := range plan.Tasks {
		if TaskName(task) != name || task.Due.IsZero() {
			t.Errorf("%s is %+v", name, task)
		}
	}
}

func TestStops_WhatADayEarlyThrowsAway(t *testing.T) {
	p := stoppedWeekly()
	p.Rules[0].People = 2
	day := time.Date(2026, 4, 10, 0, 0, 0, 0, time.UTC)
	task := upkeep.Task{
		Rule: "lamp-change", Subject: "a", Station: "a", Press: "p", Lamp: "L1", Minutes: 30, Anchor: day.AddDate(0, 0, -100),
		DueP10: day.AddDate(0, 0, -2), DueP50: day, DueP90: day.AddDate(0, 0, 3), Due: day, Cautions: upkeep.Cards([]string{"C12"}),
	}
	var o Outlook
	got := o.asked(p, task)
	if got.LossPerDay != 0.3 || got.People != 2 || got.Isolation != "" {
		t.Errorf("asked %+v", got)
	}
	eur := func(n int64) unit.Money { return unit.Money{Amount: decimal.MustNew(n, 0), Currency: "EUR"} }
	o.Fitted = map[plant.StationID]FittedLamp{"a": {Kind: plant.LampKind{Price: eur(240), ChangeCost: eur(40)}}}
	if got := o.asked(p, task).LossPerDay; math.Abs(got-0.3*7) > 1e-12 {
		t.Errorf("with costs %v", got)
	}
	plan := StopPlan{Tasks: map[string]upkeep.Task{"lamp-change/a": task}}
	if got := plan.ShareLost(stops.Placed{Task: got, DaysEarly: 5}); got != 0.05 {
		t.Errorf("share %v", got)
	}
	task.Anchor, task.Minutes = time.Time{}, 0
	if got := o.asked(p, task).LossPerDay; got != 7 {
		t.Errorf("never done: %v", got)
	}
	off := day.AddDate(0, 0, 30)
	task.PostponedUntil, task.Due = off, off
	if got := o.asked(p, task); !got.P10.Equal(off) || !got.P50.Equal(off) || !got.P90.Equal(off) {
		t.Errorf("put off: %+v", got)
	}
}

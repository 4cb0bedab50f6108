package app

import (
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
)

// Whoever is told of a task is told its cautions, and who has the last word.
func TestTaskCondition_HasItsCautions(t *testing.T) {
	task := upkeep.Task{
		Rule: "lens-clean", Subject: "heron-1", Title: "Clean the lens", Status: upkeep.Due, Reason: "61 of 60 lit hours",
		Parts: []string{"wipes"}, Cautions: upkeep.Cards([]string{"C2"}),
	}
	c := taskCondition(task, &plant.Plant{TimeZone: time.UTC})
	want := "61 of 60 lit hours. Parts: wipes. Cautions: UV hurts before you feel it."
	if !strings.HasPrefix(c.Text, want) || !strings.HasSuffix(c.Text, " "+upkeep.Deferral) {
		t.Errorf("told %q", c.Text)
	}
	if c.Subject != "task lens-clean/heron-1 since ever" {
		t.Errorf("subject %q", c.Subject)
	}
}

package acts

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
)

// Why is the flag for the reason of a decision.
type Why struct {
	Reason string `required:"" help:"Why." placeholder:"TEXT"`
}

// Validate refuses a reason that says nothing.
func (f Why) Validate() error {
	if strings.TrimSpace(f.Reason) == "" {
		return errors.New("--reason TEXT is missing: expected why it is so decided")
	}
	return nil
}

// Postpone puts a task off.
type Postpone struct {
	desk.Site
	Who
	Why
	OfTask
	Until string `required:"" help:"Day to which it is put off, as 2026-03-20 in the site's time." placeholder:"DATE"`
}

// Run records the postponement. The day on which the task would fall due stays
// visible beside the new one.
func (c Postpone) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		until, err := time.ParseInLocation(time.DateOnly, c.Until, b.Plant.TimeZone)
		if err != nil {
			return "", fmt.Errorf("--until %q: expected a day such as 2026-03-20", c.Until)
		}
		rule, subject, err := c.names()
		if err != nil {
			return "", err
		}
		return b.Postpone(ctx, plant.TaskAct{Rule: rule, Subject: subject, Until: until, By: c.By, Note: c.Reason}, time.Time{})
	})
}

// Skip leaves a task out once.
type Skip struct {
	desk.Site
	Who
	When
	Why
	OfTask
}

// Run records that a task was left out; it counts anew from that instant.
func (c Skip) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		rule, subject, err := c.names()
		if err != nil {
			return "", err
		}
		return b.Skip(ctx, plant.TaskAct{Rule: rule, Subject: subject, At: at, By: c.By, Note: c.Reason}, time.Time{})
	})
}

// Undo takes back what was recorded about a task.
type Undo struct {
	desk.Site
	Who
	OfTask
	Note string `required:"" help:"Why it is taken back." placeholder:"TEXT"`
}

// Run writes a counter-entry to the act recorded last that still stands. Nothing
// is deleted.
func (c Undo) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		rule, subject, err := c.names()
		if err != nil {
			return "", err
		}
		return b.Undo(ctx, plant.TaskAct{Rule: rule, Subject: subject, By: c.By, Note: c.Note})
	})
}

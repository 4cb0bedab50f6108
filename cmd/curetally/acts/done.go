package acts

import (
	"context"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
)

// Done records that a task was carried out.
type Done struct {
	desk.Site
	Who
	When
	OfTask
	Note    string `help:"What was seen." placeholder:"TEXT"`
	Reading string `help:"What was measured, with its unit, for example \"1.2 W/cm²\"." placeholder:"VALUE"`
}

// Run records that a task was carried out; it counts anew from that instant.
func (c Done) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		rule, subject, err := c.names()
		if err != nil {
			return "", err
		}
		return b.Done(ctx, plant.Done{Rule: rule, Subject: subject, At: at, By: c.By, Note: c.Note, Reading: c.Reading}, time.Time{})
	})
}

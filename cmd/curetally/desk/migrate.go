package desk

import (
	"context"
	"fmt"

	"curetally/internal/core/plant"
	"curetally/internal/link/store"
)

// Migrate brings the database schema up to date.
type Migrate struct{ Site }

// Run opens the store, which brings the schema up to date, and says where it
// stands.
func (c Migrate) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		v, err := db.Version(ctx)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "schema version %d\n", v)
		return err
	})
}

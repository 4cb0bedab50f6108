package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"curetally/internal/app"
	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
)

// siteFlags are the flags of every command that works on a plant's store.
type siteFlags struct {
	Config string `help:"Configuration file." default:"curetally.yaml" placeholder:"FILE"`
}

// open loads the configuration and opens the store. end must be called.
func (f siteFlags) open(s *surroundings) (c *config.Config, db *store.DB, end func(), err error) {
	if c, err = config.Load(f.Config); err != nil {
		return nil, nil, nil, err
	}
	db, finish, err := app.OpenStore(s.ctx, c, quiet(s.log))
	if err != nil {
		return nil, nil, nil, err
	}
	return c, db, func() {
		if err := finish(s.ctx); err != nil {
			s.log.Warn("the store did not close cleanly", "err", err)
		}
	}, nil
}

// instant reads --at: now when empty, RFC 3339, or local date and time of the
// site ("2026-03-09 14:30", "2026-03-09").
func instant(text string, p *plant.Plant) (time.Time, error) {
	if text == "" {
		return time.Now().Truncate(time.Millisecond).UTC(), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.UTC(), nil
	}
	for _, layout := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, p.TimeZone); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, fmt.Errorf("--at %q: expected an instant such as 2026-03-09T14:30:00Z, or local time %q", text, "2026-03-09 14:30")
}

// writeJSON prints one indented JSON document.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// lampStore is what the lamp commands read.
type lampStore interface {
	Lamps(ctx context.Context) ([]plant.Lamp, error)
	AllFittings(ctx context.Context) ([]plant.Fitting, error)
	LampTotals(ctx context.Context) ([]plant.LampTotal, error)
}

package main

import (
	"context"
	"fmt"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app"
)

type runCommand struct {
	desk.Site
	Listen string `help:"Address of the pages; wins over the configuration." placeholder:"HOST:PORT"`
}

// Run runs the daemon until it is interrupted.
func (c runCommand) Run(ctx context.Context, s *surroundings) error {
	loaded, err := c.Load()
	if err != nil {
		return err
	}
	return app.Run(ctx, app.Options{
		Config: loaded, Listen: c.Listen, Version: version(), Log: s.log,
		Serving: func(url string) { fmt.Fprintln(s.stderr, "pages at", url) },
	})
}

package main

import (
	"fmt"

	"curetally/internal/app"
	"curetally/internal/link/config"
)

type runCommand struct {
	siteFlags
	Listen string `help:"Address of the pages; wins over the configuration." placeholder:"HOST:PORT"`
}

// Run runs the daemon until it is interrupted.
func (c runCommand) Run(s *surroundings) error {
	loaded, err := config.Load(c.Config)
	if err != nil {
		return err
	}
	return app.Run(s.ctx, app.Options{
		Config: loaded, Listen: c.Listen, Version: version(), Log: s.log,
		Serving: func(url string) { fmt.Fprintln(s.stderr, "pages at", url) },
	})
}

type migrateCommand struct{ siteFlags }

// Run opens the store, which brings the schema up to date, and says where it
// stands.
func (c migrateCommand) Run(s *surroundings) error {
	_, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	v, err := db.Version(s.ctx)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.stdout, "schema version %d\n", v)
	return err
}

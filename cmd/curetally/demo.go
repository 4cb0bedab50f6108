package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app"
	"curetally/internal/core/unit"
)

type demoCommand struct {
	For    time.Duration `help:"End by itself so long after it is ready, for example 20s." placeholder:"DURATION"`
	JSON   bool          `help:"Print the summary as JSON; only JSON goes to standard output."`
	Listen string        `help:"Address of the pages; a free port on loopback by default." placeholder:"HOST:PORT"`
	Dir    string        `help:"Directory that keeps the demo from one run to the next." placeholder:"DIR"`
}

// Validate refuses an end before the beginning.
func (c demoCommand) Validate() error {
	if c.For < 0 {
		return fmt.Errorf("--for %v: expected a duration above 0, for example 20s", c.For)
	}
	return nil
}

// Run shows everything on one machine.
func (c demoCommand) Run(ctx context.Context, s *surroundings) error {
	dir := c.Dir
	if dir == "" {
		// Not in a home directory: the database server runs as another user when
		// this program is root, and must be able to reach it.
		dir = filepath.Join(os.TempDir(), "curetally-demo-"+strconv.Itoa(os.Getuid()))
	}
	show := func(sum app.Summary) error {
		if c.JSON {
			return writeJSON(s.stdout, sum)
		}
		return printSummary(s.stdout, sum)
	}
	var printErr error
	o := app.DemoOptions{
		Dir: dir, Listen: c.Listen, For: c.For, Version: version(), Log: desk.Quiet(s.log),
		Progress: func(text string) { fmt.Fprintln(s.stderr, text) },
		Ready: func(sum app.Summary) {
			printAddresses(s.stderr, sum.Addresses)
			if c.For > 0 {
				return
			}
			printErr = show(sum)
			fmt.Fprintln(s.stderr, "live now; Ctrl-C ends everything")
		},
	}
	last, err := app.Demo(ctx, o)
	if err != nil {
		return err
	}
	if printErr != nil {
		return printErr
	}
	if c.For > 0 && ctx.Err() == nil {
		return show(last)
	}
	return nil
}

func printAddresses(w io.Writer, a app.Addresses) {
	fmt.Fprintf(w, "  pages    %s\n  metrics  %s\n  API      %s\n", a.Pages, a.Metrics, a.API)
	fmt.Fprintf(w, "  meters   %s and %s\n  broker   %s\n", a.MeterTCP, a.MeterRTU, a.Broker)
	fmt.Fprintf(w, "  commands curetally tasks --config %s\n", a.Config)
}

// printSummary prints what a person wants to know first.
func printSummary(w io.Writer, s app.Summary) error {
	fmt.Fprintf(w, "%s (an invented plant): %s kWh metered inside the boundary\n\n", s.Site, unit.Group(s.EnergyKWh, 0))

	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "station\tlit h\tlamp\tequivalent h\tof rated\t")
	lamps := map[string]app.LampSummary{}
	for _, l := range s.Lamps {
		lamps[string(l.Station)] = l
	}
	for _, st := range slices.Sorted(maps.Keys(s.LitHours)) {
		l, fitted := lamps[st]
		if !fitted {
			fmt.Fprintf(t, "%s\t%s\t-\t-\t-\t\n", st, unit.Group(s.LitHours[st], 1))
			continue
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%.1f %%\t\n", st, unit.Group(s.LitHours[st], 1), l.Serial, unit.Group(l.Equivalent, 1), 100*l.Used)
	}
	if err := t.Flush(); err != nil {
		return err
	}

	fmt.Fprintln(w, "\nUpkeep")
	if len(s.Tasks) == 0 {
		fmt.Fprintln(w, "  nothing is due")
	}
	for _, task := range s.Tasks {
		due := "no date"
		if !task.Due.IsZero() {
			due = task.Due.Format("Mon 2 Jan")
		}
		fmt.Fprintf(w, "  %-8s  %-10s  %s, %s: %s\n", task.Status, due, task.Title, task.Subject, task.Reason)
	}

	fmt.Fprintln(w, "\nSavings so far")
	if s.Savings == nil {
		_, err := fmt.Fprintln(w, "  no statement yet")
		return err
	}
	v := s.Savings
	fmt.Fprintf(w, "  avoided %s ± %s kWh at %.0f %% confidence over %d days (%.1f %% of %s kWh)\n",
		unit.Group(v.SavedKWh, 0), unit.Group(v.HalfWidthKWh, 0), 100*v.Confidence, v.Days, 100*v.SavedFraction, unit.Group(v.ExpectedKWh, 0))
	_, err := fmt.Fprintf(w, "  %s and %s kg CO2-equivalent avoided\n", v.Cost, unit.Group(v.CarbonKg, 0))
	return err
}

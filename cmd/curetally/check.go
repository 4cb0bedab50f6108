package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/factors"
	"curetally/internal/app/weather"
	"curetally/internal/link/config"
	"curetally/internal/link/sheet"
)

type checkCommand struct {
	File string `arg:"" help:"Configuration file."`
	JSON bool   `help:"Print as JSON."`
}

// checkResult is what check says of a file. The numbers are those of a file
// without problems.
type checkResult struct {
	File     string           `json:"file"`
	OK       bool             `json:"ok"`
	Problems []config.Problem `json:"problems"`
	// Warnings are no mistakes of the file: a person should look at the plant.
	Warnings []config.Problem `json:"warnings"`
	Presses  int              `json:"presses"`
	Stations int              `json:"stations"`
	Meters   int              `json:"meters"`
	Rules    int              `json:"rules"`
	Projects int              `json:"projects"`
}

// Run lists every problem of a configuration at once, or says what is in it.
func (c checkCommand) Run(s *surroundings) error {
	loaded, err := config.Load(c.File)
	problems, found := errors.AsType[config.Problems](err)
	if loaded != nil {
		if problems = namedFiles(loaded); len(problems) > 0 {
			err, found = problems, true
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%w — give the path of a plant's file", err)
	case err != nil && !found:
		return err
	}
	r := checkResult{File: c.File, OK: err == nil, Problems: append([]config.Problem{}, problems...), Warnings: []config.Problem{}}
	if r.OK {
		r.Warnings = append(r.Warnings, loaded.Warnings...)
		p := &loaded.Plant
		r.Presses, r.Stations, r.Rules, r.Projects = len(p.Presses), len(p.Stations()), len(p.Rules), len(p.Projects)
		for _, b := range p.Buses {
			r.Meters += len(b.Meters)
		}
	}
	switch {
	case c.JSON:
		err = writeJSON(s.stdout, r)
	case r.OK:
		for _, w := range r.Warnings {
			fmt.Fprintln(s.stdout, "warning:", w)
		}
		_, err = fmt.Fprintf(s.stdout, "%s: ok: presses %d, stations %d, meters %d, task rules %d, savings projects %d\n",
			c.File, r.Presses, r.Stations, r.Meters, r.Rules, r.Projects)
	default:
		_, err = fmt.Fprintln(s.stdout, problems)
	}
	if err == nil && !r.OK {
		return fmt.Errorf("%s has %s", c.File, desk.Count(len(problems), "problem"))
	}
	return err
}

// namedFiles reads the files that a configuration names and gives their problems.
func namedFiles(c *config.Config) config.Problems {
	var all config.Problems
	take := func(path string, err error) {
		for _, one := range each(err) {
			if p, ok := errors.AsType[sheet.Problem](one); ok {
				all = append(all, config.Problem{File: p.File, Line: p.Line, Path: p.Column, Problem: p.Text})
			} else {
				all = append(all, config.Problem{File: path, Line: 1, Problem: strings.TrimPrefix(one.Error(), path+":1: ")})
			}
		}
	}
	for _, t := range c.Terms.Tables {
		_, err := factors.Read(t.Name, t.File, c.Plant.TimeZone)
		take(t.File, err)
	}
	for _, pr := range c.Plant.Projects {
		if file := c.Terms.Projects[pr.ID].Weather; file != "" {
			_, err := weather.Read(file, c.Plant.TimeZone)
			take(file, err)
		}
	}
	return all
}

// each takes a joined error apart.
func each(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	if err == nil {
		return nil
	}
	return []error{err}
}

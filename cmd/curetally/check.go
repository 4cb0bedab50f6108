package main

import (
	"errors"
	"fmt"

	"curetally/internal/link/config"
)

type checkCommand struct {
	File string `arg:"" help:"Configuration file."`
	JSON bool   `help:"Print as JSON."`
}

// checkResult is the JSON form of what check says.
type checkResult struct {
	File     string           `json:"file"`
	OK       bool             `json:"ok"`
	Problems []config.Problem `json:"problems"`
	Presses  int              `json:"presses"`
	Stations int              `json:"stations"`
	Meters   int              `json:"meters"`
	Rules    int              `json:"rules"`
	Projects int              `json:"projects"`
}

// Run lists every problem of a configuration at once, or says what is in it.
func (c checkCommand) Run(s *surroundings) error {
	loaded, err := config.Load(c.File)
	var problems config.Problems
	if err != nil && !errors.As(err, &problems) {
		return err
	}
	r := checkResult{File: c.File, OK: err == nil, Problems: append([]config.Problem{}, problems...)}
	if loaded != nil {
		p := &loaded.Plant
		r.Presses, r.Stations, r.Rules, r.Projects = len(p.Presses), len(p.Stations()), len(p.Rules), len(p.Projects)
		for _, b := range p.Buses {
			r.Meters += len(b.Meters)
		}
	}
	if c.JSON {
		if err := writeJSON(s.stdout, r); err != nil {
			return err
		}
	} else if r.OK {
		fmt.Fprintf(s.stdout, "%s: ok: presses %d, stations %d, meters %d, task rules %d, savings projects %d\n",
			c.File, r.Presses, r.Stations, r.Meters, r.Rules, r.Projects)
	} else {
		for _, p := range problems {
			fmt.Fprintln(s.stdout, p)
		}
	}
	if !r.OK {
		return fmt.Errorf("%s: %d problems", c.File, len(problems))
	}
	return nil
}

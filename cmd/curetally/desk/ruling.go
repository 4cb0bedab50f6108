package desk

import (
	"context"
	"fmt"
	"io"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
)

// RulingList lists values that wait for a ruling, and rulings that were given.
type RulingList struct {
	Site
	JSON bool `help:"Print as JSON."`
}

// waitingRow is one value that is held out of its curve.
type waitingRow struct {
	Register string    `json:"register"`
	At       time.Time `json:"at"`
	Before   float64   `json:"before"` // in Unit, primary
	Value    float64   `json:"value"`
	Unit     string    `json:"unit"`
}

// rulingRow is one ruling as it was given.
type rulingRow struct {
	Register string        `json:"register"`
	At       time.Time     `json:"at"`
	Verdict  plant.Verdict `json:"verdict"`
	By       string        `json:"by"`
	Note     string        `json:"note"`
	Recorded time.Time     `json:"recorded"`
}

// Run lists them; it is a finding when a value waits.
func (c RulingList) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		waiting := []waitingRow{}
		for _, reg := range p.Registers {
			if reg.Curve != plant.FromReadings {
				continue
			}
			held, err := db.Held(ctx, reg.ID)
			if err != nil {
				return err
			}
			for _, h := range held {
				per := reg.Quantity.PerDisplay()
				waiting = append(waiting, waitingRow{string(reg.ID), h.At, float64(h.Before) / per, float64(h.After) / per, reg.Quantity.DisplayUnit()})
			}
		}
		given, err := rulings(ctx, p, db)
		if err != nil {
			return err
		}
		if c.JSON {
			err = WriteJSON(s.Stdout, map[string]any{"waiting": waiting, "rulings": given})
		} else {
			err = printRulings(s, waiting, given)
		}
		if err == nil && len(waiting) > 0 {
			return ErrFinding
		}
		return err
	})
}

// rulings gives all rulings, register by register in the order of the plant.
func rulings(ctx context.Context, p *plant.Plant, db *store.DB) ([]rulingRow, error) {
	rows := []rulingRow{}
	for _, reg := range p.Registers {
		if reg.Curve != plant.FromReadings {
			continue
		}
		all, err := db.Rulings(ctx, reg.ID)
		if err != nil {
			return nil, err
		}
		for _, r := range all {
			rows = append(rows, rulingRow{string(reg.ID), r.At, r.Verdict, r.By, r.Note, r.Recorded})
		}
	}
	return rows, nil
}

func printRulings(s Surroundings, waiting []waitingRow, given []rulingRow) error {
	if len(waiting) == 0 {
		if _, err := fmt.Fprintln(s.Stdout, "no value waits for a ruling"); err != nil {
			return err
		}
	} else {
		var rows []string
		for _, w := range waiting {
			rows = append(rows, row(w.Register, w.At.Format(time.RFC3339Nano), unit.Group(w.Before, 3), unit.Group(w.Value, 3), w.Unit))
		}
		if err := table(s.Stdout, "WAITS\tREAD AT\tBEFORE\tVALUE\tUNIT", rows); err != nil {
			return err
		}
	}
	return printGiven(s.Stdout, given)
}

// printGiven prints the rulings that were given, after an empty line.
func printGiven(w io.Writer, given []rulingRow) error {
	if len(given) == 0 {
		return nil
	}
	var rows []string
	for _, r := range given {
		rows = append(rows, row(r.Register, r.At.Format(time.RFC3339Nano), string(r.Verdict), r.By, r.Recorded.Format(time.RFC3339), r.Note))
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return err
	}
	return table(w, "RULING ON\tREAD AT\tVERDICT\tBY\tGIVEN\tWHY", rows)
}

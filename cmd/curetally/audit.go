package main

import (
	"fmt"
	"text/tabwriter"

	"curetally/internal/work/settle"
)

type auditCommand struct {
	siteFlags
	JSON bool `help:"Print as JSON."`
}

// auditRow is what the audit says of one register.
type auditRow struct {
	Register  string  `json:"register"`
	Entries   int     `json:"entries"`
	Facts     int64   `json:"total_from_facts"`
	Stored    int64   `json:"total_stored"`
	Differing int     `json:"differing"`
	First     string  `json:"first_difference,omitempty"`
	Shown     float64 `json:"total_shown"`
	Unit      string  `json:"unit"`
}

// Run rebuilds all entries from facts and compares them with the stored ones.
// It exits with 3 when they differ.
func (c auditCommand) Run(s *surroundings) error {
	loaded, db, end, err := c.open(s)
	if err != nil {
		return err
	}
	defer end()
	waiting, err := db.UnsettledCount(s.ctx)
	if err != nil {
		return err
	}
	rows, bad := []auditRow{}, 0
	for _, reg := range loaded.Plant.Registers {
		f, err := settle.Audit(s.ctx, db, &loaded.Plant, reg)
		if err != nil {
			return err
		}
		if f.Differing > 0 || f.Total != f.Stored {
			bad++
		}
		rows = append(rows, auditRow{
			Register: string(reg.ID), Entries: f.Entries, Facts: f.Total, Stored: f.Stored, Differing: f.Differing, First: f.First,
			Shown: float64(f.Total) / reg.Quantity.PerDisplay(), Unit: reg.Quantity.DisplayUnit(),
		})
	}
	if c.JSON {
		if err := writeJSON(s.stdout, map[string]any{"registers": rows, "differing": bad, "unsettled": waiting}); err != nil {
			return err
		}
	} else {
		w := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "REGISTER\tENTRIES\tTOTAL\tVERDICT")
		for _, r := range rows {
			verdict := "agrees"
			if r.Differing > 0 || r.Facts != r.Stored {
				verdict = fmt.Sprintf("%d rows differ: %s", r.Differing, r.First)
			}
			fmt.Fprintf(w, "%s\t%d\t%.3f %s\t%s\n", r.Register, r.Entries, r.Shown, r.Unit, verdict)
		}
		if err := w.Flush(); err != nil {
			return err
		}
		fmt.Fprintf(s.stdout, "%d registers, %d differ", len(rows), bad)
		if waiting > 0 {
			fmt.Fprintf(s.stdout, "; %d stretches are not settled yet, which may explain a difference", waiting)
		}
		fmt.Fprintln(s.stdout)
	}
	if bad > 0 {
		return errFinding
	}
	return nil
}

package desk

import (
	"context"
	"fmt"
	"io"
	"strconv"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
	"curetally/internal/work/settle"
)

// Audit rebuilds all entries from facts and compares.
type Audit struct {
	Site
	JSON bool `help:"Print as JSON."`
}

// auditResult is what the audit says of a plant.
type auditResult struct {
	Registers []auditRow `json:"registers"`
	Differing int        `json:"differing"` // registers
	// Unsettled counts marks of facts that entries do not hold yet.
	Unsettled int64 `json:"unsettled"`
	// Rulings are what people ruled about single readings; they are facts that
	// the entries rest on.
	Rulings []rulingRow `json:"rulings"`
}

// auditRow is what the audit says of one register.
type auditRow struct {
	Register  string  `json:"register"`
	Entries   int     `json:"entries"`
	Facts     int64   `json:"total_from_facts"` // in the register's whole units
	Stored    int64   `json:"total_stored"`
	Differing int     `json:"differing"`
	First     string  `json:"first_difference,omitempty"`
	Shown     float64 `json:"total_shown"` // total_from_facts in Unit
	Unit      string  `json:"unit"`
}

func (r auditRow) agrees() bool { return r.Differing == 0 && r.Facts == r.Stored }

// Run rebuilds all entries from facts and compares them with the stored ones.
// It is a finding when they differ.
func (c Audit) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		result, err := audit(ctx, p, db)
		if err != nil {
			return err
		}
		if c.JSON {
			err = WriteJSON(s.Stdout, result)
		} else {
			err = printAudit(s.Stdout, result)
		}
		if err == nil && result.Differing > 0 {
			return ErrFinding
		}
		return err
	})
}

func audit(ctx context.Context, p *plant.Plant, db *store.DB) (auditResult, error) {
	result := auditResult{Registers: []auditRow{}}
	var err error
	if result.Unsettled, err = db.UnsettledCount(ctx); err != nil {
		return result, err
	}
	if result.Rulings, err = rulings(ctx, p, db); err != nil {
		return result, err
	}
	for _, reg := range p.Registers {
		f, err := settle.Audit(ctx, db, p, reg)
		if err != nil {
			return result, err
		}
		r := auditRow{
			Register: string(reg.ID), Entries: f.Entries, Facts: f.Total, Stored: f.Stored, Differing: f.Differing, First: f.First,
			Shown: float64(f.Total) / reg.Quantity.PerDisplay(), Unit: reg.Quantity.DisplayUnit(),
		}
		if !r.agrees() {
			result.Differing++
		}
		result.Registers = append(result.Registers, r)
	}
	return result, nil
}

func printAudit(w io.Writer, result auditResult) error {
	var rows []string
	for _, r := range result.Registers {
		verdict := "agrees"
		switch {
		case !r.agrees():
			verdict = fmt.Sprintf("%d entries differ: %s", r.Differing, r.First)
			if r.Differing == 1 {
				verdict = "1 entry differs: " + r.First
			}
		case r.Entries == 0:
			verdict = "nothing was counted yet"
		}
		decimals := 3
		if r.Unit == "" {
			decimals = 0
		}
		rows = append(rows, row(r.Register, strconv.Itoa(r.Entries), unit.Group(r.Shown, decimals)+" "+r.Unit, verdict))
	}
	if err := table(w, "REGISTER\tENTRIES\tTOTAL\tVERDICT", rows); err != nil {
		return err
	}
	text := fmt.Sprintf("%s, %d differ from the facts", Count(len(rows), "register"), result.Differing)
	if result.Unsettled > 0 {
		text += "; facts that came last are not settled yet, which may explain a difference — ask again when the daemon has settled them"
	}
	if _, err := fmt.Fprintln(w, text); err != nil {
		return err
	}
	return printGiven(w, result.Rulings)
}

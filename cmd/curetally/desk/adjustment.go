package desk

import (
	"context"
	"fmt"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/store"
)

// AdjustmentList lists the non-routine adjustments of a project.
type AdjustmentList struct {
	Site
	Project string `arg:"" help:"Savings project of the configuration."`
	JSON    bool   `help:"Print as JSON."`
}

// adjustmentRow is an adjustment in JSON.
type adjustmentRow struct {
	Number    int       `json:"number"`
	From      time.Time `json:"from"`
	To        time.Time `json:"to"` // exclusive
	KWh       float64   `json:"kwh"`
	Factor    string    `json:"static_factor,omitempty"`
	Event     string    `json:"event"`
	Evidence  string    `json:"evidence"`
	Approver  string    `json:"approver"`
	InsteadOf int       `json:"instead_of,omitempty"`
	InForce   bool      `json:"in_force"`
	Recorded  time.Time `json:"recorded"`
}

// Run lists them by number.
func (c AdjustmentList) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		pr, err := FindProject(p, c.Project)
		if err != nil {
			return err
		}
		all, err := db.Adjustments(ctx, pr.ID)
		if err != nil {
			return err
		}
		force := map[int]bool{}
		for _, a := range savings.InForce(all) {
			force[a.Number] = true
		}
		out, rows := []adjustmentRow{}, []string{}
		for _, a := range all {
			out = append(out, adjustmentRow{
				a.Number, a.From.In(p.TimeZone), a.To.In(p.TimeZone), a.Energy.KWh(), a.Factor, a.Event, a.Evidence, a.Approver, a.InsteadOf, force[a.Number], a.Recorded,
			})
			state := "counts"
			if !force[a.Number] {
				state = "replaced"
			}
			if a.Energy == 0 {
				state = fmt.Sprintf("takes back %d", a.InsteadOf)
			}
			rows = append(rows, row(fmt.Sprint(a.Number), Date(a.From, p), Date(a.To, p), signed(a.Energy.KWh()), state, a.Factor, a.Event, a.Evidence, a.Approver))
		}
		if c.JSON {
			return WriteJSON(s.Stdout, map[string]any{"adjustments": out})
		}
		if len(all) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "no adjustment is on record")
			return err
		}
		return table(s.Stdout, "NUMBER\tFROM\tTO\tkWh\tSTATE\tSTATIC FACTOR\tEVENT\tEVIDENCE\tAPPROVED BY", rows)
	})
}

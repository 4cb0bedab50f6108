package desk

import (
	"context"
	"errors"
	"fmt"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
)

// Period are the flags that choose the period of a statement.
type Period struct {
	Month  string `help:"Calendar month; weeks and months of the model count where they begin." placeholder:"2026-03" xor:"period"`
	Day    string `help:"Local day." placeholder:"2026-03-09" xor:"period"`
	ToDate bool   `help:"Everything since the reporting period began, to the last whole day." xor:"period"`
}

// Read gives the period that the flags choose; all of the reporting period where
// they choose none.
func (c Period) Read(p *plant.Plant) (savings.Period, error) {
	switch {
	case c.Month != "":
		if len(c.Month) != len("2026-03") {
			return savings.Period{}, fmt.Errorf("--month %q: expected a month such as 2026-03", c.Month)
		}
		return savings.ParsePeriod(c.Month, p)
	case c.Day != "":
		if len(c.Day) != len(time.DateOnly) {
			return savings.Period{}, fmt.Errorf("--day %q: expected a day such as 2026-03-09", c.Day)
		}
		return savings.ParsePeriod(c.Day, p)
	default:
		return savings.Period{}, nil
	}
}

// Fixed is Read, with the day on which a statement to date ends.
func (c Period) Fixed(p *plant.Plant, now time.Time) (savings.Period, error) {
	if c.ToDate {
		return savings.ToDate(p.Day(now, -1)), nil
	}
	return c.Read(p)
}

// Published shows what was published.
type Published struct {
	Site
	Project string `arg:"" help:"Savings project of the configuration."`
	Period  string `help:"Print the statement of this period, byte for byte as it was published." placeholder:"2026-03"`
	Version int    `help:"Version to print; the newest by default." placeholder:"N"`
	JSON    bool   `help:"Print the list as JSON."`
}

// publishedRow is a published statement in JSON.
type publishedRow struct {
	Period   string    `json:"period"`
	Version  int       `json:"version"`
	At       time.Time `json:"published"`
	By       string    `json:"by"`
	Software string    `json:"software"`
	Reason   string    `json:"reason,omitempty"`
	Hash     string    `json:"sha256"`
	SavedKWh float64   `json:"saved_kwh"`
	HalfKWh  float64   `json:"half_width_kwh"`
	Newest   bool      `json:"newest"`
}

// Run lists published statements, or prints one.
func (c Published) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		pr, err := FindProject(p, c.Project)
		if err != nil {
			return err
		}
		all, err := db.Published(ctx, pr.ID)
		if err != nil {
			return err
		}
		if c.Period != "" {
			return c.print(s, all)
		}
		out, rows := []publishedRow{}, []string{}
		for i, x := range all {
			st, err := publish.Read(x)
			if err != nil {
				return err
			}
			newest := i+1 == len(all) || all[i+1].Period != x.Period
			out = append(out, publishedRow{x.Period, x.Version, x.At, x.By, x.Software, x.Reason, x.Hash, st.SavedKWh, st.HalfWidthKWh, newest})
			why := x.Reason
			if x.Version > 1 {
				why = fmt.Sprintf("instead of version %d: %s", x.Version-1, x.Reason)
			}
			rows = append(rows, row(x.Period, fmt.Sprint(x.Version), Moment(x.At, p), x.By,
				unit.Group(st.SavedKWh, 0)+" ± "+unit.Group(st.HalfWidthKWh, 0), why))
		}
		if c.JSON {
			return WriteJSON(s.Stdout, map[string]any{"published": out})
		}
		if len(all) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "nothing was published yet")
			return err
		}
		return table(s.Stdout, "PERIOD\tVERSION\tPUBLISHED\tBY\tSAVED kWh\tREASON", rows)
	})
}

// print writes the document of one statement.
func (c Published) print(s Surroundings, all []plant.Published) error {
	var found plant.Published
	for _, x := range all {
		if x.Period == c.Period && (c.Version == 0 || x.Version == c.Version) {
			found = x
		}
	}
	if found.Version == 0 {
		return errors.New("no such statement was published — the list is shown without --period")
	}
	if _, err := publish.Read(found); err != nil {
		return err
	}
	_, err := s.Stdout.Write(append(found.Document, '\n'))
	return err
}

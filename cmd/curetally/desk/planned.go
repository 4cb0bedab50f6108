package desk

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"time"

	"curetally/internal/core/savings"
	"curetally/internal/core/survey"
	"curetally/internal/core/unit"
	"curetally/internal/link/config/surveys"
)

// printCases lays the case that a survey made next to what was measured.
func printCases(ctx context.Context, s Surroundings, file string, all planned) error {
	data, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("survey: %w", err)
	}
	v, problems := surveys.Read(file, data)
	if len(problems) > 0 {
		return problems
	}
	cases := []map[string]any{}
	for _, pr := range all.projects {
		st, _, err := stated(ctx, all, pr)
		if err != nil {
			return err
		}
		both := bothCases{survey: v, statement: st, planned: survey.Work(v), measured: survey.Work(survey.WithMeasured(v, yearly(st)))}
		if all.json {
			cases = append(cases, both.json())
		} else if err := both.print(s.Stdout); err != nil {
			return err
		}
	}
	if all.json {
		return WriteJSON(s.Stdout, map[string]any{"cases": cases})
	}
	return nil
}

// daysOfYear is the mean length of a year.
const daysOfYear = 365.25

// yearly scales a statement to a year of days such as those that were counted.
func yearly(st savings.Statement) survey.Measured {
	scale := daysOfYear / float64(st.Days)
	return survey.Measured{
		Before: scale * (st.ExpectedKWh + st.AdjustmentKWh), After: scale * st.ActualKWh, SavedStandard: scale * savedStandard(st),
	}
}

// bothCases are the planned case and the one with the measured energy.
type bothCases struct {
	survey            survey.Survey
	statement         savings.Statement
	planned, measured survey.Case
}

// caseFigure is one row of the comparison.
type caseFigure struct {
	key, title        string
	planned, measured survey.Figure
	text              func(float64) string
}

func (b bothCases) figures() []caseFigure {
	whole := func(v float64) string { return unit.Group(v, 0) }
	years := func(v float64) string { return unit.Group(v, 1) }
	percent := func(v float64) string { return unit.Group(100*v, 1) + " %" }
	p, m, money := b.planned, b.measured, b.survey.Currency
	return []caseFigure{
		{"energy_before_kwh", "energy before, kWh a year", p.EnergyKWh.Before, m.EnergyKWh.Before, whole},
		{"energy_after_kwh", "energy after, kWh a year", p.EnergyKWh.After, m.EnergyKWh.After, whole},
		{"energy_saved_kwh", "energy saved, kWh a year", p.EnergyKWh.Saved, m.EnergyKWh.Saved, whole},
		{"energy_cost_saved", "energy cost saved, " + money + " a year", p.EnergyCost.Saved, m.EnergyCost.Saved, whole},
		{"cost_saved", "cost saved, " + money + " a year", p.RunningCost.Saved, m.RunningCost.Saved, whole},
		{"carbon_saved_kg", "carbon saved, kg a year", p.CarbonKg.Saved, m.CarbonKg.Saved, whole},
		{"simple_payback_years", "simple payback, years", p.SimplePayback, m.SimplePayback, years},
		{"payback_years", "payback, years", p.Payback, m.Payback, years},
		{"discounted_payback_years", "discounted payback, years", p.DiscountedPayback, m.DiscountedPayback, years},
		{"npv", "net present value, " + money, p.NPV, m.NPV, whole},
		{"irr", "internal rate of return", p.IRR, m.IRR, percent},
	}
}

// notes say in words what the figures alone do not.
func (b bothCases) notes() []string {
	saved, plan := b.measured.EnergyKWh.Saved.Value, b.planned.EnergyKWh.Saved
	verdict := "within"
	switch {
	case saved < plan.Low:
		verdict = "below"
	case saved > plan.High:
		verdict = "above"
	}
	out := []string{
		fmt.Sprintf("The measured saving is %s the interval of the plan.", verdict),
		fmt.Sprintf("Measured energy is that of %s (%s to %s) scaled to a year of such days; prices, lamps, upkeep and investment are those of the survey on both sides, so what differs is the energy.",
			Count(b.statement.Days, "counted day"), b.statement.From.Format(time.DateOnly), b.statement.To.Format(time.DateOnly)),
	}
	if b.statement.Days < 330 {
		out = append(out, "The days that count are no whole year: seasons and holidays that are not in them are not in the yearly figures either.")
	}
	for _, x := range []struct {
		name  string
		rates []float64
	}{{"planned", b.planned.Rates}, {"measured", b.measured.Rates}} {
		switch {
		case len(x.rates) > 1:
			out = append(out, fmt.Sprintf("The internal rate of return of the %s case is not unique; go by the net present value.", x.name))
		case len(x.rates) == 0:
			out = append(out, fmt.Sprintf("The %s case has no internal rate of return.", x.name))
		}
	}
	return out
}

func (b bothCases) print(w io.Writer) error {
	fmt.Fprintf(w, "planned and measured, %s: intervals of %.0f %%\n", b.statement.Project, 100*b.survey.Confidence)
	shown := func(v float64, text func(float64) string) string {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return ""
		}
		return text(v)
	}
	var rows []string
	for _, f := range b.figures() {
		rows = append(rows, row(f.title, shown(f.planned.Value, f.text), shown(f.planned.Low, f.text), shown(f.planned.High, f.text),
			shown(f.measured.Value, f.text), shown(f.measured.Low, f.text), shown(f.measured.High, f.text)))
	}
	if err := table(w, "\tPLANNED\tFROM\tTO\tMEASURED\tFROM\tTO", rows); err != nil {
		return err
	}
	for _, n := range b.notes() {
		if _, err := fmt.Fprintln(w, n); err != nil {
			return err
		}
	}
	return nil
}

// spreadJSON is a figure with its interval; what does not exist is null.
type spreadJSON struct {
	Value *float64 `json:"value"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}

func spread(f survey.Figure) spreadJSON {
	number := func(v float64) *float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	return spreadJSON{number(f.Value), number(f.Low), number(f.High)}
}

func (b bothCases) json() map[string]any {
	planned, measured := map[string]spreadJSON{}, map[string]spreadJSON{}
	for _, f := range b.figures() {
		planned[f.key], measured[f.key] = spread(f.planned), spread(f.measured)
	}
	return map[string]any{
		"project": b.statement.Project, "currency": b.survey.Currency, "confidence": b.survey.Confidence, "days": b.statement.Days,
		"planned": planned, "measured": measured, "notes": b.notes(),
	}
}

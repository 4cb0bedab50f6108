package desk

import (
	"fmt"
	"io"

	"curetally/internal/app/weather"
	"curetally/internal/core/hvac"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/link/config"
)

// effectsOf estimates what happened beside the meters over the days of a statement;
// nothing where the project describes no effects.
func effectsOf(conf *config.Config, pr plant.Project, st savings.Statement) ([]hvac.Line, error) {
	t := conf.Terms.Projects[pr.ID]
	if t.Effects == nil || len(st.Series) == 0 {
		return nil, nil
	}
	p := &conf.Plant
	d := hvac.Days{
		Zone: p.TimeZone, ExpectedKWh: st.ExpectedKWh + st.AdjustmentKWh, ActualKWh: st.ActualKWh,
		SavedStandard: savedStandard(st), ScheduledHours: st.ScheduledHours,
	}
	for _, s := range st.Series {
		d.Each = append(d.Each, hvac.Stretch{From: p.Day(s.Day, 0), To: p.Day(s.Day, 1)})
	}
	var air []hvac.Observation
	if t.Weather != "" {
		var err error
		if air, err = weather.Read(t.Weather, p.TimeZone); err != nil {
			return nil, err
		}
	}
	lines, err := t.Effects.Lines(d, air)
	if err != nil {
		return nil, fmt.Errorf("project %s, %s: %w", pr.ID, t.Weather, err)
	}
	return lines, nil
}

// savedStandard is the standard uncertainty of a saving: the half-width at 68 %, which
// the first of savings.Levels is.
func savedStandard(st savings.Statement) float64 {
	if len(st.Intervals) == 0 {
		return 0
	}
	return st.Intervals[0].HalfWidthKWh
}

func printEffects(w io.Writer, st savings.Statement, lines []hvac.Line) error {
	if len(lines) == 0 {
		return nil
	}
	fmt.Fprintf(w, "  beside the meter estimates from the configuration at %.0f %% confidence; not measured, and in no figure above\n", 100*st.Confidence)
	var notes []string
	for _, l := range lines {
		fmt.Fprintf(w, "    %-30s %s ± %s kWh (%s)\n", l.Name, signed(l.KWh), unit.Group(l.HalfWidth(st.Confidence), 0), l.Carrier)
		if l.Note != "" && (len(notes) == 0 || notes[len(notes)-1] != l.Note) {
			notes = append(notes, l.Note)
		}
	}
	for _, n := range notes {
		if _, err := fmt.Fprintf(w, "    note: %s\n", n); err != nil {
			return err
		}
	}
	return nil
}

// effectJSON is an effect as data; below 0 more is used.
type effectJSON struct {
	Project    plant.ProjectID `json:"project"`
	Effect     string          `json:"effect"`
	Carrier    string          `json:"carrier"`
	Saved      float64         `json:"saved_kwh"`
	Standard   float64         `json:"standard_uncertainty_kwh"`
	HalfWidth  float64         `json:"half_width_kwh"`
	Confidence float64         `json:"confidence"`
	Method     string          `json:"method"`
	Note       string          `json:"note,omitempty"`
}

func effectsJSON(id plant.ProjectID, st savings.Statement, lines []hvac.Line) []effectJSON {
	var out []effectJSON
	for _, l := range lines {
		out = append(out, effectJSON{id, l.Name, l.Carrier, l.KWh, l.StandardKWh, l.HalfWidth(st.Confidence), st.Confidence, "estimate", l.Note})
	}
	return out
}

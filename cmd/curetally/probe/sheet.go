package probe

import (
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/core/layout"
	"curetally/internal/link/report/signoff"
)

// recordPDF writes the record as pages to sign.
func recordPDF(w io.Writer, r Record, zone *time.Location) error {
	sheet := signoff.Record{
		Site: r.Site, At: r.At.In(zone), By: r.By, Program: r.Program, Safety: r.Safety, Notice: r.Notice,
	}
	for i := range r.Meters {
		sheet.Meters = append(sheet.Meters, sheetOf(&r.Meters[i], r.transformerText(&r.Meters[i]), zone))
	}
	return signoff.Write(w, sheet)
}

func sheetOf(m *Meter, transformer string, zone *time.Location) signoff.Meter {
	out := signoff.Meter{
		Name: m.Meter, Problem: m.Problem, Verdict: string(m.outcome()),
		Plate: [][2]string{
			{"Connection", fmt.Sprintf("unit %d on %s, bus %s", m.Unit, m.URL, m.Bus)},
			{"Profile", m.Profile},
			{"Rated power", fmt.Sprintf("%.3g kW", m.MaxPower/1000)},
		},
	}
	if m.Multiplier != "" {
		out.Plate = append(out.Plate, [2]string{"Ratio of transformers", m.Multiplier})
	}
	if transformer == "" {
		transformer = "not stated"
	}
	out.Plate = append(out.Plate, [2]string{"Current transformers", transformer})
	if m.At.IsZero() {
		return out
	}
	out.ValuesAt = m.At.In(zone).Format(clock)
	for _, v := range m.Values {
		line := signoff.Value{Name: v.Name, Number: reading(v), Unit: v.Unit, Doubt: v.Doubt}
		if v.Plausible {
			line.Remark = "plausible"
		}
		out.Values = append(out.Values, line)
	}
	for _, v := range m.Verdicts {
		out.Checks = append(out.Checks, signoff.Check{Name: v.Check, Outcome: string(v.Outcome), Says: v.Says, Remedy: v.Remedy})
	}
	for _, v := range m.Movements {
		out.Movements = append(out.Movements, signoff.Movement{
			Register: v.Register, Counts: v.Counts, Watched: fmt.Sprintf("%.0f s", v.Seconds), Moved: movedText(v.Moved), Power: powerText(v),
		})
	}
	return out
}

// reading is a value without its tick.
func reading(v layout.Value) string { return strings.TrimRight(cell(v), " ✓") }

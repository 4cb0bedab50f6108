package probe

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"curetally/internal/core/commission"
	"curetally/internal/core/layout"
)

// ANSI control sequences: what is left of an older page is cleared line by line, so
// that the page does not flicker.
const (
	clearScreen = "\x1b[2J"
	home        = "\x1b[H"
	clearLine   = "\x1b[K"
	clearBelow  = "\x1b[J"
)

// redraw turns a page into one that takes the place of the last.
func redraw(page []byte) []byte {
	lines := bytes.ReplaceAll(page, []byte("\n"), []byte(clearLine+"\n"))
	return bytes.Join([][]byte{[]byte(home), lines, []byte(clearBelow)}, nil)
}

const clock = "Mon 2 Jan 2006 15:04:05"

func writeHead(w io.Writer, r Record, zone *time.Location) {
	fmt.Fprintf(w, "%s   %s   read only\n%s\n", r.Site, r.At.In(zone).Format(clock), safety)
	if r.Notice != "" {
		fmt.Fprintln(w, r.Notice)
	}
}

// writePage shows every meter with all its values and verdicts.
func writePage(w io.Writer, r Record, zone *time.Location) {
	writeHead(w, r, zone)
	for i := range r.Meters {
		m := &r.Meters[i]
		fmt.Fprintf(w, "\n%s   %s\n", m.Meter, m.place())
		if m.Problem != "" {
			fmt.Fprintf(w, "  NOT READ  %s\n", m.Problem)
		}
		if m.At.IsZero() {
			continue
		}
		if m.Problem != "" {
			fmt.Fprintf(w, "  the values are of %s\n", m.At.In(zone).Format(clock))
		}
		m.writeSettings(w)
		writeVerdicts(w, m.Verdicts)
		if len(m.Movements) > 1 { // that of one register stands in its verdict
			writeMovements(w, m.Movements)
		}
	}
}

func (m *Meter) place() string {
	text := fmt.Sprintf("unit %d on %s   profile %s   rated %.3g kW", m.Unit, m.URL, m.Profile, m.MaxPower/1000)
	if m.Multiplier != "" {
		text += "   multiplier " + m.Multiplier
	}
	return text
}

// writeSettings shows the values under each order of words and bytes at the
// configured addresses, and at the neighbouring ones where that looks as good.
func (m *Meter) writeSettings(w io.Writer) {
	own := m.Settings[0]
	var rest []string
	for _, group := range groups(m.Settings) {
		shift := group[0].Shift
		good := false
		for _, s := range group {
			good = good || s.Plausible >= own.Plausible && s.Doubtful <= own.Doubtful
		}
		if shift == 0 || good {
			writeGroup(w, group)
			continue
		}
		text := fmt.Sprintf("address %d lower", -shift)
		if shift > 0 {
			text = fmt.Sprintf("address %d higher", shift)
		}
		for _, s := range group {
			text += fmt.Sprintf(" %d", s.Plausible)
		}
		rest = append(rest, text)
	}
	if len(rest) > 0 {
		fmt.Fprintf(w, "  plausible of %d in the same orders: %s\n", own.Plausible+own.Doubtful, strings.Join(rest, "; "))
	}
}

// groups splits settings by address.
func groups(all []Setting) [][]Setting {
	var out [][]Setting
	for _, s := range all {
		if n := len(out); n > 0 && out[n-1][0].Shift == s.Shift {
			out[n-1] = append(out[n-1], s)
			continue
		}
		out = append(out, []Setting{s})
	}
	return out
}

const (
	nameWidth = 18
	cellWidth = 17
)

// writeGroup is one table: a row per value, a column per order. A tick marks what
// is plausible.
func writeGroup(w io.Writer, group []Setting) {
	switch shift := group[0].Shift; {
	case shift < 0:
		fmt.Fprintf(w, "  the same with every address %d lower:\n", -shift)
	case shift > 0:
		fmt.Fprintf(w, "  the same with every address %d higher:\n", shift)
	}
	head := pad("  VALUE", nameWidth) + pad("UNIT", 5)
	for _, s := range group {
		head += padLeft(columnTitle(s), cellWidth)
	}
	fmt.Fprintln(w, strings.TrimRight(head, " "))
	for i, v := range group[0].Values {
		row := pad("  "+v.Name, nameWidth) + pad(v.Unit, 5)
		for _, s := range group {
			row += padLeft(cell(s.Values[i]), cellWidth)
		}
		fmt.Fprintln(w, strings.TrimRight(row, " "))
	}
	row := pad("  plausible", nameWidth) + pad("", 5)
	for _, s := range group {
		row += padLeft(fmt.Sprintf("%d of %d  ", s.Plausible, s.Plausible+s.Doubtful), cellWidth)
	}
	fmt.Fprintln(w, strings.TrimRight(row, " "))
}

func columnTitle(s Setting) string {
	switch {
	case s.Configured:
		return "[CONFIGURED]  "
	case s.SwapWords && s.SwapBytes:
		return "both swapped  "
	case s.SwapWords:
		return "words swapped  "
	case s.SwapBytes:
		return "bytes swapped  "
	default:
		return "same orders  "
	}
}

// cell shows a value with a tick when it is plausible.
func cell(v layout.Value) string {
	switch v.Content {
	case layout.Nothing:
		return "-  "
	case layout.Unreadable:
		return "refused  "
	case layout.Unusable:
		return "unusable  "
	}
	if v.Plausible {
		return number(v) + " ✓"
	}
	return number(v) + "  "
}

// number writes a value with the digits that its unit is read with.
func number(v layout.Value) string {
	if a := math.Abs(v.Number); a >= 1e8 || a > 0 && a < 1e-3 {
		return fmt.Sprintf("%.3e", v.Number)
	}
	decimals := 3
	switch v.Unit {
	case "W", "V":
		decimals = 1
	case "Hz":
		decimals = 2
	}
	return fmt.Sprintf("%.*f", decimals, v.Number)
}

func writeVerdicts(w io.Writer, all []commission.Verdict) {
	for _, v := range all {
		fmt.Fprintf(w, "  %-9s %-12s %s\n", strings.ToUpper(string(v.Outcome)), v.Check, v.Says)
		if v.Remedy != "" {
			fmt.Fprintf(w, "  %-9s %-12s → %s\n", "", "", v.Remedy)
		}
	}
}

// writeMovements is a table with a row per energy register.
func writeMovements(w io.Writer, all []commission.Movement) {
	fmt.Fprintln(w, pad("  REGISTER", nameWidth)+pad(" COUNTS", 9)+padLeft("WATCHED", 9)+padLeft("MOVED", cellWidth)+padLeft("BY POWER", cellWidth))
	for _, m := range all {
		fmt.Fprintln(w, pad("  "+m.Register, nameWidth)+pad(" "+m.Counts, 9)+padLeft(fmt.Sprintf("%.0f s", m.Seconds), 9)+padLeft(movedText(m.Moved), cellWidth)+padLeft(powerText(m), cellWidth))
	}
}

func movedText(kwh float64) string {
	return strings.Replace(fmt.Sprintf("%.3f kWh", kwh), "-", "−", 1)
}

// powerText is the energy that the power samples give, where it is known which
// share of it the register counts.
func powerText(m commission.Movement) string {
	if m.Counts == commission.CountsPart {
		return "-"
	}
	return movedText(m.Power)
}

// writeOverview shows one line per meter, and below it what is not good.
func writeOverview(w io.Writer, r Record, zone *time.Location) {
	writeHead(w, r, zone)
	fmt.Fprintln(w)
	longest := len("METER")
	for _, m := range r.Meters {
		longest = max(longest, len(m.Meter))
	}
	fmt.Fprintln(w, pad("METER", longest+2)+pad("VERDICT", 18)+padLeft("POWER", 12)+padLeft("ENERGY", 20))
	for i := range r.Meters {
		m := &r.Meters[i]
		fmt.Fprintln(w, pad(m.Meter, longest+2)+pad(m.summary(), 18)+padLeft(m.first("W"), 12)+padLeft(m.first("kWh"), 20))
		if m.Problem != "" {
			fmt.Fprintf(w, "  not read: %s\n", m.Problem)
		}
		for _, v := range m.Verdicts {
			if v.Outcome != commission.Good && v.Outcome != commission.Open {
				fmt.Fprintf(w, "  %s: %s → %s\n", v.Check, v.Says, v.Remedy)
			}
		}
	}
}

// summary is the worst outcome, and how many checks could not be made.
func (m *Meter) summary() string {
	open := 0
	for _, v := range m.Verdicts {
		if v.Outcome == commission.Open {
			open++
		}
	}
	text := strings.ToUpper(string(m.outcome()))
	if open > 0 && open < len(m.Verdicts) {
		text += fmt.Sprintf(", %d open", open)
	}
	return text
}

// first is the first value in a unit, with it; a dash when there is none.
func (m *Meter) first(unit string) string {
	for _, v := range m.Values {
		if v.Unit == unit && v.Content == layout.Number {
			return number(v) + " " + unit
		}
	}
	return "-"
}

// recordText is the record to print and sign.
func recordText(r Record, zone *time.Location) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "COMMISSIONING RECORD OF METERS\n\nSite      %s\nTime      %s (%s)\nBy        %s\nProgram   %s\n",
		r.Site, r.At.In(zone).Format(clock), zone, r.By, r.Program)
	fmt.Fprintf(&b, "\n%s\n", r.Safety)
	if r.Notice != "" {
		fmt.Fprintf(&b, "\n%s\n", r.Notice)
	}
	for i := range r.Meters {
		m := &r.Meters[i]
		fmt.Fprintf(&b, "\n%s   %s\n", m.Meter, m.place())
		if ct := r.transformerText(m); ct != "" {
			fmt.Fprintf(&b, "  current transformers %s\n", ct)
		}
		if m.Problem != "" {
			fmt.Fprintf(&b, "  NOT READ  %s\n", m.Problem)
		}
		if m.At.IsZero() {
			continue
		}
		fmt.Fprintf(&b, "  values of %s, as configured\n", m.At.In(zone).Format(clock))
		for _, v := range m.Values {
			row := pad("  "+v.Name, nameWidth) + padLeft(reading(v), 16) + " " + pad(v.Unit, 5)
			if v.Doubt != "" {
				row += "not plausible: " + v.Doubt
			}
			fmt.Fprintln(&b, strings.TrimRight(row, " "))
		}
		writeVerdicts(&b, m.Verdicts)
		if len(m.Movements) > 0 {
			writeMovements(&b, m.Movements)
		}
	}
	const rule = "______________________________"
	fmt.Fprintf(&b, "\n\nElectrician   %s   Date %s\n\n\nEngineer      %s   Date %s\n", rule, rule[:14], rule, rule[:14])
	return b.Bytes()
}

func pad(s string, width int) string {
	return s + strings.Repeat(" ", max(width-utf8.RuneCountInString(s), 1))
}

func padLeft(s string, width int) string {
	return strings.Repeat(" ", max(width-utf8.RuneCountInString(s), 1)) + s
}

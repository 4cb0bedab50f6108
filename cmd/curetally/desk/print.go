package desk

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"curetally/internal/core/plant"
)

// WriteJSON prints one indented JSON document.
func WriteJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// table prints rows under a header, columns separated by tabs.
func table(w io.Writer, header string, rows []string) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, header)
	for _, r := range rows {
		fmt.Fprintln(t, r)
	}
	return t.Flush()
}

// Table prints rows of cells under a header whose columns are separated by tabs; an
// empty cell is shown as a dash.
func Table(w io.Writer, header string, rows [][]string) error {
	lines := make([]string, 0, len(rows))
	for _, cells := range rows {
		lines = append(lines, row(cells...))
	}
	return table(w, header, lines)
}

// row joins cells for table; an empty cell is shown as a dash.
func row(cells ...string) string {
	for i, c := range cells {
		if c == "" {
			cells[i] = "-"
		}
	}
	return strings.Join(cells, "\t")
}

// Moment shows an instant to the minute in the site's time.
func Moment(t time.Time, p *plant.Plant) string {
	return t.In(p.TimeZone).Format("Mon 2 Jan 2006 15:04")
}

// Date shows the local day of an instant; nothing for none.
func Date(t time.Time, p *plant.Plant) string {
	if t.IsZero() {
		return ""
	}
	return t.In(p.TimeZone).Format(time.DateOnly)
}

// Count writes a number of things.
func Count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

package history

import (
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/work/intake"
)

// result is what an import says of a file.
type result struct {
	File   string `json:"file"`
	DryRun bool   `json:"dry_run"`
	// LeftAlone: rows were refused, so nothing is taken.
	LeftAlone bool `json:"left_alone"`
	intake.Report
}

func (r result) print(s desk.Surroundings, p *plant.Plant, json bool) error {
	if json {
		return desk.WriteJSON(s.Stdout, r)
	}
	return r.text(s.Stdout, p)
}

// text says in words what came of the file.
func (r result) text(w io.Writer, p *plant.Plant) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s", r.File, rows(r.Rows))
	if r.First != nil {
		fmt.Fprintf(&b, " from %s to %s", desk.Moment(*r.First, p), desk.Moment(*r.Last, p))
	}
	b.WriteString("\n")
	taken := "taken"
	switch {
	case r.DryRun && r.LeftAlone:
		taken = "good (dry run; the file would be left alone)"
	case r.DryRun:
		taken = "would be taken (dry run, nothing was written)"
	case r.LeftAlone:
		taken = "taken (the file was left alone)"
	}
	for _, c := range []struct {
		n    int64
		what string
		show bool
	}{
		{r.Taken, taken, true},
		{r.OnRecord, "on record already", r.OnRecord > 0},
		{r.Repeated, "repeated in the file", r.Repeated > 0},
		{r.Conflicts, "on record with another value, which was kept", r.Conflicts > 0},
		{r.Refused, "refused", r.Refused > 0},
	} {
		if c.show {
			fmt.Fprintf(&b, "%10s %s\n", group(c.n), c.what)
		}
	}
	if r.Resumed > 0 {
		fmt.Fprintf(&b, "%10s of these had been gone through by an earlier import of the same file\n", group(r.Resumed))
	}
	if r.Unordered && r.DryRun {
		b.WriteString("The rows are not in order of time: two values for one instant may show only when they are taken.\n")
	}
	for _, q := range r.Problems {
		place := fmt.Sprintf("%s:%d: ", r.File, q.Line)
		if q.Column != "" {
			place += q.Column + ": "
		}
		b.WriteString(place + q.Text + "\n")
	}
	if r.Unlisted > 0 {
		fmt.Fprintf(&b, "%s: %s problems more\n", r.File, group(r.Unlisted))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func group(n int64) string { return unit.Group(float64(n), 0) }

func rows(n int64) string {
	if n == 1 {
		return "1 row"
	}
	return group(n) + " rows"
}

func rowsAre(n int64) string {
	if n == 1 {
		return "1 row is"
	}
	return group(n) + " rows are"
}

// progressPause is the time between two lines that tell how far a long import is.
const progressPause = 10 * time.Second

// progress tells how far a long import is; a short one is over before it says
// anything.
func progress(name string, log *slog.Logger) func(int, int64) {
	last := time.Now()
	return func(reading int, n int64) {
		if time.Since(last) < progressPause {
			return
		}
		last = time.Now()
		doing := "checking"
		if reading == 2 {
			doing = "taking in"
		}
		log.Info(doing, "component", "import", "file", name, "rows", n)
	}
}

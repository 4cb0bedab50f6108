package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"

	"curetally/internal/core/savings"
)

// The report of a plant on record: from registers to a file, the same each time,
// with the figures that the statement has.
func TestReportOfAPlant(t *testing.T) {
	p := newPress(t)
	conf := "--config=" + p.config
	command(t, exitOK, "baseline", "freeze", "heron-led", "--by", "Ann Example", conf)
	dir := t.TempDir()
	for name, begin := range map[string]string{"report.xlsx": "PK\x03\x04", "report.html": "<!doctype html>", "report.pdf": "%PDF-1.", "report.json": "{"} {
		once := filepath.Join(dir, name)
		text := command(t, exitOK, "report", "--out", once, "--month", "2025-06", conf)
		contains(t, text, `^report of heron-led, 2025-06-01 to 2025-06-30: .*`+name+`\n$`)
		again := filepath.Join(dir, "again-"+name)
		command(t, exitOK, "report", "--out", again, "--month", "2025-06", conf)
		first, second := content(t, once), content(t, again)
		if !bytes.HasPrefix(first, []byte(begin)) {
			t.Errorf("%s begins with %q", name, first[:min(8, len(first))])
		}
		if !bytes.Equal(first, second) {
			t.Errorf("%s differs from one writing to the next", name)
		}
	}

	var said struct {
		Statement savings.Statement
		Before    []struct{ Actual float64 } `json:"baseline_rows"`
		LoadKW    map[string][]float64       `json:"mean_kw_by_hour"`
	}
	decode(t, command(t, exitOK, "report", "--to-date", "--json", "--out", filepath.Join(dir, "to-date.xlsx"), conf), &said)
	if st := said.Statement; st.Days != 42 || len(said.Before) != 40 || len(said.LoadKW["baseline"]) != 24 {
		t.Errorf("figures: %d days, %d rows before, %d hours", st.Days, len(said.Before), len(said.LoadKW["baseline"]))
	}

	nothing := filepath.Join(dir, "nothing.xlsx")
	var errs bytes.Buffer
	if code := run(t.Context(), []string{"report", "--out", nothing, "--month", "2024-06", conf}, io.Discard, &errs); code != exitFailed {
		t.Errorf("a month without days: exit code %d", code)
	}
	contains(t, errs.String(), `no usable reporting day.* — ask for a period that has counted days, or for --to-date; curetally savings heron-led lists why days were left out`)
	if _, err := os.Stat(nothing); !os.IsNotExist(err) {
		t.Errorf("a month without days left a file: %v", err)
	}
}

func content(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"curetally/internal/link/columnar"
	"curetally/internal/link/privatepg/pgtest"
)

// What was exported and is imported into an empty database gives the same facts
// and the same entries, byte for byte.
func TestExportIsImportedUnchanged(t *testing.T) {
	from := newPress(t)
	dir := t.TempDir()
	out := func(config, kind, name string) string {
		t.Helper()
		path := filepath.Join(dir, name+"-"+kind+".csv")
		command(t, exitOK, "export", kind, "--config", config, "--out", path)
		return path
	}
	signals := filepath.Join(dir, "signals.csv")
	text := "time,subject,name,value\n2025-05-01T00:00:00.125Z,heron-1,housing_celsius,0.1\n2025-05-01T00:00:01Z,heron-1,housing_celsius,1e+21\n"
	if err := os.WriteFile(signals, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, exitOK, "import", "signals", signals, "--config", from.config)

	to := filepath.Join(t.TempDir(), "plant.yaml")
	for path, text := range map[string]string{to: pressYAML, filepath.Join(filepath.Dir(to), "database-url"): pgtest.New(t)} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	kinds := []string{"readings", "states", "signals", "lamps"}
	for _, kind := range kinds {
		args := []string{"import", kind, out(from.config, kind, "from"), "--config", to}
		if kind == "lamps" {
			args = append(args, "--by", "Bea")
		}
		if said := command(t, exitOK, args...); !strings.Contains(said, " taken\n") || strings.Contains(said, "refused") {
			t.Errorf("import of %s says %s", kind, said)
		}
	}
	for _, kind := range append(slices.Clone(kinds), "entries") {
		a, err1 := os.ReadFile(filepath.Join(dir, "from-"+kind+".csv"))
		if kind == "entries" {
			a, err1 = os.ReadFile(out(from.config, kind, "from"))
		}
		b, err2 := os.ReadFile(out(to, kind, "to"))
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if lines := bytes.Count(a, []byte("\n")); !bytes.Equal(a, b) || lines < 3 {
			t.Errorf("%s: %d lines exported, %d after the import, equal: %v", kind, lines, bytes.Count(b, []byte("\n")), bytes.Equal(a, b))
		}
	}
	if said := command(t, exitOK, "audit", "--config", to); !strings.Contains(said, " 0 differ from the facts\n") {
		t.Errorf("audit after the import says %s", said)
	}
	checkParquet(t, to, dir)
}

// checkParquet compares the entries as Parquet with those as CSV: as many rows,
// and the energy of all that were measured adds up to what the audit shows.
func checkParquet(t *testing.T, config, dir string) {
	t.Helper()
	path := filepath.Join(dir, "entries.parquet")
	command(t, exitOK, "export", "entries", "--config", config, "--format", "parquet", "--out", path)
	rows, err := parquet.ReadFile[columnar.EntryRow](path)
	if err != nil {
		t.Fatal(err)
	}
	csv, err := os.ReadFile(filepath.Join(dir, "to-entries.csv"))
	if err != nil {
		t.Fatal(err)
	}
	var energy int64
	for _, r := range rows {
		if r.EnergyMWh != nil {
			energy += *r.EnergyMWh
		}
	}
	readings, err := os.ReadFile(filepath.Join(dir, "from-readings.csv"))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(readings)), "\n")
	last := strings.Split(lines[len(lines)-1], ",")[2] // the first value is 0
	if n := bytes.Count(csv, []byte("\n")) - 1; len(rows) != n || strings.Replace(last, ".", "", 1) != strconv.FormatInt(energy, 10) {
		t.Errorf("%d rows of Parquet, %d of CSV; %d mWh, register ends at %s kWh", len(rows), n, energy, last)
	}
}

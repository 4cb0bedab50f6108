package factors_test

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curetally/internal/app/factors"
)

func file(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "factors.csv")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Source of the rates: US EPA eGRID2022; of the factors: UK Government conversion
// factors 2024 and 2025.
func TestRead(t *testing.T) {
	zone := time.FixedZone("site", 3600)
	for _, c := range []struct {
		name, text string
		at         time.Time
		want       float64
		source     string
	}{
		{"years", "year,kg_per_kwh,source\n2024,0.20705,UK 2024\n2025,0.17700,UK 2025\n", time.Date(2024, 12, 31, 23, 0, 0, 0, time.UTC), 0.177, "UK 2025"},
		{"rates", "source,year,co2_lb_per_mwh,ch4_lb_per_mwh,n2o_lb_per_mwh\neGRID2022 CAMX,2022,497.443,0.030,0.004\n", time.Date(2022, 6, 1, 0, 0, 0, 0, time.UTC), 0.226498, "eGRID2022 CAMX"},
		{"hours", "time,kg_per_kwh,source\n2026-03-10 08:00,0.42,grid\n2026-03-10 09:00,0.40,grid\n", time.Date(2026, 3, 10, 8, 15, 0, 0, time.UTC), 0.40, "grid"},
	} {
		table, err := factors.Read(c.name, file(t, c.text), zone)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		f, ok := table.At(c.at)
		if !ok || math.Abs(f.KgPerKWh-c.want) > 5e-7 || f.Source != c.source {
			t.Errorf("%s: %+v, want %v of %s", c.name, f, c.want, c.source)
		}
	}
}

func TestRead_Refuses(t *testing.T) {
	for text, want := range map[string]string{
		"year,source\n2024,a\n":                                                 "expected either a column kg_per_kwh or co2_lb_per_mwh",
		"kg_per_kwh,source\n0.2,a\n":                                            "expected either a column year or a column time",
		"year,kg_per_kwh,source\n2024,0.2,a\n2024,0.3,b\n":                      "there are two factors for 2024",
		"year,kg_per_kwh,source\n2024,0.2,\n":                                   "source",
		"year,kg_per_kwh,source\n2024,much,a\n20240,0.2,a\n":                    "factors.csv:2: kg_per_kwh",
		"year,kg_per_kwh,source\n2024,-0.2,a\n":                                 "expected 0 to 10 kg/kWh",
		"year,kg_per_kwh\n2024,0.2\n":                                           "this column is missing",
		"year,kg_per_kwh,source,co2_lb_per_mwh,ch4_lb_per_mwh,n2o_lb_per_mwh\n": "expected either a column kg_per_kwh",
	} {
		_, err := factors.Read("grid", file(t, text), time.UTC)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want %q in it", text, err, want)
		}
	}
	if _, err := factors.Read("grid", filepath.Join(t.TempDir(), "none.csv"), time.UTC); err == nil || !strings.Contains(err.Error(), "correct its file") {
		t.Errorf("a missing file: %v", err)
	}
}

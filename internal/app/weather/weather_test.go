package weather_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curetally/internal/app/weather"
	"curetally/internal/core/hvac"
)

func file(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "weather.csv")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Hours come in order of time, whatever the order of rows, in the site's zone where no
// offset is written.
func TestRead(t *testing.T) {
	got, err := weather.Read(file(t, "humidity_percent,time,celsius\n50,2025-06-02 10:00,24\n60,2025-06-02T07:00:00Z,-3.5\n"), time.FixedZone("site", 7200))
	if err != nil {
		t.Fatal(err)
	}
	want := []hvac.Observation{
		{At: time.Date(2025, 6, 2, 7, 0, 0, 0, time.UTC), Air: hvac.Air{Celsius: -3.5, Humidity: 0.6}},
		{At: time.Date(2025, 6, 2, 8, 0, 0, 0, time.UTC), Air: hvac.Air{Celsius: 24, Humidity: 0.5}},
	}
	if len(got) != 2 || !got[0].At.Equal(want[0].At) || got[0].Air != want[0].Air || !got[1].At.Equal(want[1].At) || got[1].Air != want[1].Air {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestRead_Refuses(t *testing.T) {
	const header = "time,celsius,humidity_percent\n"
	for text, want := range map[string]string{
		"time,celsius\n":                                                  "weather.csv:1: humidity_percent: this column is missing",
		header + "2025-06-02T07:00:00Z,75,50\n":                           "weather.csv:2: celsius: expected −60 to 60 °C",
		header + "2025-06-02T07:00:00Z,warm,150\n":                        "weather.csv:2: humidity_percent: expected 0 to 100 %",
		header + "2025-06-02T08:00:00Z,7,50\n2025-06-02T07:30:00Z,7,50\n": "weather.csv:2: time: less than an hour after line 3",
	} {
		if _, err := weather.Read(file(t, text), time.UTC); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want %q in it", text, err, want)
		}
	}
	if _, err := weather.Read(filepath.Join(t.TempDir(), "none.csv"), time.UTC); err == nil || !strings.Contains(err.Error(), "correct weather in the configuration") {
		t.Errorf("a missing file: %v", err)
	}
}

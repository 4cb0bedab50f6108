// Package weather reads the outdoor air hour by hour from a CSV file that a plant's
// configuration names. It serves the estimate of make-up air that need not be heated
// or cooled any more.
//
// Columns are found by their header: time (the begin of an hour), celsius and
// humidity_percent. Instants without offset are the site's; rows may stand in any order
// and hours may be missing, which the estimate says or refuses.
//
// A file with a mistake, such as two rows for the same hour, gives no weather, and
// every mistake comes with its line.
package weather

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"curetally/internal/core/hvac"
	"curetally/internal/link/sheet"
)

// row is an hour with the line that it stands in.
type row struct {
	hvac.Observation
	line int
}

// Read reads the file; zone is the site's. Observations come in order of time.
func Read(path string, zone *time.Location) ([]hvac.Observation, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("weather: %w — correct weather in the configuration", err)
	}
	defer func() { _ = f.Close() }() // only read
	rows, err := sheet.Stream(path, f, sheet.Format{Zone: zone}, sheet.Columns{Required: []string{"time", "celsius", "humidity_percent"}})
	if err != nil {
		return nil, err
	}
	var all []row
	var problems []error
	for rows.Next() {
		celsius, percent := rows.Float("celsius"), rows.Float("humidity_percent")
		if !(celsius >= -60 && celsius <= 60) {
			rows.Report("celsius", "expected −60 to 60 °C")
		}
		if !(percent >= 0 && percent <= 100) {
			rows.Report("humidity_percent", "expected 0 to 100 %")
		}
		at := rows.Time("time")
		for _, p := range rows.Problems() {
			problems = append(problems, p)
		}
		all = append(all, row{hvac.Observation{At: at, Air: hvac.Air{Celsius: celsius, Humidity: percent / 100}}, rows.Line()})
	}
	if err := errors.Join(append(problems, rows.Err())...); err != nil {
		return nil, err
	}
	slices.SortStableFunc(all, func(a, b row) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.line, b.line)) })
	out := make([]hvac.Observation, len(all))
	for i, r := range all {
		if i > 0 && r.At.Before(all[i-1].At.Add(time.Hour)) {
			problems = append(problems, sheet.Problem{File: path, Line: r.line, Column: "time", Text: fmt.Sprintf(
				"less than an hour after line %d: expected one row for each hour", all[i-1].line)})
		}
		out[i] = r.Observation
	}
	return out, errors.Join(problems...)
}

// Package factors reads tables of carbon factors from CSV files that a plant's
// configuration names. A table has one factor for each year or one for each hour, with
// the source that it is from and the year of its data.
//
// Columns are found by their header: year or time, kg_per_kwh, source. Instead of
// kg_per_kwh a file may have co2_lb_per_mwh, ch4_lb_per_mwh and n2o_lb_per_mwh, of which the
// equivalent is made. Years are those of the site's calendar; hours without offset are the
// site's.
//
// A file with a mistake gives no table, and every mistake comes with its line.
package factors

import (
	"errors"
	"fmt"
	"os"
	"time"

	"curetally/internal/core/carbon"
	"curetally/internal/link/sheet"
)

const kgColumn = "kg_per_kwh"

// Read reads a table; zone is the site's.
func Read(name, path string, zone *time.Location) (t carbon.Table, err error) {
	f, err := os.Open(path)
	if err != nil {
		return carbon.Table{}, fmt.Errorf("carbon table %s: %w — correct its file in the configuration", name, err)
	}
	defer func() { _ = f.Close() }() // only read
	rows, err := sheet.Stream(path, f, sheet.Format{Zone: zone}, sheet.Columns{
		Required: []string{"source"},
		Optional: []string{"year", "time", kgColumn, "co2_lb_per_mwh", "ch4_lb_per_mwh", "n2o_lb_per_mwh"},
	})
	if err != nil {
		return carbon.Table{}, err
	}
	pounds := rows.Has("co2_lb_per_mwh") && rows.Has("ch4_lb_per_mwh") && rows.Has("n2o_lb_per_mwh")
	switch {
	case rows.Has("year") == rows.Has("time"):
		return carbon.Table{}, fmt.Errorf("%s:1: expected either a column year or a column time", path)
	case rows.Has(kgColumn) == pounds:
		return carbon.Table{}, fmt.Errorf("%s:1: expected either a column kg_per_kwh or co2_lb_per_mwh, ch4_lb_per_mwh and n2o_lb_per_mwh", path)
	}
	var all []carbon.Factor
	var problems []error
	for rows.Next() {
		one := carbon.Factor{Source: rows.Text("source")}
		if pounds {
			one.KgPerKWh = carbon.AR5().FromPounds(rows.Float("co2_lb_per_mwh"), rows.Float("ch4_lb_per_mwh"), rows.Float("n2o_lb_per_mwh"))
		} else {
			one.KgPerKWh = rows.Float(kgColumn)
		}
		if rows.Has("year") {
			y := int(rows.Whole("year"))
			one.From, one.To = time.Date(y, 1, 1, 0, 0, 0, 0, zone), time.Date(y+1, 1, 1, 0, 0, 0, 0, zone)
			if y < 1970 || y > 2200 {
				rows.Report("year", "expected a year such as 2025")
			}
		} else {
			one.From = rows.Time("time")
			one.To = one.From.Add(time.Hour)
		}
		for _, p := range rows.Problems() {
			problems = append(problems, p)
		}
		all = append(all, one)
	}
	if err := errors.Join(append(problems, rows.Err())...); err != nil {
		return carbon.Table{}, err
	}
	if t, err = carbon.New(name, all); err != nil {
		return carbon.Table{}, fmt.Errorf("%s: %w", path, err)
	}
	return t, nil
}

package acts

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/link/config/surveys"
	"curetally/internal/link/sheet"
)

// givenOf reads the file of a baseline that was not measured here.
func (c BaselineFreeze) givenOf(p *plant.Plant, pr plant.Project) (savings.Baseline, error) {
	name := c.FromBills + c.FromSurvey
	data, err := os.ReadFile(name) //nolint:gosec // the person names the file
	if err != nil {
		return savings.Baseline{}, err
	}
	sum := sha256.Sum256(data)
	from := savings.Given{File: filepath.Base(name), FileHash: hex.EncodeToString(sum[:])}
	if c.FromBills != "" {
		bills, err := readBills(name, string(data), p.TimeZone)
		if err != nil {
			return savings.Baseline{}, err
		}
		return savings.FromBillsOf(pr, bills, from)
	}
	v, problems := surveys.Read(name, data)
	if len(problems) > 0 {
		return savings.Baseline{}, problems
	}
	kwh, standard := v.BeforeEnergy()
	return savings.FromSurveyOf(pr, kwh, standard, from)
}

// readBills reads bills with their first day, the first day after them and kWh.
func readBills(name, text string, zone *time.Location) ([]savings.Bill, error) {
	rows, err := sheet.Stream(name, strings.NewReader(text), sheet.Format{}, sheet.Columns{Required: []string{"from", "to", "kwh"}})
	if err != nil {
		return nil, err
	}
	var bills []savings.Bill
	var problems []error
	for rows.Next() {
		day := func(column string) time.Time {
			text := rows.Text(column)
			t, err := time.ParseInLocation(time.DateOnly, text, zone)
			if err != nil && text != "" {
				rows.Report(column, fmt.Sprintf("%q is no day: expected a local day such as 2026-03-01", text))
			}
			return t
		}
		bills = append(bills, savings.Bill{From: day("from"), To: day("to"), Energy: unit.Energy(rows.Units("kwh", int64(unit.KilowattHour)))})
		for _, p := range rows.Problems() {
			problems = append(problems, p)
		}
	}
	return bills, errors.Join(append(problems, rows.Err())...)
}

package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"text/tabwriter"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/sheet"
)

type intervalsCommand struct {
	File       string        `arg:"" help:"CSV file with the columns time (RFC 3339) and kwh (register value); - for standard input."`
	Interval   time.Duration `help:"Length of an interval, aligned to UTC; it must divide a day." default:"15m"`
	ModulusKWh string        `name:"modulus-kwh" help:"Register value in kWh at which it starts again from zero." placeholder:"N"`
	MaxGap     time.Duration `help:"Longest distance of two readings that counts as measured." default:"30m"`
	MaxKW      float64       `name:"max-kw" help:"Rated power behind the register; more than it allows is held out. Without it, more than 20 times what the file shows twice running." placeholder:"N"`
	JSON       bool          `help:"Print as JSON."`
}

// intervalRow and stepRow are the JSON contract of the command.
type intervalRow struct {
	Start   time.Time   `json:"start"`
	Energy  unit.Energy `json:"energy_mwh"`
	Quality string      `json:"quality"`
}

type stepRow struct {
	Time time.Time `json:"time"`
	Kind string    `json:"kind"`
}

// Validate refuses flags that make no sense; the call was wrong then.
func (c intervalsCommand) Validate() error {
	if c.Interval <= 0 || (24*time.Hour)%c.Interval != 0 {
		return fmt.Errorf("--interval %v: expected a length that divides a day, such as 15m", c.Interval)
	}
	if c.MaxGap <= 0 {
		return fmt.Errorf("--max-gap %v: expected a length above 0, such as 30m", c.MaxGap)
	}
	if !(c.MaxKW >= 0 && c.MaxKW < 1e9) {
		return fmt.Errorf("--max-kw %v: expected a power above 0, such as 60", c.MaxKW)
	}
	if _, err := c.modulus(); err != nil {
		return err
	}
	return nil
}

// modulus gives --modulus-kwh in milliwatt-hours; 0 when it is not set.
func (c intervalsCommand) modulus() (int64, error) {
	if c.ModulusKWh == "" {
		return 0, nil
	}
	m, err := sheet.Units(c.ModulusKWh, int64(unit.KilowattHour))
	if err != nil || m <= 0 {
		return 0, fmt.Errorf("--modulus-kwh %q: expected a number above 0, such as 100000", c.ModulusKWh)
	}
	return m, nil
}

// Run turns register readings into energy per interval.
func (c intervalsCommand) Run(s *surroundings) error {
	rules := plant.Rules{MaxGap: c.MaxGap, MaxPerHour: int64(c.MaxKW * 1e6)}
	var err error
	if rules.Modulus, err = c.modulus(); err != nil {
		return err
	}
	points, err := c.read(rules.Modulus)
	if err != nil {
		return err
	}
	rules.Backstep = noise(points)
	rules.Slack = rules.Backstep
	if rules.MaxPerHour == 0 {
		rules.MaxPerHour = sustained(points) * beyondSustained
	}
	curve, steps := ledger.Build("file/kwh", rules, points, ledger.Acts{})
	intervals, events, total := []intervalRow{}, []stepRow{}, unit.Energy(curve.Total())
	for _, iv := range ledger.Intervals(curve, c.Interval) {
		intervals = append(intervals, intervalRow{iv.Start, unit.Energy(iv.Amount), iv.Quality.String()})
	}
	for _, e := range steps {
		events = append(events, stepRow{e.At, e.Kind.String()})
	}
	if c.JSON {
		return writeJSON(s.stdout, map[string]any{"intervals": intervals, "events": events, "total_mwh": total})
	}
	w := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "START\tkWh\tQUALITY\t")
	for _, iv := range intervals {
		fmt.Fprintf(w, "%s\t%.6f\t%s\t\n", iv.Start.Format(time.RFC3339), iv.Energy.KWh(), iv.Quality)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, e := range events {
		fmt.Fprintf(s.stdout, "%s %s\n", e.Time.Format(time.RFC3339), e.Kind)
	}
	_, err = fmt.Fprintf(s.stdout, "total %.6f kWh in %d intervals\n", total.KWh(), len(intervals))
	return err
}

// read takes the readings of the file in order of time.
func (c intervalsCommand) read(modulus int64) ([]ledger.Point, error) {
	file := os.Stdin
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return nil, err
		}
		defer f.Close() // only read
		file = f
	}
	t := sheet.Read(c.File, file, "time", "kwh")
	points := make([]ledger.Point, t.Len())
	seen := map[int64]int{}
	for i := range points {
		p := ledger.Point{At: t.Time(i, "time"), Value: t.Units(i, "kwh", int64(unit.KilowattHour))}
		if p.Value < 0 {
			t.Report(i, "kwh", "a register value below 0: expected a reading of an import register")
		}
		if modulus > 0 && p.Value >= modulus {
			t.Report(i, "kwh", fmt.Sprintf("at or above --modulus-kwh %s, which the register never shows", c.ModulusKWh))
		}
		if j, double := seen[p.At.UnixNano()]; double && points[j].Value != p.Value {
			t.Report(i, "time", fmt.Sprintf("line %d has another value at the same instant", t.Line(j)))
		}
		seen[p.At.UnixNano()], points[i] = i, p
	}
	if err := t.Err(); err != nil {
		return nil, err
	}
	if len(points) < 2 {
		return nil, errors.New(c.File + ": fewer than two readings: energy is the difference of two")
	}
	slices.SortStableFunc(points, func(a, b ledger.Point) int { return a.At.Compare(b.At) })
	return points, nil
}

// noise is the fall that is taken for noise: no more than the register usually
// rises from one reading to the next.
func noise(points []ledger.Point) int64 {
	var rises []int64
	for i := 1; i < len(points); i++ {
		if d := points[i].Value - points[i-1].Value; d > 0 {
			rises = append(rises, d)
		}
	}
	if len(rises) == 0 {
		return 0
	}
	slices.Sort(rises)
	return rises[len(rises)/2]
}

// beyondSustained is how much more than the greatest sustained rate still counts
// as true where nobody states the rated power.
const beyondSustained = 20

// sustained is the greatest rate per hour that two steps running reach: a
// misread value makes one steep step, a load makes several.
func sustained(points []ledger.Point) int64 {
	var greatest, before float64
	for i := 1; i < len(points); i++ {
		hours := points[i].At.Sub(points[i-1].At).Hours()
		if hours == 0 {
			continue // the same reading twice
		}
		rate := float64(points[i].Value-points[i-1].Value) / hours
		greatest, before = max(greatest, min(before, rate)), rate
	}
	return int64(min(greatest, math.MaxInt64/(2*beyondSustained)))
}

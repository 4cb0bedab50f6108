package savings

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/stats"
	"curetally/internal/core/unit"
)

// ErrTooFewDays says that a baseline has not enough usable days yet.
var ErrTooFewDays = errors.New("the baseline has too few days")

// ErrAltered says that a frozen baseline is not what it was when frozen.
var ErrAltered = errors.New("baseline is not as it was frozen")

// minDays is the least number of usable days of a baseline, whatever its model.
const minDays = 10

// Row is a day that a baseline was fitted to.
type Row struct {
	Day     time.Time   `json:"day"`
	Energy  unit.Energy `json:"energy_mwh"`
	Drivers []float64   `json:"drivers"`
}

// ExcludedDay is a day that was left out, with the reason in words.
type ExcludedDay struct {
	Day    time.Time `json:"day"`
	Reason string    `json:"reason"`
}

// Range is what a driver went through in the baseline, in the driver's unit.
type Range struct {
	Driver plant.Driver `json:"driver"`
	Min    float64      `json:"min"`
	Max    float64      `json:"max"`
}

// Low and High bound the values for which the model may be used: a tenth of the
// range beyond its ends. (The usual 90 % of the minimum and 110 % of the maximum
// have no meaning for a driver that can be zero.)
func (r Range) Low() float64 { return r.Min - 0.1*(r.Max-r.Min) }

// High is described with Low.
func (r Range) High() float64 { return r.Max + 0.1*(r.Max-r.Min) }

// Chosen is the selection of days that a baseline was made from.
type Chosen struct {
	From       time.Time `json:"from,omitzero"`
	To         time.Time `json:"to,omitzero"` // exclusive
	Technology string    `json:"technology,omitempty"`
}

// Baseline is a frozen baseline. It is written once and never changed; a new
// one gets the next version.
type Baseline struct {
	Project plant.ProjectID `json:"project"`
	// Version numbers the project's baselines from 1. Whoever keeps the baseline
	// gives the number; it is 0 before.
	Version  int                `json:"version,omitempty"`
	Boundary []plant.RegisterID `json:"boundary"`
	Drivers  []plant.Driver     `json:"drivers"`
	Chosen   Chosen             `json:"selection"`
	Rows     []Row              `json:"rows"`
	Excluded []ExcludedDay      `json:"excluded"`
	Ranges   []Range            `json:"ranges"`
	// Model gives kilowatt-hours per day from the drivers.
	Model stats.Fit `json:"model"`
	// DataHash is the SHA-256 in hexadecimal over the text that DataText gives.
	DataHash string    `json:"data_hash"`
	Approver string    `json:"approver"`
	Frozen   time.Time `json:"frozen"`
	Software string    `json:"software"`
}

// FreezeInfo is what a baseline records beside its data.
type FreezeInfo struct {
	Approver string    // the person who answers for it; required
	At       time.Time // the instant of freezing
	Software string    // version of the program
}

// Freeze fits the project's model to the days that its baseline selection
// chooses. It returns ErrTooFewDays for fewer than 10 usable days or fewer than
// coefficients + 2, and an error that names them when drivers are constant or
// cannot be told apart.
func Freeze(pr plant.Project, days []Day, info FreezeInfo) (Baseline, error) {
	if strings.TrimSpace(info.Approver) == "" {
		return Baseline{}, fmt.Errorf("project %s: a baseline needs an approver: name the person who answers for it", pr.ID)
	}
	used, others := Select(days, pr.Baseline)
	if need := max(minDays, len(pr.Drivers)+3); len(used) < need {
		why := ""
		if n := len(others); n > 0 {
			why = fmt.Sprintf(" (%s was left out: %s)", others[n-1].Day.Format(time.DateOnly), others[n-1].Excluded)
		}
		return Baseline{}, fmt.Errorf("project %s: %w: %d usable baseline days of %d on record, expected at least %d%s — widen the selection or wait for more days",
			pr.ID, ErrTooFewDays, len(used), len(used)+len(others), need, why)
	}
	b := Baseline{
		Project:  pr.ID,
		Boundary: slices.Clone(pr.Boundary), Drivers: slices.Clone(pr.Drivers),
		Chosen:   Chosen{pr.Baseline.From, pr.Baseline.To, pr.Baseline.Technology.String()},
		Excluded: excludedDays(others),
		Approver: info.Approver, Frozen: info.At, Software: info.Software,
	}
	for _, d := range used {
		if len(d.Drivers) != len(pr.Drivers) {
			return Baseline{}, fmt.Errorf("project %s: day %s has %d drivers, expected %d",
				pr.ID, d.Day.Format(time.DateOnly), len(d.Drivers), len(pr.Drivers))
		}
		b.Rows = append(b.Rows, Row{Day: d.Day, Energy: d.Energy, Drivers: slices.Clone(d.Drivers)})
	}
	b.Ranges = ranges(b.Drivers, b.Rows)
	for _, r := range b.Ranges {
		if r.Min == r.Max {
			return Baseline{}, fmt.Errorf("project %s: driver %s is %v on every baseline day: leave it out of the project's drivers, or choose days on which it varies",
				pr.ID, r.Driver, r.Min)
		}
	}
	fit, err := b.fit()
	if err != nil {
		return Baseline{}, fmt.Errorf("project %s: baseline model: %w", pr.ID, err)
	}
	b.Model = fit
	b.DataHash = b.hash()
	return b, nil
}

func excludedDays(days []Day) []ExcludedDay {
	out := make([]ExcludedDay, len(days))
	for i, d := range days {
		out[i] = ExcludedDay{Day: d.Day, Reason: d.Excluded}
	}
	return out
}

func ranges(drivers []plant.Driver, rows []Row) []Range {
	out := make([]Range, len(drivers))
	for j, d := range drivers {
		r := Range{Driver: d, Min: rows[0].Drivers[j], Max: rows[0].Drivers[j]}
		for _, row := range rows {
			r.Min, r.Max = min(r.Min, row.Drivers[j]), max(r.Max, row.Drivers[j])
		}
		out[j] = r
	}
	return out
}

// DataText writes the rows in a form that depends on nothing else, for the hash
// and for anyone who wants to check it: a line with the boundary registers, a
// line with the column names, then per row the local date, whole
// milliwatt-hours and the drivers in their shortest exact decimal form.
func (b Baseline) DataText() string {
	var t strings.Builder
	t.WriteString("boundary")
	for _, id := range b.Boundary {
		t.WriteString(" " + string(id))
	}
	t.WriteString("\nday energy_mwh")
	for _, d := range b.Drivers {
		t.WriteString(" " + string(d))
	}
	t.WriteByte('\n')
	for _, r := range b.Rows {
		t.WriteString(r.Day.Format(time.DateOnly) + " " + strconv.FormatInt(int64(r.Energy), 10))
		for _, v := range r.Drivers {
			t.WriteString(" " + strconv.FormatFloat(v, 'g', -1, 64))
		}
		t.WriteByte('\n')
	}
	return t.String()
}

func (b Baseline) hash() string {
	sum := sha256.Sum256([]byte(b.DataText()))
	return hex.EncodeToString(sum[:])
}

// verify returns ErrAltered unless the rows have their hash and the model is the
// one that they give.
func (b Baseline) verify() error {
	if h := b.hash(); h != b.DataHash {
		return fmt.Errorf("project %s, baseline version %d: hash of the rows is %s, frozen was %s: restore it or freeze a new version: %w",
			b.Project, b.Version, h, b.DataHash, ErrAltered)
	}
	p := len(b.Drivers) + 1
	whole := len(b.Ranges) == p-1 && b.Model.P == p && b.Model.N == len(b.Rows) &&
		len(b.Model.Coefficients) == p && len(b.Model.Cov) == p
	for _, row := range b.Model.Cov {
		whole = whole && len(row) == p
	}
	if whole {
		again, err := b.fit()
		whole = err == nil && sameModel(b.Model, again) && slices.Equal(b.Ranges, ranges(b.Drivers, b.Rows))
	}
	if !whole {
		return fmt.Errorf("project %s, baseline version %d: the model is not the one that the rows give: restore it or freeze a new version: %w",
			b.Project, b.Version, ErrAltered)
	}
	return nil
}

// fit makes the model from the rows.
func (b Baseline) fit() (stats.Fit, error) {
	x, y := make([][]float64, len(b.Rows)), make([]float64, len(b.Rows))
	for i, r := range b.Rows {
		x[i], y[i] = r.Drivers, r.Energy.KWh()
	}
	names := make([]string, len(b.Drivers))
	for i, d := range b.Drivers {
		names[i] = string(d)
	}
	return stats.LeastSquares(x, y, names)
}

// sameModel compares what a statement uses of a model. It allows for the last
// digits that another processor may round otherwise.
func sameModel(a, b stats.Fit) bool {
	same := func(x, y, floor float64) bool {
		return math.Abs(x-y) <= 1e-6*max(math.Abs(x), math.Abs(y))+floor
	}
	ok := same(a.ResidualSD, b.ResidualSD, 1e-9*math.Abs(b.Coefficients[0]))
	for i := range b.P {
		ok = ok && same(a.Coefficients[i], b.Coefficients[i], 1e-6*b.StdErrors[i]+1e-9)
		for j := range b.P {
			ok = ok && same(a.Cov[i][j], b.Cov[i][j], 1e-9*math.Sqrt(b.Cov[i][i]*b.Cov[j][j]))
		}
	}
	return ok
}

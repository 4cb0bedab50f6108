package regression

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"curetally/internal/core/stats"
)

// ErrInput says that no model of the form can be made of the rows; the text says
// why and what to do.
var ErrInput = errors.New("no such model of these rows")

// errTooFewValues says that no change point leaves every part enough rows.
var errTooFewValues = fmt.Errorf("the first driver has too few different values for its change points: use model linear, or add rows: %w", ErrInput)

// Table is the rows of a period in the order of time, all of the same length of
// time.
type Table struct {
	Drivers []string    // names; the first has the change points
	Rows    [][]float64 // one value for each driver
	Energy  []float64   // one for each row
}

// Coefficient is one term of a model.
type Coefficient struct {
	// Name is stats.Intercept, the driver's name, or the driver's name with
	// " below" or " above" for a slope on that side of its change point. A slope
	// below is that of c − T: positive where energy falls towards the change point.
	Name     string
	Value    float64
	StdError float64 // given the change points
	// T is Value ÷ StdError; NaN where the residuals are 0.
	T float64
	// VIF is the variance inflation factor 1/(1−R²) of the column on the others;
	// NaN for the intercept. Above 10 the coefficients cannot be read one by one.
	VIF float64
}

// Range is what a driver went through in the rows.
type Range struct {
	Driver   string
	Min, Max float64
}

// Low and High bound the values for which a model may be used: a tenth of the
// range beyond its ends. (The usual 90 % of the minimum and 110 % of the maximum
// have no meaning for a driver that can be zero or below.)
func (r Range) Low() float64 { return r.Min - 0.1*(r.Max-r.Min) }

// High is described with Low.
func (r Range) High() float64 { return r.Max + 0.1*(r.Max-r.Min) }

// Model is a fitted model with its statistics. Figures of energy are in the unit
// of the rows. A statistic that does not exist is NaN: what divides by a mean of
// 0, by residuals that are 0, or by the variation of an energy without any.
type Model struct {
	Form         Form
	N            int // rows
	P            int // coefficients and change points
	Coefficients []Coefficient
	ChangePoints []float64 // of the first driver, rising
	Ranges       []Range   // of the drivers that the form uses
	SSE          float64   // 0 where residuals are mere rounding
	R2           float64
	AdjR2        float64 // 1 − (1−R²)(n−1)/(n−p)
	ResidualSD   float64 // √(SSE/(n−p))
	CVRMSE       float64 // ResidualSD ÷ mean energy
	NMBE         float64 // Σ residuals ÷ ((n−p)·mean energy)
	DurbinWatson float64
	Rho          float64 // lag-1 autocorrelation of the residuals; 0 where they are 0
	NEffective   float64 // rows that the residuals are worth, see stats.EffectiveN
	// BIC is n·ln(SSE/n) + p·ln n; residuals of mere rounding count as that.
	BIC float64
	// Considered lists the forms that Auto compared, the smallest first.
	Considered []Considered

	linear stats.Fit // on the columns at the change points
}

// Fit fits a form to the rows, or for Auto the one that a rule picks, see choose. It
// returns an error with ErrInput or a *stats.SingularError inside when the rows
// do not allow it; both say what to do.
func Fit(t Table, form Form) (Model, error) {
	if form == Auto {
		return choose(t)
	}
	if err := check(t, form); err != nil {
		return Model{}, err
	}
	var changes []float64
	if form.kinks() != nil {
		var err error
		if changes, err = newSearch(t, form).best(); err != nil {
			return Model{}, fmt.Errorf("model %s: %w", form, err)
		}
	}
	return At(t, form, changes)
}

// At fits a form at change points that are given, as many as the form has. It
// returns the errors of Fit.
func At(t Table, form Form, changes []float64) (Model, error) {
	if err := check(t, form); err != nil {
		return Model{}, err
	}
	if have := len(form.kinks()); form == Auto || len(changes) != have {
		return Model{}, fmt.Errorf("model %s with %d change points, expected one of %d: %w", form, len(changes), have, ErrInput)
	}
	rows := make([][]float64, len(t.Rows))
	for i, row := range t.Rows {
		rows[i] = form.Columns(changes, row)
	}
	linear, err := stats.LeastSquares(rows, t.Energy, form.names(t.Drivers))
	if err != nil {
		return Model{}, fmt.Errorf("model %s: %w", form, err)
	}
	m := Model{Form: form, ChangePoints: changes, linear: linear}
	if form != Mean {
		m.Ranges = ranges(t)
	}
	m.describe(t, rows)
	return m, nil
}

// check refuses rows that no model of the form can be made of.
func check(t Table, form Form) error {
	if form != Mean && len(t.Drivers) == 0 {
		return fmt.Errorf("model %s needs a driver: name one, or use model mean: %w", form, ErrInput)
	}
	if p := form.Parameters(len(t.Drivers)); len(t.Rows) < p+2 {
		return fmt.Errorf("%d rows, expected at least %d for model %s, two more than its parameters: add rows, or use a smaller model: %w",
			len(t.Rows), p+2, form, ErrInput)
	}
	if form == Mean {
		return nil
	}
	for i, row := range t.Rows {
		if len(row) != len(t.Drivers) {
			return fmt.Errorf("row %d has %d drivers, expected %d: %w", i+1, len(row), len(t.Drivers), ErrInput)
		}
	}
	for _, r := range ranges(t) {
		if r.Min == r.Max {
			return fmt.Errorf("driver %s is %v in every row: leave it out, or add rows in which it varies: %w", r.Driver, r.Min, ErrInput)
		}
	}
	return nil
}

func ranges(t Table) []Range {
	out := make([]Range, len(t.Drivers))
	for j, d := range t.Drivers {
		r := Range{Driver: d, Min: t.Rows[0][j], Max: t.Rows[0][j]}
		for _, row := range t.Rows {
			r.Min, r.Max = min(r.Min, row[j]), max(r.Max, row[j])
		}
		out[j] = r
	}
	return out
}

// describe computes the statistics, with the change points among the parameters.
func (m *Model) describe(t Table, rows [][]float64) {
	f := m.linear
	m.N, m.P = f.N, f.P+len(m.ChangePoints)
	df := float64(m.N - m.P)
	var mean, largest, total float64
	for _, e := range t.Energy {
		mean += e / float64(m.N)
		largest = max(largest, math.Abs(e))
	}
	for _, e := range t.Energy {
		total += (e - mean) * (e - mean)
	}
	rounding := float64(m.N) * (1e-12 * largest) * (1e-12 * largest)
	exact := f.SSE <= rounding
	if !exact {
		m.SSE = f.SSE
	}
	m.ResidualSD = math.Sqrt(m.SSE / df)
	m.R2, m.AdjR2, m.CVRMSE, m.NMBE = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	if total > rounding {
		m.R2 = 1 - m.SSE/total
		if m.Form == Mean {
			m.R2 = 0 // not the rounding of two equal sums
		}
		m.AdjR2 = 1 - (1-m.R2)*float64(m.N-1)/df
	}
	if mean != 0 {
		m.CVRMSE = m.ResidualSD / mean
		m.NMBE = 0
		if !exact {
			m.NMBE = f.NMBE * float64(f.N-f.P) / df
		}
	}
	m.Rho, m.DurbinWatson = f.Rho, f.DurbinWatson
	if exact {
		m.Rho, m.DurbinWatson = 0, math.NaN()
	}
	m.NEffective = stats.EffectiveN(m.N, m.Rho)
	m.BIC = float64(m.N)*math.Log(max(m.SSE, rounding, math.SmallestNonzeroFloat64)/float64(m.N)) + float64(m.P)*math.Log(float64(m.N))
	for j, name := range f.Names {
		c := Coefficient{Name: name, Value: f.Coefficients[j], T: math.NaN(), VIF: math.NaN()}
		c.StdError = m.ResidualSD * math.Sqrt(f.Cov[j][j])
		if !exact {
			c.T = c.Value / c.StdError
		}
		if j > 0 {
			c.VIF = f.Cov[j][j] * spread(rows, j-1)
		}
		m.Coefficients = append(m.Coefficients, c)
	}
}

// spread is Σ(x − mean)² of a column.
func spread(rows [][]float64, j int) float64 {
	var mean, sum float64
	for _, row := range rows {
		mean += row[j] / float64(len(rows))
	}
	for _, row := range rows {
		sum += (row[j] - mean) * (row[j] - mean)
	}
	return sum
}

// Predict gives the model's energy for one row of all drivers of the table it
// was fitted to.
func (m Model) Predict(row []float64) float64 {
	return m.linear.Predict(m.Form.Columns(m.ChangePoints, row))
}

// Linear gives the least-squares fit on the columns at the change points, with
// the change points counted among the parameters of its statistics (P remains the
// number of coefficients). A statistic that does not exist is 0, as in stats.Fit.
func (m Model) Linear() stats.Fit {
	f := m.linear
	zero := func(v float64) float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0
		}
		return v
	}
	f.ResidualSD, f.R2, f.AdjR2 = m.ResidualSD, zero(m.R2), zero(m.AdjR2)
	f.CVRMSE, f.NMBE, f.DurbinWatson, f.Rho, f.SSE = zero(m.CVRMSE), zero(m.NMBE), zero(m.DurbinWatson), m.Rho, m.SSE
	f.StdErrors, f.TValues = make([]float64, f.P), make([]float64, f.P)
	for j, c := range m.Coefficients {
		f.StdErrors[j], f.TValues[j] = zero(c.StdError), zero(c.T)
	}
	return f
}

// DF is the degrees of freedom of an interval: n−p, or n'−p where the residuals
// are correlated, but at least 1.
func (m Model) DF() float64 { return stats.EffectiveDF(m.N, m.P, m.Rho) }

// Considered is a form that Auto looked at.
type Considered struct {
	Form    Form
	P       int
	CVRMSE  float64
	BIC     float64
	Against string // why it was not taken into account; empty otherwise
}

// worthMore is the advantage in BIC below which the form with fewer parameters
// is taken: less than 2 is not worth more than a bare mention (Kass and Raftery
// 1995; from memory).
const worthMore = 2

// choose fits all forms that the rows allow. Adequate is a form that keeps the
// usual limit of CV(RMSE) and whose slopes at change points are all told from
// zero. Among the adequate ones, or among all where none is, those within
// worthMore of the least BIC are as good as each other; of these the one with the
// fewest parameters is taken, then the one with the least BIC.
func choose(t Table) (Model, error) {
	var fitted []Model
	var considered []Considered
	var firstErr error
	forms := []Form{Mean, Linear, Cooling3, Heating3, Cooling4, Five}
	if len(t.Drivers) == 0 {
		forms = forms[:1]
	}
	for _, form := range forms {
		m, err := Fit(t, form)
		if err != nil {
			if form == Linear { // drivers at fault, whatever the form
				return Model{}, err
			}
			if firstErr == nil {
				firstErr = err
			}
			considered = append(considered, Considered{Form: form, CVRMSE: math.NaN(), BIC: math.NaN(), Against: err.Error()})
			continue
		}
		if form == Cooling4 && math.Abs(m.Coefficients[1].Value) > math.Abs(m.Coefficients[2].Value) {
			m.Form = Heating4
		}
		against := m.against()
		considered = append(considered, Considered{Form: m.Form, P: m.P, CVRMSE: m.CVRMSE, BIC: m.BIC, Against: against})
		fitted = append(fitted, m)
	}
	if len(fitted) == 0 {
		return Model{}, firstErr
	}
	adequate := slices.DeleteFunc(slices.Clone(fitted), func(m Model) bool { return m.against() != "" })
	if len(adequate) == 0 {
		adequate = fitted
	}
	least := adequate[0].BIC
	for _, m := range adequate {
		least = min(least, m.BIC)
	}
	best := -1
	for i, m := range adequate {
		if m.BIC > least+worthMore {
			continue
		}
		if best < 0 || m.P < adequate[best].P || m.P == adequate[best].P && m.BIC < adequate[best].BIC {
			best = i
		}
	}
	m := adequate[best]
	m.Considered = considered
	return m, nil
}

// against says why Auto prefers any other form.
func (m Model) against() string {
	if limit := UsualLimits().CVRMSE; !(math.Abs(m.CVRMSE) <= limit) {
		return fmt.Sprintf("CV(RMSE) above %g %%", 100*limit)
	}
	slopes := 0
	for _, k := range m.Form.kinks() {
		slopes += k.slopes()
	}
	for _, c := range m.Coefficients[1 : 1+slopes] {
		if math.Abs(c.T) < UsualLimits().T { // NaN: residuals are 0
			return fmt.Sprintf("%s: |t| below %g", c.Name, UsualLimits().T)
		}
	}
	return ""
}

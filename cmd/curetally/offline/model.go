package offline

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"text/tabwriter"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/regression"
	"curetally/internal/core/stats"
	"curetally/internal/link/sheet"
)

// standardInput is the file name that means standard input.
const standardInput = "-"

// modelFlags are what fit and compare have in common.
type modelFlags struct {
	Energy  string   `help:"Column with the energy of each row, in kWh or any other unit." required:"" placeholder:"COL"`
	Drivers []string `help:"Columns with what drives the energy, separated by commas, each in its own unit; change points belong to the first." placeholder:"COL"`
	Model   string   `help:"Shape of the model, linear by default: mean; straight lines (linear); a level with a slope above (cooling3) or below (heating3) a change point; a slope on either side (cooling4, heating4); a level between two slopes (five); or the one of these that a rule picks (auto)." enum:"mean,linear,cooling3,heating3,cooling4,heating4,five,auto" default:"linear" placeholder:"MODEL"`
	MaxCV   float64  `name:"max-cv" help:"Highest CV(RMSE) of an accepted model, as a fraction; 0.25 by default." default:"0.25" placeholder:"F"`
	MaxNMBE float64  `name:"max-nmbe" help:"Highest NMBE of an accepted model in absolute value, as a fraction; 0.005 by default." default:"0.005" placeholder:"F"`
	MinR2   float64  `name:"min-r2" help:"R² that an accepted model with drivers exceeds; 0.75 by default." default:"0.75" placeholder:"F"`
	MinT    float64  `name:"min-t" help:"|t| that each coefficient of an accepted model exceeds, except the intercept; 2 by default." default:"2" placeholder:"T"`
	MinRows int      `name:"min-rows" help:"Fewest rows of an accepted model; 9 by default." default:"9" placeholder:"N"`
	JSON    bool     `help:"Print as JSON."`
}

// check refuses flags that make no sense; the call was wrong then.
func (f modelFlags) check() error {
	if strings.TrimSpace(f.Energy) == "" {
		return errors.New("--energy: expected the name of a column")
	}
	seen := map[string]bool{column(f.Energy): true}
	for _, d := range f.Drivers {
		switch c := column(d); {
		case c == "":
			return fmt.Errorf("--drivers %q: expected names of columns separated by commas, such as curing_hours,standby_hours", strings.Join(f.Drivers, ","))
		case c == column(f.Energy):
			return fmt.Errorf("--drivers: %s is the energy: a driver is what the energy depends on", d)
		case c == stats.Intercept:
			return fmt.Errorf("--drivers: %s is what the constant of the model is called: name the column otherwise", d)
		case seen[c]:
			return fmt.Errorf("--drivers: %s stands there twice", d)
		default:
			seen[c] = true
		}
	}
	if form := regression.Form(f.Model); len(f.Drivers) == 0 && form != regression.Mean && form != regression.Auto {
		return fmt.Errorf("--drivers: expected at least one column for --model %s; only mean and auto do without", f.Model)
	}
	for _, limit := range []struct {
		name  string
		value float64
	}{{"max-cv", f.MaxCV}, {"max-nmbe", f.MaxNMBE}, {"min-t", f.MinT}, {"min-rows", float64(f.MinRows)}} {
		if !(limit.value >= 0) || math.IsInf(limit.value, 1) {
			return fmt.Errorf("--%s %v: expected a number of at least 0", limit.name, limit.value)
		}
	}
	if !(f.MinR2 >= 0 && f.MinR2 <= 1) {
		return fmt.Errorf("--min-r2 %v: expected a number from 0 to 1", f.MinR2)
	}
	return nil
}

// limits gives the limits that the flags set.
func (f modelFlags) limits() regression.Limits {
	return regression.Limits{CVRMSE: f.MaxCV, NMBE: f.MaxNMBE, R2: f.MinR2, T: f.MinT, Rows: f.MinRows}
}

// beyond is a size that no value of a file reaches, so that sums of squares stay finite.
const beyond = 1e100

// column is how sheet knows a column: by its name in lower case.
func column(name string) string { return strings.ToLower(strings.TrimSpace(name)) }

// read takes the rows of a file; lines holds the line of each in the file.
func (f modelFlags) read(name string) (t regression.Table, lines []int, err error) {
	file := os.Stdin
	if name != standardInput {
		opened, err := os.Open(name)
		if err != nil {
			return t, nil, err
		}
		defer opened.Close() // only read
		file = opened
	}
	columns := []string{column(f.Energy)}
	for _, d := range f.Drivers {
		columns = append(columns, column(d))
		t.Drivers = append(t.Drivers, strings.TrimSpace(d))
	}
	s := sheet.Read(name, file, columns...)
	value := func(i int, column string) float64 {
		v := s.Float(i, column)
		if math.Abs(v) >= beyond {
			s.Report(i, column, fmt.Sprintf("%g is out of range: expected less than %g in size", v, beyond))
		}
		return v
	}
	for i := range s.Len() {
		t.Energy = append(t.Energy, value(i, columns[0]))
		row := make([]float64, len(t.Drivers))
		for j := range row {
			row[j] = value(i, columns[j+1])
		}
		t.Rows = append(t.Rows, row)
		lines = append(lines, s.Line(i))
	}
	if err := s.Err(); err != nil {
		return regression.Table{}, nil, err
	}
	if s.Len() == 0 {
		return t, nil, fmt.Errorf("%s:1: no rows under the header: expected one for each period", name)
	}
	return t, lines, nil
}

// fit fits the model that the flags name to a file.
func (f modelFlags) fit(name string) (regression.Model, error) {
	t, _, err := f.read(name)
	if err != nil {
		return regression.Model{}, err
	}
	m, err := regression.Fit(t, regression.Form(f.Model))
	if err != nil {
		return m, fmt.Errorf("%s: %w", name, err)
	}
	return m, nil
}

// modelJSON and coefficientJSON are the JSON contract of a model.
type modelJSON struct {
	Model        regression.Form   `json:"model"`
	N            int               `json:"n"`
	P            int               `json:"p"`
	Coefficients []coefficientJSON `json:"coefficients"`
	ChangePoints []float64         `json:"change_points"`
	R2           number            `json:"r2"`
	AdjR2        number            `json:"adj_r2"`
	ResidualSD   number            `json:"residual_sd"`
	CVRMSE       number            `json:"cv_rmse"`
	NMBE         number            `json:"nmbe"`
	DurbinWatson number            `json:"durbin_watson"`
	Rho          number            `json:"rho"`
	NEffective   number            `json:"n_effective"`
	Accepted     bool              `json:"accepted"`
	Reasons      []string          `json:"reasons"`
}

type coefficientJSON struct {
	Name     string `json:"name"`
	Value    number `json:"value"`
	StdError number `json:"std_error"`
	T        number `json:"t"`
}

// contract gives the model as it is printed for programs.
func (f modelFlags) contract(m regression.Model) modelJSON {
	out := modelJSON{
		Model: m.Form, N: m.N, P: m.P, ChangePoints: append([]float64{}, m.ChangePoints...),
		R2: number(m.R2), AdjR2: number(m.AdjR2), ResidualSD: number(m.ResidualSD), CVRMSE: number(m.CVRMSE), NMBE: number(m.NMBE),
		DurbinWatson: number(m.DurbinWatson), Rho: number(m.Rho), NEffective: number(m.NEffective),
		Reasons: append([]string{}, m.Judge(f.limits())...),
	}
	out.Accepted = len(out.Reasons) == 0
	for _, c := range m.Coefficients {
		out.Coefficients = append(out.Coefficients, coefficientJSON{c.Name, number(c.Value), number(c.StdError), number(c.T)})
	}
	return out
}

// strongVIF is the variance inflation above which coefficients are not to be read
// one by one. Common practice, no source.
const strongVIF = 10

// print prints the model for people.
func (f modelFlags) print(out io.Writer, m regression.Model) error {
	fmt.Fprintf(out, "model %s: %s, %s; energy in units of %s\n\n", m.Form, desk.Count(m.N, "row"), desk.Count(m.P, "parameter"), f.Energy)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "COEFFICIENT\tVALUE\tSTD ERROR\tt\tVIF\t")
	var inflated bool
	for _, c := range m.Coefficients {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t\n", c.Name, figure(c.Value), figure(c.StdError), figure(c.T), figure(c.VIF))
		inflated = inflated || c.VIF > strongVIF
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, c := range m.ChangePoints {
		fmt.Fprintf(out, "change point at %s %s; the standard errors hold for it as it is\n", figure(c), m.Ranges[0].Driver)
	}
	if inflated {
		fmt.Fprintf(out, "VIF above %d: these drivers move together, so their coefficients cannot be read one by one\n", strongVIF)
	}
	fmt.Fprintf(out, "\nR² %s, adjusted %s; residual SD %s units of %s\n", figure(m.R2), figure(m.AdjR2), figure(m.ResidualSD), f.Energy)
	fmt.Fprintf(out, "CV(RMSE) %s, NMBE %s\n", percent(m.CVRMSE), percent(math.Round(m.NMBE*1e9)/1e9+0))
	fmt.Fprintf(out, "Durbin-Watson %s, lag-1 correlation %s, so %d rows are worth %s\n", figure(m.DurbinWatson), figure(m.Rho), m.N, figure(m.NEffective))
	for _, r := range m.Ranges {
		fmt.Fprintf(out, "%s went from %s to %s; the model holds from %s to %s\n", r.Driver, figure(r.Min), figure(r.Max), figure(r.Low()), figure(r.High()))
	}
	for _, c := range m.Considered {
		switch {
		case math.IsNaN(c.BIC):
			fmt.Fprintf(out, "left out %s: %s\n", c.Form, c.Against)
		case c.Against != "":
			fmt.Fprintf(out, "compared %s: BIC %s, passed over for %s\n", c.Form, figure(c.BIC), c.Against)
		default:
			fmt.Fprintf(out, "compared %s: BIC %s\n", c.Form, figure(c.BIC))
		}
	}
	reasons := m.Judge(f.limits())
	if len(reasons) == 0 {
		_, err := fmt.Fprintln(out, "accepted")
		return err
	}
	_, err := fmt.Fprintf(out, "not accepted:\n  %s\n", strings.Join(reasons, "\n  "))
	return err
}

package offline

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/lamplife"
	"curetally/internal/core/survival"
	"curetally/internal/link/sheet"
)

// LampLife says what the lives of lamps tell about the next one, from a file.
type LampLife struct {
	File        string   `arg:"" help:"CSV file with one row for each lamp: hours (lit hours that it was watched) and ended (failed; preventive, taken out in good order; running, still in use); - for standard input."`
	Shape       *float64 `help:"Shape of the Weibull distribution when it is known, from 0.1 to 100; without it the lamps give it." placeholder:"K"`
	Age         float64  `help:"Lit hours of the lamp whose remaining life is asked; 0 by default, a new one." default:"0" placeholder:"H"`
	Confidence  float64  `help:"Confidence of the two-sided limits, as a fraction between 0 and 1; 0.95 by default. The bound without a failure is one-sided." default:"0.95" placeholder:"F"`
	PriorShape  float64  `help:"Shape that is assumed while fewer than 5 lamps have failed; 3 by default." default:"3" placeholder:"K"`
	PriorSpread float64  `help:"Standard deviation of the logarithm of that shape: 0.35, the default, is a factor of 2 either way at 95 %." default:"0.35" placeholder:"S"`
	Within      float64  `help:"Also the failures to expect among the running lamps within this many further lit hours of each." placeholder:"H"`
	LampPrice   float64  `help:"Price of a lamp, in any currency: with --stop-cost, also the cheapest age for a preventive change." placeholder:"P"`
	Labour      float64  `help:"Labour of a change, in the same currency." placeholder:"P"`
	StopCost    float64  `help:"What an unplanned stop costs beside lamp and labour, in the same currency." placeholder:"P"`
	JSON        bool     `help:"Print as JSON."`
}

// Validate refuses flags that make no sense.
func (c LampLife) Validate() error {
	if c.Shape != nil && !(*c.Shape >= minShape && *c.Shape <= maxShape) {
		return fmt.Errorf("--shape %v: expected a number from %v to %v, such as 3", *c.Shape, minShape, maxShape)
	}
	if !(c.Confidence > 0 && c.Confidence < 1) {
		return fmt.Errorf("--confidence %v: expected a fraction between 0 and 1, such as 0.95", c.Confidence)
	}
	if !(c.PriorShape >= minShape && c.PriorShape <= maxShape) {
		return fmt.Errorf("--prior-shape %v: expected a number from %v to %v, such as 3", c.PriorShape, minShape, maxShape)
	}
	if !(c.PriorSpread > 0 && c.PriorSpread <= maxSpread) {
		return fmt.Errorf("--prior-spread %v: expected a number above 0, such as 0.35, up to %d", c.PriorSpread, maxSpread)
	}
	for _, f := range []struct {
		name  string
		value float64
	}{{"age", c.Age}, {"within", c.Within}, {"lamp-price", c.LampPrice}, {"labour", c.Labour}, {"stop-cost", c.StopCost}} {
		if !(f.value >= 0) || math.IsInf(f.value, 0) {
			return fmt.Errorf("--%s %v: expected a number of at least 0", f.name, f.value)
		}
	}
	if (c.StopCost > 0 || c.Labour > 0) && c.LampPrice == 0 {
		return errors.New("--lamp-price: expected a price above 0 beside --labour and --stop-cost")
	}
	return nil
}

// maxHours is beyond the life of any lamp, in lit hours.
const maxHours = 1e7

// Shapes of things that fail lie well within minShape and maxShape; a spread of
// maxSpread says nothing about the shape any more.
const (
	minShape  = 0.1
	maxShape  = 100
	maxSpread = 2
)

// lampLifeJSON is the JSON contract of the command. Hours are lit hours; what
// the lamps do not tell is null.
type lampLifeJSON struct {
	N                  int               `json:"n"`
	Failures           int               `json:"failures"`
	Shape              number            `json:"shape"`
	Scale              number            `json:"scale"`
	ShapeLow           number            `json:"shape_low"`
	ShapeHigh          number            `json:"shape_high"`
	ScaleLow           number            `json:"scale_low"`
	ScaleHigh          number            `json:"scale_high"`
	LogLikelihood      number            `json:"log_likelihood"`
	B10                number            `json:"b10"`
	B50                number            `json:"b50"`
	RemainingMedian    number            `json:"remaining_median"`
	B10Low             number            `json:"b10_low"`
	B10High            number            `json:"b10_high"`
	B50Low             number            `json:"b50_low"`
	B50High            number            `json:"b50_high"`
	RemainingMedianLow number            `json:"remaining_median_low"`
	RemainingMean      number            `json:"remaining_mean"`
	Age                float64           `json:"age"`
	Confidence         float64           `json:"confidence"`
	Basis              string            `json:"basis"` // of the shape: fitted, prior, fixed, assumed
	PriorWeight        float64           `json:"prior_weight"`
	Note               string            `json:"note"`
	Sensitivity        []sensitivityJSON `json:"sensitivity,omitempty"`
	ExpectedFailures   *number           `json:"expected_failures,omitempty"`
	Change             *changeJSON       `json:"preventive_change,omitempty"`
}

// sensitivityJSON says what another shape would give.
type sensitivityJSON struct {
	Shape    number `json:"shape"`
	Scale    number `json:"scale"`
	ScaleLow number `json:"scale_low"`
	B10      number `json:"b10"`
	B10Low   number `json:"b10_low"`
}

// changeJSON is the cheapest age for a preventive change; null when waiting for
// the failure costs least.
type changeJSON struct {
	Age           number `json:"age"`
	CostPerHour   number `json:"cost_per_hour"`
	RunToFailure  number `json:"run_to_failure_cost_per_hour"`
	OnLowerBounds bool   `json:"on_lower_bound"`
}

// Run reads the lamps and prints what they tell.
func (c LampLife) Run(s desk.Surroundings) error {
	lives, running, err := c.read()
	if err != nil {
		return err
	}
	q := lamplife.Question{
		Prior:      survival.ShapePrior{Shape: c.PriorShape, Spread: c.PriorSpread},
		Confidence: c.Confidence, Age: c.Age,
	}
	if c.Shape != nil {
		q.Shape = *c.Shape
	}
	a, err := lamplife.Ask(lives, q)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	out := lampLifeJSON{
		N: a.N, Failures: a.Failures, Shape: told(a.Shape), Scale: told(a.Scale),
		ShapeLow: told(a.ShapeLow), ShapeHigh: told(a.ShapeHigh), ScaleLow: told(a.ScaleLow), ScaleHigh: told(a.ScaleHigh),
		LogLikelihood: told(a.LogLikelihood), B10: told(a.B10), B50: told(a.B50), RemainingMedian: told(a.RemainingMedian),
		B10Low: told(a.B10Low), B10High: told(a.B10High), B50Low: told(a.B50Low), B50High: told(a.B50High),
		RemainingMedianLow: told(a.RemainingMedianLow), RemainingMean: told(a.RemainingMean),
		Age: c.Age, Confidence: c.Confidence, Basis: a.Basis.String(), PriorWeight: a.PriorWeight, Note: c.note(a),
	}
	if a.Basis != lamplife.BasisFitted {
		if out.Sensitivity, err = c.sensitivity(lives, a.Basis, q); err != nil {
			return fmt.Errorf("%s: %w", c.File, err)
		}
	}
	if c.Within > 0 {
		var sum number
		for _, age := range running {
			sum += number(a.FailsWithin(age, c.Within))
		}
		out.ExpectedFailures = &sum
	}
	if c.LampPrice > 0 {
		out.Change = c.change(a)
	}
	if c.JSON {
		return desk.WriteJSON(s.Stdout, out)
	}
	return c.print(s.Stdout, out)
}

// read takes the lamps of the file; running are the hours of those in use.
func (c LampLife) read() (lives []survival.Life, running []float64, err error) {
	err = eachRow(c.File, sheet.Columns{Required: []string{"hours", "ended"}}, func(r *sheet.Rows) {
		l := survival.Life{Hours: r.Float("hours")}
		ended := strings.ToLower(r.Text("ended"))
		l.Failed = ended == "failed"
		switch ended {
		case "running":
			running = append(running, l.Hours)
		case "failed", "preventive":
		default:
			if len(r.Problems()) == 0 {
				r.Report("ended", fmt.Sprintf("%q: expected failed, preventive (taken out in good order) or running", ended))
			}
		}
		switch {
		case l.Hours < 0:
			r.Report("hours", fmt.Sprintf("%v is below 0: expected the lit hours of the lamp", l.Hours))
		case l.Hours > maxHours:
			r.Report("hours", fmt.Sprintf("%v is more than a thousand years: expected the lit hours of the lamp", l.Hours))
		case l.Failed && l.Hours == 0 && len(r.Problems()) == 0:
			r.Report("hours", "a lamp that failed at 0 h was never lit: state its lit hours, or leave it out")
		}
		lives = append(lives, l)
	})
	return lives, running, err
}

// note says in words where the figures must be taken with care.
func (c LampLife) note(a lamplife.Statistics) string {
	failures := desk.Count(a.Failures, "failure")
	switch {
	case a.Failures == 0:
		whose := fmt.Sprintf("an assumed shape of %s, state your own with --shape", figure(a.Shape))
		if a.Basis == lamplife.BasisFixed {
			whose = fmt.Sprintf("the given shape of %s", figure(a.Shape))
		}
		return fmt.Sprintf("no lamp has failed: the figures are lower bounds at %s confidence, one-sided, for %s", share(c.Confidence), whose)
	case a.Basis == lamplife.BasisFixed:
		return "the shape is as given and was not estimated: the limits hold for it alone"
	case a.Basis == lamplife.BasisPrior && a.Failures < lamplife.EnoughFailures:
		return fmt.Sprintf("%s cannot give a shape, %d can: it is drawn towards an assumed %s, which has a weight of %s beside the lamps",
			failures, lamplife.EnoughFailures, figure(c.PriorShape), share(a.PriorWeight))
	case a.Basis == lamplife.BasisPrior:
		return fmt.Sprintf("all that failed did so at the greatest hours, which gives no shape: it is drawn towards an assumed %s, which has a weight of %s",
			figure(c.PriorShape), share(a.PriorWeight))
	}
	return ""
}

// sensitivity asks again with shapes around the one that was not fitted.
func (c LampLife) sensitivity(lives []survival.Life, basis lamplife.Basis, q lamplife.Question) ([]sensitivityJSON, error) {
	middle := c.PriorShape
	if basis == lamplife.BasisFixed {
		middle = q.Shape
	}
	var rows []sensitivityJSON
	for _, by := range []float64{-c.PriorSpread, 0, c.PriorSpread} {
		q.Shape = middle * math.Exp(by)
		a, err := lamplife.Ask(lives, q)
		if err != nil {
			return nil, err
		}
		rows = append(rows, sensitivityJSON{told(a.Shape), told(a.Scale), told(a.ScaleLow), told(a.B10), told(a.B10Low)})
	}
	return rows, nil
}

// change is the cheapest age for a preventive change.
func (c LampLife) change(a lamplife.Statistics) *changeJSON {
	cost := lamplife.ChangeCost{Lamp: c.LampPrice, Labour: c.Labour, Stop: c.StopCost}
	age, perHour := lamplife.CheapestAge(a.Life(), cost)
	if math.IsInf(age, 1) {
		age = math.NaN()
	}
	never := (c.LampPrice + c.Labour + c.StopCost) / a.Life().Mean()
	return &changeJSON{number(age), number(perHour), number(never), a.Failures == 0}
}

// print prints the figures for people.
func (c LampLife) print(out io.Writer, a lampLifeJSON) error {
	fmt.Fprintf(out, "%s, %s; the others ran on or were taken out in good order\n", desk.Count(a.N, "lamp"), desk.Count(a.Failures, "failure"))
	if a.Note != "" {
		fmt.Fprintf(out, "note: %s\n", a.Note)
	}
	limits := share(c.Confidence) + " LIMITS"
	if a.Failures == 0 {
		limits = share(c.Confidence) + " BOUND"
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "\nFIGURE\tVALUE\t%s\n", limits)
	for _, r := range []struct {
		name             string
		value, low, high number
		unit             string
	}{
		{"shape", a.Shape, a.ShapeLow, a.ShapeHigh, ""},
		{"scale (63 % have failed)", a.Scale, a.ScaleLow, a.ScaleHigh, " h"},
		{"B10 (a tenth has failed)", a.B10, a.B10Low, a.B10High, " h"},
		{"B50 (half have failed)", a.B50, a.B50Low, a.B50High, " h"},
		{"remaining life at " + figure(c.Age) + " h, median", a.RemainingMedian, a.RemainingMedianLow, number(math.NaN()), " h"},
		{"remaining life at " + figure(c.Age) + " h, mean", a.RemainingMean, number(math.NaN()), number(math.NaN()), " h"},
	} {
		fmt.Fprintf(w, "%s\t%s\t%s\n", r.name, withUnit(r.value, r.unit), between(r.low, r.high, r.unit))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nlog-likelihood %s; shape %s\n", figure(float64(a.LogLikelihood)), a.Basis)
	if len(a.Sensitivity) > 0 {
		fmt.Fprintln(out, "with other shapes:")
		for _, r := range a.Sensitivity {
			fmt.Fprintf(out, "  shape %s: scale %s, at least %s; B10 %s, at least %s\n", figure(float64(r.Shape)),
				withUnit(r.Scale, " h"), withUnit(r.ScaleLow, " h"), withUnit(r.B10, " h"), withUnit(r.B10Low, " h"))
		}
	}
	atMost := ""
	if a.Failures == 0 {
		atMost = "at most "
	}
	if a.ExpectedFailures != nil {
		fmt.Fprintf(out, "failures to expect among running lamps within %s h each: %s%s\n", figure(c.Within), atMost, figure(float64(*a.ExpectedFailures)))
	}
	return printChange(out, a.Change)
}

// printChange prints the cheapest age, if it was asked for.
func printChange(out io.Writer, c *changeJSON) error {
	if c == nil {
		return nil
	}
	if c.OnLowerBounds {
		fmt.Fprintln(out, "no lamp has failed, so what follows stands on the lower bound of the life")
	}
	if math.IsNaN(float64(c.Age)) {
		_, err := fmt.Fprintf(out, "cheapest is to wait for the failure: %s per lit hour\n", figure(float64(c.CostPerHour)))
		return err
	}
	_, err := fmt.Fprintf(out, "cheapest preventive change at %s lit hours: %s per lit hour, against %s when waiting for the failure\n",
		figure(float64(c.Age)), figure(float64(c.CostPerHour)), figure(float64(c.RunToFailure)))
	return err
}

// share writes a fraction as a percentage in as few digits as it takes.
func share(v float64) string { return figure(math.Round(1e4*v)/100) + " %" }

// told is a figure for programs; what has no end is a figure that does not exist.
func told(v float64) number {
	if math.IsInf(v, 0) {
		return number(math.NaN())
	}
	return number(v)
}

// withUnit writes a figure with its unit; a dash for none.
func withUnit(v number, unit string) string {
	if math.IsNaN(float64(v)) {
		return "-"
	}
	return figure(float64(v)) + unit
}

// between writes limits; what has no end on one side is said in words.
func between(low, high number, unit string) string {
	noLow, noHigh := math.IsNaN(float64(low)), math.IsNaN(float64(high))
	switch {
	case noLow && noHigh:
		return "-"
	case noHigh:
		return "at least " + withUnit(low, unit)
	case noLow:
		return "at most " + withUnit(high, unit)
	}
	return withUnit(low, "") + " to " + withUnit(high, unit)
}

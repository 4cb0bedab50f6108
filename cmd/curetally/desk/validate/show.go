package validate

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/core/validation"
)

// result is what the command says of a plant.
type result struct {
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	Findings  int       `json:"findings"` // of all registers
	Unsettled int64     `json:"unsettled"`
	Registers []row     `json:"registers"`
}

// row is what it says of one register. Amounts are in Unit.
type row struct {
	Register     plant.RegisterID `json:"register"`
	Completeness float64          `json:"completeness"` // share of the intervals without a gap
	Amount       float64          `json:"amount"`
	Unit         string           `json:"unit"`
	// Shares of the amount by quality, by absolute value.
	Measured     float64 `json:"measured"`
	Interpolated float64 `json:"interpolated"`
	Inferred     float64 `json:"inferred"`
	Estimated    float64 `json:"estimated"`
	Unknown      float64 `json:"unknown"`
	// SamplingError is the standard error of Amount where it is estimated from
	// samples of power.
	SamplingError *float64             `json:"sampling_error,omitempty"`
	Findings      []validation.Finding `json:"findings"`
	Estimates     []estimate           `json:"estimates"`
}

// estimate is the proposal for one gap.
type estimate struct {
	From    time.Time         `json:"from"`
	To      time.Time         `json:"to"`
	Method  validation.Method `json:"method"`
	Basis   string            `json:"basis"`
	Quality string            `json:"quality"`
	Exact   bool              `json:"exact"` // the amount, not its shape
	Amount  float64           `json:"amount"`
	Parts   []part            `json:"parts"`
}

type part struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Amount float64   `json:"amount"`
}

func rowOf(e *validation.Evidence, found []validation.Finding) row {
	var amounts plant.ByQuality
	var sum int64
	for _, x := range e.Entries {
		amounts[x.Quality] += max(x.Amount, -x.Amount)
		sum += x.Amount
	}
	if found == nil {
		found = []validation.Finding{}
	}
	q := e.Register.Quantity
	return row{
		Register: e.Register.ID, Completeness: e.Completeness(), Amount: float64(sum) / q.PerDisplay(), Unit: q.DisplayUnit(),
		Measured: amounts.Share(plant.QualityMeasured), Interpolated: amounts.Share(plant.QualityInterpolated),
		Inferred: amounts.Share(plant.QualityInferred), Estimated: amounts.Share(plant.QualityEstimated),
		Unknown: amounts.Share(plant.QualityUnknown), Findings: found, Estimates: []estimate{},
	}
}

func estimateOf(reg plant.Register, e validation.Estimate) estimate {
	per := reg.Quantity.PerDisplay()
	out := estimate{
		From: e.Gap.From, To: e.Gap.To, Method: e.Method, Basis: e.Basis, Quality: e.Quality.String(), Exact: e.Gap.Known,
		Amount: float64(e.Total()) / per, Parts: []part{},
	}
	for _, p := range e.Parts {
		out.Parts = append(out.Parts, part{p.From, p.To, float64(p.Amount) / per})
	}
	return out
}

// show prints a table of the registers, then findings and proposals.
func show(w io.Writer, p *plant.Plant, out result) error {
	fmt.Fprintf(w, "%s to %s\n", desk.Moment(out.From, p), desk.Moment(out.To, p))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "REGISTER\tCOMPLETE\tAMOUNT\tMEASURED\tINTERPOLATED\tINFERRED\tESTIMATED\tUNKNOWN\tFOUND")
	for _, r := range out.Registers {
		fmt.Fprintln(t, strings.Join([]string{
			string(r.Register), percent(r.Completeness), r.amount(), r.share(r.Measured), r.share(r.Interpolated), r.share(r.Inferred),
			r.share(r.Estimated), r.share(r.Unknown), found(r.Findings),
		}, "\t"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, r := range out.Registers {
		for _, f := range r.Findings {
			when := desk.Moment(f.From, p)
			if f.To.After(f.From) {
				when += " to " + desk.Moment(f.To, p)
			}
			fmt.Fprintf(w, "\n%s, %s, %s\n  %s\n  expected: %s\n  remedy: %s\n", f.Register, f.Check, when, f.Seen, f.Expected, f.Remedy)
		}
	}
	proposals(w, p, out)
	text := "nothing was found"
	if out.Findings > 0 {
		text = desk.Count(out.Findings, "finding")
	}
	if out.Unsettled > 0 {
		text += "; facts that came last are not settled yet — ask again when the daemon has settled them"
	}
	_, err := fmt.Fprintf(w, "\n%s\n", text)
	return err
}

// proposals prints how each gap would be estimated.
func proposals(w io.Writer, p *plant.Plant, out result) {
	header := "\nhow gaps would be estimated (nothing is changed by this)\n"
	for _, r := range out.Registers {
		for _, e := range r.Estimates {
			amount := unit.Group(e.Amount, 3) + " " + r.Unit
			if e.Method == validation.MethodNone {
				amount = "not known"
			}
			fmt.Fprintf(w, "%s%s, %s to %s: %s, %s, by %s (%s)\n", header, r.Register, desk.Moment(e.From, p), desk.Moment(e.To, p), amount, e.Quality, e.Method, e.Basis)
			header = ""
		}
	}
}

// amount writes what a register counted, with the error of sampling where it is
// estimated.
func (r row) amount() string {
	decimals := 3
	if r.Unit == "" {
		decimals = 0
	}
	text := unit.Group(r.Amount, decimals)
	if r.SamplingError != nil {
		text += " ± " + unit.Group(*r.SamplingError, decimals)
	}
	return strings.TrimSpace(text + " " + r.Unit)
}

// share writes a part of what the register counted; of nothing there is none.
func (r row) share(part float64) string {
	if r.Measured+r.Interpolated+r.Inferred+r.Estimated+r.Unknown == 0 {
		return "-"
	}
	return percent(part)
}

func percent(share float64) string { return fmt.Sprintf("%.2f %%", 100*share) }

// found names the checks that found something, in order, with how often.
func found(all []validation.Finding) string {
	var words []string
	for i := 0; i < len(all); {
		n := i
		for n < len(all) && all[n].Check == all[i].Check {
			n++
		}
		words = append(words, fmt.Sprintf("%d %s", n-i, all[i].Check))
		i = n
	}
	if len(words) == 0 {
		return "-"
	}
	return strings.Join(words, ", ")
}

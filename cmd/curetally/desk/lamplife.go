package desk

import (
	"context"
	"fmt"
	"io"
	"math"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
)

// LampLife says what the plant's own lamps tell about the life of each kind, and
// what is to be expected of each that is fitted.
type LampLife struct {
	Site
	JSON bool `help:"Print as JSON."`
}

// lifeRow is what is told of one kind. What the lamps do not tell is null.
type lifeRow struct {
	Kind         string   `json:"kind"`
	Lamps        int      `json:"lamps"`
	Failures     int      `json:"failures"`
	Basis        string   `json:"basis"` // of the shape: fitted, prior, fixed, assumed; none without hours
	PriorWeight  *float64 `json:"prior_weight"`
	Shape        *float64 `json:"shape"`
	ShapeLow     *float64 `json:"shape_low"`
	ShapeHigh    *float64 `json:"shape_high"`
	Scale        *float64 `json:"scale_hours"`
	ScaleLow     *float64 `json:"scale_low_hours"`
	ScaleHigh    *float64 `json:"scale_high_hours"`
	B10          *float64 `json:"b10_hours"`
	B10Low       *float64 `json:"b10_low_hours"`
	B50          *float64 `json:"b50_hours"`
	B50Low       *float64 `json:"b50_low_hours"`
	Change       *float64 `json:"change_at_hours"` // null also when waiting for the failure costs least
	WaitIsBest   bool     `json:"waiting_costs_least"`
	PerHour      *float64 `json:"cost_per_hour"`
	Currency     string   `json:"currency,omitempty"`
	OnLowerBound bool     `json:"on_lower_bound"`
	Said         string   `json:"said"`
}

// expectedRow is what is to be expected of one fitted lamp.
type expectedRow struct {
	Station   plant.StationID  `json:"station"`
	Lamp      plant.LampSerial `json:"lamp"`
	Kind      string           `json:"kind"`
	Age       float64          `json:"equivalent_hours"`
	PerDay    *float64         `json:"equivalent_hours_per_day"`
	Remaining *float64         `json:"remaining_median_hours"`
	AtLeast   bool             `json:"bounds_only"` // remaining is a lower and fails an upper bound
	Fails     *float64         `json:"fails_within_30_days"`
}

// Run prints the statistics of each kind and the outlook of each fitted lamp.
func (c LampLife) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		book, err := lampbook.Read(ctx, db, p, time.Now())
		if err != nil {
			return err
		}
		kinds, lamps := lifeRows(book)
		if c.JSON {
			return WriteJSON(s.Stdout, map[string]any{"at": book.At.UTC(), "kinds": kinds, "lamps": lamps})
		}
		if len(kinds) == 0 {
			_, err := fmt.Fprintln(s.Stdout, "no lamp is on record; record one with curetally lamp fit SERIAL STATION --by NAME")
			return err
		}
		return printLife(s.Stdout, kinds, lamps)
	})
}

func lifeRows(book lampbook.Book) ([]lifeRow, []expectedRow) {
	kinds, lamps := []lifeRow{}, []expectedRow{}
	for _, k := range book.Kinds {
		kinds = append(kinds, lifeRowOf(k))
	}
	for _, l := range book.Lamps {
		if l.Place == lampledger.Fitted {
			lamps = append(lamps, expectedRow{
				Station: l.Station, Lamp: l.Lamp.Serial, Kind: l.Lamp.Kind, Age: l.Life.Equivalent, PerDay: known(l.Outlook.PerDay),
				Remaining: known(l.Outlook.Remaining), AtLeast: l.Outlook.AtLeast, Fails: known(l.Outlook.Fails),
			})
		}
	}
	return kinds, lamps
}

func lifeRowOf(k lampbook.KindLife) lifeRow {
	a := k.Statistics
	r := lifeRow{Kind: k.Kind.Name, Lamps: a.N, Failures: a.Failures, Basis: "none", Said: "no lamp of this kind has any hours yet"}
	if !k.Known {
		return r
	}
	r.Basis, r.PriorWeight = a.Basis.String(), known(a.PriorWeight)
	r.Shape, r.ShapeLow, r.ShapeHigh = known(a.Shape), known(a.ShapeLow), known(a.ShapeHigh)
	r.Scale, r.ScaleLow, r.ScaleHigh = known(a.Scale), known(a.ScaleLow), known(a.ScaleHigh)
	r.B10, r.B10Low, r.B50, r.B50Low = known(a.B10), known(a.B10Low), known(a.B50), known(a.B50Low)
	r.Said = basisWords(a)
	if !math.IsNaN(k.Change) {
		r.Change, r.WaitIsBest, r.PerHour = known(k.Change), math.IsInf(k.Change, 1), known(k.PerHour)
		r.Currency, r.OnLowerBound = k.Kind.Price.Currency, k.OnLowerBound
	}
	return r
}

// basisWords says how much the figures can be relied on.
func basisWords(a lamplife.Statistics) string {
	switch a.Basis {
	case lamplife.BasisFitted:
		return fmt.Sprintf("shape from %s", Count(a.Failures, "failure"))
	case lamplife.BasisPrior:
		return fmt.Sprintf("%s: the assumed shape has %.0f %% of the weight", Count(a.Failures, "failure"), 100*a.PriorWeight)
	default:
		return "nothing failed: lower bounds, at the assumed shape"
	}
}

func printLife(w io.Writer, kinds []lifeRow, lamps []expectedRow) error {
	var rows []string
	for _, k := range kinds {
		change := ""
		switch {
		case k.WaitIsBest:
			change = "wait for the failure"
		case k.Change != nil:
			change = fmt.Sprintf("%s h, %s %s/h", unit.Group(*k.Change, 0), unit.Group(*k.PerHour, 3), k.Currency)
		}
		rows = append(rows, row(k.Kind, fmt.Sprint(k.Lamps), fmt.Sprint(k.Failures), span(k.Shape, k.ShapeLow, k.ShapeHigh, 2), span(k.Scale, k.ScaleLow, k.ScaleHigh, 0),
			span(k.B10, k.B10Low, nil, 0), span(k.B50, k.B50Low, nil, 0), change, k.Said))
	}
	if err := table(w, "KIND\tLAMPS\tFAILED\tSHAPE\tSCALE h\tB10 h\tB50 h\tCHEAPEST CHANGE\tBASIS", rows); err != nil || len(lamps) == 0 {
		return err
	}
	fmt.Fprintln(w)
	rows = nil
	for _, l := range lamps {
		least, most := "", ""
		if l.AtLeast {
			least, most = "at least ", "at most "
		}
		remaining, fails := "", "no use, no date"
		if l.Remaining != nil {
			remaining = least + unit.Group(*l.Remaining, 0)
		}
		if l.Fails != nil {
			fails = fmt.Sprintf("%s%.1f %%", most, 100**l.Fails)
		}
		rows = append(rows, row(string(l.Station), string(l.Lamp), l.Kind, unit.Group(l.Age, 1), figure(l.PerDay, 1), remaining, fails))
	}
	if err := table(w, "STATION\tLAMP\tKIND\tAGE h\tPER DAY h\tHALF LAST ANOTHER h\tFAILS WITHIN 30 DAYS", rows); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "\nHours are equivalent hours. A lamp counts as failed when it was taken out for that reason; all others have lived at least as long as they have. Limits at 90 %.")
	return err
}

// span writes a figure with its limits in brackets, or a bound alone.
func span(v, low, high *float64, decimals int) string {
	switch {
	case v == nil && low == nil:
		return ""
	case v == nil:
		return "at least " + figure(low, decimals)
	case low == nil:
		return figure(v, decimals)
	case high == nil:
		return fmt.Sprintf("%s (from %s)", figure(v, decimals), figure(low, decimals))
	}
	return fmt.Sprintf("%s (%s to %s)", figure(v, decimals), figure(low, decimals), figure(high, decimals))
}

// figure writes a number that may not exist.
func figure(v *float64, decimals int) string {
	if v == nil {
		return ""
	}
	return unit.Group(*v, decimals)
}

// known is nil for a figure that does not exist.
func known(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

package desk

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/app/answers"
	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/plan"
)

// Spares says how many lamps will be needed, when to order how many, and what
// spent mercury lamps wait for disposal.
type Spares struct {
	Site
	Weeks int  `help:"How many weeks ahead." default:"26" placeholder:"N"`
	JSON  bool `help:"Print as JSON, week by week."`
}

// Validate refuses a number of weeks that is none.
func (c Spares) Validate() error {
	if c.Weeks < 1 || c.Weeks > 260 {
		return fmt.Errorf("--weeks %d: expected 1 to 260", c.Weeks)
	}
	return nil
}

// Run prints need, order and spent lamps of each kind. An order that is due today
// and lamps held too long are findings.
func (c Spares) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		now := time.Now()
		look, err := plan.Look(ctx, db, p, now)
		if err != nil {
			return err
		}
		book, err := lampbook.Read(ctx, db, p, now)
		if err != nil {
			return err
		}
		kinds, err := answers.Needs(p, look, book, c.Weeks)
		if err != nil {
			return err
		}
		held := spares.Hold(p, answers.SpentLamps(book), p.Upkeep.SpentDays, now)
		page := sparesPage{p, now, kinds, held}
		if c.JSON {
			err = WriteJSON(s.Stdout, page.document())
		} else {
			err = page.print(s.Stdout)
		}
		for _, k := range kinds {
			if err == nil && k.Order.Quantity > 0 && k.Order.ByDay == 0 {
				return ErrFinding
			}
		}
		if err == nil && held.Overdue {
			return ErrFinding
		}
		return err
	})
}

// sparesPage is what the command shows.
type sparesPage struct {
	p     *plant.Plant
	now   time.Time
	kinds []answers.KindNeed
	held  spares.Held
}

func (v sparesPage) print(w io.Writer) error {
	p, now, kinds := v.p, v.now, v.kinds
	if len(kinds) == 0 {
		_, err := fmt.Fprintln(w, "no lamp is on record; record spares with curetally lamp receive KIND --count N --by NAME")
		return err
	}
	var rows []string
	for _, k := range kinds {
		last := k.Need[len(k.Need)-1]
		lead := fmt.Sprint(k.Lead)
		if k.Assumed {
			lead += " (assumed)"
		}
		by, quantity := "", ""
		if k.Order.Quantity > 0 {
			by, quantity = Date(p.Day(now, k.Order.ByDay), p), fmt.Sprint(k.Order.Quantity)
		}
		rows = append(rows, row(k.Stock.Kind.Name, fmt.Sprint(k.Stock.Fitted), fmt.Sprint(k.Stock.Spares),
			fmt.Sprintf("%.1f", last.Mean()), fmt.Sprint(last.Enough(p.Upkeep.ServiceLevel)), lead, by, quantity, orderCost(k), saidOf(k)))
	}
	header := fmt.Sprintf("KIND\tFITTED\tSPARES\tEXPECTED in %d weeks\tENOUGH at %.0f %%\tLEAD days\tORDER BY\tQUANTITY\tCOST\tREMARK", len(kinds[0].Need), 100*p.Upkeep.ServiceLevel)
	if err := table(w, header, rows); err != nil {
		return err
	}
	return printHeld(w, p, v.held)
}

// orderCost is what the order costs; empty when the kind states no price.
func orderCost(k answers.KindNeed) string {
	if k.Order.Quantity == 0 || k.Stock.Kind.Price == (unit.Money{}) {
		return ""
	}
	total, err := k.Stock.Kind.Price.Times(float64(k.Order.Quantity))
	if err != nil {
		return ""
	}
	return total.String()
}

// saidOf is what must be known of the figures.
func saidOf(k answers.KindNeed) string {
	switch {
	case k.Order.Late:
		return fmt.Sprintf("late: a chance of %.0f %% to run out before it arrives", 100*k.Order.RunsOut)
	case k.Unknown > 0:
		return fmt.Sprintf("%s without use or rated life not counted", Count(k.Unknown, "lamp"))
	case !k.Failures && k.Stock.Fitted > 0:
		return "planned changes only: none has failed yet"
	default:
		return ""
	}
}

// printHeld tells of spent lamps; nothing when there are none.
func printHeld(w io.Writer, p *plant.Plant, h spares.Held) error {
	if h.Count == 0 {
		return nil
	}
	fmt.Fprintf(w, "\n%s in the store since %s: out by %s (upkeep.spent_days is %d)", Count(h.Count, "spent mercury lamp"), Date(h.Oldest, p), Date(h.Deadline, p), p.Upkeep.SpentDays)
	if h.Overdue {
		fmt.Fprint(w, ", OVERDUE")
	}
	fmt.Fprintln(w)
	if h.MercuryHigh > 0 {
		fmt.Fprintf(w, "mercury in them: about %.0f to %.0f mg, as stated of their kind or estimated from the length of the arc\n", h.MercuryLow, h.MercuryHigh)
	}
	if h.OfUnknownSize > 0 {
		fmt.Fprintf(w, "mercury of %s not estimated: give mercury_mg or arc_cm of their kind\n", Count(h.OfUnknownSize, "lamp"))
	}
	for _, card := range upkeep.Cards([]string{"C12"}) {
		if _, err := fmt.Fprintf(w, "  %s\n", strings.TrimSpace(card.Code+" "+card.Text)); err != nil {
			return err
		}
	}
	return nil
}

// needJSON is one kind as printed by spares --json.
type needJSON struct {
	Kind         string     `json:"kind"`
	Fitted       int        `json:"fitted"`
	Spares       int        `json:"spares"`
	LeadDays     int        `json:"lead_days"`
	LeadAssumed  bool       `json:"lead_assumed"`
	NotCounted   int        `json:"lamps_not_counted"` // of whose end nothing is known
	WithFailures bool       `json:"with_failures"`
	Weeks        []weekJSON `json:"weeks"`
	Order        *orderJSON `json:"order"` // null when none is needed
}

type weekJSON struct {
	From     time.Time `json:"from"`
	Expected float64   `json:"expected_changes"` // in the week
	Enough   int       `json:"enough"`           // lamps from now to its end, at the service level
	Lasts    float64   `json:"spares_last_probability"`
}

type orderJSON struct {
	By       time.Time `json:"by"`
	Quantity int       `json:"quantity"`
	Arrives  time.Time `json:"arrives"`
	Late     bool      `json:"late"`
	RunsOut  float64   `json:"runs_out_before_probability"`
}

type heldJSON struct {
	Count         int       `json:"count"`
	Oldest        time.Time `json:"oldest,omitzero"`
	Deadline      time.Time `json:"deadline,omitzero"`
	Overdue       bool      `json:"overdue"`
	MercuryLow    float64   `json:"mercury_low_mg"`
	MercuryHigh   float64   `json:"mercury_high_mg"`
	OfUnknownSize int       `json:"of_unknown_size"`
	Deferral      string    `json:"deferral"`
}

func (v sparesPage) document() map[string]any {
	p, now, h := v.p, v.now, v.held
	rows := []needJSON{}
	for _, k := range v.kinds {
		r := needJSON{
			Kind: k.Stock.Kind.Name, Fitted: k.Stock.Fitted, Spares: k.Stock.Spares, LeadDays: k.Lead, LeadAssumed: k.Assumed,
			NotCounted: k.Unknown, WithFailures: k.Failures,
		}
		before := 0.0
		for w, c := range k.Need {
			r.Weeks = append(r.Weeks, weekJSON{
				From: now.Add(time.Duration(w) * spares.Week).UTC(), Expected: c.Mean() - before,
				Enough: c.Enough(p.Upkeep.ServiceLevel), Lasts: c.AtMost(k.Stock.Spares),
			})
			before = c.Mean()
		}
		if o := k.Order; o.Quantity > 0 {
			r.Order = &orderJSON{p.Day(now, o.ByDay), o.Quantity, p.Day(now, o.ArrivesDay), o.Late, o.RunsOut}
		}
		rows = append(rows, r)
	}
	return map[string]any{"at": now.UTC(), "service_level": p.Upkeep.ServiceLevel, "kinds": rows, "spent": heldJSON{
		h.Count, h.Oldest, h.Deadline, h.Overdue, h.MercuryLow, h.MercuryHigh, h.OfUnknownSize, upkeep.Deferral,
	}}
}
